"""Where axes lie in a figure, found by one look at what stands beside them."""

from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.transforms import Bbox

BESIDE, BELOW = "colour bar beside", "colour bar below"  # labels of a colour bar's axes
_USUAL: Final = (0.65, 0.15, 0.5, 0.25)  # [inch] left, right, bottom and top of axes, about: ticks are chosen by it
_EDGE: Final = 0.04  # [inch] left free at the figure's edges
_GAP: Final = 0.12  # [inch] between axes and their colour bar
_BAR: Final = 0.13  # [inch] its thickness
_LONG: Final = 0.8  # its length, of the axes' side

Sides = tuple[float, float, float, float]  # [inch] left, right, bottom, top


class QuickLayout(ConstrainedLayoutEngine):
    """Lays out one axes with what stands beside it, a colour bar, and legends above, from one look at each.

    Figures of several axes are laid out as its base does it, which looks at each four times: half of all that drawing
    them takes.
    """

    def execute(self, fig: Figure) -> None:
        """Put the axes where they and all around them fit into the figure."""
        bars = [axes for axes in fig.axes if axes.get_label() in {BESIDE, BELOW}]
        others = [axes for axes in fig.axes if axes not in bars]
        if len(others) == 1 and len(bars) <= 1:
            _fit(fig, others[0], bars[0] if bars else None)
        else:
            super().execute(fig)


def _fit(figure: Figure, axes: Axes, bar: Axes | None) -> None:
    wide, high = figure.get_size_inches()
    _place(axes, (_USUAL[0], wide - _USUAL[1], _USUAL[2], high - _USUAL[3]), figure=figure)
    around = _around(axes, figure=figure)
    left, right, bottom, top = (_EDGE + side for side in around)
    top += sum(legend.get_window_extent().height / figure.dpi + _GAP for legend in figure.legends)
    if bar is None:
        _place(axes, _shaped(axes, (left, wide - right, bottom, high - top)), figure=figure)
        return
    beside = bar.get_label() == BESIDE
    _place(
        bar,
        (left, left + _BAR, bottom, high - top) if beside else (left, wide - right, bottom, bottom + _BAR),
        figure=figure,
    )
    of_bar = _around(bar, figure=figure)
    needed = _GAP + _BAR + (of_bar[1] if beside else of_bar[2])
    across, up = (needed, 0.0) if beside else (0.0, needed)
    box = _shaped(axes, (left, wide - right - across, bottom + up, high - top))
    _place(axes, box, figure=figure)
    _place(bar, _next_to(box, around, beside=beside), figure=figure)


def _next_to(box: Sides, around: Sides, *, beside: bool) -> Sides:
    """Return a colour bar's place, at the middle of a side of the axes."""
    start, stop = (box[2], box[3]) if beside else (box[0], box[1])
    spare = (1 - _LONG) / 2 * (stop - start)
    if beside:
        edge = box[1] + around[1] + _GAP
        return edge, edge + _BAR, start + spare, stop - spare
    edge = box[2] - around[2] - _GAP
    return start + spare, stop - spare, edge - _BAR, edge


def _shaped(axes: Axes, room: Sides) -> Sides:
    """Return the box of axes in some room: all of it, or its middle where lengths are alike in both directions."""
    left, right, bottom, top = room
    right, top = max(right, left + 0.1), max(top, bottom + 0.1)
    if axes.get_aspect() == "auto":
        return left, right, bottom, top
    shape = abs(float(np.diff(axes.get_ylim())[0] / np.diff(axes.get_xlim())[0]))
    wide = min(right - left, (top - bottom) / shape)
    high = wide * shape
    across, up = (right - left - wide) / 2, (top - bottom - high) / 2
    return left + across, left + across + wide, bottom + up, bottom + up + high


def _place(axes: Axes, box: Sides, *, figure: Figure) -> None:
    wide, high = figure.get_size_inches()
    left, right, bottom, top = box
    axes.set_position(Bbox.from_extents(left / wide, bottom / high, right / wide, top / high))
    axes.set_in_layout(True)  # setting a position takes it out
    axes.apply_aspect()


def _around(axes: Axes, *, figure: Figure) -> Sides:
    """Return how far what belongs to axes reaches beyond them [inch]."""
    inner, outer, dpi = axes.bbox, axes.get_tightbbox(for_layout_only=True), figure.dpi
    if outer is None:
        return 0.0, 0.0, 0.0, 0.0
    sides = inner.x0 - outer.x0, outer.x1 - inner.x1, inner.y0 - outer.y0, outer.y1 - inner.y1
    left, right, bottom, top = (max(0.0, side / dpi) for side in sides)
    return left, right, bottom, top
