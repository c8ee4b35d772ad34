"""What the fit foresees of further recordings, beside what they show: on varied boards with jets and dead corners.

``PYTHONPATH=tests nice python tests/benchmarks/accuracy/foreseen.py [--boards 20] [--first 0]`` prints two tables: how
parts change when the fan is turned round, stopped, or the first vent is closed (the fit foresees it half covered; the
sign and the order of the parts count then), and whether a pair that is foreseen to tell the direction does.
"""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from typing import Any, Final

import numpy as np
from rich.console import Console
from rich.table import Table
from scipy.stats import spearmanr

from coupled_boards import State, rise_session, truth_of
from heatwake.kernels.foreseen_flow import FAN_OFF, TURNED_ROUND
from heatwake.stages.flow import FlowSettings, compare_flow, estimate_flow

SETTINGS: Final = FlowSettings()
OTHERS: Final[dict[State, dict[str, tuple[State, tuple[int, int]]]]] = {
    "out": {TURNED_ROUND: ("in", (-1, 1)), FAN_OFF: ("off", (0, 1))},
    "in": {TURNED_ROUND: ("out", (-1, 1)), FAN_OFF: ("off", (0, 1))},
}
LEAST: Final = 0.5  # [K] that counts as a change


def judge_board(number: int) -> list[dict[str, Any]]:
    """Return what was foreseen of one board's further recordings, and what they showed."""
    records = []
    for state, others in OTHERS.items():
        scene, truth = truth_of(number, state)
        session = rise_session(scene, truth, seed=0)
        found = estimate_flow(session, SETTINGS)
        if "further" not in found.dims:
            continue
        rise = truth["part_rise_mean"].values[:, -1]
        for name, (other, relation) in others.items():
            row = found.sel(further=name)
            after = truth_of(number, other)
            status = int(row["foreseen_flow_status"])
            told = -1
            if status != 3:
                pair = compare_flow(rise_session(*after, seed=0), session, SETTINGS, relation=relation)
                told = int(pair["joint_flow_status"][1] == 0)
            records.append(
                {
                    "name": name,
                    "state": state,
                    "rise": rise,
                    "foreseen": row["foreseen_rise_change"].values,
                    "true": after[1]["part_rise_mean"].values[:, -1] - rise,
                    "asked": status != 3,
                    "foreseen_told": status == 0,
                    "told": told,
                }
            )
    return records


def changes(records: list[dict[str, Any]]) -> Table:
    """Return how well parts' changes are foreseen."""
    table = Table(title="change of parts' rise [K]")
    for head in ("further recording", "from fan", "parts", "rms true", "rms error", "signs right", "rank correlation"):
        table.add_column(head)
    for name, state in dict.fromkeys((one["name"], one["state"]) for one in records):
        among = [one for one in records if (one["name"], one["state"]) == (name, state)]
        foreseen, true = (np.concatenate([one[key] for one in among]) for key in ("foreseen", "true"))
        clear = np.abs(true) > LEAST
        ranks = [spearmanr(one["foreseen"], one["true"]).statistic for one in among if len(one["true"]) > 3]
        signs = float(np.mean(np.sign(foreseen[clear]) == np.sign(true[clear])))
        table.add_row(
            *(name, state, str(true.size), f"{np.sqrt(np.mean(true**2)):.1f}"),
            f"{np.sqrt(np.mean((foreseen - true) ** 2)):.1f}",
            f"{100 * signs:.0f} % of {clear.sum()}",
            f"{np.median(ranks):.2f}",
        )
    return table


def directions(records: list[dict[str, Any]]) -> Table:
    """Return how often a pair tells the direction as foreseen, of recordings that do not by themselves."""
    table = Table(title="recordings whose direction is not identified: does the pair tell it?")
    for head in (
        "further recording",
        "foreseen to",
        "of these it does",
        "foreseen not to",
        "of these it does all the same",
    ):
        table.add_column(head)
    for name in (TURNED_ROUND, FAN_OFF):
        asked = [one for one in records if one["name"] == name and one["asked"]]
        cells = []
        for expected in (True, False):
            among = [one["told"] for one in asked if one["foreseen_told"] == expected]
            cells += [str(len(among)), str(sum(among))]
        table.add_row(name, *cells)
    return table


def main() -> None:
    """Judge the boards and print the tables."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--boards", type=int, default=20)
    options.add_argument("--first", type=int, default=0)
    options.add_argument("--workers", type=int, default=1)
    chosen = options.parse_args()
    records: list[dict[str, Any]] = []
    with ProcessPoolExecutor(chosen.workers) as pool:
        for made in pool.map(judge_board, range(chosen.first, chosen.first + chosen.boards)):
            records += made
    console = Console(width=180, file=sys.stdout)
    console.print(changes(records))
    console.print(directions(records))


if __name__ == "__main__":
    main()
