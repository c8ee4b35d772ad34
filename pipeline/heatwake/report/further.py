"""What to record next: a ranked list, each with what it would settle and by how much, reckoned from what was fitted."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.foreseen_flow import FAN_OFF, TURNED_ROUND
from heatwake.report.parts import PartRow, altitude_factor, part_rows
from heatwake.report.words import listed, number
from heatwake.schema.variables import FLOW_STATUS
from heatwake.stages.flow_advice import further_recording
from heatwake.stages.further_budget import Better, has_budgets, is_zeroed, rise_uncertainty
from heatwake.stages.further_time import foresee_longer

Array = npt.NDArray[Any]

TAPE: Final = Better(emissivity=0.95, emissivity_uncertainty=0.012)  # black vinyl tape, 0.93 to 0.97 (from memory)
TAPE_GAIN: Final = 0.7  # of a part's uncertainty: tape that leaves more is not worth sticking on
PAIR_TRANSMITTANCE: Final = 0.004  # standard uncertainty of a film's transmittance by a pair (measured, simulated)
WORTH: Final = 0.03  # of the uncertainty: less is not worth a recording
CHANGES: Final = 3  # parts named with the largest changes
SHORT_S: Final = 130.0  # of a recording with the fan off
LEAST_CHANGE: Final = 0.5  # [K] that matters, where nothing else is said


@dataclass(frozen=True)
class Further:
    """A recording that could be made.

    Attributes
    ----------
    name : str
        What is recorded.
    how : str
        What to do, in a sentence.
    settles : str
        What it would settle or show, in a sentence.
    open_questions : int
        How many of those that this run leaves open it would settle.
    now, then : float
        Standard uncertainty of what it makes better known, as it is and then, in ``unit``; NaN without one.
    unit, quantity : str
        And what the number is of.
    session : str
        Which session it is for; empty on that session's own list.
    """

    name: str
    how: str
    settles: str
    open_questions: int
    now: float = np.nan
    then: float = np.nan
    unit: str = "K"
    quantity: str = ""
    session: str = ""

    @property
    def gain(self) -> float:
        """Share of the uncertainty that it takes away, 0 to 1."""
        return 1 - self.then / self.now if np.isfinite(self.then) and self.now > 0 else 0.0


def further_recordings(results: xr.Dataset, flow: xr.Dataset | None, settings: Mapping[str, Any]) -> list[Further]:
    """Return what to record next of a session's set-up, what settles most on top.

    Parameters
    ----------
    results : Dataset
        Everything of the session but flow.
    flow : Dataset or None
    settings : mapping
        Of the stages.
    """
    rows = part_rows(results)
    least = float(settings.get("comparison", {}).get("least_difference_K", LEAST_CHANGE))
    found = [
        *_flows(results, flow, rows, least=least),
        *_longer(results, rows, settings),
        *_cold_picture(results, rows),
        *_tape(results, rows),
        *_pair(results, rows),
    ]
    return ranked(found)


def ranked(found: Sequence[Further]) -> list[Further]:
    """Return what settles most questions first, then what makes numbers known better by most."""
    return sorted(found, key=lambda one: (-one.open_questions, -one.gain))


def further_rows(found: Sequence[Further]) -> list[dict[str, Any]]:
    """Return the rows of ``next.csv``."""
    return [
        {
            "rank": rank,
            "session": one.session,
            "recording": one.name,
            "open_questions_settled": one.open_questions,
            "quantity": one.quantity,
            "unit": one.unit if one.quantity else "",
            "standard_uncertainty_now": one.now,
            "standard_uncertainty_then": one.then,
            "what_to_do": one.how,
            "what_it_settles": one.settles,
        }
        for rank, one in enumerate(found, start=1)
    ]


def further_from(row: Mapping[str, Any]) -> Further:
    """Return what a row of ``next.csv`` says."""
    return Further(
        str(row["recording"]),
        str(row["what_to_do"]),
        str(row["what_it_settles"]),
        int(row["open_questions_settled"]),
        float(row["standard_uncertainty_now"] or np.nan),
        float(row["standard_uncertainty_then"] or np.nan),
        str(row["unit"]) or "K",
        str(row["quantity"]),
        str(row["session"]),
    )


def _flows(results: xr.Dataset, flow: xr.Dataset | None, rows: Sequence[PartRow], *, least: float) -> Iterator[Further]:
    """Recordings with another flow, as the fit foresees them; where none is foreseen, what the direction lacks."""
    if flow is None:
        return
    sentence = further_recording(results, flow)
    undecided = _undecided(flow)
    if "further" not in flow.dims:
        if sentence:
            yield Further("for the direction", sentence, "Whether the heat's direction can be told.", 1 + undecided)
        return
    for at, name in enumerate(flow["further"].to_numpy().astype(str)):
        short = name == FAN_OFF and float(flow["foreseen_early"]) <= SHORT_S
        changes = flow["foreseen_early_change" if short else "foreseen_rise_change"][at].to_numpy()
        settled = flow["foreseen_rise_change"][at].to_numpy()
        status = FLOW_STATUS[int(flow["foreseen_flow_status"][at])]
        told = bool(sentence) and status == "identified"
        direction = ""
        if sentence and status != "not attempted":
            against = min(float(flow[f"foreseen_against_{key}"][at]) for key in ("opposite", "still"))
            direction = (
                f"With this recording it would {'tell' if told else 'hardly tell'} which way the heat is carried "
                f"(evidence foreseen {number(against, digits=0)}). "
            )
        when = f"after {number(float(flow['foreseen_early']), digits=0)} s" if short else "settled"
        when += f" ({_comes_true(name)})"
        yield Further(
            name,
            _how(name),
            f"{direction}{_foreseen_changes(results, changes, when, least=least)}{_beyond(rows, settled)}",
            (1 + undecided) if told else 0,
        )


def _undecided(flow: xr.Dataset) -> int:
    return int((flow["opening_role"] == 2).sum()) if "opening_role" in flow else 0


def _how(name: str) -> str:
    alike = "same set-up and power, from before power-on, film and camera not touched"
    if name == FAN_OFF:
        return f"Two minutes with the fan off ({alike}); stay beside it and stop at the first limit."
    if name == TURNED_ROUND:
        return f"The fan turned round ({alike}), in the order A-B-B-A."
    return f"With {name} by a card ({alike}), in the order A-B-B-A."


def _comes_true(name: str) -> str:
    """Return how much of such a change came true on simulated boards (benchmark ``accuracy/foreseen.py``)."""
    if name == FAN_OFF:
        return "on simulated boards every sign came true, sizes roughly"
    return "on simulated boards 7 signs of 10 came true" if name == TURNED_ROUND else "how well was not measured"


def _foreseen_changes(results: xr.Dataset, changes: Array, when: str, *, least: float) -> str:
    names = results["region"].to_numpy().astype(str)
    own = np.sqrt(2) * results["steady_rise_own"].to_numpy()
    seen = np.abs(changes) >= np.fmax(2 * own, least)
    if not seen.any():
        return "No part is foreseen to change by more than two runs' own noise."
    order = np.argsort(-np.abs(np.where(seen, changes, 0)))[: min(CHANGES, int(seen.sum()))]
    largest = listed([f"{names[at]} {number(float(changes[at]), digits=0, signed=True)} K" for at in order])
    return f"Foreseen by the fit, {when}: {largest}; {_parts(int(seen.sum()))} by more than two runs' own noise."


def _beyond(rows: Sequence[PartRow], changes: Array) -> str:
    """Return a warning where parts are foreseen to pass their limit."""
    over = [row.name for row, change in zip(rows, changes, strict=True) if row.temperature + change > row.limit]
    return f" Left on, it is foreseen to take {_named(over)} over the limit: stop before." if over else ""


def _parts(count: int) -> str:
    return "one part" if count == 1 else f"{count} parts"


def _longer(results: xr.Dataset, rows: Sequence[PartRow], settings: Mapping[str, Any]) -> Iterator[Further]:
    stated = settings.get("regions", {})
    least, share = float(stated.get("steady_K", 0.5)), float(stated.get("steady_share", 0.02))
    found = foresee_longer(results, least=least, share=share)
    if found is None:
        return
    names = [rows[at].name for at in found.settles]
    minutes = (float(results["elapsed"][-1]) + found.seconds) / 60
    middle = int(np.argsort(found.now)[len(found.now) // 2])
    yield Further(
        "longer",
        f"Record for {number(minutes)} minutes from the start, in place of {number(minutes - found.seconds / 60)}.",
        f"Of {_named(names)} no more than {number(least)} K or {number(100 * share, digits=0)} % would be to come.",
        len(names),
        found.now[middle],
        found.then[middle],
        quantity=f"final mean rise of {names[middle]}, by its curve",
    )


def _named(names: Sequence[str]) -> str:
    return listed(list(names)) if len(names) <= 5 else f"{len(names)} parts ({listed(list(names[:3]))}, …)"


def _cold_picture(results: xr.Dataset, rows: Sequence[PartRow]) -> Iterator[Further]:
    if not has_budgets(results) or is_zeroed(results):
        return
    how = "Ten seconds of the unpowered board at ambient before power comes on, film on."
    yield from _of_budget(results, rows, Better(zeroed=True), name="cold picture", how=how)


def _tape(results: xr.Dataset, rows: Sequence[PartRow]) -> Iterator[Further]:
    if not has_budgets(results):
        return
    after = rise_uncertainty(results, TAPE)
    shiny = [
        at
        for at, row in enumerate(rows)
        if row.verdict == "not a temperature" or after[at] < TAPE_GAIN * row.uncertainty
    ]
    if not shiny:
        return
    names = _named([rows[at].name for at in shiny])
    how = f"Tape or paint of known emissivity on {names} (0.95 ± 0.012 is reckoned with), and its emissivity in parts."
    yield from _of_budget(results, rows, TAPE, name="tape on shiny parts", how=how, only=shiny)


def _pair(results: xr.Dataset, rows: Sequence[PartRow]) -> Iterator[Further]:
    if not has_budgets(results) or not bool(results["film_present"]):
        return
    known = float(results["transmittance_uncertainty"])
    if known <= PAIR_TRANSMITTANCE:
        return
    how = "The hot board bare and, seconds later, covered by the film: [film] bare and covered."
    better = Better(transmittance_uncertainty=PAIR_TRANSMITTANCE)
    yield from _of_budget(results, rows, better, name="film pair", how=how)


def _of_budget(
    results: xr.Dataset,
    rows: Sequence[PartRow],
    better: Better,
    *,
    name: str,
    how: str,
    only: Sequence[int] | None = None,
) -> Iterator[Further]:
    """A row for what changes budgets: what margins it decides, and the part that gains most."""
    chosen = range(len(rows)) if only is None else only
    now = np.array([row.uncertainty for row in rows])
    then = rise_uncertainty(results, better)
    gains = {at: 1 - then[at] / now[at] for at in chosen if now[at] > 0 and np.isfinite(then[at])}
    if not gains or max(gains.values()) < WORTH:
        return
    factor = altitude_factor(results)
    decided = [at for at in gains if _is_open(rows[at]) and abs(rows[at].margin) > 2 * factor * then[at]]
    read = [at for at in gains if rows[at].verdict == "not a temperature" and better.emissivity is not None]
    best = max(gains, key=lambda at: gains[at])
    parts = []
    if decided:
        parts.append(f"The margin of {_named([rows[at].name for at in decided])} would be beyond doubt.")
    if read:
        parts.append(f"{_named([rows[at].name for at in read])} would get a temperature and a margin.")
    middle = float(np.median([gains[at] for at in gains]))
    parts.append(f"Rises known better by {number(100 * middle, digits=0)} % in the median.")
    quantity = f"rise of {rows[best].name}"
    settled = len(decided) + len(read)
    yield Further(name, how, " ".join(parts), settled, float(now[best]), float(then[best]), quantity=quantity)


def _is_open(row: PartRow) -> bool:
    return row.verdict == "inside but within the uncertainty"
