"""Sessions as they arrive in a folder, one at a time.

What is done is known by the results alone: a watch that starts anew looks at every complete folder again, and what
stands is up to date. Nothing is remembered elsewhere, so nothing can disagree.
"""

import time
from collections.abc import Generator, Mapping
from contextlib import closing, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from heatwake.errors import BusyError, HeatwakeError, InputError
from heatwake.run.events import Outcome, Progress
from heatwake.run.guard import describe, guarded
from heatwake.run.journal import Journal
from heatwake.run.placing import Anchor
from heatwake.run.record import entering, record_file
from heatwake.run.sessions import session_steps
from heatwake.run.workflows import read_workflow, session_name
from heatwake.schema.settings import Settings
from heatwake.schema.workflow import Workflow
from heatwake.store import results
from heatwake.store.arrivals import Look, arrived, look
from heatwake.store.session import find_sessions
from heatwake.workers import quiet_libraries

PAUSE: Final = 10.0  # [s] longest between two looks
LEAST: Final = 0.2  # [s] shortest
LONGEST: Final = 86400.0  # [s] that a folder may have to be unchanged


class Clock:
    """Time as the watch sees it; not the clock on the wall, which may be set."""

    def now(self) -> float:
        """Return seconds from some moment on."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
        time.sleep(seconds)


@dataclass(frozen=True)
class Waiting:
    """Nothing is to be done now.

    Attributes
    ----------
    done, failed, incomplete : int
        Session folders by what became of them; folders without a session file count as incomplete.
    reason : str
        What is waited for, where it is another run.
    """

    done: int = 0
    failed: int = 0
    incomplete: int = 0
    reason: str = ""


Event = Progress | Outcome | Waiting


@dataclass(frozen=True)
class _Seen:
    """A folder as looked at last: since when it is so, and what became of it in this state."""

    look: Look
    since: float
    outcome: Outcome | None = None


@dataclass
class _Watch:
    folder: Path
    root: Path
    settings: Mapping[str, Settings]
    known: dict[str, Path]
    settle: float
    pages: bool
    clock: Clock
    journal: Journal
    reference: str | None = None
    record: Path | None = None
    seen: dict[Path, _Seen] = field(default_factory=dict)

    def see(self, folder: Path) -> _Seen:
        """Look at a folder again; what was known of it holds as long as nothing changed."""
        now = look(folder)
        before = self.seen.get(folder)
        if before is None or before.look != now:
            before = _Seen(now, self.clock.now())
        self.seen[folder] = before
        return before

    def is_ready(self, seen: _Seen) -> bool:
        """Tell whether a folder is complete and not tried yet as it is."""
        if seen.outcome is not None or not seen.look.has_session:
            return False
        return seen.look.is_marked or self.clock.now() - seen.since >= self.settle

    @property
    def anchor(self) -> Anchor | None:
        """The session by whose picture others are placed, of the workflow or of the watched folder."""
        name = self.reference
        if name is None:
            return None
        return Anchor(self.known.get(name, self.folder / name), self.root / name)

    def waiting(self) -> Waiting:
        outcomes = [seen.outcome for seen in self.seen.values()]
        failed = sum(outcome is not None and outcome.state == "failed" for outcome in outcomes)
        incomplete = outcomes.count(None)
        return Waiting(len(outcomes) - failed - incomplete, failed, incomplete)


def watch_folder(
    folder: Path,
    path: Path,
    *,
    settle: float = 30.0,
    once: bool = False,
    pages: bool = True,
    clock: Clock | None = None,
) -> Generator[Event, None, None]:
    """Do sessions as they are complete in a folder; yield progress, outcomes, and when there is nothing to do.

    Parameters
    ----------
    folder : Path
        Where session folders appear.
    path : Path
        Workflow file: settings, and where results go. Of its sessions only the names count: they are taken.
    settle : float
        A folder without a file ``done`` is complete when its files have not changed for so long [s].
    once : bool
        End when everything that is complete, or becomes so within ``settle``, is done.
    pages : bool
        Also write reports and movies.
    clock : Clock, optional

    Raises
    ------
    InputError
        The workflow file, or the folder at the start, is wrong.
    """
    if not 0 <= settle <= LONGEST:
        raise InputError("settle", f"{settle:g} s", f"must be 0 to {LONGEST:g} s")
    workflow, settings = read_workflow(path)
    arrived(folder)
    root = path.parent / workflow.results
    results.make_folder(root)
    about = {"workflow": str(path), "title": workflow.title, "watched": str(folder), "pages": pages}
    journal = Journal(root, about=about)
    journal.state = "watching"
    watch = _Watch(folder, root, settings, _known(workflow, path), settle, pages, clock or Clock(), journal)
    watch.reference, watch.record = workflow.reference, record_file(workflow, path)
    with quiet_libraries():
        yield from _once(watch) if once else _for_ever(watch)


def _known(workflow: Workflow, path: Path) -> dict[str, Path]:
    """Return the workflow's sessions by name: results of another session must not take their place."""
    folders = [folder for entry in workflow.sessions for folder in find_sessions(path.parent / entry)]
    return {folder.resolve().name: folder.resolve() for folder in folders}


