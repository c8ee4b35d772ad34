"""A folder of results as one tree: a group a session, a group in it each file."""

from collections.abc import Iterator
from pathlib import Path

import xarray as xr

from heatwake.errors import InputError
from heatwake.store import results


def open_results(path: Path) -> xr.DataTree:
    """Return every data set below a folder of results; large maps stay on disk until they are asked for.

    Parameters
    ----------
    path : Path
        Folder of a run's results, or of one session's.

    Returns
    -------
    DataTree
        ``tree["fan_out/regions"]`` is that session's ``regions.nc``, ``tree["comparison"]`` the comparison; attributes
        are those of the file.

    Raises
    ------
    InputError
        There is no such folder, or no data set in it.
    """
    if not path.is_dir():
        raise InputError("results", str(path), "must be a folder of results")
    groups = {group: _opened(file) for group, file in _files(path)}
    if not groups:
        raise InputError("results", str(path), "must hold data sets: a folder that heatwake run has written to")
    return xr.DataTree.from_dict(groups, name=path.resolve().name)


def _files(path: Path) -> Iterator[tuple[str, Path]]:
    """Yield each data set with its place in the tree: those of all sessions last."""
    for file in sorted(path.glob("*.nc")):
        yield file.stem, file
    for file in sorted(path.glob("*/*.nc")):
        yield f"{file.parent.name}/{file.stem}", file


def _opened(file: Path) -> xr.Dataset:
    return results.open_result(file).assign_attrs(results.read_origin(file) or {})
