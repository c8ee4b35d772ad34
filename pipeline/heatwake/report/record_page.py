"""Pages of the laboratory's record: units against known good ones, and takes over time."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from matplotlib.figure import Figure

from heatwake.report import figure_style as style
from heatwake.report.page import identity, record, render, two_forms
from heatwake.report.takes_trend import SetUpTrend, board_chart, parts_chart
from heatwake.report.unit_judgement import JudgementView, bench_words
from heatwake.stages.known_good import UnitJudgement

UNITS_TITLE: Final = "Units against known good ones"
TAKES_TITLE: Final = "Repeatability record"


def units_page(judged: Sequence[JudgementView], *, settings: Mapping[str, Any], provenance: Mapping[str, Any]) -> str:
    """Return the page of units against known good ones: self-contained, nothing fetched."""
    figures = {}
    for number, view in enumerate(judged):
        alt = "What each part differs from known good units by, with the interval that it should lie in"
        draw = _drawing(view.judgement)
        figures[f"unit{number}"] = two_forms(draw, name=f"unit{number}", alt=alt)
    units = list(dict.fromkeys(view.judgement.unit for view in judged))
    title = f"{', '.join(units)} against known good units" if len(units) == 1 else UNITS_TITLE
    return render(
        "units.html",
        explorer=None,
        title=title,
        identity=identity(title, settings, provenance),
        judged=judged,
        bench_words=bench_words,
        figures=figures,
        settings=record(settings),
        provenance=record(provenance),
    )


def _drawing(judgement: UnitJudgement) -> Any:
    return lambda width: unit_figure(judgement, width=width)


def unit_figure(found: UnitJudgement, *, width: float) -> Figure:
    """Return each part's difference from the known good units' mean, with its interval; the board on top."""
    rows = [*([] if found.board is None else [found.board]), *found.parts]
    figure = style.new_figure(width, 1.1 + 0.34 * len(rows))
    axes = figure.add_subplot()
    axes.axvline(0, color=style.MUTED, linewidth=0.9)
    for row, part in enumerate(rows):
        low, high = part.low - part.expected, part.high - part.expected
        axes.plot([low, high], [row, row], color=style.SERIES[2], linewidth=7, alpha=0.35, solid_capstyle="butt")
        mark, colour = ("D", style.SERIES[1]) if part.is_outside else ("o", style.SERIES[0])
        axes.plot([part.difference], [row], mark, color=colour, markersize=6)
    axes.set_yticks(range(len(rows)), [part.name for part in rows], parse_math=False)
    axes.invert_yaxis()
    axes.set_xlabel("rise less that of known good units, K")
    axes.grid(axis="x")
    axes.set_axisbelow(True)
    return figure


def takes_page(
    kinds: Sequence[Any], trends: Mapping[str, Sequence[SetUpTrend]], *, provenance: Mapping[str, Any]
) -> str:
    """Return the page of a record: its kinds of set-up and control charts of those taken often enough.

    Parameters
    ----------
    kinds : sequence of KindView
    trends : mapping of str to sequence of SetUpTrend
        Of each kind, by its mark.
    provenance : mapping
    """
    figures = {}
    for mark, some in trends.items():
        for number, found in enumerate(some):
            charts = {"board": board_chart, "parts": parts_chart}
            for name, draw in charts.items():
                if name == "board" and found.board is None and found.level is None:
                    continue
                alt = f"Control charts of the {name} over {len(found.recorded)} takes, with limits"
                key = f"{name}-{mark}-{number}"
                figures[key] = two_forms(_charting(draw, found), name=key, alt=alt)
    return render(
        "takes.html",
        explorer=None,
        title=TAKES_TITLE,
        identity=identity(TAKES_TITLE, provenance),
        kinds=kinds,
        trends=trends,
        figures=figures,
        settings=record({}),
        provenance=record(provenance),
    )


def _charting(draw: Any, found: SetUpTrend) -> Any:
    return lambda width: draw(found, width=width)
