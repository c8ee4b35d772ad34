"""What a run would do and why, by what results say that they were made from; nothing is run or written."""

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from heatwake.errors import HeatwakeError
from heatwake.run import comparison
from heatwake.run.changes import changes, comparison_changes, page_changes
from heatwake.run.fingerprints import (
    comparison_determinants,
    determinants,
    fingerprint,
    pages_determinants,
    plain_json,
)
from heatwake.run.placing import Anchor, placing_of
from heatwake.run.record import past_determinants, past_takes, record_file
from heatwake.run.sessions import MADE, PAGES, criterion_in, figures_noted, stated_in, stored_session, tables_of
from heatwake.run.workflows import read_workflow, session_folders
from heatwake.schema.settings import Settings
from heatwake.schema.workflow import Workflow
from heatwake.stages.table import PRODUCTS
from heatwake.store import results
from heatwake.store.session import OpenSession, open_session

LAST = PRODUCTS[-1].file
Changes = Callable[[Mapping[str, Any], Mapping[str, Any]], list[str]]


@dataclass(frozen=True)
class Explained:
    """What a run would do of a session, or of the comparison.

    Attributes
    ----------
    name : str
        Of the session; ``comparison`` for the comparison.
    reasons : mapping of str to tuple of str
        For each file why it would be made; none where it is up to date.
    problem : str
        Why nothing of it could be made, in one line; empty where it could.
    """

    name: str
    reasons: Mapping[str, tuple[str, ...]]
    problem: str = ""

    @property
    def to_make(self) -> tuple[str, ...]:
        """Files that would be made."""
        return tuple(file for file, reasons in self.reasons.items() if reasons)


def explain_workflow(path: Path, *, pages: bool = True) -> Iterator[Explained]:
    """Yield for each session, and for the comparison, what ``run_workflow`` would make and why.

    Inputs are read whole, for their content is what counts; that of a session without any results is not.

    Raises
    ------
    InputError
        The workflow file is wrong. What is wrong with a session becomes its problem.
    """
    workflow, settings = read_workflow(path)
    folders = session_folders(workflow, path)
    root = path.parent / workflow.results
    compared = len(folders) > 1
    needs_marks = compared and any((root / file).is_file() for file in comparison.FILES)
    marks: dict[str, str | None] = {}
    stated: dict[str, dict[str, Any]] = {}
    named = workflow.reference
    anchor = None if named is None else Anchor(folders[named], root / named)
    for name, folder in folders.items():
        try:
            session = open_session(folder)
            explained, mark = _session(
                session, root / name, settings, pages=pages, needs_marks=needs_marks, anchor=anchor
            )
            marks[name], stated[name] = mark, stated_in(session, settings)["report"]
        except (HeatwakeError, OSError) as error:
            explained = Explained(name, {}, problem=" ".join(str(error).split()))
        yield explained
    if compared:
        reference = workflow.reference or next(iter(folders))
        stands = needs_marks and None not in marks.values()
        told = _of_record(workflow, path, root=root, folders=folders) if stands else {}
        yield _comparison(
            workflow, root, reference, marks=marks, settings=settings, stated=stated, pages=pages, record=told
        )


def _session(
    session: OpenSession,
    target: Path,
    settings: Mapping[str, Settings],
    *,
    pages: bool,
    needs_marks: bool,
    anchor: Anchor | None,
) -> tuple[Explained, str | None]:
    """Return what would be made of a session, and the fingerprint of its last product where that was needed."""
    tables = tables_of(session)
    lost = tuple(name for name in figures_noted(target) if not (target / name).is_file())
    shown = (*tables, *PAGES, *lost) if pages else tables
    files = (*(product.file for product in PRODUCTS), *shown)
    if not needs_marks and not any((target / file).is_file() for file in files):
        return Explained(session.name, dict.fromkeys(files, ("missing",))), None
    placing = placing_of(session, anchor, settings)
    made_from = determinants(session, settings, placed_by=None if placing is None else placing.about)
    reasons = _products(target, made_from)
    mark = fingerprint(made_from[LAST])
    told_from = pages_determinants(mark, session.description.title, stated=stated_in(session, settings))
    return Explained(session.name, reasons | _shown(target, told_from, shown, shows=LAST)), mark


