"""A small picture of what a finding is told by: where to look in the recording, or how readings went."""

import io
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from heatwake.report import figure_style as style
from heatwake.schema.findings import Course, Finding, Scene

Array = npt.NDArray[Any]

LIMITS: Final = (0.005, 0.995)  # quantiles of what is shown
LEAST_RANGE_K: Final = 0.3
MARK: Final = "#ff5a36"
MOST_PX: Final = 320  # across a picture: larger ones are made smaller
ACROSS: Final = 3
DPI: Final = 110
SHADES: Final = {"wrong": "#c4382b", "doubtful": "#b06a00", "note": style.MUTED}


def finding_figure(finding: Finding, *, width: float = 4.3) -> Figure:
    """Return the picture of one finding that has evidence.

    Raises
    ------
    ValueError
        It has none.
    """
    if finding.evidence is None:
        raise ValueError(f"{finding.kind}: no evidence to draw")
    rows_to_columns = finding.evidence.picture.shape if isinstance(finding.evidence, Scene) else (1.0, 1.9)
    figure = style.new_figure(width, width * 0.8 * rows_to_columns[0] / rows_to_columns[1] + 0.6)
    _draw(figure, figure.add_subplot(), finding.evidence)
    return figure


def _draw(figure: Figure, axes: Axes, evidence: Scene | Course) -> None:
    if isinstance(evidence, Scene):
        _draw_scene(figure, axes, evidence)
    else:
        _draw_course(axes, evidence)


def _draw_scene(figure: Figure, axes: Axes, scene: Scene) -> None:
    factor = max(1, -(-scene.picture.shape[1] // MOST_PX))
    picture = scene.picture[::factor, ::factor].astype(np.float32)
    rows, columns = scene.picture.shape
    low, high = _limits(picture, signed="change" in scene.label or "beyond" in scene.label)
    shown = axes.imshow(
        np.ma.masked_invalid(picture),
        cmap=style.DIFFERENCE_COLOURS if low == -high else style.RISE_COLOURS,
        vmin=low,
        vmax=high,
        extent=(-0.5, columns - 0.5, rows - 0.5, -0.5),
        interpolation="nearest",
    )
    for line in scene.lines:
        axes.plot(line[:, 0], line[:, 1], color=MARK, linewidth=1.3)
    axes.set_xlim(-0.5, columns - 0.5)
    axes.set_ylim(rows - 0.5, -0.5)
    axes.set_xticks([])
    axes.set_yticks([])
    style.colour_bar(figure, axes, shown, label=scene.label, below=True)


def _limits(picture: Array, *, signed: bool) -> tuple[float, float]:
    seen = picture[np.isfinite(picture)]
    if not seen.size:
        return 0.0, 1.0
    if signed:
        reach = float(max(np.abs(seen).max(), LEAST_RANGE_K))
        return -reach, reach
    low, high = (float(one) for one in np.quantile(seen, LIMITS))
    spare = max(0.0, LEAST_RANGE_K - (high - low)) / 2
    return low - spare, high + spare


def _draw_course(axes: Axes, course: Course) -> None:
    for number, (name, values) in enumerate(course.curves):
        axes.plot(
            course.elapsed, values, color=style.SERIES[number], linewidth=1.4, marker=".", markersize=3, label=name
        )
    axes.set_xlabel("time, s")
    axes.set_ylabel(course.label)
    axes.grid(axis="y")
    if len(course.curves) > 1:
        axes.legend(frameon=False)


def findings_sheet_png(findings: Sequence[Finding], *, title: str) -> bytes:
    """Return all findings that have a picture as one PNG, with their words below."""
    shown = [one for one in findings if one.evidence is not None]
    rows = -(-len(shown) // ACROSS)
    with style.house_style():
        figure = style.new_figure(4.9 * ACROSS, 4.6 * max(rows, 1) + 0.5)
        figure.set_facecolor(style.PAPER)
        figure.suptitle(title, fontsize=13, fontweight="bold", x=0.012, ha="left", parse_math=False)
        for number, finding in enumerate(shown):
            axes = figure.add_subplot(max(rows, 1), ACROSS, number + 1)
            if finding.evidence is not None:
                _draw(figure, axes, finding.evidence)
            heading = f"{finding.severity}: {finding.kind}{effect_words(finding)}"
            axes.set_title(
                heading, fontsize=10.5, loc="left", color=SHADES[finding.severity], fontweight="bold", parse_math=False
            )
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=DPI, metadata={"Software": None})
    return buffer.getvalue()


def effect_words(finding: Finding) -> str:
    """Return a finding's effect in words, empty where it is not known."""
    return f", {finding.effect_K:.1f} K" if np.isfinite(finding.effect_K) else ""
