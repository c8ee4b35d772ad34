"""Curves over time with events and final values, and the strip of what became of each frame."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.transforms import blended_transform_factory

from heatwake.report import figure_style as style
from heatwake.report.words import clock
from heatwake.schema.variables import REASON

Array = npt.NDArray[np.float64]
Curve = tuple[str, Array, float, float, bool]  # name, rise, final value, its standard uncertainty, settled

MOST_CURVES: Final = 12  # the hottest; a page with more cannot be read
_POINTS: Final = 600  # a curve; more than a screen shows
_REASON_COLOURS: Final = ("#3d8f86", "#e69f00", "#cc79a7", "#8a6fc9", "#56b4e9", "#d55e00")


def curves_figure(results: xr.Dataset, *, width: float = 9.0) -> Figure:
    """Return the rise of each region's core over time, its final value at the right with ±U, events on top."""
    figure = style.new_figure(width, 4.6 if width >= 6 else 4.4)
    axes = figure.add_subplot()
    elapsed = results["elapsed"].to_numpy().astype(float)
    end = float(elapsed[-1]) if elapsed.size else 1.0
    shown = _shown(results)
    for rank, (_, series, final, uncertainty, settled) in enumerate(shown):
        _draw_curve(axes, elapsed, series, look=curve_look(rank))
        beside = end * (1.008 + 0.012 * (rank % 3))  # bars of neighbours do not cover each other
        _draw_final(axes, beside, final, uncertainty=uncertainty, colour=curve_look(rank)["color"], settled=settled)
    axes.set_xlim(0.0, end * 1.02)
    low, high = axes.get_ylim()
    axes.set_ylim(min(0.0, low), max(high, 1.0))
    _name_curves(axes, shown, end=end)
    axes.set_ylabel("rise over ambient, K")
    axes.grid(axis="y")
    axes.set_axisbelow(True)
    time_axis(axes)
    draw_events(axes, results)
    return figure


def quality_figure(results: xr.Dataset, *, width: float = 9.0) -> Figure:
    """Return what became of each frame, how well it fits the reference, and how far the picture moved."""
    figure = style.new_figure(width, 2.5)
    strip, line = figure.subplots(2, 1, sharex=True, height_ratios=(1, 4.2))
    times = frame_times(results)
    _draw_strip(strip, results, times)
    line.plot(times, results["quality"].to_numpy(), color=style.INK, linewidth=1.1, label="agreement")
    line.set_ylabel("agreement\n0 to 1")
    line.set_ylim(min(0.8, _least(results["quality"].to_numpy()) - 0.02), 1.005)
    line.grid(axis="y")
    moved = np.hypot(results["shift_x"].to_numpy(), results["shift_y"].to_numpy())
    other = line.twinx()
    other.plot(times, moved, color=style.SERIES[1], linewidth=1.1)
    other.set_ylabel("movement, px", color=style.SERIES[1])
    other.set_ylim(0, max(1.0, 1.15 * float(np.nanmax(moved)) if np.isfinite(moved).any() else 1.0))
    line.set_xlim(min(0.0, float(times[0])), max(float(times[-1]), float(times[0]) + 1.0))
    time_axis(line)
    return figure


def frame_counts(results: xr.Dataset) -> list[tuple[str, int, int]]:
    """Return each reason with how many frames carry it and how many of those are used; those without frames left out.

    Frames with nothing remarkable come first, under ``as they should be``.
    """
    if "reason" not in results:
        return []
    reason = np.nan_to_num(results["reason"].to_numpy().astype(float)).astype(int)
    usable = results["usable"].to_numpy() == 1
    rows = []
    for flag, word in enumerate(REASON):
        chosen = reason == flag
        if chosen.any():
            name = "as they should be" if word == "none" else word
            rows.append((name, int(chosen.sum()), int((chosen & usable).sum())))
    return rows


def frame_times(results: xr.Dataset) -> Array:
    """Return the time of each frame [s]; spread evenly where only the maps' times are known."""
    number = results.sizes["frame"]
    if "frame_elapsed" in results:
        return results["frame_elapsed"].to_numpy().astype(float)
    if results["elapsed"].dims == ("frame",):
        return results["elapsed"].to_numpy().astype(float)
    return np.linspace(float(results["elapsed"][0]), float(results["elapsed"][-1]), number)


