"""Directions on varied boards with jets, dead corners, copper here and there: how often right, and how sure.

``PYTHONPATH=tests nice python tests/benchmarks/accuracy/coupled.py [--boards 20] [--first 0] [--draws 1]`` prints a
table (``--alone``: no pairs). Each board is recorded with its fan drawing, blowing and standing; each recording is
judged by itself and in pairs. Gates and uncertainties were set on boards 20 to 37 and 60 to 68, so take others.

A second table says how well the probability of the openings' roles holds: all openings of a recording have one, and
are right or wrong together, so that each recording counts once.

An arrow is a part's direction whose 95 % interval (two standard uncertainties) is narrower than +-45 degrees; it is
wrong where it misses by more than 45. "Worst half" is the mean of the larger half of the errors.
"""

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np
import xarray as xr
from rich.console import Console
from rich.table import Table

from coupled_boards import State, rise_session, truth_of
from heatwake.scene import Scene
from heatwake.stages.flow import FlowSettings, compare_flow, estimate_flow

SETTINGS: Final = FlowSettings()
IDENTIFIED, WEAK = 0, 1
INLET, OUTLET, UNDECIDED = range(3)
FAN_SIGN: Final = {"out": 1, "in": -1, "off": 0}
BINS: Final = (0.5, 0.7, 0.9, 0.95, 0.99, 1.0)  # of the likelier role's probability
STATES: Final[tuple[State, ...]] = ("out", "in", "off")
PAIRS: Final = (("out", "in", (1, -1)), ("off", "out", (0, 1)), ("off", "in", (0, 1)), ("off", "off", (1, -1)))
Record = dict[str, Any]


def judge_board(number: int, draw: int, pairs: bool) -> list[Record]:
    """Return what is said of one board's recordings, and of pairs of them where asked, beside the truth."""
    truths = {state: truth_of(number, state) for state in STATES}
    sessions = {state: rise_session(*truths[state], seed=draw) for state in STATES}
    records = []
    for state in STATES:
        found = estimate_flow(sessions[state], SETTINGS)
        records.append(_single(found, *truths[state], state=state) | {"board_number": number})
    for one, two, relation in PAIRS if pairs else ():
        other = sessions[two] if two != one else rise_session(*truths[two], seed=draw + 1000)
        both = compare_flow(sessions[one], other, SETTINGS, relation=relation)
        for index, state in enumerate((one, two)):
            if state != "off" or two == "off":
                made = _paired(both.isel(which=index), truths[state][1], name=f"{one} and {two}: {state}")
                records.append(made | {"board_number": number})
    return records


def _single(found: xr.Dataset, scene: Scene, truth: xr.Dataset, *, state: State) -> Record:
    last = found.isel(time=-1)
    roles = [_role_right(role, way) for role, way in zip(found["opening_role"].values, ways(scene, truth), strict=True)]
    notes = ("evidence_against_opposite", "evidence_against_still_air", "evidence_against_uniform_wind")
    evidence = [found.attrs[f"flow_{note}"] for note in (*notes, "uniform_wind_apart", "residual")]
    return {
        "name": f"one: {state}",
        "status": int(last["board_flow_status"]),
        "evidence": [float(value) for value in evidence],
        "roles": roles,
        "probability": float(found["opening_role_probability"][0]),
        "likelier": int(found.attrs["flow_likelier_fan_sign"]) == FAN_SIGN[state],
        **_angles(last["board_flow_direction"], last["board_flow_direction_uncertainty"], truth["board_direction"]),
        "parts": _angles(
            last["region_flow_direction"], last["region_flow_direction_uncertainty"], truth["part_direction"]
        ),
    }


def _paired(found: xr.Dataset, truth: xr.Dataset, *, name: str) -> Record:
    angles = _angles(found["joint_flow_direction"], found["joint_flow_direction_uncertainty"], truth["board_direction"])
    return {"name": name, "status": int(found["joint_flow_status"]), **angles}


def _angles(found: xr.DataArray, spread: xr.DataArray, truth: xr.DataArray) -> Record:
    """Errors from the truth at the last time, and standard uncertainties [degree]."""
    error = (found.values - truth.isel(time=-1).values + 180.0) % 360.0 - 180.0
    return {"error": np.abs(error).tolist(), "spread": spread.values.tolist()}


def ways(scene: Scene, truth: xr.Dataset) -> list[int]:
    """Which way the air goes at each opening, by the speed across the edge next to it; undecided in still air."""
    found = []
    for opening in scene.openings:
        side = opening.side(scene.board)
        speed = truth["velocity_x"] if side in ("left", "right") else truth["velocity_y"]
        edge = {"left": speed[:, 0], "right": -speed[:, -1], "bottom": speed[-1], "top": -speed[0]}[side]
        into = float(edge.values[opening.cells(scene.board)].sum())
        found.append(UNDECIDED if into == 0 else INLET if into > 0 else OUTLET)
    return found


