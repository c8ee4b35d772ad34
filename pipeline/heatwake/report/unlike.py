"""What is not the same in two sessions, on purpose or not."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import xarray as xr

from heatwake.report.answers import conditions
from heatwake.report.parts import final_ambient
from heatwake.report.words import number
from heatwake.schema.variables import PLACE_STATE, VARIABLES

_MUST_AGREE: Final = (
    "power",
    "max_ambient",
    "altitude",
    "max_altitude",
    "film_present",
    "film_reflectance",
    "band_low",
    "band_high",
    "emissivity_setting",
    "reflected_setting",
    "accuracy",
    "accuracy_percent",
    "mirrors_board",
    "air_transmittance",
    "air_temperature",
    "surface_emissivity",
    "surface_reflected",
    "board_width",
    "board_height",
    "board_thickness",
    "board_conductivity",
    "channel_height",
)
_NOT_A_FACTOR: Final = {"power_W", "max_ambient_degC", "altitude_m", "max_altitude_m"}  # they have rows of their own
_AMBIENT_K: Final = 1.0  # common practice, no source: ambients that differ by more are worth a look
_DURATION_SHARE: Final = 0.05  # the same of the time under power


@dataclass(frozen=True)
class Unlike:
    """One thing that differs.

    Attributes
    ----------
    what, was, now : str
        Its name, and how it was in the reference and is in the session.
    is_factor : bool
        Whether the session files state it as a condition of the test: the one that is meant to differ.
    """

    what: str
    was: str
    now: str
    is_factor: bool


def unlike(reference: xr.Dataset, session: xr.Dataset) -> list[Unlike]:
    """Return what differs: stated conditions first, then what should have been the same."""
    return [*_factors(reference, session), *_described(reference, session), *_measured(reference, session)]


def warning(rows: list[Unlike]) -> str:
    """Return what the reader must bear in mind about the differences; empty where there is nothing."""
    factors = [row.what for row in rows if row.is_factor]
    others = [row.what for row in rows if not row.is_factor]
    parts = []
    if len(factors) > 1:
        parts.append("More than one condition differs: what changed cannot be put down to one of them.")
    if not factors:
        parts.append("No stated condition differs: the sessions are repeats, or their files do not say what changed.")
    if others:
        parts.append("Something differs that is not stated as a condition; it may have caused part of the change.")
    return " ".join(parts)


def place_words(chosen: xr.Dataset) -> str:
    """Return how well the session's map lies on the reference's, by the pictures of the board."""
    state = PLACE_STATE[int(chosen["place_state"])] if "place_state" in chosen else "not told"
    if state == "not told":
        return ""
    if state == "no match":
        quality = number(float(chosen["place_quality"]), digits=2)
        return (
            f"Its picture does not match the reference's board (quality {quality}): check corners_px, or whether it is "
            "the same board. No difference of the maps is called significant."
        )
    x, y = (number(float(chosen[f"place_shift_{axis}"]), digits=2, signed=True) for axis in "xy")
    unit = str(chosen["place_shift_x"].attrs.get("units", "mm"))
    where = f"By their pictures the session's map lies {x}, {y} {unit} from the reference's"
    if state == "too far":
        return f"{where}: more than an error of clicked corners. It is not moved, and no difference of the maps counts."
    return f"{where}; that is taken out of the difference."


def _factors(reference: xr.Dataset, session: xr.Dataset) -> list[Unlike]:
    was, now = conditions(reference), conditions(session)
    keys = sorted({*was, *now} - _NOT_A_FACTOR)
    pairs = [(key, _said(was.get(key)), _said(now.get(key))) for key in keys]
    return [Unlike(key.replace("_", " "), a, b, is_factor=True) for key, a, b in pairs if a != b]


def _said(value: Any) -> str:
    if value is None:
        return "not given"
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


def _described(reference: xr.Dataset, session: xr.Dataset) -> list[Unlike]:
    rows = []
    for name in _MUST_AGREE:
        was, now = (float(one[name]) if name in one else np.nan for one in (reference, session))
        if not np.isclose(was, now, equal_nan=True):
            known = VARIABLES[name]
            unit = "" if known.units == "1" else known.units.replace("degC", "°C")
            texts = [f"{value:g} {unit}".strip() if np.isfinite(value) else "not given" for value in (was, now)]
            rows.append(Unlike(known.long_name.split(";")[0], texts[0], texts[1], is_factor=False))
    texts = [_response(one) for one in (reference, session)]
    if texts[0] != texts[1]:
        rows.append(Unlike("spectral response of the camera", texts[0], texts[1], is_factor=False))
    return rows


def _response(session: xr.Dataset) -> str:
    """Return a response in words: how many samples, and their middle, which hardly two share by chance."""
    if "response_value" not in session:
        return "flat in the band"
    weights = session["response_value"].to_numpy()
    middle = float(np.average(session["response_wavelength"].to_numpy(), weights=weights))
    return f"given at {len(weights)} wavelengths, {middle:.4g} µm in the mean"


def _measured(reference: xr.Dataset, session: xr.Dataset) -> list[Unlike]:
    rows = []
    was, now = final_ambient(reference), final_ambient(session)
    if abs(now - was) > _AMBIENT_K:
        rows.append(Unlike("ambient at the end", number(was, unit="°C"), number(now, unit="°C"), is_factor=False))
    if (row := _transmittance(reference, session)) is not None:
        rows.append(row)
    long = [_powered(one) for one in (reference, session)]
    if abs(long[1] - long[0]) > _DURATION_SHARE * max(long):
        texts = [number(value, digits=0, unit="s") for value in long]
        rows.append(Unlike("time under power", texts[0], texts[1], is_factor=False))
    return rows


def _transmittance(reference: xr.Dataset, session: xr.Dataset) -> Unlike | None:
    if any("transmittance" not in one for one in (reference, session)):
        return None
    was, now = float(reference["transmittance"]), float(session["transmittance"])
    spread = [float(one["transmittance_uncertainty"]) for one in (reference, session)]
    if not abs(now - was) > 2 * np.hypot(spread[0], spread[1]):
        return None
    return Unlike("film transmittance", number(was, digits=3), number(now, digits=3), is_factor=False)


def _powered(session: xr.Dataset) -> float:
    last = float(session["elapsed"].max())
    start = float(session["power_on"]) if "power_on" in session else np.nan
    return last - start if np.isfinite(start) else last
