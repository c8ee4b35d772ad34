"""The table of parts: final values, margins at the maximum ambient, and what they say about the limits."""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

Array = npt.NDArray[np.float64]
Verdict = Literal["inside", "inside but within the uncertainty", "over", "no limit given", "not settled"]

COVERAGE: Final = 2.0  # U = k u; about 95 % for a normal distribution (JCGM 100:2008, 6.3.3)
LOW_EMISSIVITY: Final = 0.6  # common practice, no source: below it a reading is mostly reflection
RESOLVED_PIXELS: Final = 4  # fewer read far too low (Budzier and Gerlach, J. Sens. Sens. Syst. 10, 2021, 179)
MEASURED_PIXELS: Final = 10  # wanted on the target (Pusnik and Gersak, Sensors 21, 2021, 607)


@dataclass(frozen=True)
class PartRow:
    """What is known of one part at the end; temperatures are of the part's hottest robust core.

    Attributes
    ----------
    name : str
    temperature : float
        Final temperature at the ambient of the test [degC].
    rise : float
        Final rise over ambient [K].
    uncertainty : float
        Standard uncertainty of the rise, k = 1 [K].
    mean_rise, mean_uncertainty : float
        The same of the part's mean [K].
    time_constant : float
        [s]
    remaining : float
        Rise still to come at the end of the recording [K].
    limit : float
        [degC]; NaN where none is given.
    margin : float
        Limit less the final temperature carried to ``margin_ambient`` [K]; NaN without a limit.
    margin_ambient : float
        Maximum ambient, or where none is given the ambient of the test [degC].
    settled : bool
    verdict : str
    remark : str
        What limits the reading; empty where nothing does.
    """

    name: str
    temperature: float
    rise: float
    uncertainty: float
    mean_rise: float
    mean_uncertainty: float
    time_constant: float
    remaining: float
    limit: float
    margin: float
    margin_ambient: float
    settled: bool
    verdict: Verdict
    remark: str = ""

    @property
    def expanded_uncertainty(self) -> float:
        """U = 2 u [K]."""
        return COVERAGE * self.uncertainty

    @property
    def carried_temperature(self) -> float:
        """Final temperature at ``margin_ambient`` [degC]."""
        return self.margin_ambient + self.rise


def part_rows(results: xr.Dataset) -> list[PartRow]:
    """Return a row for each region, in the order of the dataset; nothing lazy but the regions is loaded."""
    if "region" not in results.dims:
        return []
    ambient = final_ambient(results)
    highest = float(results["max_ambient"]) if "max_ambient" in results else np.nan
    return [
        _row(results, number, str(name), ambient=ambient, highest=highest)
        for number, name in enumerate(results["region"].to_numpy())
    ]


def final_ambient(results: xr.Dataset) -> float:
    """Return the last ambient temperature that is known [degC]."""
    if "ambient" not in results:
        return np.nan
    ambient = np.atleast_1d(results["ambient"].to_numpy()).astype(float)
    known = ambient[np.isfinite(ambient)]
    return float(known[-1]) if known.size else np.nan


def margin(limit: float, *, rise: float, ambient: float) -> float:
    """Return the limit less the temperature at an ambient, when the rise stays as it is [K].

    IEC 60950-1 and 62368-1 carry a measured temperature to the maximum ambient by the difference of the ambients.

    >>> margin(110.0, rise=49.25, ambient=40.0)
    20.75
    """
    return limit - (ambient + rise)


def verdict(margin_K: float, *, expanded: float, has_limit: bool, settled: bool, reading_margin_K: float) -> Verdict:
    """Return what a margin says about the limit.

    The rule: ``inside`` from a margin of U upwards, ``inside but within the uncertainty`` from 0 to U, ``over``
    below 0. A part that has not settled is ``over`` when its last reading is already, else ``not settled``.

    Parameters
    ----------
    margin_K : float
        Of the final value.
    expanded : float
        Expanded uncertainty U of the rise [K].
    has_limit, settled : bool
    reading_margin_K : float
        The margin of the last reading.
    """
    if not has_limit:
        return "no limit given"
    if not settled or not np.isfinite(margin_K) or not np.isfinite(expanded):
        return "over" if reading_margin_K < 0 else "not settled"
    if margin_K < 0:
        return "over"
    return "inside" if margin_K >= expanded else "inside but within the uncertainty"


def _row(results: xr.Dataset, number: int, name: str, *, ambient: float, highest: float) -> PartRow:
    def value(variable: str) -> float:
        return float(results[variable][number]) if variable in results else np.nan

    rise, uncertainty, limit = value("steady_rise_max"), value("steady_rise_max_uncertainty"), value("region_limit")
    settled = value("is_steady") == 1
    at = highest if np.isfinite(highest) else ambient
    left = margin(limit, rise=rise, ambient=at)
    judged = verdict(
        left,
        expanded=COVERAGE * uncertainty,
        has_limit=bool(np.isfinite(limit)),
        settled=settled,
        reading_margin_K=margin(limit, rise=_last(results, "rise_max", number), ambient=at),
    )
    return PartRow(
        name=name,
        temperature=ambient + rise,
        rise=rise,
        uncertainty=uncertainty,
        mean_rise=value("steady_rise"),
        mean_uncertainty=value("steady_rise_uncertainty"),
        time_constant=value("time_constant"),
        remaining=value("remaining_rise"),
        limit=limit,
        margin=left,
        margin_ambient=at,
        settled=settled,
        verdict=judged,
        remark=_remark(value("region_emissivity"), pixels=value("region_pixels")),
    )


def _last(results: xr.Dataset, variable: str, number: int) -> float:
    if variable not in results:
        return np.nan
    series = results[variable].transpose("region", ...)[number].to_numpy().astype(float)
    known = series[np.isfinite(series)]
    return float(known[-1]) if known.size else np.nan


def _remark(emissivity: float, *, pixels: float) -> str:
    remarks = []
    if emissivity < LOW_EMISSIVITY:
        remarks.append(f"emissivity {emissivity:.2f}: mostly reflection is seen")
    if pixels < RESOLVED_PIXELS:
        remarks.append("not resolved: reads too low")
    elif pixels < MEASURED_PIXELS:
        remarks.append("few pixels: indicative")
    return "; ".join(remarks)
