"""What a test report carries, each item with its value or none, and the cautions that go with the method.

After ISO/IEC 17025:2017, 7.8.2 and 7.8.3, and ISO 18434-1, in our own words.
"""

from datetime import date
from typing import Final

import numpy as np
import xarray as xr

from heatwake import __version__
from heatwake.report.answers import conditions
from heatwake.report.curves_figure import frame_counts
from heatwake.report.parts import COVERAGE, final_ambient
from heatwake.report.words import count, number
from heatwake.schema.report import Instrument, Report

CAUTIONS: Final = (
    (
        "This tool certifies nothing.",
        "The results apply only to the item tested, as it was tested. Where a product must comply with a standard, "
        "that standard, local codes and licensed practice decide.",
    ),
    (
        "Air is not seen.",
        "The camera sees surfaces. A direction is where heat is carried along the board; a drift of heat in the "
        "surface is no air speed.",
    ),
    (
        "Live parts.",
        "Work on an open, powered item only on an isolated supply, below 50 V or by a qualified person with a barrier. "
        "Capacitors stay charged after power-off.",
    ),
    (
        "Film is no enclosure, guard or fire barrier.",
        "It softens and shrinks well below its melting point: keep it below 60 °C, and no part above 90 °C within 5 mm "
        "of it. Stop if it sags. Fit it with the power off; it charges up when peeled.",
    ),
    (
        "Fans and hot surfaces.",
        "Fix the film outside the fan guard with no loose edges. Bare metal above about 65 °C burns within a second. "
        "Someone stays present while a fan is stopped or a vent is covered.",
    ),
    (
        "A surface is not a junction.",
        "Limits of junctions and windings do not compare with the surface temperatures given here.",
    ),
)


def decision_rule() -> str:
    """Return the rule behind the verdicts."""
    return (
        f"inside: margin of at least U; inside but within the uncertainty: margin from 0 to U; over: margin below 0. "
        f"U = {COVERAGE:g} u (k = {COVERAGE:g}, about 95 %). The margin itself has no allowance for U. "
        "The rise is taken to stay as it is at the maximum ambient, an approximation: power, fan and the air's density "
        "change with it, and more is radiated. Where a highest altitude is given, rise and U are multiplied by the "
        "density of the standard atmosphere (ISO 2533) at the test's altitude, sea level if not given, over that at "
        "the highest: a fan of fixed speed moves a fixed volume. "
        "Where trials do not bear U out, the upper end of their 95 % interval counts instead. No margin is claimed "
        "where mostly reflection is seen, or too few pixels."
    )


def report_items(results: xr.Dataset, *, criterion: str, stated: Report | None = None) -> list[tuple[str, str | None]]:
    """Return the items of a test report; None where neither the results nor the session file say anything."""
    told = stated or Report()
    serial = ("serial number", told.serial)
    number_of_report = [("Report number", told.number)] if told.number else []
    return [
        *number_of_report,
        ("Question that the test is to answer", told.question),
        ("Limits, and the highest ambient they hold at", _limits(results)),
        ("Method", told.method),
        ("Item: identity, revision, serial number", _joined(told.item, ("revision", told.revision), serial)),
        ("Item: condition and configuration", _joined(told.configuration, ("", _stated(conditions(results))))),
        ("Laboratory, place, customer", _joined(told.laboratory, ("", told.place), ("for", told.customer))),
        ("Operator and qualification", _joined(told.operator, ("", told.qualification))),
        ("Date and time of the test", _clock(results) or _date(told.tested)),
        ("Dates: item received, report issued", _dates(told)),
        ("Camera: type, serial number, calibration", _instrument(told.camera)),
        ("Camera: band, noise, stated accuracy", _camera(results)),
        ("Lens and distance", _joined(told.lens, ("at", f"{told.distance_mm:g} mm" if told.distance_mm else None))),
        ("Board in the picture: scale, lens, fit of known points", _board(results)),
        ("Ambient sensor and its calibration", _instrument(told.ambient_sensor)),
        *((f"Instrument: {one.name}", _instrument(one, named=True)) for one in told.instruments),
        ("Ambient during the test", _ambient(results)),
        ("Surroundings: humidity, draught", told.surroundings),
        ("Film: transmittance and how it was found", film_text(results)),
        ("Emissivity of the surfaces", _emissivity(results)),
        ("Power", _power(results)),
        ("Supply voltage, fan speed", _joined(told.supply, ("fan", told.fan))),
        ("Stabilisation: criterion, and what is still to come", _stabilisation(results, criterion)),
        ("Sketch of camera, film, sensors and item; photographs", told.sketch),
        ("Repeats", told.repeats),
        ("Readings left out, and why", _left_out(results)),
        ("Deviations from the method", "; ".join(told.deviations) or None),
        ("Decision rule", decision_rule()),
        ("What the results apply to", "only the item tested, as it was tested; this is no certificate"),
        ("Software, digests of the inputs", f"heatwake {__version__}; digests stand under Settings and provenance"),
        ("Authorised by", told.authorised_by),
    ]


def _joined(first: str | None, *others: tuple[str, str | None]) -> str | None:
    """Return what is given, each with the word before it; None where nothing is.

    >>> _joined("Charger", ("revision", "C"), ("serial number", None))
    'Charger, revision C'
    """
    known = [("", first), *others]
    return ", ".join(f"{word} {text}".strip() for word, text in known if text) or None


def _instrument(one: Instrument | None, *, named: bool = False) -> str | None:
    """Return an instrument with its calibration; where no date is given that is said."""
    if one is None:
        return None
    calibrated = f"calibrated {_date(one.calibrated)}" if one.calibrated else "calibration date not given"
    due = ("due", _date(one.due)), ("certificate", one.certificate), ("", one.note)
    return _joined(None if named else one.name, ("serial number", one.serial), ("", calibrated), *due)


