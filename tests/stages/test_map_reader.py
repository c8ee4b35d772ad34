"""Maps out of their file, a few at a time."""

import numpy as np
import pytest
import xarray as xr

from heatwake.stages.map_reader import maps_at


@pytest.mark.parametrize("steps", [[], [0], [3, 3, 4], [0, 15, 16, 17, 39], list(range(40)), [0, 10, 20, 30]])
def test_maps_are_those_asked_for_and_few_are_read_at_once(steps):
    values = np.random.default_rng(1).normal(size=(40, 3, 2))
    read: list[int] = []

    def note(block, block_info):
        read.append(int(block_info[0]["chunk-location"][-1]))
        return block

    lazy = xr.DataArray(values, dims=("time", "y", "x")).transpose("y", "x", "time").chunk(time=1)
    noted = lazy.copy(data=lazy.data.map_blocks(note, dtype=lazy.dtype, meta=np.empty((0, 0, 0)))).transpose("x", ...)
    found, most = [], 0
    for picture in maps_at(noted, steps):
        most = max(most, len(read))
        read.clear()
        found.append(picture)
    assert len(found) == len(steps)
    assert all(np.array_equal(picture, values[step]) for picture, step in zip(found, steps, strict=True))
    assert most <= 16
