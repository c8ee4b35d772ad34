"""The frames of a session as blocks that are read wherever somebody works on them."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.frame_reduction import FrameReducer
from heatwake.stages.band import band_table

Array = npt.NDArray[Any]

BLOCK_BYTES: Final = 16 * 2**20  # of stored values; two blocks a thread are alive at a time


@dataclass(frozen=True)
class FrameBlock:
    """Some frames that follow each other, not read yet.

    Attributes
    ----------
    start, stop : int
        Number of the first, and the number after the last.
    values : DataArray
        (frame, row, column), stored levels or temperatures.
    """

    start: int
    stop: int
    values: xr.DataArray

    def read(self) -> Array:
        """Return the values; read in this thread."""
        if self.values.chunks is not None:
            return np.asarray(self.values.data.compute(scheduler="synchronous"))
        return self.values.to_numpy()


def some_frames(session: xr.Dataset, start: int, stop: int) -> FrameBlock:
    """Return the frames from ``start`` to ``stop - 1``: as stored where their levels' temperatures are known."""
    name = "stored_level" if "stored_level" in session else "indicated_temperature"
    values = session[name].drop_vars(session[name].coords).transpose("frame", "row", "column")
    return FrameBlock(start, stop, values[start:stop])


def frame_blocks(session: xr.Dataset) -> list[FrameBlock]:
    """Return all frames in blocks; a recording that is chunked keeps its chunks."""
    whole = some_frames(session, 0, session.sizes["frame"]).values
    per_frame = whole.dtype.itemsize * whole.sizes["row"] * whole.sizes["column"]
    even = max(1, BLOCK_BYTES // per_frame)
    sizes = [even] * -(-len(whole) // even) if whole.chunks is None else [*whole.chunks[0]]
    stops = np.cumsum(sizes).clip(max=len(whole)).tolist()
    return [some_frames(session, start, stop) for start, stop in zip([0, *stops[:-1]], stops, strict=True)]


def reducer_for(session: xr.Dataset) -> FrameReducer:
    """Return what reduces the session's frames."""
    levels = session["level_temperature"].to_numpy() if "stored_level" in session else None
    return FrameReducer(band_table(session), levels)
