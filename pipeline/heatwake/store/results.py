"""Results on disk: NetCDF-4 files that stand only when complete."""

import errno
import fcntl
import json
import os
import shutil
import uuid
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import dask
import dask.array as da
import dask.base
import netCDF4
import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake import __version__
from heatwake.errors import BusyError, InputError, StorageError
from heatwake.schema.variables import CONVENTIONS, label
from heatwake.store.machine import LIBRARY, uninterrupted
from heatwake.workers import Threads

PARTIAL: Final = ".partial"
SCRATCH: Final = ".workers"  # of worker processes, empty but for their locks
REFUSALS: Final = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM, errno.EFBIG)
FULL_BYTES: Final = 2**18  # less than this is a full disk
DIGITS: Final = {  # decimals of maps over time that are kept, far below their noise: files are three times smaller
    "temperature": 3,
    "temperature_rise": 3,
    "temperature_uncertainty": 3,
    "rise_noise": 4,
}
BLOCK_BYTES: Final = 8 * 2**20  # of one map variable, float32
AT_ONCE_BYTES: Final = 2**19  # maps of fewer are read when their file is opened


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Yield a temporary name beside ``path``; rename it into place when the block ends well, remove it otherwise.

    The name is this writer's alone: two processes that make one file do not tear each other's.

    Raises
    ------
    StorageError
        The disk is full, read-only, or refuses.
    """
    make_folder(path.parent)
    partial = path.with_name(f".{path.name}.{uuid.uuid4().hex[:12]}{PARTIAL}{path.suffix}")
    try:
        yield partial
        _settle(partial)
        os.replace(partial, path)
    except (OSError, RuntimeError) as error:
        why = _refusal(error, path.parent)
        if why is None:
            raise
        raise StorageError(f"{path} cannot be written: {why}") from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)


def _settle(path: Path) -> None:
    """Bring a file's content to the disk before it gets its name: a power cut must not leave the name alone."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _refusal(error: Exception, folder: Path) -> str | None:
    """Return why the disk refused, in words; None where the error is another.

    HDF5 does not tell a full disk, and calls one on which it cannot even make a file a want of permission.
    """
    number = error.errno if isinstance(error, OSError) else None
    if isinstance(error, OSError) and error.filename and Path(str(error.filename)).parent != folder:
        return None  # an input's trouble
    try:
        full = shutil.disk_usage(folder).free < FULL_BYTES
    except OSError:
        full = False
    if full and number in (None, errno.EIO, errno.EACCES, errno.EPERM):
        return os.strerror(errno.ENOSPC)
    return os.strerror(number) if number in REFUSALS else None


def sweep(folder: Path) -> None:
    """Remove what killed runs left unfinished in a results folder; call while it is ``held``."""
    inner = [path for path in folder.iterdir() if path.is_dir()]
    for place in (folder, *inner, *(path / "figures" for path in inner)):
        for path in place.glob(f".*{PARTIAL}*"):
            with suppress(OSError):
                path.unlink()
    shutil.rmtree(folder / SCRATCH, ignore_errors=True)


def remove(path: Path) -> None:
    """Remove a file that no longer holds, if it is there."""
    with suppress(OSError):
        path.unlink(missing_ok=True)


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Keep other runs out of a results folder.

    Raises
    ------
    BusyError
        Another run is in it.
    """
    make_folder(folder)
    with ExitStack() as stack:
        try:
            file = stack.enter_context((folder / ".lock").open("w"))
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise BusyError(f"{folder} is in use by another run: wait for it, or write results elsewhere") from None
        except OSError as error:
            raise _not_a_folder(folder, error) from None
        yield


def make_folder(folder: Path) -> None:
    """Make a folder for results.

    Raises
    ------
    InputError
        It cannot be made or written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        if error.errno == errno.ENOSPC:
            raise StorageError(f"{folder} cannot be made: {error.strerror}") from None
        raise _not_a_folder(folder, error) from None


def _not_a_folder(folder: Path, error: OSError) -> InputError:
    return InputError(f"results: {folder}", f"not a folder to write to ({error.strerror})", "must be one")


def write_text(path: Path, text: str) -> None:
    """Write a text file whole."""
    with whole_file(path) as partial:
        partial.write_text(text, encoding="utf-8", newline="\n")


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file whole."""
    with whole_file(path) as partial:
        partial.write_bytes(content)


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write a JSON file whole."""
    write_text(path, json.dumps(content, indent=2, sort_keys=False, default=str) + "\n")


def read_fingerprint(path: Path) -> str | None:
    """Return the fingerprint that a result carries; None where it is missing or not readable."""
    if not path.is_file():
        return None
    try:
        with LIBRARY, netCDF4.Dataset(path) as file:
            return str(file.getncattr("fingerprint"))
    except (OSError, AttributeError):
        return None


def read_origin(path: Path) -> dict[str, str] | None:
    """Return what a result says of its making, as text attributes; None where it is missing or not readable."""
    if not path.is_file():
        return None
    try:
        with LIBRARY, netCDF4.Dataset(path) as file:
            return {name: str(file.getncattr(name)) for name in file.ncattrs()}
    except (OSError, AttributeError, RuntimeError):
        return None


@dataclass(frozen=True)
class StoredMaps:
    """A variable (time, y, x) of a result, opened for each block that is read and closed again.

    No handle outlives a read: a result may be replaced while a dataset of the old one is still about.
    """

    path: Path
    name: str
    shape: tuple[int, ...]
    dtype: np.dtype[Any]

    ndim = 3

    def __getitem__(self, index: tuple[slice, ...]) -> npt.NDArray[Any]:
        """Return a block, as dask asks for it."""
        with LIBRARY, netCDF4.Dataset(self.path) as file:
            file.set_auto_mask(False)
            return np.asarray(file[self.name][index])