def _once(watch: _Watch) -> Generator[Event, None, None]:
    yield from _pass(watch)
    open_ones = [seen for seen in watch.seen.values() if seen.outcome is None and seen.look.has_session]
    if open_ones:
        latest = max(seen.since for seen in open_ones) + watch.settle
        watch.clock.sleep(max(0.0, latest - watch.clock.now()))
        yield from _pass(watch)
    yield watch.waiting()


def _for_ever(watch: _Watch) -> Generator[Event, None, None]:
    told: Waiting | None = None
    while True:
        began = watch.clock.now()
        try:
            yield from _pass(watch)
            waiting = watch.waiting()
        except (HeatwakeError, OSError) as error:  # storage that went away comes back
            waiting = replace(watch.waiting(), reason=describe(error))
        if waiting != told:
            yield waiting
            told = waiting
        # Looking takes half of the time at most, however many folders there are.
        took = watch.clock.now() - began
        watch.clock.sleep(max(LEAST, took, min(watch.settle / 3, PAUSE)))


def _pass(watch: _Watch) -> Generator[Event, None, None]:
    """Look at every folder once, and do what is complete."""
    folders = arrived(watch.folder)
    for gone in watch.seen.keys() - set(folders):
        del watch.seen[gone]
    for folder in folders:
        seen = watch.see(folder)
        if watch.is_ready(seen):
            outcome = yield from _do(watch, folder)
            watch.seen[folder] = replace(seen, outcome=outcome)
            yield outcome


def _do(watch: _Watch, folder: Path) -> Generator[Progress | Waiting, None, Outcome]:
    """Do one session when no other run is in the results folder."""
    try:
        name = session_name(folder)
        taken = watch.known.setdefault(name, folder.resolve())
        if taken != folder.resolve():
            raise InputError(str(folder), f"a second session named {name}", f"must differ from {taken}")
    except HeatwakeError as error:
        return Outcome(folder.name, "failed", str(error), is_input_error=True)
    told = False
    while True:
        try:
            with results.held(watch.root):
                return (yield from _do_held(watch, folder, name))
        except BusyError as error:
            if not told:
                yield replace(watch.waiting(), reason=str(error))
            told = True
            watch.clock.sleep(min(max(watch.settle / 3, LEAST), PAUSE))


def _do_held(watch: _Watch, folder: Path, name: str) -> Generator[Progress, None, Outcome]:
    results.sweep(watch.root)
    target = watch.root / name
    with closing(session_steps(folder, target, watch.settings, pages=watch.pages, anchor=watch.anchor)) as steps:
        outcome = yield from steps
    if watch.record is not None and outcome.state != "failed":
        entered = yield from guarded(name, entering(watch.record, folder, target), products={})
        if entered.state == "failed":
            said = f"not entered in the record: {entered.reason}"
            outcome = replace(outcome, warnings=(*outcome.warnings, said))
    watch.journal.add(outcome)
    if outcome.state != "up to date":
        with suppress(HeatwakeError, OSError):  # as when a session is added: the outcome itself tells of the disk
            watch.journal.write()
    return outcome
