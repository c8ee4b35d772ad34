"""The picture of the budgets: how well each part is known, and what it is that it is not known for."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from heatwake.report import figure_style as style
from heatwake.report.budget import budget_lines
from heatwake.report.parts import PartRow
from heatwake.report.words import number

Array = npt.NDArray[np.float64]

GROUPS: Final = (
    ("camera accuracy", ("camera",), style.SERIES[0]),
    ("emissivity", ("emissivity",), style.SERIES[1]),
    ("film", ("transmittance", "film_temperature", "film_reflectance"), style.SERIES[2]),
    ("reflected", ("reflected",), style.SERIES[3]),
    ("spot size, air path", ("spot_size", "air_transmittance"), style.SERIES[6]),
    ("own: ambient, drift", ("ambient", "drift", "offset_steps"), style.SERIES[5]),
    ("own: noise, settling", ("noise", "settling"), style.SERIES[7]),
)
"""Inputs drawn as one, with their name and colour."""
MOST_BARS: Final = 24
_ROW, _HEAD = 0.27, 0.95  # [inch]
_BEYOND: Final = 1.25  # of the longest bar of a measured part, where the scale ends
_INSIDE: Final = 0.6  # from here on of the scale, a number beside the bar has no room


def budget_figure(results: xr.Dataset, rows: list[PartRow], *, width: float = 9.0) -> Figure:
    """Return a bar a part: as long as the standard uncertainty of its rise, cut by shares of the variance.

    The hottest come first, those whose reading is no measurement last and faint, cut off where they would make the
    others small.
    """
    shown = [(index, row) for index, row in enumerate(rows) if np.isfinite(row.uncertainty)]
    shown = sorted(shown, key=lambda one: (not one[1].is_measured, -one[1].rise))[:MOST_BARS]
    figure = style.new_figure(width, _HEAD + _ROW * len(shown) + (0.0 if width >= 6 else 0.5))
    axes = figure.add_subplot()
    end = _end([row for _, row in shown])
    for place, (index, row) in enumerate(shown):
        _draw_bar(axes, place, row, shares=group_shares(results, index), end=end)
    axes.set_yticks(range(len(shown)), [row.name for _, row in shown])
    for text in axes.get_yticklabels():
        text.set_parse_math(False)
        text.set_color(style.INK)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.set_xlim(0, end)
    axes.set_xlabel("standard uncertainty of the final rise (k = 1), K")
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="x")
    axes.set_axisbelow(True)
    _legend(figure, columns=len(GROUPS) if width >= 6 else 2)
    return figure


def group_shares(results: xr.Dataset, region: int) -> list[float]:
    """Return each group's share of the variance of a region's rise, in the order of :data:`GROUPS`."""
    share = {line.name: line.share for line in budget_lines(results, region, quantity="rise")}
    return [sum(share.get(name, 0.0) for name in names) for _, names, _ in GROUPS]


def _end(rows: list[PartRow]) -> float:
    """Where the scale ends [K]: with the measured parts where there are any."""
    measured = [row.uncertainty for row in rows if row.is_measured]
    return _BEYOND * max(measured or [row.uncertainty for row in rows], default=1.0)


def _draw_bar(axes: Axes, place: int, row: PartRow, *, shares: list[float], end: float) -> None:
    ends = np.concatenate([[0.0], np.cumsum(shares) * row.uncertainty])
    left = float(ends[-1])
    seen = np.minimum(ends, end)
    look: dict[str, Any] = {"alpha": 1.0 if row.is_measured else 0.35, "linewidth": 0, "zorder": 3}
    pieces = list(zip(seen[:-1], np.diff(seen), strict=True))
    axes.broken_barh(pieces, (place - 0.31, 0.62), facecolors=[colour for _, _, colour in GROUPS], **look)
    text = number(row.uncertainty, digits=2, unit="K")
    words = text if row.is_measured else f"{text}, {row.verdict}"
    inside = left > _INSIDE * end and not row.is_measured
    axes.text(
        min(left, end) + (-0.012 if inside else 0.008) * end,
        place,
        f"{words} →" if left > end else words,
        color=style.INK,
        fontsize=9,
        horizontalalignment="right" if inside else "left",
        verticalalignment="center",
        zorder=5,
    )


def _legend(figure: Figure, *, columns: int) -> None:
    from matplotlib.patches import Patch

    keys = [Patch(facecolor=colour, label=name) for name, _, colour in GROUPS]
    figure.legend(
        handles=keys, loc="outside upper left", ncols=columns, frameon=False, fontsize=9, handlelength=0.9,
        handletextpad=0.45, columnspacing=1.1, borderaxespad=0.0,
    )  # fmt: skip
