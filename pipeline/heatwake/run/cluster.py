"""The runner's side of a cluster: start one here or join one that runs, hand out sessions, gather outcomes."""

import asyncio
import logging
import os
import queue
import signal
import time
import uuid
from collections import Counter, deque
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import dask
import psutil
from distributed import Client, Future, LocalCluster
from distributed.comm.core import connect
from distributed.scheduler import KilledWorker
from distributed.security import Security
from distributed.system import MEMORY_LIMIT

from heatwake.errors import ClusterError, InputError
from heatwake.run.events import Outcome, Progress
from heatwake.run.guard import describe
from heatwake.run.on_worker import Order, do_order
from heatwake.workers import available_cores

WORKER_BYTES: Final = 1.5 * 2**30  # of memory a worker: what a session of 640x512 takes, and some room
PATIENCE: Final = 300.0  # [s] without any worker
CONNECT: Final = 15.0  # [s]
TICK: Final = 0.1  # [s]
UNDER_WAY: Final = ("pending", "lost")  # lost is what a dead worker held: it is made again
LOOK: Final = 1.0  # [s] between two looks at who is there
RETRIES: Final = 2  # of a session after a broken connection
DEATHS: Final = 3  # of workers that had a session, until it is given up
KILLED: Final = "its worker died, and so did the next ones: out of memory, or a fault in a library"
LOUD: Final = ("distributed", "tornado", "asyncio")
SILENT: Final = logging.CRITICAL + 1
SETTINGS: Final = {
    # Nothing of a session is held by a worker but blocks under way: no need to spill, and nothing pickled on a disk.
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": False,
    "distributed.deploy.lost-worker-timeout": "1 hour",  # its nanny starts it again, however long a busy machine takes
    # A worker that is silent is slow, or the machine was asleep; one that died is known by its closed connection.
    "distributed.scheduler.worker-ttl": None,
    "distributed.worker.profile.enabled": False,
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
}