def events(results: xr.Dataset) -> list[tuple[float, str]]:
    """Return the events, with power-on where it is seen in the recording and not among them."""
    found = []
    if "event" in results.dims:
        times = results["event_elapsed"].to_numpy().astype(float)
        found = [(float(time), str(text)) for time, text in zip(times, results["event"].to_numpy(), strict=True)]
    seen = float(results["power_on"]) if "power_on" in results else np.nan
    if np.isfinite(seen) and not any("power" in text.lower() and abs(time - seen) < 15 for time, text in found):
        found.append((seen, "power on (seen)"))
    return sorted(found)


def draw_events(axes: Axes, results: xr.Dataset) -> None:
    """Mark events as upright lines with their words on top."""
    low, high = axes.get_xlim()
    place = blended_transform_factory(axes.transData, axes.transAxes)
    for time, text in events(results):
        if not low <= time <= high:
            continue
        axes.axvline(time, color=style.MUTED, linewidth=0.9, linestyle=(0, (2, 2)), zorder=1)
        right = time > low + 0.8 * (high - low)
        style.plain_text(
            axes,
            time,
            1.015,
            text,
            transform=place,
            color=style.MUTED,
            fontsize=9,
            horizontalalignment="right" if right else "left",
            verticalalignment="bottom",
        )


