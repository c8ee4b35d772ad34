"""A picture of the heated board with its proposed corners, and its pixels to read numbers off."""

import io
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpecFromSubplotSpec
from matplotlib.patheffects import withStroke
from matplotlib.ticker import AutoMinorLocator, MaxNLocator

from heatwake.report import figure_style as style

Array = npt.NDArray[Any]

CORNERS: Final = ("1 top-left", "2 top-right", "3 bottom-right", "4 bottom-left")
QUARTERS: Final = ("upper left", "upper right", "lower right", "lower left")
MARK: Final = "#ff5a36"
WINDOW: Final = 11  # [px] each side of a corner that is shown enlarged
LEAST_WINDOW: Final = 0.07  # of the picture's longer side
DPI: Final = 150
STRETCH: Final = 0.4  # power
SPOTS: Final = ((0, 0), (0, 1), (1, 1), (1, 0))  # of the four enlarged pictures, clockwise from the top left


def corners_png(
    picture: Array,
    corners: Array | None,
    *,
    title: str,
    note: str,
    uncertainty: Array | None = None,
    sides: Array | None = None,
) -> bytes:
    """Return the picture as PNG: the whole with the outline, and each corner enlarged; without corners each quarter.

    Parameters
    ----------
    picture : (rows, columns) array
        [degC]; NaN where there is no reading.
    corners : (4, 2) array or None
        Column and row [px].
    title, note : str
        What is shown, and how sure the outline is.
    uncertainty : (4,) array, optional
        Standard uncertainty of the corners [px].
    sides : (4, n, 2) array, optional
        Places along the sides, where a lens bends them.
    """
    with style.house_style():
        figure = style.new_figure(14.5, 7.0)
        figure.set_facecolor(style.PAPER)
        grid = figure.add_gridspec(1, 2, width_ratios=(1.25, 1.0))
        whole = figure.add_subplot(grid[0, 0])
        inner = GridSpecFromSubplotSpec(2, 2, grid[0, 1])
        _draw_whole(whole, picture, corners, sides=sides)
        for number, (row, column) in enumerate(SPOTS):
            axes = figure.add_subplot(inner[row, column])
            if corners is None:
                _draw_quarter(axes, picture, number)
            else:
                _draw_corner(axes, picture, corners, number, uncertainty=uncertainty, sides=sides)
        figure.suptitle(title, fontsize=13, fontweight="bold", x=0.012, ha="left")
        whole.set_title(note, loc="left", fontsize=10.5, color=style.MUTED)
        return _png(figure)


def _png(figure: Figure) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=DPI, metadata={"Software": None})
    return buffer.getvalue()


def _draw_whole(axes: Axes, picture: Array, corners: Array | None, *, sides: Array | None) -> None:
    _show(axes, _evened(picture), limits=(0.0, 1.0))
    rows, columns = picture.shape
    _pixel_axes(axes, ticks=16)
    axes.grid(visible=True, color=style.ON_MAP, alpha=0.14, linewidth=0.5)
    axes.set_xlabel("column, px")
    axes.set_ylabel("row, px")
    if corners is None:
        return
    for line in _sides(corners, sides):
        axes.plot(*line.T, color=MARK, linewidth=1.3)
    middle = corners.mean(axis=0)
    for number, corner in enumerate(corners):
        inward = (middle - corner) / np.hypot(*(middle - corner))
        axes.plot(*corner, "o", markersize=9, markerfacecolor="none", markeredgecolor=MARK, markeredgewidth=1.4)
        place = corner + inward * 0.055 * max(rows, columns)
        _label(axes, float(place[0]), float(place[1]), CORNERS[number][0], size=14)
    axes.set_xlim(min(-0.5, corners[:, 0].min() - 3), max(columns - 0.5, corners[:, 0].max() + 3))
    axes.set_ylim(max(rows - 0.5, corners[:, 1].max() + 3), min(-0.5, corners[:, 1].min() - 3))


