"""Frames of the film: the rise over time, and streaks that follow the heat where its direction can be told."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, Final

import cv2
import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import xarray as xr
from matplotlib import font_manager
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.ft2font import FT2Font
from matplotlib.lines import Line2D

from heatwake.report import figure_style as style
from heatwake.report.board_figure import board_room, draw_openings, draw_parts, prepare_board_axes
from heatwake.report.curves_figure import events
from heatwake.report.flow_reading import board_direction, window_direction
from heatwake.report.maps import extent, highest, length_unit
from heatwake.report.streaks import Streaks
from heatwake.report.words import clock
from heatwake.stages.map_reader import maps_at

Picture = npt.NDArray[np.uint8]

_GROUND, _TEXT, _QUIET = "#0f151b", "#e7ecf1", "#a3afba"
_NIGHT: Final[Any] = {"text.color": _TEXT, "axes.labelcolor": _QUIET, "xtick.color": _QUIET, "ytick.color": _QUIET}
_DPI: Final = 100
_SAMPLED_MAPS: Final = 5  # that the scale's end is chosen from


@dataclass(frozen=True)
class _Stage:
    """Everything that stands still.

    Attributes
    ----------
    ground : (rows, columns, 3) array
        Picture with all that lies outside the map.
    overlay : (rows, columns, 4) array
        Outlines and names, to lie over the map; of the map's size, colours times alpha.
    box : tuple of int
        Top, bottom, left and right of the map in the picture.
    line : tuple of int
        Left and right of the time line, and its row.
    """

    ground: Picture
    overlay: Picture
    box: tuple[int, int, int, int]
    line: tuple[int, int, int]

    @cached_property
    def above(self) -> Picture:
        """What the overlay adds to the map (rows, columns, 3)."""
        return np.ascontiguousarray(self.overlay[..., :3])

    @cached_property
    def beneath(self) -> Picture:
        """How much of the map is seen through it, 255 for all (rows, columns, 3)."""
        return np.repeat(255 - self.overlay[..., 3:], 3, axis=-1)


def airflow_frames(
    results: xr.Dataset, flow: xr.Dataset | None, *, frames: int = 150, size: tuple[int, int] = (960, 600)
) -> Iterator[Picture]:
    """Yield RGB frames (rows, columns, 3): rise, parts, openings, events, and streaks along the heat.

    Streaks are drawn only where a direction is told, fainter with falling confidence; where the board's direction is
    not identifiable the picture says so. A few maps are loaded at a time.

    Parameters
    ----------
    results : Dataset
        Maps over time with what the session file says.
    flow : Dataset or None
        Directions in a few windows.
    frames : int
        How many to yield, spread evenly over the maps.
    size : tuple of int
        Width and height [px]; rounded down to even numbers.
    """
    steps = np.round(np.linspace(0, results.sizes["time"] - 1, frames)).astype(int)
    yield from _frames_at(results, flow, steps, size=size, end=_scale_end(results, steps))


def side_by_side_frames(
    sessions: Mapping[str, xr.Dataset],
    flows: Mapping[str, xr.Dataset],
    *,
    frames: int = 150,
    size: tuple[int, int] = (960, 600),
) -> Iterator[Picture]:
    """Yield RGB frames of sessions side by side, on one colour scale and one clock.

    The clock counts from power-on where all sessions know it, else from the first frame; it begins with the session
    that begins last, and ends with the one that ends first.

    Parameters
    ----------
    sessions, flows : mapping of str to Dataset
        By name, the leftmost first; flows may lack some.
    frames : int
    size : tuple of int
        Of each session's picture.
    """
    zeros = {name: float(one["power_on"]) if "power_on" in one else np.nan for name, one in sessions.items()}
    if not np.isfinite(list(zeros.values())).all():
        zeros = dict.fromkeys(sessions, 0.0)
    clocks = {name: one["elapsed"].to_numpy().astype(float) - zeros[name] for name, one in sessions.items()}
    first, last = max(clock[0] for clock in clocks.values()), min(clock[-1] for clock in clocks.values())
    wanted = np.linspace(first, max(first, last), frames)
    steps = {name: _nearest(clock, wanted) for name, clock in clocks.items()}
    end = max(_scale_end(one, steps[name]) for name, one in sessions.items())
    films = [
        _frames_at(one, flows.get(name), steps[name], size=size, end=end, zero=zeros[name], name=name)
        for name, one in sessions.items()
    ]
    for pictures in zip(*films, strict=True):
        yield np.concatenate(pictures, axis=1)


def _nearest(clock: npt.NDArray[np.float64], wanted: npt.NDArray[np.float64]) -> npt.NDArray[np.int_]:
    after = np.clip(np.searchsorted(clock, wanted), 1, max(clock.size - 1, 1))
    before = after - 1
    after = np.minimum(after, clock.size - 1)
    return np.where(wanted - clock[before] <= clock[after] - wanted, before, after)


def _frames_at(
    results: xr.Dataset,
    flow: xr.Dataset | None,
    steps: npt.NDArray[np.int_],
    *,
    size: tuple[int, int],
    end: float,
    zero: float = 0.0,
    name: str = "",
) -> Iterator[Picture]:
    """Yield a picture of each step, its clock counting from ``zero``."""
    elapsed = results["elapsed"].to_numpy().astype(float)
    stage = _stage(results, flow, size=(size[0] // 2 * 2, size[1] // 2 * 2), end=end, name=name)
    streaks = Streaks(flow, extent=extent(results), shape=_box_shape(stage))
    words: dict[int | None, str] = {}
    for step, rise in zip(steps, maps_at(results["temperature_rise"], steps), strict=True):
        window = _window(results, flow, float(elapsed[step]))
        if window not in words:
            words[window] = _words(flow, window)
        trails = streaks.advance(window)
        at = float(elapsed[step])
        told = words[window]
        yield _compose(stage, rise, trails, end=end, words=told, at=at, elapsed=elapsed, zero=zero)


def _scale_end(results: xr.Dataset, steps: npt.NDArray[np.int_]) -> float:
    chosen = np.unique(steps[np.linspace(0, steps.size - 1, _SAMPLED_MAPS).astype(int)])
    maps = [results["temperature_rise"].isel(time=int(step)).to_numpy().astype(float) for step in chosen]
    return max(highest(picture) for picture in maps)


def _window(results: xr.Dataset, flow: xr.Dataset | None, at: float) -> int | None:
    """Return the window nearest in time; none before power-on, when there is no heat to follow."""
    if flow is None or not flow.sizes.get("time", 0):
        return None
    power_on = float(results["power_on"]) if "power_on" in results else np.nan
    if np.isfinite(power_on) and at < power_on:
        return None
    if "elapsed" not in flow:
        return board_direction(flow).window
    return int(np.argmin(np.abs(flow["elapsed"].to_numpy().astype(float) - at)))


def _words(flow: xr.Dataset | None, window: int | None) -> str:
    if flow is None:
        return "where the heat is carried was not attempted"
    if window is None:
        return "before power-on: no heat to follow"
    told = window_direction(flow, window)
    return f"heat is carried {told.words}" if told.is_told else f"direction of the heat: {told.words}"


def _stage(
    results: xr.Dataset, flow: xr.Dataset | None, *, size: tuple[int, int], end: float, name: str = ""
) -> _Stage:
    with style.house_style(), mpl.rc_context(_NIGHT):
        figure, axes = _canvas(results, size=size)
        box = _box(axes, results, height=size[1])
        draw_openings(axes, results, flow)
        bar = figure.colorbar(
            ScalarMappable(Normalize(0.0, end), style.RISE_COLOURS), cax=figure.add_axes((0.915, 0.24, 0.016, 0.54))
        )
        bar.set_label("rise over ambient, K")
        bar.outline.set_visible(False)
        line = _time_line(figure, results, size=size)
        _scale_bar(figure, axes, results)
        title = name or str(results.attrs.get("title", ""))
        figure.text(0.03, 0.945, title, fontsize=13, fontweight="bold", parse_math=False)
        note = "streaks: where heat is carried along the surface, at no true speed; air is not seen"
        figure.text(0.03, 0.022, note, fontsize=8.5, color=_QUIET)
        ground = _pixels(figure, _GROUND)[..., :3].copy()
        figure, axes = _canvas(results, size=size)
        draw_parts(axes, results, names=True)
        overlay = _pixels(figure, "none")
    top, bottom, left, right = box
    return _Stage(ground, _times_alpha(overlay[top:bottom, left:right]), box, line)


def _canvas(results: xr.Dataset, *, size: tuple[int, int]) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(size[0] / _DPI, size[1] / _DPI), dpi=_DPI)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.03, 0.17, 0.86, 0.73))
    prepare_board_axes(axes, results, room=board_room(results))
    axes.set_axis_off()
    return figure, axes


def _box(axes: Axes, results: xr.Dataset, *, height: int) -> tuple[int, int, int, int]:
    """Return the map's top, bottom, left and right in pixels."""
    axes.apply_aspect()
    left, right, bottom, top = extent(results)
    (x1, y1), (x2, y2) = axes.transData.transform([(left, bottom), (right, top)])
    return round(height - y2), round(height - y1), round(x1), round(x2)


