"""How right rehearsals are: ``python tests/benchmarks/rehearsals.py`` (some two minutes a seed on two cores).

The example plan with other seeds: another truth of film and surfaces, another order of noise. Prints, a row a seed, how
far rises lie off, in kelvin and in standard uncertainties, which differences are told, and how far directions are off.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from heatwake.planning.sheet import plan_test
from heatwake.rehearsal import rehearse
from heatwake.store.plan import read_plan

PLAN = Path(__file__).parents[2] / "workflows" / "plan_charger.toml"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plan", type=Path, default=PLAN)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    given = parser.parse_args()
    plan, table = read_plan(given.plan)
    sys.stdout.write("seed   s   off K  in 2 u    z rms   told  wrong sign  missed K   directions  off deg\n")
    for seed in given.seeds:
        began = time.perf_counter()
        own = plan.model_copy(update={"runs": plan.runs.model_copy(update={"seed": seed})})
        with tempfile.TemporaryDirectory() as folder:
            found = rehearse(Path(folder), own, plan_test(own, table))
        inside, known = found.covered
        rms = np.sqrt(np.nanmean([one.off**2 for one in found.parts]))
        wrong = sum(one.estimate * one.true < 0 for one in found.told)
        missed = max((abs(one.true) for one in found.differences if not one.told), default=0.0)
        told = [one.off for one in found.directions if one.told]
        seconds, differences = time.perf_counter() - began, len(found.differences)
        sys.stdout.write(
            f"{seed:4d} {seconds:4.0f} {found.typical_error:6.2f} {inside:4d}/{known:<3d} {rms:7.2f} "
            f"{len(found.told):4d}/{differences:<3d} {wrong:6d} {missed:11.2f} "
            f"{len(told):8d}/{len(found.directions)} {max(told, default=np.nan):9.0f}\n"
        )
        sys.stdout.flush()


if __name__ == "__main__":
    main()
