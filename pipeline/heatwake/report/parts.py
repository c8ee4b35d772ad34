"""The table of parts: final values, margins at the maximum ambient, and what they say about the limits."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.altitude import rise_factor
from heatwake.report import words
from heatwake.report.lineage import gone_at_end
from heatwake.schema.variables import REGION_SIZE, STEADY_STATUS

Array = npt.NDArray[np.float64]
Verdict = Literal[
    "inside",
    "inside but within the uncertainty",
    "over",
    "no limit given",
    "not settled",
    "not a temperature",
    "too small to measure",
    "beyond the camera's range",
]
NOT_MEASURED: Final[tuple[Verdict, ...]] = (
    *("not a temperature", "too small to measure"),
    "beyond the camera's range",
)
"""Verdicts on the reading itself: no margin is claimed."""

LEAST_BIAS: Final = 0.05  # [K] that is worth saying
MOST_NAMED: Final = 8  # parts in one sentence
COVERAGE: Final = 2.0  # U = k u; about 95 % for a normal distribution (JCGM 100:2008, 6.3.3)


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
    temperature_uncertainty : float
        Standard uncertainty of the temperature [K].
    shared, own : float
        Parts of the rise's uncertainty: what runs with one set-up share, and what is this run's own [K].
    low, high : float
        Ends of the interval that holds 95 % of the rise by trials [K].
    first_order_holds : bool
        Whether trials bear out the uncertainty.
    mean_rise, mean_uncertainty : float
        The same of the part's mean [K].
    time_constant : float
        [s]
    remaining : float
        Rise still to come at the end of the recording [K].
    limit : float
        [degC]; NaN where none is given.
    margin : float
        Limit less the final temperature carried to ``margin_ambient`` [K]; NaN without a limit, and where the reading
        is no measurement of the part.
    margin_ambient : float
        Maximum ambient, or where none is given the ambient of the test [degC].
    settled : bool
    verdict : str
    emissivity, emissivity_uncertainty : float
    pixels : float
        Of the recording, across the part's smaller side.
    bias : float
        What the part is expected to read too low for being small; not corrected [K].
    rise_factor : float
        By which the rise grows at the highest altitude; 1 where none is given.
    x, y : float
        Centre of the part or hot spot, in ``unit``.
    unit : str
        Of board places: mm, or pixel where no scale is given.
    is_known : bool
        Whether it was given, as a part or region; False for a hot spot outside all of them.
    is_found : bool
        Whether it is warmer than the board round it.
    remark : str
        What limits the reading; empty where nothing does.
    """

    name: str
    temperature: float
    rise: float
    uncertainty: float
    temperature_uncertainty: float
    shared: float
    own: float
    low: float
    high: float
    first_order_holds: bool
    mean_rise: float
    mean_uncertainty: float
    time_constant: float
    remaining: float
    limit: float
    margin: float
    margin_ambient: float
    settled: bool
    verdict: Verdict
    emissivity: float
    emissivity_uncertainty: float
    pixels: float
    bias: float
    rise_factor: float = 1.0
    x: float = np.nan
    y: float = np.nan
    unit: str = "mm"
    is_known: bool = True
    is_found: bool = True
    limit_words: str = ""
    remark: str = ""

    @property
    def is_measured(self) -> bool:
        """Whether the reading is one of the part's own temperature."""
        return self.verdict not in NOT_MEASURED

    @property
    def expanded_uncertainty(self) -> float:
        """U = 2 u of the rise [K]."""
        return COVERAGE * self.uncertainty

    @property
    def margin_less_uncertainty(self) -> float:
        """Margin less what the carried rise may be higher by: below 0 it is not inside beyond doubt [K]."""
        up = reach(self.uncertainty, high=self.high - self.rise, holds=self.first_order_holds)
        return self.margin - self.rise_factor * up

    @property
    def carried_temperature(self) -> float:
        """Final temperature at ``margin_ambient`` [degC]; NaN where the reading is no measurement of the part."""
        return self.margin_ambient + self.rise_factor * self.rise if self.is_measured else np.nan


