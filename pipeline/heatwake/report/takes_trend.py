"""Takes of one set-up in the order they were recorded: is the laboratory's set-up as it was?"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from matplotlib.figure import Figure

from heatwake.kernels.common_shift import common_shift, shift_of_others
from heatwake.kernels.control_chart import BY_CHANCE, ControlChart, control_chart
from heatwake.report import figure_style as style
from heatwake.report.words import count, listed, number
from heatwake.stages.known_good import LEAST_PARTS, WHOLE
from heatwake.stages.takes import Take, levelled

Array = npt.NDArray[Any]

LEAST_TAKES: Final = 6  # fewer ranges tell no limits
USUAL_TAKES: Final = 20  # from which limits are held to be known (common practice, no source)
MOST_ROWS: Final = 12  # of parts in a figure
LEVEL: Final = "camera's level"


@dataclass(frozen=True)
class Trend:
    """One quantity over the takes of a set-up [K].

    Attributes
    ----------
    name : str
    values : (takes,) array
    chart : ControlChart
    """

    name: str
    values: Array
    chart: ControlChart

    @property
    def signals(self) -> Array:
        """Which takes signal (takes,)."""
        return self.chart.signals

    @property
    def reasons(self) -> str:
        """What signals, in words; empty where nothing does."""
        told = {"beyond a limit": self.chart.outside, "eight or more in a row on one side": self.chart.in_run}
        return ", ".join(words for words, rows in told.items() if rows.any())


@dataclass(frozen=True)
class SetUpTrend:
    """The takes of one unit in one kind of set-up.

    Attributes
    ----------
    unit : str
    recorded : tuple of str
        When each was recorded, in order.
    sessions : tuple of str
    board, level : Trend or None
        What all parts of the board share, less the takes' mean, and what the camera read above the cold board.
    parts : tuple of Trend
        What each part differs beyond the median of the others, those that signal first.
    undated : int
        Takes without a clock, which have no place in the order.
    """

    unit: str
    recorded: tuple[str, ...]
    sessions: tuple[str, ...]
    board: Trend | None
    level: Trend | None
    parts: tuple[Trend, ...]
    undated: int

    @property
    def all(self) -> tuple[Trend, ...]:
        """Every trend."""
        return (*(one for one in (self.board, self.level) if one is not None), *self.parts)

    @property
    def sentences(self) -> list[str]:
        """What the charts say."""
        unlike = [one for one in self.all if one.signals.any()]
        takes = len(self.recorded)
        head = f"{count(takes, 'take')} from {self.recorded[0]} to {self.recorded[-1]}"
        said = [f"{head}: {'nothing signals' if not unlike else f'{listed([one.name for one in unlike])} signal'}."]
        for one in unlike:
            named = listed([self.sessions[row] for row in np.flatnonzero(one.signals)[:3]])
            said.append(f"{one.name}: {one.reasons}; first in {named}.")
        chance = BY_CHANCE * takes * len(self.all)
        limits = " Limits from so few takes are preliminary." if takes < USUAL_TAKES else ""
        said.append(f"Of {takes * len(self.all)} points about {number(chance)} signal by chance.{limits}")
        if self.undated:
            said.append(f"{count(self.undated, 'take')} without a clock left out.")
        return said


def set_up_trend(takes: Sequence[Take]) -> SetUpTrend | None:
    """Return the trend of takes of one set-up; None where fewer than six have a clock.

    Rises are brought to the median power. Where three parts or more are in all takes, what the board does as a whole,
    the median of its parts, is charted by itself and parts by what they differ beyond the median of the others.
    """
    dated = sorted((take for take in takes if take.recorded), key=lambda take: (take.recorded, take.recording))
    if len(dated) < LEAST_TAKES:
        return None
    power = float(np.median([take.power for take in dated]))
    rows = [take.rises(at_power=power) for take in levelled(dated)]
    names = [name for name in rows[0] if all(name in row for row in rows)]
    table = np.array([[row[name] for name in names] for row in rows])
    apart = table - table.mean(axis=0)
    board = None
    if len(names) >= LEAST_PARTS:
        middle = table.mean(axis=0)
        board, apart = _trend(WHOLE, common_shift(table, middle)), apart - shift_of_others(table, middle)
    parts = [_trend(name, column) for name, column in zip(names, apart.T, strict=True)]
    levels = np.array([take.camera_level for take in dated])
    return SetUpTrend(
        unit=dated[0].unit,
        recorded=tuple(take.recorded[:10] for take in dated),
        sessions=tuple(take.session for take in dated),
        board=board,
        level=_trend(LEVEL, levels) if np.isfinite(levels).all() else None,
        parts=tuple(sorted(parts, key=lambda one: not one.signals.any())),
        undated=len(takes) - len(dated),
    )


def _trend(name: str, values: Array) -> Trend:
    return Trend(name, values, control_chart(values))


def board_chart(found: SetUpTrend, *, width: float) -> Figure:
    """Return the charts of the board as a whole and of the camera's level."""
    return _charts([one for one in (found.board, found.level) if one is not None], found, width=width, height=1.7)


def parts_chart(found: SetUpTrend, *, width: float) -> Figure:
    """Return the charts of the parts, those that signal first."""
    return _charts(found.parts[:MOST_ROWS], found, width=width, height=0.95)


def _charts(trends: Sequence[Trend], found: SetUpTrend, *, width: float, height: float) -> Figure:
    figure = style.new_figure(width, 0.6 + height * len(trends))
    rows = figure.subplots(len(trends), sharex=True, squeeze=False)[:, 0]
    order = np.arange(1, len(found.recorded) + 1)
    for axes, one in zip(rows, trends, strict=True):
        chart, signals = one.chart, one.signals
        axes.axhspan(chart.low, chart.high, color=style.SERIES[2], alpha=0.12, linewidth=0)
        axes.axhline(chart.centre, color=style.MUTED, linewidth=0.9)
        for end in (chart.low, chart.high):
            axes.axhline(end, color=style.SERIES[2], linewidth=1.0, linestyle=(0, (5, 3)))
        axes.plot(order, one.values, color=style.SERIES[0], linewidth=1.2)
        axes.plot(order[~signals], one.values[~signals], "o", color=style.SERIES[0], markersize=4)
        axes.plot(order[signals], one.values[signals], "D", color=style.SERIES[1], markersize=5.5)
        style.plain_text(axes, 0.0, 1.03, one.name, transform=axes.transAxes, va="bottom", fontsize=9.5)
        axes.set_ylabel("K")
        axes.margins(x=0.02, y=0.12)
    first, last = found.recorded[0], found.recorded[-1]
    rows[-1].set_xlabel(f"take in order, {first} to {last}")
    rows[-1].xaxis.get_major_locator().set_params(integer=True)
    return figure
