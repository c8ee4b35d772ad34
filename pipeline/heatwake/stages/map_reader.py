"""Maps of a session out of their file, a few at a time."""

from collections.abc import Iterable, Iterator
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

AT_HAND_BYTES: Final = 2**26  # of maps that are kept in memory while pages are made
SHOWN: Final = ("temperature_rise", "temperature_uncertainty")
_AT_ONCE: Final = 16  # maps at most: a stored block is unpacked whole, however few of its maps are asked for


def maps_at(maps: xr.DataArray, steps: Iterable[int]) -> Iterator[npt.NDArray[Any]]:
    """Yield the maps (y, x) at rising ``steps`` of time; neighbours are read together, never more than a few."""
    ordered = maps.transpose("time", "y", "x")
    group: list[int] = []
    for step in (*map(int, steps), None):
        if group and (step is None or step - group[0] >= _AT_ONCE):
            block = ordered.isel(time=slice(group[0], group[-1] + 1)).to_numpy()
            yield from (block[one - group[0]] for one in group)
            group = []
        if step is not None:
            group.append(step)


def at_hand(results: xr.Dataset, *, most: int = AT_HAND_BYTES) -> xr.Dataset:
    """Return results whose maps that pages show are in memory, if they take no more than ``most`` bytes.

    Who reads a few maps here and there then does not open the file each time.
    """
    known = [name for name in SHOWN if name in results]
    if sum(results[name].nbytes for name in known) > most:
        return results
    return results.assign({name: results[name].variable.copy(data=results[name].to_numpy()) for name in known})


def mean_map(maps: xr.DataArray, steps: Iterable[int]) -> npt.NDArray[np.float64]:
    """Return the mean (y, x) of the maps at rising ``steps`` of time; NaN where none is seen."""
    total = np.zeros((maps.sizes["y"], maps.sizes["x"]))
    count = np.zeros_like(total)
    for values in maps_at(maps, steps):
        seen = np.isfinite(values)
        total[seen] += values[seen]
        count += seen
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
