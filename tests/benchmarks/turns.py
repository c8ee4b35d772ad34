"""Turns of the heat's direction told from pairs: ``PYTHONPATH=tests nice python tests/benchmarks/turns.py``.

Boards drawn at random with jets, dead corners and copper (``--first``, ``--boards``) are recorded with the fan drawing
and blowing, twice as they are and once with each vent closed. Told are the rates of reversals recognised, of vents
whose true turn of the board's heat is above 15 degrees found (turned or reversed), of turns told where the true one is
below 5, of words that the truth gives the lie to (reversed below 90 degrees, unchanged above 45), and
how often the 95 % interval (two standard uncertainties) of the turn holds the truth.
"""

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from coupled_boards import rise_session, truth_of
from heatwake.stages.flow import FlowSettings, compare_flow

SETTINGS: Final = FlowSettings()
MATTERS, NOTHING = 15.0, 5.0  # [degree] true turns that must be found, and that must not be told
ANSWERS: Final = ("unchanged", "turned", "reversed", "not told", "undecided")
Record = dict[str, Any]


def judge_board(number: int) -> Iterator[Record]:
    """Yield what is said of each pair of one board's recordings, beside the truth."""
    for fan in ("out", "in"):
        base, known = truth_of(number, fan)
        plain = rise_session(base, known, seed=1)
        yield _record("taken again", rise_session(base, known, seed=2), plain, states=((number, fan),) * 2)
        for vent in [one.name for one in base.openings if one.kind == "vent"]:
            if sum(one.kind == "vent" for one in base.openings) < 2:
                continue  # air would stand
            closed = rise_session(*truth_of(number, fan, vent), seed=3)
            yield _record("vent closed", closed, plain, states=((number, fan, vent), (number, fan)))
    pair = [rise_session(*truth_of(number, fan), seed=1) for fan in ("in", "out")]
    yield _record("fan turned round", *pair, states=((number, "in"), (number, "out")), relation=(1, -1))


def _record(
    name: str, session: Any, reference: Any, *, states: tuple[tuple[Any, ...], ...], relation: tuple[int, int] = (1, 1)
) -> Record:
    found = compare_flow(session, reference, SETTINGS, relation=relation)
    truths = [truth_of(*state)[1].isel(time=-1) for state in states]
    made: Record = {"name": name, "states": [list(state) for state in states]}
    for what, true in (("board", "board_direction"), ("region", "part_direction")):
        turn = truths[0][true].values - truths[1][true].values
        made[what] = {
            "true": np.atleast_1d(_wrapped(turn)).tolist(),
            "told": np.atleast_1d(found[f"{what}_flow_direction_change"].values).tolist(),
            "spread": np.atleast_1d(found[f"{what}_flow_direction_change_uncertainty"].values).tolist(),
            "answer": [ANSWERS[int(one)] for one in np.atleast_1d(found[f"{what}_flow_change"].values)],
        }
    return made


def _wrapped(degrees: Any) -> Any:
    return (degrees + 180.0) % 360.0 - 180.0


def summarise(records: list[Record]) -> dict[str, Any]:
    """Return the rates, of boards and of parts."""
    rates: dict[str, Any] = {"boards": len({record["states"][0][0] for record in records}), "pairs": len(records)}
    for what in ("board", "region"):
        kinds = np.concatenate([[record["name"]] * len(record[what]["true"]) for record in records])
        true, told, spread = (
            np.concatenate([record[what][key] for record in records]).astype(float)
            for key in ("true", "told", "spread")
        )
        answer = np.concatenate([record[what]["answer"] for record in records])
        about, vents = kinds == "fan turned round", kinds != "fan turned round"
        changed = np.isin(answer, ("turned", "reversed"))
        large, small = vents & (np.abs(true) > MATTERS), vents & (np.abs(true) < NOTHING)
        error = np.abs(_wrapped(told - true))
        known = np.isfinite(told)
        rates[what] = {
            "fan turned round, truly by 120 degrees or more: told reversed": _rate(
                answer == "reversed", about & (np.abs(true) >= 120)
            ),
            "so turned, not told": _rate(answer == "not told", about & (np.abs(true) >= 120)),
            "vents that truly turn it by more than 15 degrees: found": _rate(changed, large),
            "such vents, not told": _rate(answer == "not told", large),
            "true turn below 5 degrees: a turn is told": _rate(changed, small),
            "reversed is told: truly by less than 90 degrees": _rate(np.abs(true) < 90, answer == "reversed"),
            "unchanged is told: truly turned by more than 45": _rate(np.abs(true) > 45, answer == "unchanged"),
            "undecided or not told": _rate(np.isin(answer, ("undecided", "not told")), np.isfinite(true)),
            "95 % intervals hold the truth": _rate(error <= 2 * spread, known),
            "the same, fan as it was": _rate(error <= 2 * spread, known & vents),
            "error of turns, fan as it was: rms, and rms of stated": [
                round(float(np.sqrt(np.mean(one[known & vents] ** 2))), 2) for one in (error, spread)
            ],
        }
    return rates


def _rate(hit: Any, among: Any) -> str:
    return f"{int((hit & among).sum())} of {int(among.sum())}"


def main() -> None:
    """Print the rates as JSON; keep the records where asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=12)
    parser.add_argument("--first", type=int, default=40)
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    records: list[Record] = []
    for number in range(chosen.first, chosen.first + chosen.boards):
        records += judge_board(number)
        if chosen.out:
            chosen.out.write_text(json.dumps(records))
    print(json.dumps(summarise(records), indent=2))  # noqa: T201


if __name__ == "__main__":
    main()
