"""Pictures of the effects of an experiment."""

from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from matplotlib.figure import Figure

from heatwake.report import figure_style as style
from heatwake.report.board_figure import draw_map, draw_parts, prepare_board_axes
from heatwake.report.difference_figure import hatch_quiet
from heatwake.report.maps import highest

Array = npt.NDArray[np.float64]

_MOST_MAPS: Final = 6


def effects_figure(experiment: xr.Dataset, *, width: float = 9.0) -> Figure:
    """Return the main effects on each region as points with 95 % intervals; hollow where no more than noise."""
    main = np.flatnonzero(experiment["effect_factors"].to_numpy() == 1)[: len(style.SERIES)]
    regions = [str(name) for name in experiment["region"].to_numpy()]
    figure = style.new_figure(width, 1.2 + (0.16 + 0.13 * len(main)) * len(regions) + 0.25 * len(main))
    axes = figure.add_subplot()
    rows = np.arange(len(regions), dtype=float)
    for number, effect in enumerate(main):
        chosen = experiment.isel(effect=int(effect))
        value, low, high = (chosen[f"effect_rise{end}"].to_numpy().astype(float) for end in ("", "_low", "_high"))
        place = rows + (number - (len(main) - 1) / 2) * 0.8 / max(len(main), 1)
        colour = style.SERIES[number]
        told = chosen["effect_significant"].to_numpy() == 1
        axes.hlines(place, low, high, color=colour, linewidth=1.6)
        axes.scatter(value[told], place[told], color=colour, s=26, zorder=3, label=str(chosen["effect"].item()))
        axes.scatter(value[~told], place[~told], facecolor="none", edgecolor=colour, s=26, zorder=3)
    axes.axvline(0, color=style.INK, linewidth=0.8)
    axes.set_yticks(rows, labels=[""] * len(regions))
    for row, name in zip(rows, regions, strict=True):
        style.plain_text(
            axes, -0.01, row, name, transform=axes.get_yaxis_transform(), horizontalalignment="right",
            verticalalignment="center", fontsize=9.0,
        )  # fmt: skip
    axes.invert_yaxis()
    axes.set_xlabel("effect on the final rise, K   (to the left: cooler)")
    legend = axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.1 - 0.5 / max(len(regions), 1)), frameon=False)
    for text in legend.get_texts():
        text.set_parse_math(False)
    return figure


def maps_figure(experiment: xr.Dataset, reference: xr.Dataset, *, width: float = 9.0) -> Figure:
    """Return the main effects place by place on one scale, hatched where they are no more than noise."""
    main = np.flatnonzero(experiment["effect_factors"].to_numpy() == 1)[:_MOST_MAPS]
    narrow = width < 6
    columns = 1 if narrow else min(2, len(main))
    lines = -(-len(main) // columns)
    x, y = experiment["x"].to_numpy(), experiment["y"].to_numpy()
    shape = float(np.ptp(y) / max(float(np.ptp(x)), 1e-9)) if x.size > 1 else 1.0
    figure = style.new_figure(width, lines * (width / columns * shape + 0.5) + 0.9)
    places = np.atleast_1d(figure.subplots(lines, columns, squeeze=False)).ravel()
    values = experiment["effect_map"].transpose("effect", "y", "x").to_numpy().astype(float)[main]
    end = highest(np.abs(values))
    picture = None
    for axes, effect, one in zip(places, main, values, strict=False):
        prepare_board_axes(axes, reference)
        picture = draw_map(axes, experiment, one, limits=(-end, end), colours=style.DIFFERENCE_COLOURS)
        told = experiment["effect_map_significant"].isel(effect=int(effect)).transpose("y", "x").to_numpy()
        hatch_quiet(axes, x, y, told == 1)
        draw_parts(axes, reference, names=False, small=True)
        title = str(experiment["effect"].to_numpy()[effect])
        axes.set_title(title, loc="left", color=style.INK, fontweight="bold", parse_math=False, fontsize=9.0)
    for axes in places[len(main) :]:
        axes.set_visible(False)
    if picture is not None:
        bar = figure.colorbar(picture, ax=list(places), location="bottom", aspect=50, shrink=0.7, pad=0.03)
        bar.set_label("effect on the rise, K   (blue cooler, red hotter)")
        bar.outline.set_visible(False)
    return figure
