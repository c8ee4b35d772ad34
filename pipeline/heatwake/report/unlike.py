"""What is not the same in two sessions, on purpose or not."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import xarray as xr

from heatwake.report.answers import conditions
from heatwake.report.parts import final_ambient
from heatwake.report.words import listed, number
from heatwake.schema.findings import KINDS
from heatwake.schema.variables import PLACE_STATE, VARIABLES
from heatwake.stages.pair import ComparisonSettings
from heatwake.stages.set_ups import FILM_FITTING, NOT_FACTORS

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
_AMBIENT_K: Final = 1.0  # common practice, no source: ambients that differ by more are worth a look
_DURATION_SHARE: Final = 0.05  # the same of the time under power
_DRIFT_K: Final = 0.1  # what a drifting ambient may bring before it is told
_SLOPE_SHARE: Final = 0.03  # of power, read off the first warming, before it is told: the flow brings up to 0.02
_LEVEL_K: Final = 0.3  # by which the camera's level over a cold board may differ before it is told
POWER_BY_SLOPE: Final = "power, by how fast parts begin to warm"
_VIEW_PX: Final = 2.0  # by which corners may lie apart for one and the same view
_SCALING: Final = ("surface_emissivity", "film_reflectance")  # an error of these goes with the rise


@dataclass(frozen=True)
class Unlike:
    """One thing that differs.

    Attributes
    ----------
    what, was, now : str
        Its name, and how it was in the reference and is in the session.
    is_factor : bool
        Whether the session files state it as a condition of the test: the one that is meant to differ.
    effect : float
        What it may bring to the difference of the hottest part, if nothing is done about it [K]; NaN where not known.
    treatment : str
        What was done about it; empty where nothing was.
    """

    what: str
    was: str
    now: str
    is_factor: bool
    effect: float = np.nan
    treatment: str = ""


def unlike(
    reference: xr.Dataset,
    session: xr.Dataset,
    chosen: xr.Dataset | None = None,
    *,
    refit_share: float = ComparisonSettings().refit_share,
) -> list[Unlike]:
    """Return what differs: stated conditions first, then what should have been the same, the largest effect on top.

    Parameters
    ----------
    reference, session : Dataset
    chosen : Dataset, optional
        The comparison's, of the session: what was measured of both together and done about it.
    refit_share : float
        What a film laid on anew brings to a run, as a share of its rise.
    """
    rise = highest_rise(reference)
    others = [
        *_described(reference, session, chosen, rise),
        *_parts(reference, session, rise),
        *_measured(reference, session, rise),
        *_refitted(reference, session, refit_share * rise),
        *_together(reference, session, chosen, rise),
    ]
    return [*_factors(reference, session), *sorted(others, key=lambda row: -np.nan_to_num(abs(row.effect)))]


def highest_rise(reference: xr.Dataset) -> float:
    """Return the largest final rise of a part [K]; NaN where none is known."""
    rise = reference["steady_rise"].to_numpy() if "steady_rise" in reference else np.empty(0)
    return float(np.nanmax(rise)) if np.isfinite(rise).any() else np.nan


def lead(rows: list[Unlike]) -> str:
    """Return the first sentence where more than one thing differs that was not brought to one condition; else empty."""
    factors = [row.what for row in rows if row.is_factor]
    stray = [_with_effect(row) for row in rows if not row.is_factor and not row.treatment]
    if len(factors) < 2 and not stray:
        return ""
    meant = f"{listed(factors)} on purpose" if factors else "nothing on purpose"
    return f"More than one thing differs: {meant}{', and besides ' + listed(stray) if stray else ''}."


def _with_effect(row: Unlike) -> str:
    return f"{row.what} (up to {number(abs(row.effect))} K)" if np.isfinite(row.effect) else row.what


def warning(rows: list[Unlike]) -> str:
    """Return what the reader must bear in mind about the differences; empty where there is nothing."""
    factors = [row.what for row in rows if row.is_factor]
    others = [row.what for row in rows if not row.is_factor and not row.treatment]
    parts = []
    if len(factors) > 1:
        parts.append("More than one condition differs: what changed cannot be put down to one of them.")
    if not factors:
        parts.append("No stated condition differs: the sessions are repeats, or their files do not say what changed.")
    if others:
        parts.append("Something differs that is not stated as a condition; it may have caused part of the change.")
    if POWER_BY_SLOPE in others:
        parts.append(f"Unequal power is told by how fast parts begin to warm. {KINDS['unequal power']}")
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
    keys = sorted({*was, *now} - NOT_FACTORS)
    pairs = [(key, _said(was.get(key)), _said(now.get(key))) for key in keys]
    return [Unlike(key.replace("_", " "), a, b, is_factor=True) for key, a, b in pairs if a != b]


def _said(value: Any) -> str:
    if value is None:
        return "not given"
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


def _described(reference: xr.Dataset, session: xr.Dataset, chosen: xr.Dataset | None, rise: float) -> list[Unlike]:
    rows = []
    for name in _MUST_AGREE:
        was, now = (float(one[name]) if name in one else np.nan for one in (reference, session))
        if not np.isclose(was, now, equal_nan=True):
            known = VARIABLES[name]
            unit = "" if known.units == "1" else known.units.replace("degC", "°C")
            texts = [f"{value:g} {unit}".strip() if np.isfinite(value) else "not given" for value in (was, now)]
            effect, treatment = _effect_of(name, was, now, rise=rise), ""
            if name == "power" and chosen is not None and float(chosen.get("power_factor", 1.0)) != 1.0:
                treatment = "rises brought to the reference's power"
            rows.append(Unlike(known.long_name.split(";")[0], texts[0], texts[1], False, effect, treatment))
    texts = [_response(one) for one in (reference, session)]
    if texts[0] != texts[1]:
        rows.append(Unlike("spectral response of the camera", texts[0], texts[1], is_factor=False))
    return rows


def _effect_of(name: str, was: float, now: float, *, rise: float) -> float:
    """Return the effect of an input that the rise goes with [K]."""
    if name == "power" and was > 0:
        return rise * (now / was - 1)
    if name in _SCALING and np.isfinite([was, now]).all():
        return rise * abs(now - was) / (was if name == "surface_emissivity" else 1.0)
    return np.nan


def _parts(reference: xr.Dataset, session: xr.Dataset, rise: float) -> list[Unlike]:
    """Return the parts whose emissivities differ."""
    if any("part_emissivity" not in one or "part" not in one.coords for one in (reference, session)):
        return []
    was = reference["part_emissivity"]
    now = session["part_emissivity"].reindex(part=was["part"])
    apart = np.abs((now - was).to_numpy())
    names = [str(name) for name, far in zip(was["part"].to_numpy(), apart, strict=True) if far > 1e-6]
    if not names:
        return []
    worst = int(np.nanargmax(apart))
    texts = [f"{float(one[worst]):g} ({was['part'].to_numpy()[worst]})" for one in (was, now)]
    effect = rise * float(apart[worst]) / float(was[worst])
    return [Unlike(f"emissivity of {listed(names)}", texts[0], texts[1], False, effect)]


def _refitted(reference: xr.Dataset, session: xr.Dataset, run: float) -> list[Unlike]:
    """Return the film laid on anew, by what that brings to one run [K]."""
    fitting = [conditions(one).get(FILM_FITTING) for one in (reference, session)]
    if fitting[0] == fitting[1]:
        return []
    texts = [_said(value) for value in fitting]
    return [Unlike("film, laid on anew", texts[0], texts[1], False, np.sqrt(2) * run, "counted in ±")]


def _together(reference: xr.Dataset, session: xr.Dataset, chosen: xr.Dataset | None, rise: float) -> list[Unlike]:
    """Return what only both recordings together tell: the camera's view and level, power by slope."""
    rows = []
    if (row := _view(reference, session)) is not None:
        rows.append(row)
    if chosen is not None and (row := _level(chosen)) is not None:
        rows.append(row)
    if chosen is not None and (row := _slope(reference, session, chosen, rise)) is not None:
        rows.append(row)
    return rows