def _products(target: Path, made_from: Mapping[str, Mapping[str, Any]]) -> dict[str, tuple[str, ...]]:
    """Reasons of each product; a change is told where it first counts, and pointed at from there on."""
    told: dict[str, str] = {}
    reasons = {}
    for file, current in made_from.items():
        state, found = _why(target / file, current, changes)
        causes = list(dict.fromkeys(told[text] for text in found if text in told))
        depends = [f"depends on {' and '.join(causes)}"] if causes else []
        reasons[file] = (*state, *depends, *(text for text in found if text not in told))
        told = dict.fromkeys(found, file) | told
    return reasons


def _why(path: Path, current: Mapping[str, Any], differ: Changes) -> tuple[list[str], list[str]]:
    """Return why a result would be made: what is wrong with the file, or what changed; nothing where it is right."""
    if not path.is_file():
        return ["missing"], []
    origin = results.read_origin(path)
    if origin is None or "fingerprint" not in origin:
        return ["damaged"], []
    if origin["fingerprint"] == fingerprint(current):
        return [], []
    try:
        stored = json.loads(origin["made_from"])
    except (KeyError, ValueError):
        return [f"made by {origin.get('source', 'another version')}, which did not note from what"], []
    found = differ(stored, json.loads(plain_json(current))) if isinstance(stored, dict) else []
    return ([], found) if found else (["made from something else"], [])


def _shown(
    folder: Path, current: Mapping[str, Any], files: tuple[str, ...], *, shows: str
) -> dict[str, tuple[str, ...]]:
    """Reasons of tables and pages: they are made together."""
    noted = results.read_json(folder / MADE)
    reasons: dict[str, tuple[str, ...]] = {}
    for file in files:
        note = noted.get(file)
        if not (folder / file).is_file():
            reasons[file] = ("missing",)
        elif not isinstance(note, dict):
            reasons[file] = ("no note of what it was made from",)
        elif note == current:
            reasons[file] = ()
        else:
            reasons[file] = tuple(page_changes(note, current, shows=shows)) or ("made from something else",)
    first = next((file for file, found in reasons.items() if found), None)
    if first is None:
        return reasons
    return {file: found or (f"made together with {first}",) for file, found in reasons.items()}


def _comparison(
    workflow: Workflow,
    root: Path,
    reference: str,
    *,
    marks: Mapping[str, str | None],
    settings: Mapping[str, Settings],
    stated: Mapping[str, Mapping[str, Any]],
    pages: bool,
    record: Mapping[str, Any],
) -> Explained:
    try:
        comparison.require_reference(reference, marks)
    except HeatwakeError as error:
        return Explained("comparison", {}, problem=str(error))
    shown = comparison.shown_files(root, pages=pages)
    if None in marks.values():  # no file of it stands
        return Explained("comparison", dict.fromkeys((comparison.FILE, *shown), ("missing",)))
    made_from = comparison_determinants(marks, reference, settings=settings["comparison"], record=record)
    state, found = _why(root / comparison.FILE, made_from, comparison_changes)
    reasons = {comparison.FILE: (*state, *found)}
    if comparison.has_experiment(root):
        reasons[comparison.STUDY] = _study(root / comparison.STUDY, fingerprint(made_from))
    criterion = criterion_in(settings)
    told_from = comparison.shown_determinants(fingerprint(made_from), workflow, stated=stated, criterion=criterion)
    return Explained("comparison", reasons | _shown(root, told_from, shown, shows=comparison.FILE))


def _of_record(workflow: Workflow, path: Path, *, root: Path, folders: Mapping[str, Path]) -> dict[str, Any]:
    """Return what a comparison would take from the record, by the results that stand."""
    file = record_file(workflow, path)
    there = [name for name in folders if all((root / name / product.file).is_file() for product in PRODUCTS)]
    sessions = {name: stored_session(folders[name], root / name) for name in there} if file is not None else {}
    return past_determinants(past_takes(workflow.record, file, sessions=sessions, root=root))


def _study(file: Path, mark: str) -> tuple[str, ...]:
    if not file.is_file():
        return ("missing",)
    return () if results.read_fingerprint(file) == mark else (f"depends on {comparison.FILE}",)
