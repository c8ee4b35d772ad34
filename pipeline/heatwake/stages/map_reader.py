"""Maps of a session out of their file, a few at a time."""

from collections.abc import Iterable, Iterator
from typing import Any, Final

import numpy.typing as npt
import xarray as xr

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
