"""A plan's runs recorded on a simulated item and put through the whole pipeline; truth and estimate side by side."""

import json
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import xarray as xr

from heatwake.planning.rehearsed import Rehearsal, RehearsedDifference, RehearsedDirection, RehearsedPart
from heatwake.planning.runs import PlannedRun
from heatwake.planning.sheet import PlannedTest
from heatwake.rehearsal.item import item_of
from heatwake.rehearsal.recorded import Recorded, camera_of, record_run, write_workflow
from heatwake.report.flow_reading import board_direction, pair_direction
from heatwake.run import Finished, Outcome, run_workflow
from heatwake.run.comparison import STUDY, has_experiment
from heatwake.run.planned_sessions import RESULTS
from heatwake.schema.plan import Level, Plan
from heatwake.schema.variables import MATCH_STATE
from heatwake.store import results

MOST_RUNS: Final = 4
FOLDER: Final = "rehearsal"


def rehearse(folder: Path, plan: Plan, test: PlannedTest, *, tell: Callable[[str], None] = lambda _: None) -> Rehearsal:
    """Record the plan's set-ups on its simulated item, run them through the pipeline, and set truth beside estimate.

    Parameters
    ----------
    folder : Path
        Of the plan; what is rehearsed goes into ``rehearsal`` there, and replaces what an earlier one left.
    plan : Plan
    test : PlannedTest
    tell : callable
        Is told what is being done.

    Raises
    ------
    InputError
        The plan says too little for it.
    """
    began = time.perf_counter()
    scene, remarks = item_of(plan, test)
    runs = rehearsed_runs(plan, test.runs.runs)
    home = folder / FOLDER
    results.make_folder(home)
    recorded = []
    for number, run in enumerate(runs, start=1):
        tell(f"recording {run.name}, {number} of {len(runs)}")
        recorded.append(record_run(home, plan, test, scene=scene, run=run))
    workflow = write_workflow(home, plan, test, runs)
    finished = _run(workflow, tell)
    reference = next(run.name for run in runs if _is_first(plan, run))
    camera = camera_of(plan, test)
    unknown = [one.name for one in plan.factors if one.opening is None and one.acts_on is None]
    notes = list(remarks)
    if unknown:
        notes.append(f"What {', '.join(unknown)} does is not known: its levels were rehearsed alike.")
    if plan.runs.repeatability_K is not None or (test.runs.earlier is not None and test.runs.earlier.is_told):
        notes.append("The spread of runs was found from these runs alone: what is known of earlier ones tells more.")
    if len(runs) < len(test.runs.runs):
        notes.append(f"Of {len(test.runs.runs)} runs {len(runs)} were rehearsed, each set-up once before any twice.")
    remaining, part = max((left, name) for one in recorded for name, left in one.remaining.items())
    return Rehearsal(
        runs=tuple(run.name for run in runs),
        reference=reference,
        columns=camera.columns,
        rows=camera.rows,
        frames=recorded[0].frames,
        seconds=time.perf_counter() - began,
        parts=tuple(_parts(finished, recorded)),
        differences=tuple(_effects(plan, home, recorded) or _differences(finished, recorded, reference)),
        directions=tuple(_directions(finished, recorded, reference)),
        remaining=remaining,
        remaining_part=part,
        remarks=tuple(notes),
        failed=tuple(f"{one.name}: {one.reason}" for one in finished.outcomes if one.state == "failed"),
        pictures={one.run.name: one.picture for one in recorded},
    )


def rehearsed_runs(plan: Plan, runs: Sequence[PlannedRun]) -> tuple[PlannedRun, ...]:
    """Return the runs to rehearse, in order: each set-up once, then again; those nearest the first one first."""
    first = {factor.name: factor.levels[0] for factor in plan.factors}

    def rank(run: PlannedRun) -> tuple[int, int, int]:
        again = sum(one.levels == run.levels for one in runs[: run.number - 1])
        return again, sum(first[name] != level for name, level in run.levels.items()), run.number

    return tuple(sorted(sorted(runs, key=rank)[:MOST_RUNS], key=lambda run: run.number))


def _is_first(plan: Plan, run: PlannedRun) -> bool:
    return all(run.levels[factor.name] == factor.levels[0] for factor in plan.factors)


def _run(workflow: Path, tell: Callable[[str], None]) -> Finished:
    finished = None
    for event in run_workflow(workflow, pages=False):
        if isinstance(event, Finished):
            finished = event
        elif isinstance(event, Outcome):
            tell(f"{event.name}: {event.state}")
    if finished is None:
        raise RuntimeError("the run ended without an end")
    return finished


def _parts(finished: Finished, recorded: Sequence[Recorded]) -> list[RehearsedPart]:
    rows = []
    for one in recorded:
        found = finished.sessions.get(one.run.name)
        if found is None:
            continue
        names = [str(name) for name in found["region"].to_numpy()]
        for part, true in one.rises.items():
            at = names.index(part) if part in names else None
            rows.append(RehearsedPart(one.run.name, part, true, *_pair(found, "steady_rise", at)))
    return rows


