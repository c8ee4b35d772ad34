"""From a plan file to a folder: the set-up sheet, the same for programs, and sessions ready to record into."""

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from heatwake import __version__
from heatwake.errors import InputError
from heatwake.planning.rehearsed import Rehearsal
from heatwake.planning.runs import planned_runs
from heatwake.planning.sheet import PlannedTest, plan_test
from heatwake.report.as_json import plain
from heatwake.report.plan_page import plan_page
from heatwake.report.rehearsal_page import rehearsal_section
from heatwake.run.planned_sessions import PARTS_FILE, RESULTS, parts_text, session_text, workflow_text
from heatwake.run.record import recordings
from heatwake.schema.plan import Plan
from heatwake.stages.takes import Take
from heatwake.store import record, results
from heatwake.store.plan import read_plan, write_new


@dataclass(frozen=True)
class MadePlan:
    """What was made of a plan.

    Attributes
    ----------
    folder : Path
    plan : Plan
    test : PlannedTest
    kept : tuple of str
        Files that were there already and stay as they are: they may have been filled in.
    content : dict
        What stands in ``plan.json``.
    rehearsed : tuple of str
        What a rehearsal told.
    """

    folder: Path
    plan: Plan
    test: PlannedTest
    kept: tuple[str, ...]
    content: dict[str, Any]
    rehearsed: tuple[str, ...] = ()


def make_plan(path: Path, *, output: Path | None = None) -> MadePlan:
    """Write ``plan.html``, ``plan.json``, a session folder a run, the parts file and ``workflow.toml``.

    Parameters
    ----------
    path : Path
        The plan.
    output : Path, optional
        Folder; by default one of the plan file's name, here.

    Raises
    ------
    InputError
        Something in the plan, or the placement file or record that it names, is wrong.
    """
    plan, table = read_plan(path)
    folder = output or Path(path.stem)
    test = plan_test(plan, table, past=_past(plan, path, folder))
    results.make_folder(folder)
    texts = {f"{run.name}/session.toml": session_text(plan, test, run) for run in test.runs.runs}
    workflow = workflow_text(plan, test.runs.runs, record=_record_table(test, path, folder))
    texts |= {PARTS_FILE: parts_text(test.parts), "workflow.toml": workflow}
    kept = tuple(name for name, text in texts.items() if not write_new(folder / name, text))
    content = content_of(plan, test)
    results.write_json(folder / "plan.json", content)
    results.write_text(folder / "plan.html", plan_page(plan, test))
    return MadePlan(folder, plan, test, kept, content)


def _past(plan: Plan, path: Path, folder: Path) -> list[Take] | None:
    """Return what the record that a plan names holds, but for the planned runs themselves; None where there is none."""
    if plan.runs.record is None or not (file := path.parent / plan.runs.record).exists():
        return None
    try:
        takes = record.takes(file)
    except InputError as error:
        raise InputError(f"{path}: runs.record: {error.where}", error.found, error.wanted) from error
    own = recordings(folder / RESULTS, [run.name for run in planned_runs(plan)[0]])
    return [take for take in takes if take.recording not in own]


def _record_table(test: PlannedTest, path: Path, folder: Path) -> dict[str, str] | None:
    """Return the workflow's table of the record, so that its runs are entered."""
    earlier = test.runs.earlier
    if earlier is None:
        return None
    file = os.path.relpath((path.parent / earlier.file).resolve(), folder.resolve())
    return {"file": Path(file).as_posix(), "pool": earlier.pool}


def add_rehearsal(made: MadePlan, found: Rehearsal) -> MadePlan:
    """Return a plan with its rehearsal, written onto the sheet and into ``plan.json``."""
    section = rehearsal_section(found)
    content = {**made.content, "rehearsal": plain(found.as_content())}
    results.write_json(made.folder / "plan.json", content)
    results.write_text(made.folder / "plan.html", plan_page(made.plan, made.test, rehearsal=section))
    return replace(made, content=content, rehearsed=section.sentences)


def content_of(plan: Plan, test: PlannedTest) -> dict[str, Any]:
    """Return what programs get: the plan as read and what it comes to, plain values, null where there is none."""
    made: dict[str, Any] = plain(test)
    return {"heatwake": __version__, "plan": plan.model_dump(mode="json"), **made}
