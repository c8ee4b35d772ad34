"""What became of hot regions: which came when, merged into which, faded and came back."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final, Literal

import numpy as np
import xarray as xr

from heatwake.report import words
from heatwake.schema.variables import REGION_STATE

Event = Literal["appears", "merges", "splits", "fades", "is back"]

LASTING: Final = 3  # looks: a shorter merge is not worth a sentence
_ABSENT: Final = {"not yet seen", "faded"}


@dataclass(frozen=True)
class Turn:
    """Something that became of a region.

    Attributes
    ----------
    region : str
        Its name.
    elapsed : float
        Middle of the first look that shows it [s].
    event : str
        "appears", "merges" into a neighbour's spot, "splits" from it, "fades", "is back".
    partner : str
        The neighbour; empty where there is none.
    """

    region: str
    elapsed: float
    event: Event
    partner: str = ""


def lineage(results: xr.Dataset) -> list[Turn]:
    """Return what became of the regions of ``regions.nc`` in the order of time; what is hidden meanwhile is skipped."""
    names = [str(name) for name in results["region"].to_numpy()]
    states, partners = results["region_state"].to_numpy(), results["region_partner"].to_numpy()
    elapsed = results["look_elapsed"].to_numpy()
    found = []
    for number, name in enumerate(names):
        for look, event in _turns([REGION_STATE[int(state)] for state in states[number]]):
            at = int(partners[number, look])
            found.append(Turn(name, float(elapsed[look]), event, names[at] if at >= 0 else ""))
    return sorted(found, key=lambda turn: (turn.elapsed, names.index(turn.region)))


def _turns(states: list[str]) -> Iterator[tuple[int, Event]]:
    """Yield the looks at which a region's state turns, and into what."""
    before = "not yet seen"
    for state, looks in _runs(states):
        if state == before:
            continue
        if state == "faded":
            yield looks[0], "fades"
        elif before in _ABSENT:
            yield looks[0], "is back" if before == "faded" else "appears"
        elif state == "merged":
            yield looks[0], "merges"
        else:
            yield looks[0], "splits"
        before = state


def _runs(states: list[str]) -> list[tuple[str, list[int]]]:
    """Return spells of one state with their looks; hidden looks and short merges belong to what was before."""
    plain = ["seen" if state == "back" else state for state in states]
    for number, state in enumerate(plain):
        if state == "hidden":
            plain[number] = plain[number - 1] if number else "not yet seen"
    for state, looks in _spells(plain):
        before = plain[looks[0] - 1] if looks[0] else "not yet seen"
        if state in ("seen", "merged") and before in ("seen", "merged") and len(looks) < LASTING:
            for look in looks:
                plain[look] = before
    return _spells(plain)


def _spells(states: list[str]) -> list[tuple[str, list[int]]]:
    grouped = groupby(enumerate(states), key=lambda item: item[1])
    return [(state, [look for look, _ in items]) for state, items in grouped]


def lineage_rows(results: xr.Dataset) -> list[dict[str, Any]]:
    """Return :func:`lineage` as rows of a table, units in the headings."""
    return [
        {"elapsed_s": turn.elapsed, "region": turn.region, "event": turn.event, "neighbour": turn.partner}
        for turn in lineage(results)
    ]


def lineage_sentences(results: xr.Dataset) -> list[str]:
    """Return a sentence for each region that does more than appear and stay."""
    turns = lineage(results)
    sentences = []
    for name in [str(one) for one in results["region"].to_numpy()]:
        own = [turn for turn in turns if turn.region == name]
        if len(own) > 1 and (own[0].event, own[1].event) == ("appears", "splits"):
            del own[1]  # as it comes, it touches its neighbours for a moment
        if len(own) > 1:
            sentences.append(f"{name} {words.listed([_told(turn) for turn in own])}.")
    return sentences


def _told(turn: Turn) -> str:
    at = words.clock(turn.elapsed)
    if turn.event == "appears":
        return f"appears at {at}" + (f" beside {turn.partner}" if turn.partner else "")
    if turn.event == "merges":
        return f"runs together with {turn.partner or 'its surroundings'} at {at}"
    if turn.event == "splits":
        return f"stands apart again at {at}"
    return f"{turn.event} at {at}"


def gone_at_end(results: xr.Dataset) -> list[str]:
    """Return the names of regions that were hot and are not at the end: loads that went off, not cold parts."""
    if not results.sizes.get("look") or "region_state" not in results:
        return []
    last = np.array([REGION_STATE[int(state)] for state in results["region_state"].isel(look=-1).to_numpy()])
    return [str(name) for name, state in zip(results["region"].to_numpy(), last, strict=True) if state == "faded"]