def _date(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _dates(told: Report) -> str | None:
    days = (("received", _date(told.received)), ("issued", _date(told.issued)))
    return _joined(None, *days)


def _limits(results: xr.Dataset) -> str | None:
    """Return how many parts have a limit, and the ambient that temperatures are carried to; each may be missing."""
    known = int(np.isfinite(results["part_limit"].to_numpy()).sum()) if "part_limit" in results else 0
    highest = float(results["max_ambient"]) if "max_ambient" in results else np.nan
    limits = f"limits of {count(known, 'part')}, in the table of parts" if known else None
    return _joined(limits, ("up to", number(highest, unit="°C") if np.isfinite(highest) else None))


def _left_out(results: xr.Dataset) -> str | None:
    """Return how many frames were left out for each reason."""
    counts = frame_counts(results)
    if not counts:
        return None
    told = [f"{name} {total - used}" for name, total, used in counts if used < total]
    whole = sum(total for _, total, _ in counts)
    return f"of {count(whole, 'frame')}: {', '.join(told)}" if told else f"none of {count(whole, 'frame')}"


def film_text(results: xr.Dataset) -> str | None:
    """Return the film's transmittance with its uncertainty, and how it was found."""
    if "transmittance" not in results:
        return None
    comment = str(results["transmittance"].attrs.get("comment", ""))
    if "film_present" in results and not bool(results["film_present"]):
        return "no film"
    value, spread = float(results["transmittance"]), float(results["transmittance_uncertainty"])
    return f"{number(value, digits=3)} ± {number(spread, digits=3)} (k = 1){', ' if comment else ''}{comment}"


def _stated(stated: dict[str, object]) -> str | None:
    return "; ".join(f"{key.replace('_', ' ')}: {value}" for key, value in stated.items()) or None


def _clock(results: xr.Dataset) -> str | None:
    times = results["time"].to_numpy() if "time" in results else np.empty(0)
    if not times.size or times.dtype.kind != "M" or times[0] < np.datetime64("1980-01-01"):
        return None  # recordings without a clock count from 1970
    first, last = (str(np.datetime_as_string(time, unit="s")).replace("T", " ") for time in (times[0], times[-1]))
    return f"{first} to {last} UTC"


def _camera(results: xr.Dataset) -> str | None:
    names = ("band_low", "band_high", "netd", "accuracy", "accuracy_percent")
    if any(name not in results for name in names):
        return None
    low, high, noise, accuracy, percent = (float(results[name]) for name in names)
    band = f"{low:g} to {high:g} µm" + (", spectral response as given" if "response_value" in results else "")
    return f"{band}; NETD {noise:g} mK; ±{accuracy:g} K or ±{percent:g} %, the larger"


def _board(results: xr.Dataset) -> str | None:
    if "pixel_size" not in results or results["pixel_size"].attrs.get("units") == "pixel":
        return None
    sizes = results["pixel_size"].to_numpy().astype(float)
    if not np.isfinite(sizes).any():
        return None
    low, high = np.nanmin(sizes), np.nanmax(sizes)
    text = f"a pixel covers {number(low, digits=2)} to {number(high, digits=2)} mm"
    if "lens_coefficients" in results:
        text += "; lens coefficients as given"
    if "mark_residual_rms" not in results:
        return text
    worst = int(np.argmax(results["mark_residual"].to_numpy()))
    place, off = str(results["mark"].to_numpy()[worst]), float(results["mark_residual"][worst])
    length = float(results["mark_residual_length"][worst])
    rms = number(float(results["mark_residual_rms"]), digits=2)
    farthest = f"most at {place}: {number(off, digits=2)} px, {number(length, digits=2)} mm"
    return f"{text}; corners and points {rms} px off the common fit (rms), {farthest}"


def _ambient(results: xr.Dataset) -> str | None:
    last = final_ambient(results)
    if not np.isfinite(last):
        return None
    known = results["ambient"].to_numpy().astype(float)
    low, high = np.nanmin(known), np.nanmax(known)
    return f"{number(last)} °C at the end; from {number(low)} to {number(high)} °C during the recording"


def _emissivity(results: xr.Dataset) -> str | None:
    if "surface_emissivity" not in results:
        return None
    text = f"{float(results['surface_emissivity']):g} where nothing else is given"
    own = int(np.isfinite(results["part_emissivity"].to_numpy()).sum()) if "part_emissivity" in results else 0
    return f"{text}; own values for {count(own, 'part')}" if own else text


def _stabilisation(results: xr.Dataset, criterion: str) -> str | None:
    if not results.sizes.get("region", 0) or "remaining_rise" not in results:
        return None
    left = results["remaining_rise"].to_numpy().astype(float)
    steady = int((results["is_steady"].to_numpy() == 1).sum())
    told = f"{criterion}; settled: {steady} of {count(left.size, 'part')}"
    if not np.isfinite(left).any():
        return told
    most = int(np.nanargmax(np.abs(left)))
    spread = float(results["remaining_rise_uncertainty"][most]) if "remaining_rise_uncertainty" in results else np.nan
    name = str(results["region"].to_numpy()[most])
    return f"{told}; by the fits {number(left[most], digits=2)} ± {number(spread, digits=2)} K at most, at {name}"


def _power(results: xr.Dataset) -> str | None:
    watts = float(results["power"]) if "power" in results else np.nan
    return f"{watts:g} W, stated once; no log" if np.isfinite(watts) else None