def fitting_workers(sessions: int, *, cores: int | None = None, memory: float | None = None) -> int:
    """Return how many worker processes suit this machine: no more than cores, sessions, or what fits its free memory.

    Parameters
    ----------
    sessions : int
        To be done.
    cores, memory : optional
        Of the machine, memory in bytes; measured where not given.

    Examples
    --------
    >>> fitting_workers(100, cores=8, memory=64e9), fitting_workers(3, cores=8, memory=64e9)
    (8, 3)
    >>> fitting_workers(100, cores=8, memory=4e9), fitting_workers(100, cores=8, memory=1e9)
    (2, 1)
    """
    cores = available_cores() if cores is None else cores
    memory = min(psutil.virtual_memory().available, MEMORY_LIMIT) if memory is None else memory
    return max(1, min(cores, sessions, int(memory // WORKER_BYTES)))


def tls_options(*, ca: Path | None, cert: Path | None, key: Path | None) -> Security | None:
    """Return TLS options for a scheduler; None without any.

    Raises
    ------
    InputError
        A file is missing.
    """
    files = {"--tls-ca": ca, "--tls-cert": cert, "--tls-key": key}
    if not any(files.values()):
        return None
    for option, path in files.items():
        if path is None or not path.is_file():
            raise InputError(option, str(path) if path else "missing", "must be a PEM file: TLS takes all three")
    return Security(tls_ca_file=str(ca), tls_client_cert=str(cert), tls_client_key=str(key), require_encryption=True)


@contextmanager
def local_pool(workers: int, *, scratch: Path) -> Iterator["Pool"]:
    """Start worker processes on this machine, reached by its loopback alone; end them with the block."""
    threads = max(1, available_cores() // workers)
    with _quiet(), ExitStack() as stack, dask.config.set(SETTINGS):
        with _deaf():  # workers are born deaf to the terminal's Ctrl-C: the runner ends them
            try:
                cluster = LocalCluster(
                    n_workers=workers,
                    threads_per_worker=threads,
                    processes=True,
                    host="127.0.0.1",
                    dashboard_address=None,
                    scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
                    memory_limit=None,
                    local_directory=str(scratch),
                    silence_logs=SILENT,
                )
                stack.callback(_end, cluster)
                client = Client(cluster, set_as_default=False, timeout=CONNECT)
            except (OSError, RuntimeError, TimeoutError) as error:
                raise ClusterError(f"no worker processes could be started: {describe(error)}") from error
            stack.callback(_close, client)
        yield Pool(client)


@contextmanager
def joined_pool(address: str, *, security: Security | None) -> Iterator["Pool"]:
    """Join a scheduler that runs.

    Raises
    ------
    ClusterError
        It does not answer.
    """
    if security is None and address.startswith("tls:"):
        raise InputError("--scheduler", repr(address), "must come with --tls-ca, --tls-cert and --tls-key")
    with _quiet():
        try:
            with ThreadPoolExecutor(1) as pool:  # its own loop, whatever runs in this thread
                pool.submit(asyncio.run, _knock(address, security or Security())).result()
            with _deaf():
                client = Client(address, security=security, set_as_default=False, timeout=CONNECT)
        except ValueError as error:
            raise InputError("--scheduler", repr(address), f"must be like tcp://host:8786 ({error})") from None
        except (OSError, TypeError, RuntimeError) as error:
            raise ClusterError(f"the scheduler {address} does not answer: {describe(error)}") from error
        with ExitStack() as stack:
            stack.callback(_close, client)
            yield Pool(client)


async def _knock(address: str, security: Security) -> None:
    """Find out whether somebody answers: a client that cannot connect is hard to get rid of."""
    comm = await connect(address, timeout=CONNECT, **security.get_connection_args("client"))
    await comm.close()


@dataclass
class _Given:
    """A session that a worker has."""

    order: Order
    future: "Future[Any]"
    address: str


class Pool:
    """Workers that sessions are handed to, one each."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.topic = f"heatwake-{uuid.uuid4().hex[:12]}"
        self._news: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._given: dict[str, _Given] = {}
        self._deaths: Counter[str] = Counter()
        self._looked = self._last_seen = time.monotonic()
        self._workers: dict[str, Any] = {}
        self._workers = self._look()

    def about(self) -> dict[str, Any]:
        """Return what the journal says of the workers."""
        threads = sorted({int(worker["nthreads"]) for worker in self._workers.values()})
        return {"processes": len(self._workers), "threads_each": threads}

    def outcomes(self, orders: Iterable[Order]) -> Iterator[Progress | Outcome]:
        """Hand out sessions; yield progress, and outcomes as they come.

        Each worker gets one session at a time. While there are as many sessions as workers each does its blocks
        itself: nothing but names then travels. With workers to spare the blocks are spread over all of them.

        Raises
        ------
        ClusterError
            The scheduler is lost, or there are no workers.
        """
        waiting = deque(orders)
        self.client.subscribe_topic(self.topic, lambda event: self._news.put(event[1]))
        try:
            while waiting or self._given:
                self._hand_out(waiting)
                yield from self._progress()
                yield from self._finished()
        except OSError as error:  # of a connection
            raise self._lost(describe(error)) from error
        finally:
            with suppress(Exception):  # a scheduler that is gone cannot be told
                self.client.cancel([given.future for given in self._given.values()], force=True)
                self.client.unsubscribe_topic(self.topic)

    def _hand_out(self, waiting: deque[Order]) -> None:
        if self.client.status != "running":
            raise self._lost(f"the connection is {self.client.status}")
        now = time.monotonic()
        if now - self._looked >= LOOK:
            self._looked, self._workers = now, self._look()
            waiting.extendleft(self._take_back())
        if self._workers:
            self._last_seen = now
        elif now - self._last_seen > PATIENCE:
            raise ClusterError(f"no worker has been there for {PATIENCE:.0f} s: start some, the same command resumes")
        busy = {given.address for given in self._given.values()}
        for address in [address for address in self._workers if address not in busy][: len(waiting)]:
            self._give(replace(waiting.popleft(), topic=self.topic), address, left=len(waiting))

    def _give(self, order: Order, address: str, *, left: int) -> None:
        at_once = len(self._given) + 1 + left
        order = replace(order, spread=at_once < len(self._workers))
        future = self.client.submit(
            do_order,
            order,
            key=f"{order.name}-{uuid.uuid4().hex}",
            workers=[address],
            retries=RETRIES,
            pure=False,
        )
        self._given[order.name] = _Given(order, future, address)

    def _take_back(self) -> list[Order]:
        """Return the sessions of workers that are gone, for the next worker, unless they lost too many already."""
        orders = []
        for name, given in self._given.items():
            if given.address not in self._workers and given.future.status in UNDER_WAY:
                self._deaths[name] += 1
                if self._deaths[name] < DEATHS:
                    orders.append(given.order)
        for order in orders:
            self.client.cancel([self._given.pop(order.name).future], force=True)
        return orders

    def _look(self) -> dict[str, Any]:
        """Ask the scheduler who is there.

        Not by the client's own `scheduler_info`: between answer and reading it a look of the client's own, which asks
        for nobody, may take the answer's place, more often so the busier the machine; every worker then seemed dead.
        """
        scheduler = self.client.scheduler
        if scheduler is None:
            return self._workers
        try:
            found = self.client.sync(scheduler.identity, n_workers=-1)["workers"]
        except OSError:  # slow to answer; that it is gone is told by the client's state
            return self._workers
        return {address: worker for address, worker in found.items() if worker.get("status") != "closing"}

    def _progress(self) -> Iterator[Progress]:
        with suppress(queue.Empty):
            news = self._news.get(timeout=TICK)
            while True:
                if news.get("session") in self._given:
                    yield Progress(news["session"], news["file"], news["done"], news["total"])
                news = self._news.get_nowait()

    def _finished(self) -> Iterator[Outcome]:
        for name, given in list(self._given.items()):
            if given.future.status not in UNDER_WAY:
                outcome = self._outcome(given)
            elif self._deaths[name] >= DEATHS:
                outcome = Outcome(name, "failed", KILLED)
            else:
                continue
            del self._given[name]
            yield outcome

    def _outcome(self, given: _Given) -> Outcome:
        if given.future.status == "finished":
            outcome: Outcome = given.future.result(timeout=PATIENCE)
            return outcome
        if given.future.status == "error":
            error = given.future.exception(timeout=PATIENCE)
            if isinstance(error, KilledWorker):
                return Outcome(given.order.name, "failed", KILLED, details=f"{error}\n")
            return Outcome(given.order.name, "failed", describe(error) if error else "unknown")
        raise self._lost("it dropped the work")

    def _lost(self, why: str) -> ClusterError:
        return ClusterError(f"the scheduler is lost ({why}): with a scheduler again the same command resumes")


def _end(cluster: LocalCluster) -> None:
    """End a cluster's processes at once: whatever they were at has no result under its name yet."""
    with _deaf(), suppress(Exception):
        for nanny in cluster.workers.values():
            nanny.auto_restart = False
            if nanny.pid is not None:
                with suppress(ProcessLookupError):
                    os.kill(nanny.pid, signal.SIGKILL)
        cluster.close(timeout=CONNECT)


def _close(client: Client) -> None:
    with _deaf(), suppress(Exception):
        client.close(timeout=CONNECT)


@contextmanager
def _deaf() -> Iterator[None]:
    """Hold Ctrl-C back inside, in this thread and in threads and processes that it starts."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the cluster's own log off the terminal: what matters of it becomes outcomes and errors."""
    names = [name for name in logging.Logger.manager.loggerDict if name.partition(".")[0] in LOUD]
    loggers = [logging.getLogger(name) for name in {*LOUD, *names}]
    handlers = {handler for logger in loggers for handler in logger.handlers}
    before = [(logger, logger.disabled) for logger in loggers], [(handler, handler.level) for handler in handlers]
    for logger in loggers:
        logger.disabled = True
    for handler in handlers:
        handler.setLevel(SILENT)
    try:
        yield
    finally:
        for logger, disabled in before[0]:
            logger.disabled = disabled
        for handler, level in before[1]:
            handler.setLevel(level)
