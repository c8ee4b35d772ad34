"""Session folders as they arrive, and whether one is complete.

By looking again and again, not by the kernel's notices (inotify and its like): those tell only of writes by this
machine, and recordings come over shared storage, written by others.
"""

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from glob import glob
from pathlib import Path
from typing import Any, Final

from heatwake.errors import HeatwakeError, InputError
from heatwake.store.toml import read_toml

DONE: Final = "done"  # a file of this name says that the folder is complete
SESSION: Final = "session.toml"
GONE: Final = (-1, -1)
INPUTS: Final = (
    *(("frames", "source"), ("frames", "timestamps"), ("frames", "calibration"), ("film", "bare")),
    *(("film", "covered"), ("ambient", "log"), ("board", "parts"), ("camera", "response")),
    *(("thermocouples", "log"), ("palette", "limits")),
)


@dataclass(frozen=True)
class Look:
    """A session folder at one moment.

    Attributes
    ----------
    files : mapping of str to (int, int)
        Size [byte] and time of change [ns] of each file in it, and of inputs beside it that its session file names.
        Times are compared with themselves only: clocks of other machines may be wrong.
    """

    files: Mapping[str, tuple[int, int]]

    @property
    def has_session(self) -> bool:
        """Whether there is a session file at all."""
        return SESSION in self.files

    @property
    def is_marked(self) -> bool:
        """Whether whoever wrote the folder says that it is complete."""
        return DONE in self.files


def arrived(folder: Path) -> list[Path]:
    """Return the folders in a folder by name; hidden ones, as copying programs make, are left out.

    Raises
    ------
    InputError
        The folder is not there.
    """
    try:
        with os.scandir(folder) as entries:
            names = sorted(entry.name for entry in entries if not entry.name.startswith(".") and entry.is_dir())
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        raise InputError(str(folder), f"not readable ({why})", "must be a folder of session folders") from None
    return [folder / name for name in names]


def look(folder: Path) -> Look:
    """Return what is in a session folder now."""
    files = {name: _size_and_time(path) for name, path in _walk(folder, "")}
    if SESSION in files:
        files |= {str(path): _size_and_time(path) for path in _outside(folder)}
    return Look(files)


def _walk(folder: Path, prefix: str) -> Iterator[tuple[str, Path]]:
    try:
        with os.scandir(folder) as entries:
            found = sorted((entry.name, entry.is_dir(follow_symlinks=False)) for entry in entries)
    except OSError:  # vanished, or not ours to read: what uses it will say so
        return
    for name, is_folder in found:
        if is_folder:
            yield from _walk(folder / name, f"{prefix}{name}/")
        else:
            yield prefix + name, folder / name


def _size_and_time(path: Path) -> tuple[int, int]:
    try:
        status = path.stat()
    except (OSError, ValueError):
        return GONE
    return status.st_size, status.st_mtime_ns


def _named(content: Mapping[str, Any]) -> Iterator[Any]:
    """Yield what stands where a session file names inputs."""
    for table, key in INPUTS:
        rows: Any = content.get(table)
        for row in rows if isinstance(rows, list) else [rows]:
            if isinstance(row, dict):
                yield row.get(key)


def _outside(folder: Path) -> Iterator[Path]:
    """Yield inputs that the session file names outside its folder: a film pair that many sessions share."""
    try:
        content = read_toml(folder / SESSION)
    except HeatwakeError:
        return
    for value in _named(content):
        if isinstance(value, str) and (value.startswith("/") or ".." in Path(value).parts) and "\0" not in value:
            place = folder / value
            yield from map(Path, sorted(glob(str(place)))) if any(sign in value for sign in "*?[") else (place,)