def _pair(found: xr.Dataset, variable: str, at: int | None) -> tuple[float, float]:
    """Return a value and its standard uncertainty; NaN where there is none."""
    if at is None:
        return math.nan, math.nan
    return float(found[variable][at]), float(found[f"{variable}_uncertainty"][at])


def _effects(plan: Plan, home: Path, recorded: Sequence[Recorded]) -> list[RehearsedDifference]:
    """Return what each factor does by all runs together; none where not every combination was rehearsed."""
    set_ups: dict[str, Recorded] = {}
    for one in recorded:
        set_ups.setdefault(json.dumps(one.run.levels, sort_keys=True), one)
    root = home / RESULTS
    if len(set_ups) < math.prod(len(one.levels) for one in plan.factors) or not has_experiment(root):
        return []
    found, rows = results.open_result(root / STUDY), []
    names = [str(region) for region in found["region"].to_numpy()]
    for at, effect in enumerate(map(str, found["effect"].to_numpy())):
        compared = _compared(plan, effect)
        if compared is None:
            continue
        sides = [[one for one in set_ups.values() if one.run.levels[compared[0]] == level] for level in compared[1:]]
        for part in recorded[0].rises:
            own = found.isel(effect=at, region=names.index(part)) if part in names else None
            early = own is not None and int(found["effect_match"][names.index(part)]) == SAME_ELAPSED
            means = [float(np.mean([_true_rise(one, part, early=early) for one in side])) for side in sides]
            rows.append(EFFECT.row(own, effect, run=sides[0][0].run.name, part=part, true=means[0] - means[1]))
    return rows


def _compared(plan: Plan, effect: str) -> tuple[str, Level, Level] | None:
    """Return the factor, the level and the first level that an effect of an experiment is of; None for another."""
    for factor in plan.factors:
        for level in factor.levels[1:]:
            if effect == f"{factor.name}: {level} − {factor.levels[0]}":
                return factor.name, level, factor.levels[0]
    return None


@dataclass(frozen=True)
class _Kind:
    """What a difference is called in its dataset."""

    value: str
    told: str

    def row(self, found: xr.Dataset | None, of: str, *, run: str, part: str, true: float) -> RehearsedDifference:
        """Return a difference as found; NaN where the part is not there."""
        nan = math.nan
        if found is None:
            return RehearsedDifference(of, run, part, true, nan, nan, nan, told=False)
        value, low, high = (float(found[f"{self.value}{end}"]) for end in ("", "_low", "_high"))
        return RehearsedDifference(of, run, part, true, value, low, high, told=bool(found[self.told] == 1))


EFFECT: Final = _Kind("effect_rise", "effect_significant")
PAIR: Final = _Kind("steady_rise_difference", "region_significant")
EARLY_PAIR: Final = _Kind("matched_rise_difference", "region_significant")
SAME_ELAPSED: Final = MATCH_STATE.index("same elapsed time")


def _true_rise(one: Recorded, part: str, *, early: bool) -> float:
    """Return a part's true rise: final, or, where runs were judged before they settled, at their end [K]."""
    return one.rises[part] - (one.remaining[part] if early else 0.0)


def _differences(finished: Finished, recorded: Sequence[Recorded], reference: str) -> list[RehearsedDifference]:
    """Return what each run of another set-up does less the reference."""
    comparison, truth = finished.comparison, {one.run.name: one for one in recorded}
    if comparison is None or "steady_rise_difference" not in comparison:
        return []
    base, rows = truth[reference], []
    names = [str(region) for region in comparison["region"].to_numpy()]
    for name in map(str, comparison["session"].to_numpy()):
        if name not in truth or truth[name].run.levels == base.run.levels:
            continue
        chosen = comparison.sel(session=name)
        for part in truth[name].rises:
            own = chosen.isel(region=names.index(part)) if part in names else None
            early = own is not None and int(own["match_state"]) == SAME_ELAPSED
            true = _true_rise(truth[name], part, early=early) - _true_rise(base, part, early=early)
            kind = EARLY_PAIR if early else PAIR
            rows.append(kind.row(own, f"{name} − {reference}", run=name, part=part, true=true))
    return rows


def _directions(finished: Finished, recorded: Sequence[Recorded], reference: str) -> list[RehearsedDirection]:
    others = [one.run.name for one in recorded if one.run.name != reference]
    rows = []
    for one in recorded:
        name = one.run.name
        alone = board_direction(finished.flows.get(name))
        # the reference's direction together is told with each other session: the first that tells it counts
        pairs: list[Any] = (
            [pair_direction(finished.comparison, name)]
            if name != reference
            else [pair_direction(finished.comparison, other, prefix="reference") for other in others]
        )
        together = next((told for told in pairs if told.is_told), pairs[0] if pairs else alone)
        best = together if together.is_told else alone
        rows.append(
            RehearsedDirection(
                *(name, one.direction, alone.words, together.words, best.degrees, best.uncertainty, best.is_told)
            )
        )
    return rows