def part_rows(results: xr.Dataset) -> list[PartRow]:
    """Return a row for each region, in the order of the dataset; nothing lazy but the regions is loaded."""
    if "region" not in results.dims:
        return []
    ambient = final_ambient(results)
    highest = float(results["max_ambient"]) if "max_ambient" in results else np.nan
    factor = altitude_factor(results)
    return [
        _row(results, number, str(name), ambient=ambient, highest=highest, factor=factor)
        for number, name in enumerate(results["region"].to_numpy())
    ]


def along(results: xr.Dataset, *dims: str) -> xr.Dataset:
    """Return the variables that have one of the dimensions, to select in: each of hundreds costs time to pass by."""
    return results[[name for name in results.data_vars if not set(dims).isdisjoint(results.variables[name].dims)]]


def altitude_factor(results: xr.Dataset) -> float:
    """Return what rises grow by at the highest altitude: 1 where none is given; a test of none was at sea level."""
    highest, tested = (float(results[name]) if name in results else np.nan for name in ("max_altitude", "altitude"))
    return rise_factor(highest, tested=float(np.nan_to_num(tested))) if np.isfinite(highest) else 1.0


def parts_off_board(results: xr.Dataset) -> str:
    """Return a sentence on the parts of the placement file that are off the board; empty where none is."""
    if "part_off" not in results.dims:
        return ""
    names = [str(name) for name in results["part_off"].to_numpy()]
    told = ", ".join(names[:MOST_NAMED]) + (", ..." if len(names) > MOST_NAMED else "")
    return f"Off the board by the placement file, and not measured: {told}."


def final_ambient(results: xr.Dataset) -> float:
    """Return the last ambient temperature that is known [degC]."""
    if "ambient" not in results:
        return np.nan
    ambient = np.atleast_1d(results["ambient"].to_numpy()).astype(float)
    known = ambient[np.isfinite(ambient)]
    return float(known[-1]) if known.size else np.nan


def margin(limit: float, *, rise: float, ambient: float, factor: float = 1.0) -> float:
    """Return the limit less the temperature at an ambient, when the rise grows by a factor, else stays as it is [K].

    IEC 60950-1 and 62368-1 carry a measured temperature to the maximum ambient by the difference of the ambients.

    >>> margin(110.0, rise=49.25, ambient=40.0)
    20.75
    """
    return limit - (ambient + factor * rise)


def reach(uncertainty: float, *, high: float, holds: bool) -> float:
    """Return how far above a rise its interval goes [K]: U, or the upper end by trials where they do not bear U out.

    >>> reach(1.0, high=2.6, holds=True), reach(1.0, high=2.6, holds=False)
    (2.0, 2.6)
    """
    expanded = COVERAGE * uncertainty
    return expanded if holds or not np.isfinite(high) else max(expanded, high)


def reading_verdict(*, emissivity_low: bool, size: str, beyond_range: bool = False) -> Verdict | None:
    """Return the verdict on a reading that is no measurement of the part; None where it is one."""
    if emissivity_low:
        return "not a temperature"
    if beyond_range:
        return "beyond the camera's range"
    return "too small to measure" if size == "too small" else None


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


