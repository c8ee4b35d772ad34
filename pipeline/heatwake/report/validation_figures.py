"""Figures of a validation: differences with their bound, differences over the rise, angles to the tufts."""

from typing import Final

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from heatwake.report import figure_style as style
from heatwake.report.film_lid import FilmLidFinding
from heatwake.report.probe_agreement import ProbeFinding
from heatwake.report.tuft_scores import WRONG_WAY, DirectionFinding

BIN: Final = 15.0  # [deg]


def film_lid_figure(found: FilmLidFinding, *, width: float) -> Figure:
    """Return each place's difference, film less lid, with its 90 % interval and the bound."""
    figure = style.new_figure(width, 1.1 + 0.34 * len(found.places))
    axes = figure.add_subplot()
    axes.axvspan(-found.bound, found.bound, color=style.SERIES[2], alpha=0.14, linewidth=0)
    axes.axvline(0, color=style.MUTED, linewidth=0.9)
    for row, place in enumerate(found.places):
        colour = style.SERIES[0] if place.test.is_shown else style.SERIES[1]
        axes.plot([place.test.low, place.test.high], [row, row], color=colour, linewidth=2.2)
        axes.plot([place.test.difference], [row], "o", color=colour, markersize=5)
    axes.set_yticks(range(len(found.places)), [place.place for place in found.places])
    axes.invert_yaxis()
    axes.set_xlabel("rise with film less rise with lid, K")
    reach = max(1.15 * found.bound, *(abs(end) for end in axes.get_xlim()))
    axes.set_xlim(-reach, reach)
    axes.grid(axis="x")
    axes.set_axisbelow(True)
    return figure


def probes_figure(found: ProbeFinding, *, width: float) -> Figure:
    """Return camera less thermocouple over the rise, with bias and limits of agreement."""
    figure = style.new_figure(width, 3.3)
    axes = figure.add_subplot()
    axes.axhline(0, color=style.MUTED, linewidth=0.9)
    limits = found.limits
    if np.isfinite(limits.low):
        axes.axhspan(limits.bias_low, limits.bias_high, color=style.SERIES[0], alpha=0.16, linewidth=0)
        axes.axhline(limits.bias, color=style.SERIES[0], linewidth=1.4)
        for end in (limits.low, limits.high):
            axes.axhline(end, color=style.SERIES[1], linewidth=1.2, linestyle=(0, (5, 3)))
    axes.plot(*found.points, "o", color=style.SERIES[7], markersize=4, alpha=0.6)
    if found.line is not None:
        rise = np.array([found.points[0].min(), found.points[0].max()])
        line = found.line.intercept + (found.line.slope - 1) * rise
        axes.plot(rise, line, color=style.SERIES[2], linewidth=1.4)
    axes.set_xlabel("rise by the thermocouple, K")
    axes.set_ylabel("camera − thermocouple, K")
    axes.grid(axis="y")
    axes.set_axisbelow(True)
    return figure


def angles_figure(found: DirectionFinding, *, width: float) -> Figure:
    """Return how far arrows point from the tufts, those the wrong way in another colour."""
    figure = style.new_figure(width, 2.8)
    axes = figure.add_subplot()
    angles = np.concatenate([state.angles for state in found.states if state.fan == "on"])
    counts, edges = np.histogram(angles, bins=np.arange(-180.0, 181.0, BIN))
    middle = (edges[:-1] + edges[1:]) / 2
    colours = [style.SERIES[1] if abs(at) > WRONG_WAY else style.SERIES[0] for at in middle]
    axes.bar(middle, counts, width=0.9 * BIN, color=colours)
    for end in (-WRONG_WAY, WRONG_WAY):
        axes.axvline(end, color=style.MUTED, linewidth=0.9, linestyle=(0, (4, 3)))
    axes.set_xlim(-180, 180)
    axes.set_xticks(np.arange(-180, 181, 45 if width > 6 else 90))
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_xlabel("arrow less tuft, degrees")
    axes.set_ylabel("arrows")
    axes.grid(axis="y")
    axes.set_axisbelow(True)
    return figure
