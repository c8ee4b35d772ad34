"""What runs in a worker's process: a session as one task, its blocks by its own threads or by the whole cluster."""

import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from threading import Lock
from typing import Any, Final, cast

import dask
from distributed import Reschedule, get_worker, worker_client

from heatwake import __version__
from heatwake.errors import AbandonedError
from heatwake.run.events import Outcome, Progress
from heatwake.run.placing import Anchor
from heatwake.run.sessions import run_session
from heatwake.schema.settings import Settings
from heatwake.workers import AHEAD, Threads, Workers, bounded, quiet_libraries, working_with

PAUSE: Final = 0.5  # [s]
BLOCKS_FIRST: Final = 10  # priority over sessions: what is begun is finished before more is begun
RETRIES: Final = 3  # of a block whose worker's connection broke

# The NetCDF library is not safe in several threads, and memory is reckoned for one session a process.
_one_session = Lock()


@dataclass(frozen=True)
class Order:
    """One session to be done, as it travels to a worker: names and settings only.

    Attributes
    ----------
    name : str
    folder, target : Path
        Of the session and of its results, absolute: workers share the file system, not the working folder.
    settings : mapping of str to Settings
    pages : bool
    topic : str
        Under which progress is told.
    spread : bool
        Whether blocks go to the whole cluster, or are done by the worker's own threads.
    anchor : Anchor, optional
        The reference session, by whose picture others are placed; paths absolute.
    version : str
        Of heatwake: results are to be the same wherever they are made.
    """

    name: str
    folder: Path
    target: Path
    settings: Mapping[str, Settings]
    pages: bool
    topic: str
    spread: bool = False
    anchor: Anchor | None = None
    version: str = __version__


class Cluster:
    """All workers of the cluster that this task runs on; the task's own place is free for blocks meanwhile."""

    def in_order(self, function: Callable[..., Any], tasks: Iterable[tuple[Any, ...]]) -> Iterator[Any]:
        """Yield results in the order of the tasks, whoever did them and however often it took."""
        with worker_client() as client:
            ahead = AHEAD * max(1, sum(client.nthreads().values()))

            def submit(task: tuple[Any, ...]) -> "Future[Any]":
                made = client.submit(function, *task, pure=False, priority=BLOCKS_FIRST, retries=RETRIES)
                return cast("Future[Any]", made)

            yield from bounded(submit, tasks, ahead=ahead)


class _Watched:
    """Workers that stop when nobody waits for the results any longer."""

    def __init__(self, workers: Workers, check: Callable[[], None]) -> None:
        self._workers = workers
        self._check = check

    def in_order(self, function: Callable[..., Any], tasks: Iterable[tuple[Any, ...]]) -> Iterator[Any]:
        for result in self._workers.in_order(function, tasks):
            self._check()
            yield result


class _Line:
    """The line to whoever ordered: tells progress, and finds out that it went dead."""

    def __init__(self, topic: str) -> None:
        self._worker = get_worker()
        self._key = self._worker.get_current_task()
        self._topic = topic
        self._told = -PAUSE
        self._file = ""

    def tell(self, progress: Progress) -> None:
        self.check()
        now = time.monotonic()
        if now - self._told >= PAUSE or progress.file != self._file:
            self._told, self._file = now, progress.file
            self._worker.log_event(self._topic, asdict(progress))

    def check(self) -> None:
        """Raise AbandonedError if the task was cancelled, by an interrupt or because the run is gone."""
        task = self._worker.state.tasks.get(self._key)
        if task is None or task.state == "cancelled":
            raise AbandonedError(f"{self._topic}: nobody waits for this session any longer")


def do_order(order: Order) -> Outcome:
    """Do one session in this process.

    Raises
    ------
    Reschedule
        This process is busy with another session.
    """
    if order.version != __version__:
        reason = f"the worker has heatwake {__version__}, this run {order.version}: install the same on both"
        return Outcome(order.name, "failed", reason)
    if not _one_session.acquire(timeout=PAUSE):
        raise Reschedule
    try:
        line = _Line(order.topic)
        threads = get_worker().state.nthreads
        workers: Workers = Cluster() if order.spread else Threads(threads)
        with ExitStack() as stack:
            stack.enter_context(working_with(_Watched(workers, line.check)))
            # Lazy arrays are for this process alone: inside a task dask would send them round the cluster.
            stack.enter_context(dask.config.set(scheduler="threads", num_workers=threads))
            stack.enter_context(quiet_libraries())
            return run_session(
                order.folder, order.target, order.settings, pages=order.pages, anchor=order.anchor, tell=line.tell
            )
    finally:
        _one_session.release()
