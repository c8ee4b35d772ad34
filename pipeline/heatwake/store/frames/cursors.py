"""Files that can only be read onwards: kept open where reading stopped, for who goes on from there."""

from collections.abc import Callable, Sequence
from pathlib import Path
from threading import Lock
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


class Cursors:
    """Open files that nobody reads at the moment, taken by who asks for frames at or after where they stand.

    Each is used by one thread at a time. What is read does not depend on which one is taken.

    Parameters
    ----------
    make : callable
        ``make(path, *more)`` opens a file at its first frame.
    """

    def __init__(self, make: Callable[..., Cursor]) -> None:
        self._make = make
        self._idle: list[tuple[tuple[Any, ...], Cursor]] = []
        self._lock = Lock()

    def read(self, path: Path, index: npt.NDArray[np.int64], *more: Any) -> Array:
        """Return frames of a file, (frames, rows, columns), by their numbers (n,) or numbers and more (n, k)."""
        status = path.stat()
        mark = (path, status.st_mtime_ns, status.st_size, *more)
        places = index.reshape(len(index), -1).tolist()
        cursor = self._take(mark, places[0][0]) or self._make(path, *more)
        try:
            frames = np.stack([cursor.read(place) for place in places])
        except BaseException:
            cursor.close()
            raise
        self._give_back(mark, cursor)
        return frames

    def _take(self, mark: tuple[Any, ...], first: int) -> Cursor | None:
        """Return the one that stands nearest before a frame; None where there is none."""
        with self._lock:
            fit = [row for row in self._idle if row[0] == mark and row[1].position <= first]
            if not fit:
                return None
            row = max(fit, key=lambda one: one[1].position)
            self._idle.remove(row)
            return row[1]

    def _give_back(self, mark: tuple[Any, ...], cursor: Cursor) -> None:
        with self._lock:
            self._idle.append((mark, cursor))
            surplus = self._idle[:-MOST_OPEN]
            del self._idle[:-MOST_OPEN]
        for _, old in surplus:
            old.close()
