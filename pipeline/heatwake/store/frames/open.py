"""Which reader opens what."""

import re
from collections.abc import Callable
from glob import glob
from pathlib import Path
from typing import Any, Final, Literal

from heatwake.errors import InputError
from heatwake.schema.session import Palette
from heatwake.store.frames.bounds import require_stack
from heatwake.store.frames.csv_matrix import open_csv
from heatwake.store.frames.netcdf import open_netcdf
from heatwake.store.frames.npy import open_npy
from heatwake.store.frames.npz import open_npz
from heatwake.store.frames.png import open_png
from heatwake.store.frames.recording import Recording
from heatwake.store.frames.tiff import open_tiff
from heatwake.store.frames.video import open_video
from heatwake.store.frames.zarr import ZARR_MARKS, open_zarr
from heatwake.store.within import require_within

Takes = Literal["", "variable", "palette"]

# Suffixes, the function that opens one file or a series of them, and what it takes beside them.
READERS: Final[tuple[tuple[tuple[str, ...], Callable[..., Recording], Takes], ...]] = (
    ((".tif", ".tiff"), open_tiff, ""),
    ((".png",), open_png, ""),
    ((".npy",), open_npy, ""),
    ((".npz",), open_npz, "variable"),
    ((".csv", ".txt", ".tsv"), open_csv, ""),
    ((".nc", ".nc4", ".cdf", ".h5", ".hdf5"), open_netcdf, "variable"),
    ((".zarr",), open_zarr, "variable"),
    ((".mkv", ".mp4", ".m4v", ".mov", ".avi", ".webm", ".gif"), open_video, "palette"),
)
VIDEOS: Final = (".mkv", ".mp4", ".m4v", ".mov", ".avi", ".webm", ".gif")
SUFFIXES: Final = tuple(suffix for row, _, _ in READERS for suffix in row)


def open_recording(
    source: str, *, folder: Path, key: str, variable: str | None = None, palette: Palette | None = None
) -> Recording:
    """Open the frames that ``source`` names: a file, a folder or a glob, relative to ``folder``.

    Parameters
    ----------
    source : str
    folder : Path
        The session's.
    key : str
        Names the source in messages.
    variable : str, optional
        Which one of a file that holds several.
    palette : Palette, optional
        Where colour bar and scene are in a colour video.

    Raises
    ------
    InputError
        Nothing is there, the kind is not readable, the frames differ in size, or are beyond all measure.
    """
    paths = _paths(source, folder=folder, key=key)
    suffixes = sorted({_kind(path) for path in paths})
    if len(suffixes) > 1:
        raise InputError(f"{key}: {source}", f"of several kinds ({', '.join(suffixes)})", "must be of one kind")
    row = next((row for row in READERS if suffixes[0] in row[0]), None)
    if row is None:
        raise InputError(
            f"{key}: {source}", f"of an unknown kind ({suffixes[0]})", f"must be one of {', '.join(SUFFIXES)}"
        )
    _, opener, takes = row
    recording = opener(paths, key=key, **_extras(takes, source=source, variable=variable, palette=palette))
    if 0 in recording.shape:
        raise InputError(f"{key}: {source}", "empty", "must hold at least one frame")
    require_stack(recording.shape, where=f"{key}: {source}")
    return recording


def _extras(takes: Takes, *, source: str, variable: str | None, palette: Palette | None) -> dict[str, Any]:
    """Return what this kind of file takes; what it does not take must not be given."""
    if variable is not None and takes != "variable":
        raise InputError("frames.variable", repr(variable), f"must be left out: {source} holds no named variables")
    if palette is not None and takes != "palette":
        raise InputError("palette", "given", f"must be left out: {source} is no colour video")
    if takes == "variable":
        return {"variable": variable}
    return {"palette": palette} if takes == "palette" else {}


def _kind(path: Path) -> str:
    return ".zarr" if path.is_dir() else path.suffix.lower()


def _paths(source: str, *, folder: Path, key: str) -> list[Path]:
    place = folder / source
    if place.is_file() or _is_zarr(place):
        require_within(place, folder=folder, key=key)
        return [place]
    found = sorted(place.iterdir() if place.is_dir() else map(Path, glob(str(place))), key=_natural)
    files = [path for path in found if path.is_file() and not path.name.startswith(".")]
    if not files:
        raise InputError(f"{key}: {place}", "missing", "must be a file, a folder of frames or a glob")
    for parent in {path.parent for path in files}:
        require_within(parent, folder=folder, key=key)
    for path in files:
        if path.is_symlink():
            require_within(path, folder=folder, key=key)
    return files


def _is_zarr(place: Path) -> bool:
    return place.is_dir() and any((place / mark).is_file() for mark in ZARR_MARKS)


def _natural(path: Path) -> list[tuple[int, str]]:
    """Sort key that puts frame2 before frame10."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", path.name) if part]
