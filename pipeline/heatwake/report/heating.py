"""How parts warm up, for the page: curves on a logarithmic clock with their fits, and a table of what they tell."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from heatwake.kernels.steadiness import CRITERIA
from heatwake.report import figure_style as style
from heatwake.report.curves_figure import curve_look, hottest_first
from heatwake.report.parts import along
from heatwake.report.words import clock, number
from heatwake.schema.variables import STEADY_STATUS

Array = npt.NDArray[np.float64]

POINTS: Final = 60  # marks of a curve, evenly spread over the logarithm of time
SHORTEST: Final = 1e-3  # of the record: the clock starts no sooner
AHEAD: Final = 3.0  # the fit is drawn on for so many times the record
MARK_INCHES: Final = 0.72  # between marks of the logarithmic clock, at least
STATED: Final = {"remaining rise": "what is still to come by the fit is small"}


@dataclass(frozen=True)
class HeatingRow:
    """One region's line of the table: words and numbers as they are shown."""

    name: str
    final: str
    basis: str
    settled: bool
    remaining: str
    constants: str
    delay: str
    resistance: str


def heating_rows(results: xr.Dataset) -> list[HeatingRow]:
    """Return a row a region whose heating curve was fitted, or that says why it was not."""
    if not results.sizes.get("region", 0) or "steady_status" not in results:
        return []
    by_region = along(results, "region")
    return [_row(by_region.isel(region=index), str(name)) for index, name in enumerate(results["region"].to_numpy())]


def common_constants(rows: list[HeatingRow]) -> str:
    """Return the time constants that all rows share; empty where they do not."""
    told = {row.constants for row in rows}
    return told.pop() if len(rows) > 1 and len(told) == 1 and "–" not in told else ""


def stretch_table(results: xr.Dataset) -> tuple[list[str], list[tuple[str, list[str]]]]:
    """Return headings and rows (name, cells) of final rises stretch by stretch; empty where there is one alone.

    A cell is a final rise with its standard uncertainty, a dash where there is none.
    """
    if results.sizes.get("stretch", 0) < 2 or "stretch_rise" not in results:
        return [], []
    starts, labels = results["stretch_start"].to_numpy(), results["stretch"].to_numpy()
    heads = [f"{label}, {clock(start)}" for label, start in zip(labels, starts, strict=True)]
    names = ("stretch_rise", "stretch_rise_uncertainty", "stretch_steady")
    levels, spreads, steady = (results[name].transpose("region", "stretch").to_numpy() for name in names)
    return heads, [
        (str(name), [_level(*cell) for cell in zip(levels[index], spreads[index], steady[index], strict=True)])
        for index, name in enumerate(results["region"].to_numpy())
    ]


def _level(value: float, spread: float, steady: float) -> str:
    told = _with_spread(float(value), float(spread), digits=1)
    return told if steady == 1 or told == "–" else f"{told}, not settled"


def criterion_text(name: str) -> str:
    """Return the settling criterion with its source, as a report states it.

    >>> criterion_text("1 K in 1 h")
    'no more than 1 K in 1 h (IEC 60598, BS 1363-1)'
    """
    if name in CRITERIA:
        return f"no more than {name} ({CRITERIA[name].source})"
    return STATED.get(name, name)


def heating_figure(results: xr.Dataset, *, width: float = 9.0) -> Figure:
    """Return rise of each region's mean against time since power-on, both as read and as fitted, on a log clock.

    On such a clock every exponential takes the same width, so that a second, slow one is seen as a step of its own.
    Where events split the recording, it starts at the beginning of the stretch that the final values are of.
    """
    figure = style.new_figure(width, 4.2)
    axes = figure.add_subplot()
    number, start, end = _stretch(results)
    elapsed = results["elapsed"].to_numpy().astype(float)
    since = elapsed - start
    began = (since > 0) & (elapsed <= end)
    last = float(since[began].max())
    first = max(float(since[began].min()), SHORTEST * last)
    clockwork = np.geomspace(first, AHEAD * last, 240)
    ranks, by_region = hottest_first(results), along(results, "region")
    for name in _fitted_names(results):
        region = by_region.sel(region=name)
        look: dict[str, Any] = curve_look(ranks.index(name)) | {"zorder": 3}
        read = region["rise_mean"].to_numpy().astype(float)[began]
        axes.plot(*_on_log_clock(since[began], read), **look | {"linestyle": "none", "marker": "o", "markersize": 2.6})
        curve = _fitted(region, clockwork)
        if number > 0:  # the fit is of the change since
            curve += _at_end(read - _fitted(region, since[began]))
        axes.plot(clockwork[clockwork <= last], curve[clockwork <= last], linewidth=1.2, label=name, **look)
        axes.plot(clockwork[clockwork >= last], curve[clockwork >= last], **look | {"linestyle": (0, (1, 2))})
    axes.set_xscale("log")
    axes.set_xlim(first, AHEAD * last)
    axes.axvline(last, color=style.MUTED, linewidth=0.9, linestyle=(0, (2, 2)), zorder=1)
    if number == 0:
        axes.set_ylim(bottom=0.0)
    axes.set_ylabel("mean rise, K")
    axes.grid(axis="y")
    axes.set_axisbelow(True)
    _mark_times(axes, figure=figure, since=_since(results, number))
    for text in axes.legend(loc="upper left", ncols=2, frameon=False, fontsize=9, labelcolor="linecolor").get_texts():
        text.set_parse_math(False)
    if number == 0:
        _per_watt(axes, results)
    return figure


