"""One array of a NumPy archive: read in place where it is stored plainly, from its beginning on where compressed."""

import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.errors import InputError, one_line, shorten
from heatwake.schema.settings import LONG
from heatwake.store.frames.bounds import require_stack
from heatwake.store.frames.choice import TIME_NAMES, choose, own_times
from heatwake.store.frames.cursors import Cursors
from heatwake.store.frames.recording import Array, OwnTimes, Recording

WANTED: Final = "must be a whole .npz file of numbers"
MOST_TIMES_BYTES: Final = 2**29


@dataclass(frozen=True)
class Header:
    """What the head of one array says."""

    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    fortran: bool


def open_npz(paths: list[Path], *, key: str, variable: str | None = None) -> Recording:
    """Open one array (frames, rows, columns) of a ``.npz`` file; pickled objects are refused.

    Its times are those of an array named ``time`` or ``elapsed_s`` in the same file.
    """
    path, where = paths[0], f"{key}: {paths[0]}"
    if len(paths) > 1:
        raise InputError(key, f"{len(paths)} .npz files", "must be one file that holds all frames")
    try:
        with zipfile.ZipFile(path) as archive:
            heads = _heads(archive)
            stacks = [name for name, head in heads.items() if _is_stack(head)]
            name = choose(variable, found=list(heads), fit=stacks, where=where)
            head = heads[name]
            require_stack(head.shape, where=f"{where}: {name}")
            _require_rows_first(head, where=f"{where}: {name}")
            times = _times(archive, heads, count=head.shape[0], where=where)
    except InputError:
        raise
    except Exception as error:  # a damaged archive fails in many ways
        raise _unreadable(where, error) from None
    count, rows, columns = head.shape
    return Recording(
        (count, rows, columns), head.dtype, partial(_read, path, key, name), np.arange(count), (path,), times=times
    )


def stacks_in_npz(path: Path, *, key: str) -> list[str]:
    """Return the names of the stacks of frames in a file."""
    try:
        with zipfile.ZipFile(path) as archive:
            return [name for name, head in _heads(archive).items() if _is_stack(head)]
    except Exception as error:
        raise _unreadable(f"{key}: {path}", error) from None


def _is_stack(head: Header) -> bool:
    return len(head.shape) == 3 and head.dtype.kind in "uif"


def _require_rows_first(head: Header, *, where: str) -> None:
    if head.fortran:
        raise InputError(where, "in Fortran order", "must be stored frame after frame (C order)")


def _heads(archive: zipfile.ZipFile) -> dict[str, Header]:
    heads = {}
    for member in archive.namelist():
        if member.endswith(".npy"):
            with archive.open(member) as stream:
                heads[member.removesuffix(".npy")] = _head(stream)
    return heads


def _head(stream: IO[bytes]) -> Header:
    """Return the head of an array, and leave the stream at its first value."""
    version = np.lib.format.read_magic(stream)
    read = {
        (1, 0): np.lib.format.read_array_header_1_0,
        (2, 0): np.lib.format.read_array_header_2_0,
    }.get(version)
    if read is None:
        raise ValueError(f"version {version} of the format")
    shape, fortran, dtype = read(stream)
    if dtype.hasobject or min(shape, default=0) < 0:
        return Header((), np.dtype("V1"), fortran=False)
    return Header(tuple(map(int, shape)), dtype, bool(fortran))


def _times(archive: zipfile.ZipFile, heads: dict[str, Header], *, count: int, where: str) -> OwnTimes | None:
    for name in TIME_NAMES:
        head = heads.get(name)
        if head is None or head.shape != (count,) or head.dtype.kind not in "uifM":
            continue
        size = count * head.dtype.itemsize
        if size > MOST_TIMES_BYTES:
            continue
        with archive.open(f"{name}.npy") as stream:
            _head(stream)
            values = np.frombuffer(_exactly(stream, size), dtype=head.dtype)
        return own_times(values, {}, where=f"{where}: {name}")
    return None


class _Stream:
    """One array of an archive, read frame after frame."""

    def __init__(self, path: Path, name: str) -> None:
        self.archive = zipfile.ZipFile(path)
        self.stream = self.archive.open(f"{name}.npy")
        self.head = _head(self.stream)
        self.position = 0
        self._bytes = int(np.prod(self.head.shape[1:])) * self.head.dtype.itemsize
        self._start = self.stream.tell()

    def read(self, place: Sequence[int]) -> Array:
        """Return a frame at or after the position; those between are passed over."""
        number = place[0]
        if number != self.position:
            self.stream.seek(self._start + number * self._bytes)
        content = _exactly(self.stream, self._bytes)
        self.position = number + 1
        return np.frombuffer(content, dtype=self.head.dtype).reshape(self.head.shape[1:])

    def close(self) -> None:
        """Close the archive."""
        self.archive.close()


CURSORS: Final = Cursors(_Stream)


def _read(path: Path, key: str, name: str, numbers: npt.NDArray[np.int64]) -> Array:
    try:
        return CURSORS.read(path, numbers, name)
    except Exception as error:
        raise _unreadable(f"{key}: {path}", error) from None


def _exactly(stream: IO[bytes], count: int) -> bytes:
    content = stream.read(count)
    if len(content) != count:
        raise ValueError(f"{len(content)} bytes instead of {count}")
    return content


def _unreadable(where: str, error: Exception) -> InputError:
    return InputError(where, f"unreadable ({shorten(one_line(str(error) or type(error).__name__), LONG)})", WANTED)