def _box_shape(stage: _Stage) -> tuple[int, int]:
    top, bottom, left, right = stage.box
    return bottom - top, right - left


def _time_line(figure: Figure, results: xr.Dataset, *, size: tuple[int, int]) -> tuple[int, int, int]:
    """Draw the events beside the time line; return where the line lies."""
    left, right, height = 0.03, 0.97, 0.105
    elapsed = results["elapsed"].to_numpy().astype(float)
    span = max(float(elapsed[-1] - elapsed[0]), 1e-9)
    for time, text in events(results):
        share = (time - float(elapsed[0])) / span
        if 0 <= share <= 1:
            x = left + share * (right - left)
            figure.text(x, height, "▾", fontsize=11, color=_QUIET, ha="center", va="bottom")
            side = "right" if share > 0.8 else "left"
            at = x + (0.009 if side == "left" else -0.009)
            figure.text(at, height + 0.008, text, fontsize=9, color=_TEXT, ha=side, va="bottom", parse_math=False)
    return round(left * size[0]), round(right * size[0]), round(size[1] * (1 - height) + 4)


def _scale_bar(figure: Figure, axes: Axes, results: xr.Dataset) -> None:
    """Draw a round length, about a fifth of the board, at the right below the colour bar."""
    left, right, _, _ = extent(results)
    length = _round_below(0.2 * (right - left))
    ends = figure.transFigure.inverted().transform(axes.transData.transform([(0.0, 0.0), (length, 0.0)]))
    wide, middle, height = float(ends[1, 0] - ends[0, 0]), 0.925, 0.175
    place = ((middle - wide / 2, middle + wide / 2), (height, height))
    figure.add_artist(Line2D(*place, color=_TEXT, linewidth=2, solid_capstyle="butt"))
    text = f"{length:g} {length_unit(results)}"
    figure.text(middle, height - 0.012, text, fontsize=8.5, color=_TEXT, ha="center", va="top")


