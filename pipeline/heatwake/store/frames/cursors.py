"""Files that can only be read onwards: kept open where reading stopped, for who goes on from there."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Condition
from typing import Any, Final, Protocol

import numpy as np
import numpy.typing as npt

from heatwake.store.frames.recording import Array

MOST_OPEN: Final = 4  # of one kind; each holds a decoder's buffers


class Cursor(Protocol):
    """A file that is open, and at a frame.

    Attributes
    ----------
    position : int
        The frame that comes next.
    """

    position: int

    def read(self, place: Sequence[int]) -> Array:
        """Return the frame at a place, its number first; never one before the position."""
        ...

    def close(self) -> None:
        """Give back what it holds."""
        ...


@dataclass(frozen=True, eq=False)
class _Request:
    """Frames that somebody reads at the moment, or waits for.

    Attributes
    ----------
    mark : tuple
        Of the file.
    start : int
        Where a file that is opened anew would have to be read from.
    first, goal : int
        The first frame, and the one after the last.
    """

    mark: tuple[Any, ...]
    start: int
    first: int
    goal: int


class Cursors:
    """Open files that nobody reads at the moment, taken by who asks for frames at or after where they stand.

    Each is used by one thread at a time. Who asks for frames that follow those that another thread reads waits for
    that thread's file, for to read all before once more would take as long and keep a core busy. What is read does not
    depend on which one is taken.

    Parameters
    ----------
    make : callable
        ``make(path, *more)`` opens a file at its first frame.
    start : callable, optional
        ``start(place)`` is the frame from which a file opened anew reads to get to a place; by default the first.
    """

    def __init__(self, make: Callable[..., Cursor], *, start: Callable[[Sequence[int]], int] = lambda _: 0) -> None:
        self._make = make
        self._start = start
        self._idle: list[tuple[tuple[Any, ...], Cursor]] = []
        self._requests: list[_Request] = []
        self._changed = Condition()

    def read(self, path: Path, index: npt.NDArray[np.int64], *more: Any) -> Array:
        """Return frames of a file, (frames, rows, columns), by their numbers (n,) or numbers and more (n, k)."""
        status = path.stat()
        mark = (path, status.st_mtime_ns, status.st_size, *more)
        places = index.reshape(len(index), -1).tolist()
        request = _Request(mark, self._start(places[0]), first=places[0][0], goal=places[-1][0] + 1)
        cursor = None
        try:
            cursor = self._take(request) or self._make(path, *more)
            frames = np.stack([cursor.read(place) for place in places])
        except BaseException:
            self._done(request, None)
            if cursor is not None:
                cursor.close()
            raise
        self._done(request, cursor)
        return frames

    def _take(self, request: _Request) -> Cursor | None:
        """Return the one that stands nearest before the first frame, once none is on its way there; None for none."""
        with self._changed:
            self._requests.append(request)
            while True:
                fit = [one for one in self._idle if one[0] == request.mark and one[1].position <= request.first]
                nearest = max(fit, key=lambda one: one[1].position, default=None)
                reached = request.start if nearest is None else max(request.start, nearest[1].position)
                if not any(_leads_to(other, request, beyond=reached) for other in self._requests):
                    break
                self._changed.wait()
            if nearest is not None:
                self._idle.remove(nearest)
            return None if nearest is None else nearest[1]

    def _done(self, request: _Request, cursor: Cursor | None) -> None:
        """Let others go on: with the file where it stands now, if it is sound."""
        with self._changed:
            self._requests.remove(request)
            if cursor is not None:
                self._idle.append((request.mark, cursor))
            surplus = self._idle[:-MOST_OPEN]
            del self._idle[:-MOST_OPEN]
            self._changed.notify_all()
        for _, old in surplus:
            old.close()


def _leads_to(other: _Request, request: _Request, *, beyond: int) -> bool:
    """Tell whether a request ends nearer before another's first frame than anything else does."""
    return other.mark == request.mark and beyond < other.goal <= request.first
