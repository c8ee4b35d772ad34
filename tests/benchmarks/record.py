"""How often the record errs: false alarms, coverage and hits over many draws. ``PYTHONPATH=tests python ...``.

With ``--folder`` on takes of the simulated charger too, recorded and analysed as ``differences.py`` does it (kept
there, ``--takes`` of the item as it is and as many with one part 0.5 K warmer, seeds from ``--first`` on).
"""

import argparse
import math
from dataclasses import replace
from pathlib import Path

import differences
import numpy as np

from heatwake.kernels.repeats import pooled_repeatability
from heatwake.run.record import take_of
from heatwake.stages.comparison import ComparisonSettings, compare
from heatwake.stages.known_good import judge_unit
from heatwake.stages.set_ups import kind_of
from heatwake.stages.takes import Take, levelled
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


def recorded(folder: Path, *, takes: int, first: int, draws: int, level: str) -> None:
    """Print repeatability, and how often good units are accused and a part 0.5 K warmer is found, on recordings."""
    found = differences.analysed(folder, takes=takes, first=first, kind=level)
    plain, other = ([take_of(folder / name, folder / "results" / name) for name in some] for some in found)
    names = [name for name in plain[0].rises() if all(name in one.rises() for one in plain)]
    for words, some in (("as read", plain), ("less the camera's level", levelled(plain))):
        told = pooled_repeatability([np.array([[one.rises()[name] for name in names] for one in some])])
        print(f"repeatability {words}: {told.spread(40.0):.3f} K at 40 K")  # noqa: T201
    for words, counts, _ in LABORATORIES:
        rng = np.random.default_rng(3)
        good = [name for name in counts if name != "new"]
        accused, hits = [], []
        for _ in range(draws):
            order = rng.permutation(len(plain))
            enough = sum(counts[name] for name in good)
            known = _of_units([plain[row] for row in order[:enough]], {name: counts[name] for name in good})
            rest = {"new": counts["new"]}
            healthy = _of_units([plain[row] for row in order[enough : enough + counts["new"]]], rest)
            warmer = _of_units([other[row] for row in rng.permutation(len(other))[: counts["new"]]], rest)
            outside = [
                judge_unit([*known, *one], "new", good, settings=KnownGoodSettings())[0].outside
                for one in (healthy, warmer)
            ]
            accused.append(bool(outside[0]))
            hits.append(differences.PART in outside[1])
        print(f"recorded    {words:<40} accused {np.mean(accused):.3f}  found {np.mean(hits):.3f}")  # noqa: T201


def _of_units(takes: list[Take], counts: dict[str, int]) -> list[Take]:
    units = [name for name, count in counts.items() for _ in range(count)]
    return [replace(one, unit=unit, is_repeat=True) for one, unit in zip(takes, units, strict=True)]


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
    parser.add_argument("--folder", type=Path, help="of recorded takes: those there are not made again")
    parser.add_argument("--takes", type=int, default=24)
    parser.add_argument("--first", type=int, default=0, help="seed of the first take: below 1000")
    parser.add_argument("--level", choices=("offset", "warmth"), default="offset", help="wrong in degrees or radiance")
    chosen = parser.parse_args()
    if chosen.folder is not None:
        recorded(chosen.folder, takes=chosen.takes, first=chosen.first, draws=chosen.draws, level=chosen.level)
    units(chosen.draws)
    pairs(chosen.draws)
