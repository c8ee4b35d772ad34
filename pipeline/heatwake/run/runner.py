"""The runner: sessions to this process or to a cluster, then the comparison; events to whoever watches."""

from collections.abc import Generator, Mapping
from contextlib import closing
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from heatwake.errors import HeatwakeError, InputError
from heatwake.run.comparison import Stored, comparison_steps, stored_comparison
from heatwake.run.events import Event, Finished, Outcome, Progress
from heatwake.run.guard import guarded
from heatwake.run.journal import FILE, Journal
from heatwake.run.placing import Anchor
from heatwake.run.record import NAME, entering, record_file
from heatwake.run.sessions import criterion_in, session_steps, stored_flow, stored_session, stored_spread
from heatwake.run.workflows import read_workflow, session_folders
from heatwake.schema.settings import Settings
from heatwake.schema.workflow import Workflow
from heatwake.store import results
from heatwake.workers import available_cores, quiet_libraries

if TYPE_CHECKING:
    from distributed.security import Security

    from heatwake.run.on_worker import Order


def run_workflow(
    path: Path,
    *,
    scheduler: str | None = None,
    workers: int | None = None,
    pages: bool = True,
    security: "Security | None" = None,
) -> Generator[Event, None, None]:
    """Run a workflow; yield progress, an outcome for each session as it ends, and the end.

    Parameters
    ----------
    path : Path
        Workflow file.
    scheduler : str, optional
        Address of a dask scheduler that runs; its workers see the same files.
    workers : int, optional
        Worker processes on this machine; 0 for none, all in this process. By default as many as suit cores, memory and
        sessions to be done; a single session is done in this process.
    pages : bool
        Also write reports and movies; else data sets and tables alone.
    security : distributed.security.Security, optional
        TLS options for the scheduler.

    Raises
    ------
    InputError
        The workflow file is wrong. What is wrong with a session becomes its outcome.
    BusyError
        Another run is in the results folder.
    ClusterError
        The scheduler, or every worker, is lost.
    """
    if scheduler is not None and workers is not None:
        raise InputError("--workers", str(workers), "must be left out with --scheduler, which has its own")
    workflow, settings = read_workflow(path)
    folders = session_folders(workflow, path)
    root = path.parent / workflow.results
    run = _Run(path, workflow, folders, root, settings, pages, record_file(workflow, path))
    with quiet_libraries(), results.held(root):
        results.sweep(root)
        try:
            yield from _run_held(run, scheduler=scheduler, workers=workers, security=security)
        finally:
            results.sweep(root)


@dataclass
class _Run:
    """What a run knows."""

    path: Path
    workflow: Workflow
    folders: Mapping[str, Path]
    root: Path
    settings: Mapping[str, Settings]
    pages: bool
    record: Path | None = None
    outcomes: dict[str, Outcome] = field(default_factory=dict)

    def target(self, name: str) -> Path:
        return self.root / name

    def order(self, name: str) -> "Order":
        from heatwake.run.on_worker import Order

        folder, target = self.folders[name].absolute(), self.target(name).absolute()
        return Order(name, folder, target, self.settings, self.pages, topic="", anchor=self.anchor)

    def done(self) -> list[str]:
        """Return the names of sessions whose results stand, in the workflow's order."""
        return [name for name in self.folders if name in self.outcomes and self.outcomes[name].state != "failed"]

    def sessions(self) -> Stored:
        return Stored({name: partial(stored_session, self.folders[name], self.target(name)) for name in self.done()})

    def flows(self) -> Stored:
        return Stored({name: partial(stored_flow, self.target(name)) for name in self.done()})

    def spreads(self) -> Stored:
        return Stored({name: partial(stored_spread, self.target(name)) for name in self.done()})

    @property
    def anchor(self) -> Anchor | None:
        """The session by whose picture others are placed, where the workflow names one."""
        name = self.workflow.reference
        return None if name is None else Anchor(self.folders[name].absolute(), self.target(name).absolute())

    def steps(self, name: str) -> Generator[Progress, None, Outcome]:
        """Yield a session's progress and return its outcome."""
        folder, target = self.folders[name], self.target(name)
        return session_steps(folder, target, self.settings, pages=self.pages, anchor=self.anchor)

    @property
    def reference(self) -> str:
        return self.workflow.reference or next(iter(self.folders))