def _view(reference: xr.Dataset, session: xr.Dataset) -> Unlike | None:
    names = ("corner_column", "corner_row")
    if any(name not in one for one in (reference, session) for name in names):
        return None
    moved = [float((session[name] - reference[name]).mean()) for name in names]
    apart = float(np.sqrt(sum(float(((session[name] - reference[name]) ** 2).mean()) for name in names)))
    if not apart > _VIEW_PX:
        return None
    text = f"corners {number(apart)} px away ({number(moved[0], signed=True)}, {number(moved[1], signed=True)})"
    return Unlike("view of the camera", "–", text, False, np.nan, "maps laid on one another")


def _level(chosen: xr.Dataset) -> Unlike | None:
    """Return by how much more the camera read above a cold board: it is not warmed up alike."""
    if "camera_level_difference" not in chosen or not abs(float(chosen["camera_level_difference"])) > _LEVEL_K:
        return None
    text = number(float(chosen["camera_level_difference"]), unit="K", digits=2, signed=True)
    taken = chosen["camera_level_correction"].to_numpy()
    effect = 2 * float(np.nanmax(np.abs(taken))) if np.isfinite(taken).any() else np.nan
    treatment = "half of what it may bring taken off, half counted in ±"
    return Unlike("camera's reading of the cold board, less ambient", "–", text, False, effect, treatment)


