"""How often the record errs: false alarms, coverage and hits over many draws. ``PYTHONPATH=tests python ...``."""

import argparse
import math

import numpy as np

from heatwake.stages.comparison import ComparisonSettings, compare
from heatwake.stages.known_good import judge_unit
from heatwake.stages.set_ups import kind_of
from heatwake.stages.unit_reach import KnownGoodSettings
from lab_takes import drawn_takes
from stages.paired_sessions import session

LABORATORIES = (  # units and how often each was taken; the last is judged
    ("one good unit, 4 takes, against 1", {"good": 4, "new": 1}, 0.0),
    ("one good unit, 3 takes, against 2", {"good": 3, "new": 2}, 0.0),
    ("6 good units, 2 takes each, against 2", {f"good{n}": 2 for n in range(6)} | {"new": 2}, 0.01),
    ("5 good units, 3 takes each, against 1", {f"good{n}": 3 for n in range(5)} | {"new": 1}, 0.01),
)


def units(draws: int) -> None:
    """Print how often a healthy unit is accused, and how often 3 K on one part is found."""
    for interval in ("prediction", "tolerance"):
        settings = KnownGoodSettings(interval=interval)
        for words, counts, differ in LABORATORIES:
            good = [name for name in counts if name != "new"]
            rates = []
            for faults in ({}, {"new": {"Q2": 3.0}}):
                rng = np.random.default_rng(1)
                told = [
                    judge_unit(
                        drawn_takes(rng, counts, units_differ=differ, faults=faults), "new", good, settings=settings
                    )[0].outside
                    for _ in range(draws)
                ]
                rates.append(np.mean([bool(some) if not faults else "Q2" in some for some in told]))
            print(f"{interval:<11} {words:<40} accused {rates[0]:.3f}  found {rates[1]:.3f}")  # noqa: T201


def pairs(draws: int) -> None:
    """Print false alarms, coverage of no change and width of intervals of pairs with a record and without."""
    settings = ComparisonSettings()
    for takes in (0, 4, 6, 10, 20):
        rng = np.random.default_rng(2)
        alarms, held, spans = [], [], []
        for _ in range(draws):
            pair = {name: session(rng, ambient_error=0.1, film_error=0.004) for name in "ab"}
            kind = kind_of(pair["a"]).mark
            past = drawn_takes(rng, {"old": takes}, kind=kind, shift=0.1, film=0.004)
            made = compare(pair, "a", settings=settings, past=past)
            low, high = (made[f"steady_rise_difference_{end}"] for end in ("low", "high"))
            alarms.append(bool(made["region_significant"].any()))
            held.append(float(((low <= 0) & (high >= 0)).mean()))
            spans.append(float((high - low).median()) / 2)
        error = math.sqrt(np.mean(alarms) * (1 - np.mean(alarms)) / draws)
        print(  # noqa: T201
            f"{takes:>2} takes: alarms {np.mean(alarms):.3f} ± {error:.3f}  coverage {np.mean(held):.3f}  "
            f"half-width {np.mean(spans):.2f} K"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=400)
    chosen = parser.parse_args()
    units(chosen.draws)
    pairs(chosen.draws)
