"""Who does the blocks of a long recording: threads of this process, or the processes of a cluster.

A block's function is pure, and results come back in the order of the tasks, so what is made of them does not depend on
who did them, how many there were, or which of them died on the way.
"""

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, Final, Protocol

import cv2
import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

AHEAD: Final = 2  # tasks in hand per worker: one done or being done, one to go on with


class Workers(Protocol):
    """Runs a function over many tasks, side by side."""

    def in_order(self, function: Callable[..., Any], tasks: Iterable[tuple[Any, ...]]) -> Iterator[Any]:
        """Yield ``function(*task)`` for each task, in their order; only a bounded number are in hand at a time."""
        ...


class Threads:
    """Threads of this process: decoding, image filters and compiled loops all let go of the interpreter."""

    def __init__(self, count: int | None = None) -> None:
        self.count = count or available_cores()

    def in_order(self, function: Callable[..., Any], tasks: Iterable[tuple[Any, ...]]) -> Iterator[Any]:
        """Yield results in the order of the tasks."""
        if self.count == 1:
            yield from (function(*task) for task in tasks)
            return
        with ThreadPoolExecutor(self.count) as pool:
            yield from bounded(lambda task: pool.submit(function, *task), tasks, ahead=AHEAD * self.count)


def bounded(
    submit: Callable[[tuple[Any, ...]], "Future[Any]"], tasks: Iterable[tuple[Any, ...]], *, ahead: int
) -> Iterator[Any]:
    """Yield results of submitted tasks in order, with at most ``ahead`` submitted and not yet yielded."""
    waiting: deque[Future[Any]] = deque()
    try:
        for task in tasks:
            waiting.append(submit(task))
            if len(waiting) >= ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:  # an error, or nobody wants the rest
        for future in waiting:
            future.cancel()


def available_cores() -> int:
    """Return the cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


_current: ContextVar[Workers | None] = ContextVar("workers", default=None)


@contextmanager
def working_with(workers: Workers) -> Iterator[None]:
    """Let these workers do the blocks inside."""
    token = _current.set(workers)
    try:
        yield
    finally:
        _current.reset(token)


def in_order(function: Callable[..., Any], tasks: Iterable[tuple[Any, ...]]) -> Iterator[Any]:
    """Yield ``function(*task)`` for each task in order, by whoever works here; threads of this process by default."""
    yield from (_current.get() or Threads()).in_order(function, tasks)


@contextmanager
def quiet_libraries() -> Iterator[None]:
    """Keep libraries from threads of their own: blocks run side by side already, and the fits solve small systems.

    Two threads of OpenCV beside two of ours cost a third more, threads of linear algebra several times what they gain.
    """
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        with threadpool_limits(limits=1, user_api="blas"):
            yield
    finally:
        cv2.setNumThreads(before)


class Shelf(Protocol):
    """Pictures put aside under a number, for as long as the work lasts."""

    def put(self, number: int, picture: npt.NDArray[np.float32]) -> None:
        """Put a picture (rows, columns) aside."""
        ...

    def get(self, number: int) -> npt.NDArray[np.float32]:
        """Return a picture that was put aside."""
        ...


class MemoryShelf:
    """Keeps pictures in memory."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self._pictures: dict[int, npt.NDArray[np.float32]] = {}
        self.shape = shape

    def put(self, number: int, picture: npt.NDArray[np.float32]) -> None:
        """Put a picture (rows, columns) aside."""
        self._pictures[number] = picture

    def get(self, number: int) -> npt.NDArray[np.float32]:
        """Return a picture that was put aside."""
        return self._pictures[number]


_shelves: ContextVar[Callable[[tuple[int, int]], Shelf]] = ContextVar("shelves", default=MemoryShelf)


@contextmanager
def shelving_with(make: Callable[[tuple[int, int]], Shelf]) -> Iterator[None]:
    """Let pictures be put aside on shelves made so, inside."""
    token = _shelves.set(make)
    try:
        yield
    finally:
        _shelves.reset(token)


def shelf(shape: tuple[int, int]) -> Shelf:
    """Return an empty shelf for pictures of a shape; in memory by default."""
    return _shelves.get()(shape)