def _slope(reference: xr.Dataset, session: xr.Dataset, chosen: xr.Dataset, rise: float) -> Unlike | None:
    """Return power by the first warming, where it is not what the files say, or equal where they say nothing."""
    if "power_by_slope" not in chosen:
        return None
    ratio, spread = float(chosen["power_by_slope"]), float(chosen["power_by_slope_uncertainty"])
    powers = [float(one["power"]) if "power" in one else np.nan for one in (reference, session)]
    said = powers[1] / powers[0] if np.isfinite(powers).all() and powers[0] > 0 else 1.0
    if not abs(ratio / said - 1) > max(2 * spread / said, _SLOPE_SHARE):
        return None
    text = f"{number(100 * ratio)} ± {number(100 * spread)} % of it"
    return Unlike(POWER_BY_SLOPE, "100 %", text, False, rise * (ratio / said - 1))


def _response(session: xr.Dataset) -> str:
    """Return a response in words: how many samples, and their middle, which hardly two share by chance."""
    if "response_value" not in session:
        return "flat in the band"
    weights = session["response_value"].to_numpy()
    middle = float(np.average(session["response_wavelength"].to_numpy(), weights=weights))
    return f"given at {len(weights)} wavelengths, {middle:.4g} µm in the mean"


def _measured(reference: xr.Dataset, session: xr.Dataset, rise: float) -> list[Unlike]:
    rows = []
    was, now = final_ambient(reference), final_ambient(session)
    if abs(now - was) > _AMBIENT_K:
        texts = [number(value, unit="°C") for value in (was, now)]
        treatment = "rises count over each one's own ambient"
        rows.append(Unlike("ambient at the end", texts[0], texts[1], False, now - was, treatment))
    drift = [_late_drift(one) for one in (reference, session)]
    if abs(drift[1] - drift[0]) > _DRIFT_K:
        texts = [f"{number(value, digits=2, signed=True)} K a time constant" for value in drift]
        treatment = "rises follow it through each part's lag"
        rows.append(Unlike("drift of the ambient", texts[0], texts[1], False, drift[0] - drift[1], treatment))
    if (row := _transmittance(reference, session, rise)) is not None:
        rows.append(row)
    long = [_powered(one) for one in (reference, session)]
    if abs(long[1] - long[0]) > _DURATION_SHARE * max(long):
        texts = [number(value, digits=0, unit="s") for value in long]
        treatment = "maps and unsettled parts taken at one time"
        rows.append(Unlike("time under power", texts[0], texts[1], False, np.nan, treatment))
    return rows


def _late_drift(session: xr.Dataset) -> float:
    """Return by how much the ambient moves in a time constant at the end [K]: a rise lags behind by so much."""
    if any(name not in session for name in ("ambient", "time_constant")):
        return 0.0
    elapsed, ambient = session["elapsed"].to_numpy(), np.atleast_1d(session["ambient"].to_numpy()).astype(float)
    late = (elapsed >= elapsed[0] + 0.5 * (elapsed[-1] - elapsed[0])) & np.isfinite(ambient)
    constants = session["time_constant"].to_numpy()
    if late.sum() < 3 or not np.isfinite(constants).any():
        return 0.0
    return float(np.polyfit(elapsed[late], ambient[late], 1)[0] * np.nanmedian(constants))


def _transmittance(reference: xr.Dataset, session: xr.Dataset, rise: float) -> Unlike | None:
    if any("transmittance" not in one for one in (reference, session)):
        return None
    was, now = float(reference["transmittance"]), float(session["transmittance"])
    spread = [float(one["transmittance_uncertainty"]) for one in (reference, session)]
    if not abs(now - was) > 2 * np.hypot(spread[0], spread[1]):
        return None
    texts = [number(value, digits=3) for value in (was, now)]
    return Unlike(
        "film transmittance", texts[0], texts[1], False, rise * (now - was) / was, "each corrected by its own"
    )


def _powered(session: xr.Dataset) -> float:
    last = float(session["elapsed"].max())
    start = float(session["power_on"]) if "power_on" in session else np.nan
    return last - start if np.isfinite(start) else last
