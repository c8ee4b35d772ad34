"""What a recording tells of itself, for a session file that is still to be written."""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from heatwake.errors import InputError
from heatwake.store.frames.netcdf import stacks_in_netcdf
from heatwake.store.frames.npz import stacks_in_npz
from heatwake.store.frames.open import SUFFIXES, VIDEOS, open_recording
from heatwake.store.frames.recording import OwnTimes, Recording
from heatwake.store.frames.video import video_facts
from heatwake.store.frames.zarr import ZARR_MARKS, stacks_in_zarr


@dataclass(frozen=True)
class Facts:
    """A recording that no session file describes yet.

    Attributes
    ----------
    folder : Path
        Where its session file belongs.
    source : str
        How that names it: a file, or a pattern.
    kind : str
        In words.
    frames, rows, columns : int
    variables : tuple of str
        Stacks of frames in it, where it holds named variables.
    times : OwnTimes or None
    recording : Recording or None
        None for colour video, which takes a palette to be read.
    is_video, is_colour : bool
    """

    folder: Path
    source: str
    kind: str
    frames: int
    rows: int
    columns: int
    variables: tuple[str, ...] = ()
    times: OwnTimes | None = None
    recording: Recording | None = None
    is_video: bool = False
    is_colour: bool = False


def recording_facts(place: Path) -> Facts:
    """Look at a recording: a file, a folder of frames or a Zarr folder.

    Raises
    ------
    InputError
        There are no frames, or they cannot be read.
    """
    folder, source = _found(place)
    suffix = ".zarr" if (folder / source).is_dir() else Path(source).suffix.lower()
    key = str(place)
    if suffix in VIDEOS:
        seen = video_facts(folder / source, key=key)
        if seen.is_colour:
            return Facts(folder, source, seen.kind, *seen.shape, times=seen.times, is_video=True, is_colour=True)
    listed = {".npz": stacks_in_npz, ".zarr": stacks_in_zarr}.get(suffix)
    if suffix in {".nc", ".nc4", ".cdf", ".h5", ".hdf5"}:
        listed = stacks_in_netcdf
    variables = tuple(listed(folder / source, key=key)) if listed is not None else ()
    recording = open_recording(source, folder=folder, key=key, variable=variables[0] if variables else None)
    return Facts(
        folder,
        source,
        f"{recording.dtype.name} in {suffix[1:]}",
        *recording.shape,
        variables=variables,
        times=recording.times,
        recording=recording,
        is_video=suffix in VIDEOS,
    )


def _found(place: Path) -> tuple[Path, str]:
    """Return the session's folder, and the source as named there."""
    absolute = place.absolute()
    if absolute.is_file() or any((absolute / mark).is_file() for mark in ZARR_MARKS):
        return absolute.parent, absolute.name
    if not absolute.is_dir():
        raise InputError(str(place), "missing", "must be a recording or a folder of frames")
    kinds = Counter(path.suffix.lower() for path in absolute.iterdir() if path.suffix.lower() in SUFFIXES)
    for name in ("ambient.csv", "parts.csv", "thermocouples.csv", "times.csv", "limits.csv"):
        kinds[".csv"] -= (absolute / name).is_file()
    stacks = {suffix: count for suffix, count in kinds.items() if count > 0}
    if not stacks:
        raise InputError(str(place), "without frames", f"must hold files of one kind: {', '.join(SUFFIXES)}")
    suffix = max(stacks, key=lambda one: stacks[one])
    return absolute, _pattern(absolute, suffix)


def _pattern(folder: Path, suffix: str) -> str:
    """Return the one file of a kind, or a pattern for a series."""
    names = sorted(path.name for path in folder.iterdir() if path.suffix.lower() == suffix)
    if len(names) == 1:
        return names[0]
    return f"*{Path(names[0]).suffix}"