def _run_held(
    run: _Run, *, scheduler: str | None, workers: int | None, security: "Security | None"
) -> Generator[Event, None, None]:
    about = {"workflow": str(run.path), "title": run.workflow.title, "pages": run.pages}
    journal = Journal(run.root, about=about, names=list(run.folders))
    journal.state = "interrupted"  # unless it gets to its end
    try:
        with closing(_sessions(run, journal, scheduler=scheduler, workers=workers, security=security)) as events:
            for event in events:
                if isinstance(event, Outcome):
                    run.outcomes[event.name] = event
                    journal.add(event)
                    yield from _enter(run, event)
                yield event
        if NAME in run.outcomes:
            journal.add(run.outcomes[NAME])
            yield run.outcomes[NAME]
        compared = None
        if len(run.folders) > 1:
            outcome = yield from _compare(run)
            journal.add(outcome)
            yield outcome
            run.outcomes["comparison"] = outcome
            if outcome.state != "failed":
                compared = stored_comparison(run.root, run.reference)
        journal.state = "complete"
    finally:
        refusal = _write(journal)
    if refusal is not None:
        run.outcomes[FILE] = refusal
        yield refusal
    order = [*run.folders, NAME, "comparison", FILE]
    outcomes = tuple(run.outcomes[name] for name in order if name in run.outcomes)
    yield Finished(outcomes, run.root, run.sessions(), run.flows(), compared)


def _enter(run: _Run, outcome: Outcome) -> Generator[Progress, None, None]:
    """Enter a session that is done in the record; when that fails it is not tried again in this run."""
    if run.record is None or outcome.state == "failed" or NAME in run.outcomes:
        return
    steps = entering(run.record, run.folders[outcome.name], run.target(outcome.name))
    entered = yield from guarded(NAME, steps, products={})
    if entered.state == "failed":
        reason = f"{outcome.name} and what came after it are not in the record: {entered.reason}"
        run.outcomes[NAME] = replace(entered, reason=reason)


def _write(journal: Journal) -> Outcome | None:
    try:
        journal.write()
    except (HeatwakeError, OSError) as error:
        return Outcome(FILE, "failed", str(error))
    return None


def _compare(run: _Run) -> Generator[Progress, None, Outcome]:
    seconds: dict[str, float] = {}
    steps = comparison_steps(
        run.workflow,
        run.root,
        sessions=run.sessions(),
        flows=run.flows(),
        spreads=run.spreads(),
        settings=run.settings["comparison"],
        names=list(run.folders),
        pages=run.pages,
        record_file=run.record,
        criterion=criterion_in(run.settings),
    )
    return (yield from guarded("comparison", steps, products=seconds))


def _sessions(
    run: _Run, journal: Journal, *, scheduler: str | None, workers: int | None, security: "Security | None"
) -> Generator[Progress | Outcome, None, None]:
    """Do all sessions, by whoever suits; yield outcomes as they come."""
    if scheduler is not None:
        from heatwake.run.cluster import joined_pool

        with joined_pool(scheduler, security=security) as pool:
            journal.workers = pool.about() | {"scheduler": scheduler}
            yield from pool.outcomes(map(run.order, run.folders))
        return
    names = list(run.folders)
    if workers is None:
        names = yield from _left_to_do(run)
        workers = _suitable(len(names))
    if workers == 0 or not names:
        for name in names:
            yield (yield from run.steps(name))
        return
    from heatwake.run.cluster import local_pool

    with local_pool(workers, scratch=(run.root / results.SCRATCH).absolute()) as pool:
        journal.workers = pool.about()
        yield from pool.outcomes(map(run.order, names))


def _left_to_do(run: _Run) -> Generator[Outcome, None, list[str]]:
    """Yield outcomes of sessions that are up to date or cannot be read; return the names of those to be worked on."""
    left = []
    for name in run.folders:
        with closing(run.steps(name)) as steps:
            try:
                next(steps)  # the first step is told before it is taken
            except StopIteration as end:
                yield end.value
            else:
                left.append(name)
    return left


def _suitable(sessions: int) -> int:
    """Return the number of worker processes; 0 where one process with threads does as well."""
    if sessions < 2 or available_cores() < 2:
        return 0
    from heatwake.run.cluster import fitting_workers

    return fitting_workers(sessions)