def _round_below(length: float) -> float:
    """Return 1, 2 or 5 times a power of ten.

    >>> _round_below(32.0), _round_below(0.9)
    (20.0, 0.5)
    """
    power = 10.0 ** np.floor(np.log10(length))
    return float(max(step for step in (1.0, 2.0, 5.0) if step <= length / power) * power)


def _pixels(figure: Figure, face: str) -> Picture:
    figure.set_facecolor(face)
    canvas: Any = figure.canvas
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())


def _times_alpha(picture: Picture) -> Picture:
    alpha = picture[..., 3:].astype(np.uint16)
    return np.concatenate([(picture[..., :3] * alpha // 255).astype(np.uint8), picture[..., 3:]], axis=-1)


def _compose(
    stage: _Stage,
    rise: npt.NDArray[Any],
    trails: Picture,
    *,
    end: float,
    words: str,
    at: float,
    elapsed: npt.NDArray[np.float64],
    zero: float,
) -> Picture:
    picture = stage.ground.copy()
    top, bottom, left, right = stage.box
    coloured = _coloured(rise, shape=(bottom - top, right - left), end=end)
    dimmed = cv2.multiply(255 - coloured, cv2.cvtColor(255 - trails, cv2.COLOR_GRAY2BGR), scale=1 / 255)
    lit = cv2.multiply(255 - dimmed, stage.beneath, scale=1 / 255)
    cv2.add(lit, stage.above, dst=picture[top:bottom, left:right])
    _draw_time(picture, stage, at=at, elapsed=elapsed)
    _write(picture, words, right=stage.line[1], baseline=picture.shape[0] - 10, points=10.5)
    _write(picture, _clock_from(zero, at), right=stage.line[1], baseline=42, points=17)
    return picture


def _clock_from(zero: float, at: float) -> str:
    return f"−{clock(zero - at)}" if at <= zero - 1 else clock(at - zero)


def _coloured(rise: npt.NDArray[Any], *, shape: tuple[int, int], end: float) -> Picture:
    """Return the map in colours, as large as its place in the picture; grey where nothing was seen."""
    seen = np.isfinite(rise)
    level = (np.clip(np.where(seen, rise, 0.0) / end, 0, 1) * 255).astype(np.uint8)
    size = (shape[1], shape[0])
    large = cv2.resize(level, size, interpolation=cv2.INTER_LINEAR)
    coloured: Picture = cv2.applyColorMap(large, _palette())
    if not seen.all():
        blind = cv2.resize((~seen).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) == 1
        coloured[blind] = np.round(255 * np.array(mpl.colors.to_rgb(style.NOT_SEEN))).astype(np.uint8)
    return coloured


@lru_cache(maxsize=1)
def _palette() -> Picture:
    colours = np.round(mpl.colormaps[style.RISE_COLOURS](np.arange(256))[:, :3] * 255)
    return colours.astype(np.uint8)[:, None]


def _draw_time(picture: Picture, stage: _Stage, *, at: float, elapsed: npt.NDArray[np.float64]) -> None:
    left, right, row = stage.line
    span = max(float(elapsed[-1] - elapsed[0]), 1e-9)
    place = left + round((right - left) * (at - float(elapsed[0])) / span)
    cv2.line(picture, (left, row), (right, row), (45, 56, 67), 3, cv2.LINE_AA)
    cv2.line(picture, (left, row), (place, row), (98, 195, 200), 3, cv2.LINE_AA)
    cv2.circle(picture, (place, row), 5, (231, 236, 241), -1, cv2.LINE_AA)


def _write(picture: Picture, text: str, *, right: int, baseline: int, points: float) -> None:
    """Write text that ends at ``right``."""
    mask = _text_mask(text, points)
    rows, columns = mask.shape
    top, left = baseline - rows, right - columns
    place = picture[top : top + rows, left : left + columns]
    light = mask[..., None].astype(np.uint16)
    colour = np.array([231, 236, 241], dtype=np.uint16)
    place[:] = (place * (255 - light) // 255 + colour * light // 255).astype(np.uint8)


@lru_cache(maxsize=64)
def _text_mask(text: str, points: float) -> Picture:
    font = _font(points)
    font.set_text(text, 0.0)
    font.draw_glyphs_to_bitmap(antialiased=True)
    return np.asarray(font.get_image(), dtype=np.uint8)


@lru_cache(maxsize=4)
def _font(points: float) -> FT2Font:
    font = FT2Font(font_manager.findfont("DejaVu Sans"))
    font.set_size(points, _DPI)
    return font