def curve_look(rank: int) -> dict[str, Any]:
    """Return colour and dashes of the curve of the region so many places down from the hottest."""
    return {"color": style.SERIES[rank % len(style.SERIES)], "linestyle": style.DASHES[rank // len(style.SERIES)]}


def hottest_first(results: xr.Dataset) -> list[str]:
    """Return the names of the regions whose curves are drawn, in their order."""
    return [name for name, *_ in _shown(results)]


def _shown(results: xr.Dataset) -> list[Curve]:
    """Return name, series, final value and standard uncertainty of the hottest regions, the hottest first."""
    if "region" not in results.dims:
        return []
    rows = []
    over_time = results["rise_max"].transpose("region", "time").to_numpy().astype(float)
    ends, spreads, steady = (
        results[key].to_numpy() for key in ("steady_rise_max", "steady_rise_max_uncertainty", "is_steady")
    )
    for number, name in enumerate(results["region"].to_numpy()):
        final, spread = float(ends[number]), float(spreads[number])
        rows.append((str(name), over_time[number], final, spread, bool(steady[number] == 1)))
    rows = [row for row, low in zip(rows, _are_reflections(results), strict=True) if not low]
    rows.sort(key=lambda row: -_height(row))
    return rows[:MOST_CURVES]


def _are_reflections(results: xr.Dataset) -> list[bool]:
    """Tell of which regions mostly reflection is seen: what looks like their temperature would set the scale."""
    if "region_emissivity_low" not in results:
        return [False] * results.sizes["region"]
    return [bool(flag) for flag in results["region_emissivity_low"].to_numpy() == 1]


def _height(row: Curve) -> float:
    _, series, final, *_ = row
    if np.isfinite(final):
        return final
    return float(np.nanmax(series)) if np.isfinite(series).any() else -np.inf


def _draw_curve(axes: Axes, elapsed: Array, series: Array, *, look: dict[str, Any]) -> None:
    chosen = np.unique(np.linspace(0, elapsed.size - 1, min(_POINTS, elapsed.size)).astype(int))
    axes.plot(elapsed[chosen], series[chosen], linewidth=1.6, zorder=3, **look)


def _draw_final(axes: Axes, place: float, final: float, *, uncertainty: float, colour: str, settled: bool) -> None:
    """Draw a final value with ±U: a full dot where the part has settled, a hollow one where it is a forecast."""
    if not np.isfinite(final):
        return
    spread = 2 * uncertainty if np.isfinite(uncertainty) else 0.0
    look: dict[str, Any] = {"color": colour, "elinewidth": 1.1, "capsize": 2, "markersize": 4.5, "clip_on": False}
    fill = colour if settled else style.PAPER
    axes.errorbar(place, final, yerr=spread, fmt="o", markerfacecolor=fill, zorder=4, **look)


def _name_curves(axes: Axes, shown: list[Curve], *, end: float) -> None:
    """Write names at the right, moved apart where they would cover each other."""
    if not shown:
        return
    wanted = np.array([_height(row) for row in shown])
    wanted = np.where(np.isfinite(wanted), wanted, 0.0)
    gap = 0.056 * max(float(axes.get_ylim()[1]), float(wanted.max()), 1.0)
    least = gap * np.arange(len(shown))[::-1]  # so that none is pushed below the axis
    places = spread_apart(np.maximum(wanted, least), gap=gap)
    colours = [style.SERIES[rank % len(style.SERIES)] for rank in range(len(shown))]
    for (name, *_), place, colour in zip(shown, places, colours, strict=True):
        look: dict[str, Any] = {"color": colour, "fontsize": 9, "fontweight": "bold", "verticalalignment": "center"}
        style.plain_text(axes, end * 1.055, place, name, **look)
    beside = end * (1.008 + 0.012 * (np.arange(len(shown)) % 3))
    leaders = np.stack([np.stack([beside, np.full_like(beside, end * 1.05)]), np.stack([wanted, places])]).T
    axes.add_collection(LineCollection(list(leaders), colors=colours, linewidths=0.5, clip_on=False), autolim=False)


def spread_apart(places: Array, *, gap: float) -> Array:
    """Return places moved as little as it takes for neighbours to be ``gap`` apart; order is kept.

    >>> spread_apart(np.array([5.0, 5.0]), gap=1.0).tolist()
    [5.5, 4.5]
    """
    order = np.argsort(-places, kind="stable")
    groups: list[list[float]] = []  # each the wanted places less the offsets within the group
    for number, place in enumerate(places[order]):
        groups.append([float(place + number * gap)])
        while len(groups) > 1 and np.mean(groups[-1]) > np.mean(groups[-2]):
            last = groups.pop()
            groups[-1] += last
    level = np.concatenate([np.full(len(group), np.mean(group)) for group in groups])
    moved = np.empty_like(places, dtype=float)
    moved[order] = level - np.arange(places.size) * gap
    return moved


def _draw_strip(axes: Axes, results: xr.Dataset, times: Array) -> None:
    reason = np.nan_to_num(results["reason"].to_numpy().astype(float)).astype(int)
    usable = results["usable"].to_numpy() == 1
    step = float(np.median(np.diff(times))) if times.size > 1 else 1.0
    edges = np.append(times, times[-1] + step)
    starts = np.flatnonzero(np.diff(reason * 2 + usable, prepend=-1))
    stops = np.append(starts[1:], reason.size)
    spans = np.column_stack([edges[starts], edges[stops] - edges[starts]])
    colours = [to_rgba(_REASON_COLOURS[one % len(_REASON_COLOURS)], 0.9 if one else 0.35) for one in reason[starts]]
    axes.broken_barh(list(spans), (0, 1), facecolors=colours, linewidth=0)
    axes.broken_barh(list(spans[~usable[starts]]), (0, 0.25), facecolors=style.INK, linewidth=0)
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    axes.set_ylabel("frames", rotation=0, horizontalalignment="right", verticalalignment="center")
    axes.tick_params(bottom=False, labelbottom=False)
    for side in axes.spines.values():
        side.set_visible(False)


def reason_colour(word: str) -> str:
    """Return the colour of a reason in the strip, for its key in the page."""
    return _REASON_COLOURS[REASON.index(word) if word in REASON else 0]


def _least(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.min()) if known.size else 0.0


def time_axis(axes: Axes) -> None:
    """Mark whole seconds, minutes or hours along the time axis."""
    low, high = axes.get_xlim()
    step = next((s for s in (10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600) if (high - low) / s <= 8), 7200)
    ticks = np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step
    axes.set_xticks(ticks, [clock(tick) for tick in ticks])
    axes.set_xlabel("time since the first frame, min:s" if high < 3600 else "time since the first frame, h:min:s")