def has_heating(results: xr.Dataset) -> bool:
    """Tell whether there is a fit after a power-on that was seen or given."""
    if "exponentials" not in results or "power_on" not in results or not np.isfinite(results["power_on"]):
        return False
    return bool(_fitted_names(results)) and bool((results["elapsed"] > results["power_on"]).any())


def _row(region: xr.Dataset, name: str) -> HeatingRow:
    def value(variable: str) -> float:
        return float(region[variable]) if variable in region else np.nan

    flag = value("steady_status")
    status = STEADY_STATUS[int(flag)] if np.isfinite(flag) else ""
    known = np.isfinite(value("steady_rise"))
    spread = number(value("steady_rise_uncertainty"))
    return HeatingRow(
        name=name,
        final=f"{number(value('steady_rise'))} ± {spread}" if known else "–",
        basis=status if known else f"none: {status}",
        settled=value("is_steady") == 1,
        remaining=_with_spread(value("remaining_rise"), value("remaining_rise_uncertainty"), digits=2),
        constants=_constants(region),
        delay=number(value("heating_delay"), digits=0) if value("heating_delay") > 0 else "",
        resistance=number(value("thermal_resistance"), digits=2),
    )


def _constants(region: xr.Dataset) -> str:
    if "exponential_time" not in region:
        return "–"
    pairs = zip(region["exponential_time"].to_numpy(), region["exponential_time_uncertainty"].to_numpy(), strict=True)
    told = [_with_spread(float(time), float(spread), digits=0 if time >= 10 else 1) for time, spread in pairs]
    return ", ".join(text for text in told if text != "–") or "–"


def _with_spread(value: float, spread: float, *, digits: int) -> str:
    if not np.isfinite(value):
        return "–"
    finer = digits + 1 if np.isfinite(spread) and 0 < spread < 0.5 * 10.0**-digits else digits
    return f"{number(value, digits=finer)} ± {number(spread, digits=finer)}"


def _fitted_names(results: xr.Dataset) -> list[str]:
    """Names of the regions of the curves above that have a fit, in their order."""
    known = (results["exponentials"] > 0) & np.isfinite(results["steady_rise"])
    return [name for name in hottest_first(results) if bool(known.sel(region=name))]


def _fitted(region: xr.Dataset, time: Array) -> Array:
    """The fit at times since power-on [s]."""
    rises, constants = (region[f"exponential_{name}"].to_numpy().astype(float) for name in ("rise", "time"))
    known = np.isfinite(rises)
    late = np.maximum(time - float(region["heating_delay"]), 0.0)
    return np.asarray(-np.expm1(-late[:, None] / constants[known]) @ rises[known])


def _on_log_clock(time: Array, values: Array) -> tuple[Array, Array]:
    """Means of readings in even steps of the logarithm of time."""
    seen = np.isfinite(values)
    if not seen.any():
        return np.empty(0), np.empty(0)
    time, values = time[seen], values[seen]
    step = np.digitize(np.log(time), np.linspace(np.log(time[0]), np.log(time[-1]), POINTS + 1)[1:-1])
    count = np.bincount(step, minlength=POINTS)
    filled = count > 0
    times, levels = (np.bincount(step, weights=row, minlength=POINTS)[filled] / count[filled] for row in (time, values))
    return times, levels


def _stretch(results: xr.Dataset) -> tuple[int, float, float]:
    """Number, start and end [s] of the stretch that final values are of."""
    if "final_stretch" not in results:
        return 0, float(results["power_on"]), float(results["elapsed"][-1])
    number = int(results["final_stretch"])
    return number, float(results["stretch_start"][number]), float(results["stretch_end"][number])


def _since(results: xr.Dataset, number: int) -> str:
    return "power-on" if number == 0 else f"“{results['stretch'].to_numpy()[number]}”"


def _at_end(values: Array) -> float:
    known = values[np.isfinite(values)][-max(values.size // 20, 1) :]
    return float(known.mean()) if known.size else np.nan


def _mark_times(axes: Axes, *, figure: Figure, since: str) -> None:
    low, high = axes.get_xlim()
    apart = (high / low) ** (MARK_INCHES / figure.get_size_inches()[0])  # so that words do not run together
    marks: list[int] = []
    for mark in (1, 3, 10, 30, 60, 180, 600, 1800, 3600, 7200, 18000, 36000):
        if low <= mark <= high and mark > apart * (marks[-1] if marks else 0):
            marks.append(mark)
    axes.set_xticks(marks, [clock(mark) for mark in marks])
    axes.minorticks_off()
    axes.set_xlabel(f"time since {since}, {'min:s' if high < 3600 else 'h:min:s'}", parse_math=False)


def _per_watt(axes: Axes, results: xr.Dataset) -> None:
    """Second scale: per watt of the whole item's power, where that is given."""
    power = float(results["power"]) if "power" in results else np.nan
    if not power > 0:
        return
    scales: Any = (lambda rise: rise / power, lambda per_watt: per_watt * power)
    other = axes.secondary_yaxis("right", functions=scales)
    other.set_ylabel(f"K per W of the item's {number(power)} W")