def _role_right(role: float, way: int) -> str:
    if int(role) == UNDECIDED:
        return "undecided"
    return "right" if int(role) == way else "wrong"


def summarise(records: list[Record]) -> Table:
    """Return the table, one row for each kind of recording or pair."""
    table = Table(title="Directions on varied boards, degrees; shares of those identified unless said")
    heads = ("identified / weak / not", "right half", "median, worst half", "2u covers", "weak: right half")
    parts = ("median, worst half", "2u covers", "arrows", "wrong arrows", "roles r/w/u")
    for head in ("recording", *(f"board {one}" for one in heads), *(f"parts {one}" for one in parts)):
        table.add_column(head)
    for name in dict.fromkeys(record["name"] for record in records):
        table.add_row(name, *_row([record for record in records if record["name"] == name]))
    return table


def reliability(records: list[Record]) -> Table:
    """Return how often the likelier roles are right, by their probability; of recordings with the fan running."""
    moving = [record for record in records if "probability" in record and not record["name"].endswith("off")]
    stated, right = (np.array([record[key] for record in moving], dtype=float) for key in ("probability", "likelier"))
    still = [record["probability"] for record in records if record["name"] == "one: off"]
    brier = f"Brier score {np.mean((stated - right) ** 2):.3f} (knowing nothing: 0.250)"
    table = Table(title=f"Roles of openings, {brier}; fan standing: at most {max(still, default=np.nan):.2f} stated")
    for head in ("probability", "recordings", "mean stated", "right"):
        table.add_column(head)
    for low, high in pairwise(BINS):
        among = (stated >= low) & ((stated < high) | (high == BINS[-1]))
        mean = f"{stated[among].mean():.3f}" if among.any() else "-"
        table.add_row(f"{low:g} to {high:g}", str(among.sum()), mean, _share(right[among]))
    return table


def _row(records: list[Record]) -> list[str]:
    status = np.array([record["status"] for record in records])
    sure = [record for record in records if record["status"] == IDENTIFIED]
    weak = np.array([record["error"] for record in records if record["status"] == WEAK])
    counts = f"{(status == IDENTIFIED).sum()} / {(status == WEAK).sum()} / {(status > WEAK).sum()}"
    cells = [counts, *_board_cells(sure), _share(weak < 90.0)]
    told = [record["parts"] for record in records if record["status"] <= WEAK and "parts" in record]
    cells += _part_cells(told) if told else ["-"] * 4
    roles = [role for record in records for role in record.get("roles", ())]
    return [*cells, "/".join(str(roles.count(one)) for one in ("right", "wrong", "undecided")) if roles else "-"]


def _board_cells(records: list[Record]) -> list[str]:
    error, spread = (np.array([record[key] for record in records]) for key in ("error", "spread"))
    return [_share(error < 90.0), _errors(error), _share(error < 2.0 * spread)]


def _part_cells(parts: list[Record]) -> list[str]:
    error, spread = (np.concatenate([part[key] for part in parts]) for key in ("error", "spread"))
    arrow = 2.0 * spread < 45.0
    return [_errors(error), _share(error < 2.0 * spread), _share(arrow), _share(arrow & (error > 45.0))]


def _errors(error: np.ndarray) -> str:
    if error.size == 0:
        return "-"
    return f"{np.median(error):.1f}, {np.sort(error)[error.size // 2 :].mean():.1f}"


def _share(which: np.ndarray) -> str:
    return f"{100.0 * which.mean():.0f} % of {which.size}" if which.size else "-"


def main() -> None:
    """Judge the boards, print the table, keep the records where asked."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--boards", type=int, default=20)
    options.add_argument("--first", type=int, default=0)
    options.add_argument("--draws", type=int, default=1)
    options.add_argument("--alone", action="store_true", help="no pairs: a fifth of the time")
    options.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options.add_argument("--records", type=Path, help="one JSON line a judgement")
    chosen = options.parse_args()
    numbers = range(chosen.first, chosen.first + chosen.boards)
    tasks = [(number, draw, not chosen.alone) for draw in range(chosen.draws) for number in numbers]
    records: list[Record] = []
    with ProcessPoolExecutor(chosen.workers) as pool:
        for made in pool.map(judge_board, *zip(*tasks, strict=True)):
            records += made
            if chosen.records:
                with chosen.records.open("a") as lines:
                    lines.writelines(json.dumps(record) + "\n" for record in made)
    console = Console(width=230, file=sys.stdout)
    console.print(summarise(records))
    console.print(reliability(records))


if __name__ == "__main__":
    main()