def _row(results: xr.Dataset, number: int, name: str, *, ambient: float, highest: float, factor: float) -> PartRow:
    def value(variable: str) -> float:
        return float(results.variables[variable][number]) if variable in results else np.nan

    rise, uncertainty, limit = value("steady_rise_max"), value("steady_rise_max_uncertainty"), value("region_limit")
    settled = value("is_steady") == 1
    at = highest if np.isfinite(highest) else ambient
    flag = value("region_size")
    size = REGION_SIZE[int(flag)] if np.isfinite(flag) else REGION_SIZE[0]
    refused = reading_verdict(
        emissivity_low=value("region_emissivity_low") == 1,
        size=size,
        beyond_range=value("region_beyond_range") == 1,
    )
    left = margin(limit, rise=rise, ambient=at, factor=factor) if refused is None else np.nan
    judged = refused or verdict(
        left,
        expanded=factor * reach(uncertainty, high=value("trials_high"), holds=value("first_order_holds") != 0),
        has_limit=bool(np.isfinite(limit)),
        settled=settled,
        reading_margin_K=margin(limit, rise=_last(results, "rise_max", number), ambient=at, factor=factor),
    )
    row = PartRow(
        name=name,
        temperature=ambient + rise,
        rise=rise,
        uncertainty=uncertainty,
        temperature_uncertainty=value("steady_temperature_uncertainty"),
        shared=value("steady_rise_max_shared"),
        own=value("steady_rise_max_own"),
        low=rise + value("trials_low"),
        high=rise + value("trials_high"),
        first_order_holds=value("first_order_holds") != 0,
        mean_rise=value("steady_rise"),
        mean_uncertainty=value("steady_rise_uncertainty"),
        time_constant=value("time_constant"),
        remaining=value("remaining_rise"),
        limit=limit,
        margin=left,
        margin_ambient=at,
        settled=settled,
        verdict=judged,
        emissivity=value("region_emissivity"),
        emissivity_uncertainty=value("region_emissivity_uncertainty"),
        pixels=value("region_pixels"),
        bias=value("spot_bias"),
        rise_factor=factor,
        x=value("region_x"),
        y=value("region_y"),
        unit=str(results["region_x"].attrs.get("units", "mm")) if "region_x" in results else "mm",
        is_known=value("region_known") != 0,
        is_found=value("region_found") != 0,
        limit_words=_limit_words(value),
    )
    told = [*_place_remarks(results, number, row), *_remarks(row, size=size), *_transient_remarks(row, value)]
    return replace(row, remark="; ".join(told))


def _transient_remarks(row: PartRow, value: Callable[[str], float]) -> list[str]:
    """Why there is no final value, and when the limit is reached by a part that still rises."""
    flag = value("steady_status")
    if np.isfinite(flag) and STEADY_STATUS[int(flag)] == "window too short":
        return ["no final value: seen for less than one time constant"]
    return [row.limit_words] if row.limit_words else []


def _limit_words(value: Callable[[str], float]) -> str:
    until = value("time_to_limit")
    if not np.isfinite(until) or until <= 0:
        return ""
    early, late = value("time_to_limit_early"), value("time_to_limit_late")
    latest = f"to {words.duration(late)}" if np.isfinite(late) else "or never"
    return (
        f"reaches its limit {words.duration(until)} after the end by the fit (95 %: {words.duration(early)} {latest})"
    )


def _place_remarks(results: xr.Dataset, index: int, row: PartRow) -> list[str]:
    """What there is to say of where the region is, and whether it is warm at all."""

    def flagged(variable: str) -> bool:
        return variable in results and int(results[variable][index]) == 1

    remarks = []
    if not row.is_known:
        none_known = not results["region_known"].to_numpy().any()
        place = f"at x {words.number(row.x)}, y {words.number(row.y)} {row.unit}"
        remarks.append(place if none_known else f"in no known part, {place}")
    if row.name in gone_at_end(results):
        remarks.append("was hot before and is no longer at the end")
    if not row.is_found:
        remarks.append("no rise of its own: no warmer than the board round it")
    if flagged("region_ambiguous"):
        remarks.append("ambiguous: a hot spot here may as well be a neighbour's")
    if flagged("region_turned"):
        remarks.append("turned by no whole quarter: the upright box round it is measured")
    return remarks


def _last(results: xr.Dataset, variable: str, number: int) -> float:
    if variable not in results:
        return np.nan
    series = results[variable].transpose("region", ...)[number].to_numpy().astype(float)
    known = series[np.isfinite(series)]
    return float(known[-1]) if known.size else np.nan


def _remarks(row: PartRow, *, size: str) -> list[str]:
    remarks = []
    if row.verdict == "not a temperature":
        remarks.append(f"emissivity {row.emissivity:.2f}: mostly reflection is seen")
    if row.verdict == "beyond the camera's range":
        remarks.append("part of it is hotter than the camera was set to show")
    if size != "measured":
        few = f"{row.pixels:.1f} px across: {size}"
        way = "low" if row.bias > 0 else "high"  # of a part cooler than what is around it
        off = f", may read {abs(row.bias):.1f} K too {way}" if abs(row.bias) >= LEAST_BIAS else ""
        remarks.append(f"{few}{off}")
    if np.isfinite(row.low) and not row.first_order_holds:
        remarks.append(f"U is not borne out: 95 % of trials lie from {row.low:.1f} to {row.high:.1f} K")
    return remarks
