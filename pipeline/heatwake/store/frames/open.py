"""Which reader opens what."""

import re
from collections.abc import Callable
from glob import glob
from pathlib import Path
from typing import Final

from heatwake.errors import InputError
from heatwake.store.frames.csv_matrix import open_csv
from heatwake.store.frames.npy import open_npy
from heatwake.store.frames.png import open_png
from heatwake.store.frames.recording import Recording
from heatwake.store.frames.tiff import open_tiff

# Suffixes, and the function that opens one file or a series of them.
READERS: Final[tuple[tuple[tuple[str, ...], Callable[..., Recording]], ...]] = (
    ((".tif", ".tiff"), open_tiff),
    ((".png",), open_png),
    ((".npy",), open_npy),
    ((".csv",), open_csv),
)


def open_recording(source: str, *, folder: Path, key: str) -> Recording:
    """Open the frames that ``source`` names: a file, a folder or a glob, relative to ``folder``.

    Raises
    ------
    InputError
        Nothing is there, the kind is not readable, or the frames differ in size.
    """
    paths = _paths(source, folder=folder, key=key)
    suffixes = sorted({path.suffix.lower() for path in paths})
    if len(suffixes) > 1:
        raise InputError(f"{key}: {source}", f"of several kinds ({', '.join(suffixes)})", "must be of one kind")
    opener = next((opener for known, opener in READERS if suffixes[0] in known), None)
    if opener is None:
        known = ", ".join(suffix for row, _ in READERS for suffix in row)
        raise InputError(f"{key}: {source}", f"of an unknown kind ({suffixes[0]})", f"must be one of {known}")
    recording = opener(paths, key=key)
    if 0 in recording.shape:
        raise InputError(f"{key}: {source}", "empty", "must hold at least one frame")
    return recording


def _paths(source: str, *, folder: Path, key: str) -> list[Path]:
    place = folder / source
    if place.is_file():
        return [place]
    found = sorted(place.iterdir() if place.is_dir() else map(Path, glob(str(place))), key=_natural)
    files = [path for path in found if path.is_file() and not path.name.startswith(".")]
    if not files:
        raise InputError(f"{key}: {place}", "missing", "must be a file, a folder of frames or a glob")
    return files


def _natural(path: Path) -> list[tuple[int, str]]:
    """Sort key that puts frame2 before frame10."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", path.name) if part]