def open_result(path: Path) -> xr.Dataset:
    """Open a result: large maps over time lazily, in blocks of some megabytes along it, all else in memory."""
    with (
        LIBRARY,
        uninterrupted(),
        xr.open_dataset(path, engine="netcdf4", decode_timedelta=False, cache=False) as stored,
    ):
        over_time = [n for n, v in stored.data_vars.items() if v.dims[:1] == ("time",) and v.ndim == 3]
        lazy = [str(name) for name in over_time if stored[name].nbytes > AT_ONCE_BYTES]
        dataset = stored.drop_vars(lazy).load().drop_attrs(deep=False)
        maps = {name: stored[name].variable for name in lazy}
        described = {name: (v.dims, v.shape, v.dtype, dict(v.attrs)) for name, v in maps.items()}
    opened = {}
    for name, (dims, shape, dtype, attributes) in described.items():
        chunks = (max(1, BLOCK_BYTES // (4 * shape[1] * shape[2])), -1, -1)
        maps_of = StoredMaps(path, name, shape, dtype)
        nothing = np.empty((0, 0, 0), dtype=dtype)  # else dask opens the file to see what it reads
        blocks = da.from_array(maps_of, chunks=chunks, asarray=False, fancy=False, meta=nothing)
        opened[name] = (dims, blocks, attributes)
    return dataset.assign(opened)


def write_result(
    path: Path, dataset: xr.Dataset, *, attributes: Mapping[str, str], history: str
) -> Iterator[tuple[int, int]]:
    """Write a NetCDF-4 file, lazy variables a block of time at a time; yield (blocks written, blocks in all).

    Everything that is lazy has ``time`` as its first dimension and the same blocks along it, so one pass over the
    frames serves all variables and memory does not grow with their number.
    """
    dataset = label(dataset)
    dataset.attrs = {
        "Conventions": CONVENTIONS,
        "title": str(dataset.attrs.get("title", "")),
        "source": f"heatwake {__version__}",
        "history": history,
        **attributes,
    }
    lazy = [str(name) for name, variable in dataset.data_vars.items() if variable.chunks]
    with whole_file(path) as partial:
        with LIBRARY, uninterrupted():
            _encodable(dataset.drop_vars(lazy)).to_netcdf(partial, engine="netcdf4", encoding=_encodings(dataset, lazy))
        yield from _append(partial, dataset[lazy])


def _append(path: Path, dataset: xr.Dataset) -> Iterator[tuple[int, int]]:
    if not dataset.data_vars:
        yield 1, 1
        return
    blocks = dataset.chunks["time"]
    ends = np.cumsum(blocks).tolist()
    tasks = ((dataset.isel(time=slice(end - size, end)),) for end, size in zip(ends, blocks, strict=True))
    with LIBRARY, netCDF4.Dataset(path, "a") as file:
        for name, variable in dataset.data_vars.items():
            _create(file, str(name), variable)
    # blocks are made by this process's threads while the one before is written: lazy maps don't travel
    threads = Threads(dask.config.get("num_workers", None))
    for number, (end, made) in enumerate(zip(ends, threads.in_order(_computed, tasks), strict=True), start=1):
        with LIBRARY, netCDF4.Dataset(path, "a") as file:
            for name, values in made.items():
                file[name][end - len(values) : end] = values
        yield number, len(blocks)


def _computed(block: xr.Dataset) -> dict[str, npt.NDArray[Any]]:
    arrays = {str(name): variable.data for name, variable in block.items()}
    made: dict[str, npt.NDArray[Any]] = dask.base.compute(arrays, scheduler="synchronous")[0]
    return made


def _create(file: netCDF4.Dataset, name: str, variable: xr.DataArray) -> None:
    for dim, size in zip(variable.dims, variable.shape, strict=True):
        if dim not in file.dimensions:
            file.createDimension(str(dim), size)
    fill = np.float32(np.nan) if variable.dtype.kind == "f" else None
    made = file.createVariable(
        name,
        variable.dtype.str[1:],
        tuple(map(str, variable.dims)),
        zlib=True,
        complevel=1,
        shuffle=True,
        fill_value=fill,
        chunksizes=(1, *variable.shape[1:]),
        least_significant_digit=DIGITS.get(name),
    )
    made.setncatts(variable.attrs)
    coordinates = " ".join(str(c) for c in variable.coords if c not in variable.dims and variable[c].ndim <= 1)
    if coordinates:
        made.setncattr("coordinates", coordinates)


def _encodable(dataset: xr.Dataset) -> xr.Dataset:
    """NetCDF refuses None, bool and dict attributes; single numbers that are not known are written as NaN already."""
    for variable in dataset.variables.values():
        variable.encoding = {}
    return dataset


def _encodings(dataset: xr.Dataset, lazy: list[str]) -> dict[Any, dict[str, Any]]:
    encodings: dict[Any, dict[str, Any]] = {}
    for name, variable in dataset.variables.items():
        if name in lazy:
            continue
        if name == "time":
            encodings[name] = {"units": "microseconds since 1970-01-01 00:00:00", "dtype": "int64"}
        elif variable.dtype.kind == "f":
            encodings[name] = {"_FillValue": None if name in dataset.dims else np.nan}
            if variable.ndim >= 2:
                encodings[name] |= {"zlib": True, "complevel": 1, "dtype": "float32"}
    return encodings


def settings_json(settings: Mapping[str, Any]) -> str:
    """Return settings as one JSON line, keys sorted: NetCDF attributes hold no dictionaries."""
    return json.dumps(settings, sort_keys=True, default=str)


def read_json(path: Path) -> dict[str, Any]:
    """Return a JSON file's object; an empty one where the file is missing or damaged."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}