def _draw_corner(
    axes: Axes, picture: Array, corners: Array, number: int, *, uncertainty: Array | None, sides: Array | None
) -> None:
    column, row = corners[number]
    half = max(WINDOW, LEAST_WINDOW * max(picture.shape))
    box = (column - half, column + half, row + half, row - half)
    _show(axes, picture, limits=_local_limits(picture, box))
    for line in _sides(corners, sides):
        axes.plot(*line.T, color=MARK, linewidth=1.1, alpha=0.9)
    axes.plot(column, row, "+", color=MARK, markersize=15, markeredgewidth=1.5)
    axes.set_xlim(box[0], box[1])
    axes.set_ylim(box[2], box[3])
    _pixel_axes(axes, ticks=6)
    spread = "" if uncertainty is None else f" ± {uncertainty[number]:.1f}"
    axes.set_title(f"{CORNERS[number]}: [{column:.1f}, {row:.1f}]{spread} px", fontsize=9, loc="left")


def _draw_quarter(axes: Axes, picture: Array, number: int) -> None:
    rows, columns = picture.shape
    down, right = SPOTS[number]
    left, top = right * columns / 2 - 0.5, down * rows / 2 - 0.5
    box = (left, left + columns / 2, top + rows / 2, top)
    _show(axes, picture, limits=_local_limits(picture, box))
    axes.set_xlim(box[0], box[1])
    axes.set_ylim(box[2], box[3])
    _pixel_axes(axes, ticks=8)
    axes.grid(visible=True, color=style.ON_MAP, alpha=0.14, linewidth=0.5)
    axes.set_title(QUARTERS[number], fontsize=10, loc="left")


def _show(axes: Axes, values: Array, *, limits: tuple[float, float]) -> None:
    axes.set_facecolor(style.NOT_SEEN)
    axes.imshow(
        np.ma.masked_invalid(values),
        cmap=style.RISE_COLOURS,
        vmin=limits[0],
        vmax=limits[1],
        interpolation="nearest",
        aspect="equal",
    )


def _pixel_axes(axes: Axes, *, ticks: int) -> None:
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(nbins=ticks, steps=[1, 2, 5, 10], integer=True))
        axis.set_minor_locator(AutoMinorLocator(5))
    axes.tick_params(labelsize=8.5, which="both", top=True, right=True)
    axes.tick_params(labelsize=8.5, which="minor", length=2)


def _label(axes: Axes, x: float, y: float, text: str, *, size: float) -> None:
    edge = [withStroke(linewidth=2.5, foreground=style.ON_MAP_SHADE)]
    shown = style.plain_text(axes, x, y, text, color=style.ON_MAP, fontsize=size, fontweight="bold")
    shown.set(path_effects=edge, horizontalalignment="center", verticalalignment="center")


def _sides(corners: Array, sides: Array | None) -> list[Array]:
    if sides is not None:
        return list(sides)
    return [np.stack([corners[one], corners[(one + 1) % 4]]) for one in range(4)]


def _evened(picture: Array) -> Array:
    """Return values between 0 and 1, stretched near the coldest: a faint outline shows beside hot parts."""
    known = np.isfinite(picture)
    shown = np.full(picture.shape, np.nan)
    if not known.any():
        return shown
    values = picture[known].astype(np.float64)
    low, high = np.quantile(values, (0.002, 0.998))
    shown[known] = np.clip((values - low) / max(high - low, 1e-9), 0, 1) ** STRETCH
    return shown


def _local_limits(picture: Array, box: tuple[float, float, float, float]) -> tuple[float, float]:
    left, right, bottom, top = (round(edge) for edge in box)
    cut = picture[max(top, 0) : max(bottom + 1, 0), max(left, 0) : max(right + 1, 0)]
    cut = cut[np.isfinite(cut)]
    if not cut.size:
        return 0.0, 1.0
    low, high = np.quantile(cut, (0.01, 0.97))
    return float(low), float(max(high, low + 1e-3))
