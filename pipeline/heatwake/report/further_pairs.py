"""What to record next after a comparison: repeats, runs that differ in one thing, and what sessions ask for."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import product
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.repeats import coverage_factor
from heatwake.report.further import Further, ranked
from heatwake.report.unlike import Unlike, unlike
from heatwake.report.words import listed, number
from heatwake.stages.pair import ComparisonSettings
from heatwake.stages.set_ups import BLOCK, FILM_FITTING, conditions, factors

Array = npt.NDArray[Any]

MOST_TAKES: Final = 6  # of either set-up that are proposed
NAMED: Final = 5
LISTED: Final = 20  # recordings on a workflow's list
MOST_COMBINATIONS: Final = 16  # of levels, for a design that is proposed to be filled up


def further_of_comparison(
    comparison: xr.Dataset,
    sessions: Mapping[str, xr.Dataset],
    *,
    reference: str,
    settings: Mapping[str, Any],
    own: Mapping[str, Sequence[Further]],
) -> list[Further]:
    """Return what to record next of all sessions together, what settles most on top.

    Parameters
    ----------
    comparison : Dataset
    sessions : mapping of str to Dataset
    reference : str
    settings : mapping
        Of the comparison.
    own : mapping of str to sequence of Further
        The sessions' own lists.
    """
    known = ComparisonSettings(**settings)
    found: dict[str, list[Further]] = {}
    for name in comparison["session"].to_numpy().astype(str):
        chosen = comparison.sel(session=name)
        base, session = sessions[reference], sessions[name]
        found[name] = [
            *_repeats(comparison, chosen, known, reference=reference),
            *_one_thing(unlike(base, session, chosen), reference),
            *_film_kept(base, session, chosen, known),
        ]
    return ranked([*_merged(found), *_missing(sessions), *_merged(own)])[:LISTED]


def _repeats(
    comparison: xr.Dataset, chosen: xr.Dataset, settings: ComparisonSettings, *, reference: str
) -> Iterator[Further]:
    """As many takes of both set-ups as tell a difference that matters, if it stays as it is."""
    names = comparison["region"].to_numpy().astype(str)
    size = np.abs(chosen["steady_rise_difference"].to_numpy())
    unsure = chosen["steady_rise_difference_uncertainty"].to_numpy()
    known = np.isfinite(size) & (unsure > 0)
    if not known.any():
        return
    is_open = known & (chosen["region_significant"].to_numpy() == 0) & (size >= settings.least_difference_K)
    freedom = float(comparison["repeat_freedom"]) if "repeat_freedom" in comparison else 0.0
    takes, told = 2, np.zeros_like(is_open)
    for count in range(2, MOST_TAKES + 1):
        reach = coverage_factor(freedom + 2 * (count - 1)) * unsure / np.sqrt(count)
        if (is_open & (size > reach)).any():
            takes, told = count, is_open & (size > reach)
            break
    middle = float(np.median(unsure[known]))
    parts = []
    if told.any():
        parts.append(f"Whether {_named(names[told])} changed, if the difference stays as it is.")
    if not freedom:
        parts.append("How far two takes of one set-up lie apart: as yet ± holds for one take only.")
    if not parts:
        return
    yield Further(
        "repeats",
        f"{takes - 1} more of it and of {reference}, mounted anew as in use, in the order A-B-B-A; say replicate in "
        "[conditions].",
        " ".join(parts),
        int(told.sum()) + (0 if freedom else 1),
        middle,
        middle / np.sqrt(takes),
        quantity="difference of the final rise, the middle part",
    )


def _named(names: Array) -> str:
    return listed(list(names[:NAMED])) + (f" and {len(names) - NAMED} more" if len(names) > NAMED else "")


def _one_thing(differing: Sequence[Unlike], reference: str) -> Iterator[Further]:
    """The same run again with what should have been equal made equal."""
    stray = [row for row in differing if not row.is_factor and not row.treatment]
    meant = [row.what for row in differing if row.is_factor]
    if not stray:
        return
    sizes = [abs(row.effect) for row in stray if np.isfinite(row.effect)]
    effect = f", now up to {number(max(sizes))} K of something else" if sizes else ""
    cause = f"{listed(meant)} alone" if meant else "chance alone"
    yield Further(
        "one thing changed",
        f"Again with {listed([row.what for row in stray])} as in {reference}.",
        f"Whether the change is due to {cause}{effect}.",
        1,
        now=max(sizes) if sizes else np.nan,
        then=0.0 if sizes else np.nan,
        quantity="largest effect of what differs besides" if sizes else "",
    )


def _film_kept(
    base: xr.Dataset, session: xr.Dataset, chosen: xr.Dataset, settings: ComparisonSettings
) -> Iterator[Further]:
    """The pair again without laying the film on anew."""
    fittings = [conditions(one).get(FILM_FITTING) for one in (base, session)]
    if fittings[0] == fittings[1]:
        return
    unsure = chosen["steady_rise_difference_uncertainty"].to_numpy()
    rise = base["steady_rise"].reindex(region=chosen["region"].to_numpy()).to_numpy()
    known = np.isfinite(unsure) & np.isfinite(rise)
    if not known.any():
        return
    at = int(np.flatnonzero(known)[np.argmax(np.abs(rise[known]))])
    then = np.sqrt(max(unsure[at] ** 2 - 2 * (settings.refit_share * rise[at]) ** 2, 0.0))
    name = str(chosen["region"].to_numpy()[at])
    yield Further(
        "film kept",
        "Both runs one after the other with film and camera not touched.",
        "Smaller changes of hot parts: a film laid on anew differs by up to a hundredth of the rise.",
        0,
        float(unsure[at]),
        float(then),
        quantity=f"difference of the final rise of {name}",
    )


def _missing(sessions: Mapping[str, xr.Dataset]) -> Iterator[Further]:
    """The set-ups that a full design of the factors lacks."""
    stated = [{key: value for key, value in factors(one).items() if key != BLOCK} for one in sessions.values()]
    keys = sorted(set.intersection(*(set(one) for one in stated))) if stated else []
    levels = {key: sorted({str(one[key]) for one in stated}) for key in keys}
    varied = [key for key in keys if len(levels[key]) > 1]
    count = int(np.prod([len(levels[key]) for key in varied])) if varied else 0
    if len(varied) < 2 or count > MOST_COMBINATIONS:
        return
    there = {tuple(str(one[key]) for key in varied) for one in stated}
    lacking = [each for each in product(*(levels[key] for key in varied)) if each not in there]
    if not lacking:
        return
    words = [", ".join(f"{key} {value}" for key, value in zip(varied, each, strict=True)) for each in lacking]
    told = listed(words[:4])
    yield Further(
        "the set-ups that are missing",
        f"{told}{' and others' if len(lacking) > 4 else ''}.",
        f"Whether {listed([key.replace('_', ' ') for key in varied])} act on each other: {len(lacking)} of {count} "
        "combinations are missing.",
        1,
    )


def _merged(own: Mapping[str, Sequence[Further]]) -> list[Further]:
    """Return what settles or sharpens something, alike recordings of several sessions in one row."""
    groups: dict[tuple[str, str], list[tuple[str, Further]]] = {}
    for name, found in own.items():
        for one in found:
            if one.open_questions or one.gain:
                groups.setdefault((one.name, one.how), []).append((name, one))
    merged = []
    for same in groups.values():
        first = max((one for _, one in same), key=lambda one: (one.open_questions, one.gain))
        merged.append(
            replace(
                first,
                session=", ".join(name for name, _ in same),
                open_questions=sum(one.open_questions for _, one in same),
            )
        )
    return merged
