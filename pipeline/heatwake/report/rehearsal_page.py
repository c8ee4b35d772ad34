"""A rehearsal on the set-up sheet: what will be seen, and how near the estimate came to the truth."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from matplotlib.figure import Figure

from heatwake.planning.rehearsed import Rehearsal, RehearsedDifference
from heatwake.report import figure_style as style
from heatwake.report.page import two_forms
from heatwake.report.words import count, number

MOST_PICTURES: Final = 2


@dataclass(frozen=True)
class RehearsalSection:
    """What the sheet shows of a rehearsal."""

    found: Rehearsal
    sentences: tuple[str, ...]
    figures: dict[str, dict[str, Any]]
    differences: tuple[RehearsedDifference, ...]


def rehearsal_section(found: Rehearsal) -> RehearsalSection:
    """Return a rehearsal's sentences and figures."""
    shown = _two_set_ups(found)
    figures = {}
    if shown:
        alt = f"Two predicted pictures: the last frame of {' and '.join(shown)}"
        figures["pictures"] = two_forms(lambda width: pictures_figure(found, shown, width=width), name="seen", alt=alt)
    rows = _of_one_kind(found.differences)
    if rows:
        alt = "True and estimated differences of each part's final rise with 95 % intervals"
        figures["differences"] = two_forms(lambda width: differences_figure(rows, width=width), name="apart", alt=alt)
    return RehearsalSection(found, sentences(found), figures, rows)


def sentences(found: Rehearsal) -> tuple[str, ...]:
    """Return what a rehearsal tells, the most important first."""
    said = []
    inside, known = found.covered
    if known:
        error = f"typically {number(found.typical_error, digits=2)} K off the simulated truth"
        said.append(f"Rises came out {error}; {inside} of {known} lie within two standard uncertainties.")
    if found.differences:
        told, of = found.told, dict.fromkeys(one.of for one in found.differences)
        text = f"{len(told)} of {count(len(found.differences), 'difference')} ({', '.join(of)}) were told from noise"
        wrong = sum(one.estimate * one.true < 0 for one in told)
        side = f", {f'{wrong} with the wrong sign' if wrong else 'all with the right sign'}" if told else ""
        missed = max((one for one in found.differences if not one.told), key=lambda one: abs(one.true), default=None)
        lost = f"; the largest that was missed is {number(abs(missed.true))} K, of {missed.part}" if missed else ""
        said.append(f"{text}{side}{lost}.")
    said.append(
        f"When a run ends as planned, up to {number(found.remaining)} K are still to come, in {found.remaining_part}."
    )
    if found.directions:
        told_runs = [one for one in found.directions if one.told]
        if told_runs:
            worst = max(one.off for one in told_runs)
            share = f"{len(told_runs)} of {count(len(found.directions), 'run')}"
            said.append(f"The direction that heat is carried will be told in {share}, at most {worst:.0f}° off.")
        else:
            said.append("The direction that heat is carried will not be identifiable in any run as planned.")
    return tuple(said)


def _of_one_kind(rows: Sequence[RehearsedDifference]) -> tuple[RehearsedDifference, ...]:
    """Return the differences of the first kind, the largest true ones first."""
    first = rows[0].of if rows else ""
    return tuple(sorted((one for one in rows if one.of == first), key=lambda one: -abs(one.true)))


def _two_set_ups(found: Rehearsal) -> list[str]:
    """Return the reference and the first run of another set-up, of which there are pictures."""
    others = [one.run for one in found.differences] or [name for name in found.runs if name != found.reference]
    names = list(dict.fromkeys([found.reference, *others]))
    return [name for name in names if name in found.pictures][:MOST_PICTURES]


def pictures_figure(found: Rehearsal, names: Sequence[str], *, width: float = 9.0) -> Figure:
    """Return the last frames as the camera will write them, on one scale."""
    small, shape = width < 6, found.rows / found.columns
    pictures = [found.pictures[name] for name in names]
    low = min(float(np.nanquantile(one, 0.002)) for one in pictures)
    high = max(float(np.nanmax(one)) for one in pictures)
    wide = width if small else width / len(names)
    figure = style.new_figure(width, (len(names) if small else 1) * (wide * shape * 0.9 + 0.3) + 0.4)
    places = figure.subplots(*((len(names), 1) if small else (1, len(names))), squeeze=False).ravel()
    drawn = None
    for axes, name, picture in zip(places, names, pictures, strict=True):
        drawn = axes.imshow(picture, cmap=style.RISE_COLOURS, vmin=low, vmax=high, interpolation="nearest")
        axes.set_title(name, loc="left", color=style.INK)
        axes.set_xticks([])
        axes.set_yticks([])
        for side in axes.spines.values():
            side.set_visible(False)
    style.colour_bar(figure, list(places), drawn, label="as the camera writes it, °C", below=small)
    return figure


def differences_figure(rows: Sequence[RehearsedDifference], *, width: float = 9.0) -> Figure:
    """Return true and estimated differences, a line a part."""
    figure = style.new_figure(width, 0.24 * len(rows) + 0.95)
    axes = figure.add_subplot()
    places = np.arange(len(rows))[::-1]
    known = np.array([math.isfinite(one.estimate) for one in rows])
    estimate = np.array([one.estimate for one in rows])
    ends = np.array([(one.estimate - one.low, one.high - one.estimate) for one in rows]).T
    axes.axvline(0, color=style.LINE, linewidth=1.2, zorder=0)
    axes.errorbar(
        estimate[known],
        places[known],
        xerr=np.maximum(np.nan_to_num(ends[:, known]), 0),
        fmt="none",
        ecolor=style.SERIES[0],
        elinewidth=2.2,
        zorder=2,
    )
    for of, told in (("told", True), ("noise", False)):
        chosen = known & np.array([one.told is told for one in rows])
        face = style.SERIES[0] if told else style.PAPER
        label = "estimate with 95 %" if told else "estimate, no more than noise"
        axes.plot(estimate[chosen], places[chosen], "o", color=face, markeredgecolor=style.SERIES[0], markersize=6,
                  label=label, zorder=3, gid=of)  # fmt: skip
    axes.plot([one.true for one in rows], places, "D", color="none", markeredgecolor=style.SERIES[1], markersize=8,
              label="simulated truth", zorder=4)  # fmt: skip
    axes.set_yticks(places, [one.part if len(one.part) <= 20 else f"{one.part[:19]}…" for one in rows])
    axes.tick_params(length=0)
    axes.set_xlabel(f"difference of the final rise, {rows[0].of}, K")
    axes.spines["left"].set_visible(False)
    axes.legend(frameon=False, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3 if width >= 6 else 1, fontsize=9)
    return figure
