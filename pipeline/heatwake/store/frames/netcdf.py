"""A variable of a NetCDF or HDF5 file."""

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import netCDF4
import numpy as np
import numpy.typing as npt

from heatwake.errors import InputError, one_line, shorten
from heatwake.schema.settings import LONG
from heatwake.store.frames.bounds import MOST_FRAMES, require_chunk, require_stack
from heatwake.store.frames.choice import TIME_NAMES, Packing, choose, frame_order, own_times, packing, unit_of
from heatwake.store.frames.recording import Array, OwnTimes, Recording
from heatwake.store.frames.trial import try_first
from heatwake.store.machine import LIBRARY

WANTED: Final = "must be a whole NetCDF or HDF5 file"
DEEPEST: Final = 16  # groups in groups
MOST_VARIABLES: Final = 10_000


@dataclass(frozen=True)
class Chosen:
    """A variable by its path, which of its dimensions are frames, rows and columns, and how it is packed."""

    name: str
    order: tuple[int, int, int]
    packed: Packing


def open_netcdf(paths: list[Path], *, key: str, variable: str | None = None) -> Recording:
    """Open one variable of a file, in a group as ``group/name``; dimensions by CF axes, by name, or in this order.

    Raises
    ------
    InputError
        The file is damaged, the variable is not there or is no stack of numbers.
    """
    path, where = paths[0], f"{key}: {paths[0]}"
    if len(paths) > 1:
        raise InputError(key, f"{len(paths)} files", "must be one file that holds all frames")
    try:
        with LIBRARY:  # nobody else is in the library when the process is copied
            try_first(partial(_try, path, variable, key))
        with LIBRARY, netCDF4.Dataset(path) as file:
            return _describe(file, path, variable=variable, key=key)[0]
    except InputError:
        raise
    except Exception as error:  # a damaged file fails in many ways
        raise _unreadable(where, error) from None


def _try(path: Path, variable: str | None, key: str) -> None:
    """Open a file and read its first, middle and last frame, in a copy of the process."""
    with netCDF4.Dataset(path) as file:
        recording, chosen = _describe(file, path, variable=variable, key=key)
        for number in (0, recording.shape[0] // 2, recording.shape[0] - 1):
            _stored(file, chosen, np.array([number]))


def stacks_in_netcdf(path: Path, *, key: str) -> list[str]:
    """Return the names of the stacks of frames in a file."""
    try:
        with LIBRARY, netCDF4.Dataset(path) as file:
            return [name for name, one in _variables(file).items() if one.ndim == 3 and _is_number(one)]
    except Exception as error:
        raise _unreadable(f"{key}: {path}", error) from None


def _describe(file: netCDF4.Dataset, path: Path, *, variable: str | None, key: str) -> tuple[Recording, Chosen]:
    where = f"{key}: {path}"
    variables = _variables(file)
    stacks = [name for name, one in variables.items() if one.ndim == 3 and _is_number(one)]
    name = choose(variable and variable.strip("/"), found=list(variables), fit=stacks, where=where)
    chosen = variables[name]
    attributes = _attributes(chosen)
    coordinates = {dim: _coordinate(variables, name, dim) for dim in chosen.dimensions}
    order = frame_order(
        chosen.dimensions, {dim: _attributes(one) for dim, one in coordinates.items() if one is not None}
    )
    count, rows, columns = (int(chosen.shape[place]) for place in order)
    require_stack((count, rows, columns), where=f"{where}: {name}")
    chunks = chosen.chunking()
    if isinstance(chunks, list):
        require_chunk(chunks, chosen.dtype, where=f"{where}: {name}")
    packed = packing(attributes, where=f"{where}: {name}")
    times = _times(variables, name, chosen.dimensions[order[0]], count=count, where=where)
    found = Chosen(name, order, packed)
    recording = Recording(
        (count, rows, columns),
        packed.dtype(chosen.dtype.newbyteorder("=")),
        partial(_read, path, key, found),
        np.arange(count),
        (path,),
        times=times,
        unit=unit_of(attributes),
    )
    return recording, found


def _variables(group: Any, prefix: str = "", depth: int = 0) -> dict[str, Any]:
    """Return every variable by its path."""
    found = {f"{prefix}{name}": variable for name, variable in group.variables.items()}
    if depth < DEEPEST:
        for name, inner in group.groups.items():
            found |= _variables(inner, f"{prefix}{name}/", depth + 1)
            if len(found) > MOST_VARIABLES:
                raise ValueError(f"more than {MOST_VARIABLES} variables")
    return found


def _is_number(variable: Any) -> bool:
    return isinstance(variable.dtype, np.dtype) and variable.dtype.kind in "uif"


def _attributes(variable: Any) -> dict[str, Any]:
    return {name: variable.getncattr(name) for name in variable.ncattrs()}


def _coordinate(variables: dict[str, Any], name: str, dim: str) -> Any:
    """Return the variable of a dimension's name, in the group of the recording or the file's own; None if none is."""
    group = name.rpartition("/")[0]
    return variables.get(f"{group}/{dim}" if group else dim, variables.get(dim))


def _times(variables: dict[str, Any], name: str, dim: str, *, count: int, where: str) -> OwnTimes | None:
    for candidate in (dim, *TIME_NAMES):
        one = _coordinate(variables, name, candidate)
        if one is None or one.shape != (count,) or not _is_number(one) or count > MOST_FRAMES:
            continue
        one.set_auto_maskandscale(False)
        if (times := own_times(np.asarray(one[:]), _attributes(one), where=f"{where}: {candidate}")) is not None:
            return times
    return None


def _read(path: Path, key: str, chosen: Chosen, numbers: npt.NDArray[np.int64]) -> Array:
    try:
        with LIBRARY, netCDF4.Dataset(path) as file:
            stored = _stored(file, chosen, numbers)
    except Exception as error:
        raise _unreadable(f"{key}: {path}", error) from None
    stored = stored.astype(stored.dtype.newbyteorder("="), copy=False)
    return chosen.packed.unpack(np.ascontiguousarray(stored.transpose(chosen.order)))


def _stored(file: netCDF4.Dataset, chosen: Chosen, numbers: npt.NDArray[np.int64]) -> Array:
    """Return frames as stored, dimensions as in the file."""
    first, last = int(numbers[0]), int(numbers[-1])
    step = int(numbers[1]) - first if len(numbers) > 1 else 1
    selection: list[slice] = [slice(None)] * 3
    selection[chosen.order[0]] = slice(first, last + 1, step)
    variable = file[chosen.name]
    variable.set_auto_maskandscale(False)
    return np.asarray(variable[tuple(selection)])


def _unreadable(where: str, error: Exception) -> InputError:
    return InputError(where, f"unreadable ({shorten(one_line(str(error) or type(error).__name__), LONG)})", WANTED)
