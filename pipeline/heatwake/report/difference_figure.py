"""Pictures of what differs between sessions."""

from collections.abc import Mapping
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from heatwake.report import figure_style as style
from heatwake.report.board_figure import (
    board_room,
    draw_arrows,
    draw_map,
    draw_openings,
    draw_parts,
    label_on_map,
    prepare_board_axes,
    region_boxes,
)
from heatwake.report.maps import final_rise, highest

Array = npt.NDArray[np.float64]

MOST_CHANGES: Final = 4  # sessions in one picture
_HATCH: Final = "////"
_LABEL: Final = "difference of the rise, K   (blue cooler, red hotter)"


def difference_figure(comparison: xr.Dataset, session: str, reference: xr.Dataset, *, width: float = 9.0) -> Figure:
    """Return the map of a session less the reference, hatched where it is no more than noise."""
    chosen = comparison.sel(session=session)
    values = chosen["rise_difference"].transpose("y", "x").to_numpy().astype(float)
    figure = style.new_figure(width, width * _shape(comparison) * 0.88 + (0.9 if width < 6 else 0.3))
    axes = figure.add_subplot()
    prepare_board_axes(axes, comparison)
    end = highest(np.abs(values))
    picture = draw_map(axes, comparison, values, limits=(-end, end), colours=style.DIFFERENCE_COLOURS)
    hatch_noise(axes, chosen)
    _outline(axes, reference, small=width < 6)
    style.colour_bar(figure, axes, picture, label=_LABEL, below=width < 6)
    return figure


def changes_figure(
    comparison: xr.Dataset,
    sessions: Mapping[str, xr.Dataset],
    *,
    reference: str,
    flows: Mapping[str, xr.Dataset],
    width: float = 9.0,
) -> Figure:
    """Return the first sessions less the reference on one scale, each with its own openings and arrows.

    Parameters
    ----------
    comparison : Dataset
    sessions, flows : mapping of str to Dataset
        By name; flows may lack some.
    reference : str
    width : float
        [inch]; below 6 the maps stand one over the other.
    """
    chosen = comparison.isel(session=slice(MOST_CHANGES))
    names = [str(name) for name in chosen["session"].to_numpy()]
    values = chosen["rise_difference"].transpose("session", "y", "x").to_numpy().astype(float)
    end, small = highest(np.abs(values)), width < 6
    columns = 1 if small else min(2, len(names))
    lines = -(-len(names) // columns)
    small = small or columns > 1
    room = _common_room([sessions[name] for name in names], small=small)
    wide, high = (float(np.ptp(comparison[axis].to_numpy())) for axis in "xy")
    shape = (high + room[2] + room[3]) / max(wide + room[0] + room[1], 1e-9)
    figure = style.new_figure(width, lines * (width / columns * shape + 0.35) + 0.75)
    places = figure.subplots(lines, columns, squeeze=False).ravel()
    for axes, name, one in zip(places, names, values, strict=False):
        own = sessions[name]
        prepare_board_axes(axes, comparison, room=room)
        if small:
            axes.set(xticks=[], yticks=[], xlabel="", ylabel="")  # the openings' names need the place
        picture = draw_map(axes, comparison, one, limits=(-end, end), colours=style.DIFFERENCE_COLOURS)
        hatch_noise(axes, chosen.sel(session=name))
        draw_arrows(axes, own, flows.get(name), dark=True, most=11)
        _outline(axes, sessions[reference], small=small)
        draw_openings(axes, own, flows.get(name), small=small)
        title = f"{name} less {reference}"
        axes.set_title(title, loc="left", color=style.INK, fontweight="bold", parse_math=False, pad=9.0)
    for axes in places[len(names) :]:
        axes.set_visible(False)
    bar = figure.colorbar(picture, ax=list(places), location="bottom", aspect=50, shrink=0.7, pad=0.03)
    bar.set_label(_LABEL)
    bar.outline.set_visible(False)
    return figure


def _common_room(sessions: list[xr.Dataset], *, small: bool) -> tuple[float, float, float, float]:
    """Return the room that each of several boards finds enough beside it: they are drawn alike."""
    left, right, bottom, top = np.max([board_room(one, small=small) for one in sessions], axis=0).tolist()
    return left, right, bottom, top


def hatch_noise(axes: Axes, chosen: xr.Dataset) -> None:
    """Hatch where the difference is not significant."""
    told = chosen["significant"].transpose("y", "x").to_numpy() == 1
    hatch_quiet(axes, chosen["x"].to_numpy(), chosen["y"].to_numpy(), told)


def hatch_quiet(axes: Axes, x: Array, y: Array, told: npt.NDArray[np.bool_]) -> None:
    """Hatch what is no more than noise (y, x)."""
    quiet = (~told).astype(float)
    if min(quiet.shape) < 2 or not quiet.any():
        return
    axes.contourf(x, y, quiet, levels=[0.5, 1.5], colors="none", hatches=[_HATCH], zorder=2)


def pair_figure(reference: xr.Dataset, session: xr.Dataset, *, names: tuple[str, str], width: float = 9.0) -> Figure:
    """Return both sessions' final rise on one scale: side by side, or one over the other where narrow."""
    maps = [final_rise(one) for one in (reference, session)]
    end = highest(np.concatenate([values.ravel() for values in maps]))
    narrow = width < 6
    high = width * _shape(reference)
    figure = style.new_figure(width, 2 * high + 1.4 if narrow else high / 2 + 1.2)
    axes = figure.subplots(2, 1) if narrow else figure.subplots(1, 2, sharey=True)
    for place, one, values, name in zip(axes, (reference, session), maps, names, strict=True):
        prepare_board_axes(place, one)
        picture = draw_map(place, one, values, limits=(0.0, end), colours=style.RISE_COLOURS)
        draw_parts(place, one, names=False)
        place.set_title(name, loc="left", color=style.INK, fontweight="bold", parse_math=False)
    if not narrow:
        axes[1].set_ylabel("")
    bar = figure.colorbar(picture, ax=axes, location="bottom", aspect=50, shrink=0.7, pad=0.03)
    bar.set_label("rise over ambient, K, one scale")
    bar.outline.set_visible(False)
    return figure


def _outline(axes: Axes, reference: xr.Dataset, *, small: bool) -> None:
    draw_parts(axes, reference, names=False)
    for name, (x, y, _, high) in region_boxes(reference):
        label_on_map(axes, x, y + high / 2, name, small=small)


def _shape(dataset: xr.Dataset) -> float:
    x, y = dataset["x"].to_numpy(), dataset["y"].to_numpy()
    return float(np.ptp(y) / max(float(np.ptp(x)), 1e-9)) if x.size > 1 else 1.0
