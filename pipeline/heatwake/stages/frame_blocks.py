"""The frames of a session as blocks that are read, and folded, wherever somebody works on them."""

from dataclasses import dataclass
from typing import Any, Final

import dask.array as da
import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.frame_fold import Folder
from heatwake.kernels.planck import BandTable

Array = npt.NDArray[Any]

BLOCK_FRAMES: Final = 32  # read together where the recording isn't chunked
DIMS: Final = ("frame", "row", "column")


@dataclass(frozen=True)
class FrameBlock:
    """Some frames that follow each other.

    Attributes
    ----------
    start : int
        Number of the first.
    values : array
        (frame, row, column), stored levels or temperatures; lazy, and self-contained.
    """

    start: int
    values: Array | da.Array

    @property
    def stop(self) -> int:
        """Number after the last."""
        return self.start + len(self.values)

    def read(self) -> Array:
        """Return the values; read in this thread."""
        if isinstance(self.values, da.Array):
            return np.asarray(self.values.compute(scheduler="synchronous"))
        return self.values


def frame_values(session: xr.Dataset) -> Array | da.Array:
    """Return the frames as stored where their levels' temperatures are known, else as temperatures."""
    name = "stored_level" if "stored_level" in session else "indicated_temperature"
    values: Array | da.Array = session[name].transpose(*DIMS).data
    return values


def frame_blocks(session: xr.Dataset) -> list[FrameBlock]:
    """Return all frames in blocks as the recording is chunked."""
    values = frame_values(session)
    sizes = values.chunks[0] if isinstance(values, da.Array) else (BLOCK_FRAMES,) * -(-len(values) // BLOCK_FRAMES)
    starts = np.cumsum([0, *sizes[:-1]])
    return [FrameBlock(int(start), values[start : start + size]) for start, size in zip(starts, sizes, strict=True)]


def some_frames(session: xr.Dataset, start: int, stop: int) -> FrameBlock:
    """Return the frames from ``start`` to ``stop - 1``."""
    return FrameBlock(start, frame_values(session)[start:stop])


def folder_for(session: xr.Dataset) -> Folder:
    """Return what folds the session's frames."""
    levels = session["level_temperature"].to_numpy() if "stored_level" in session else None
    band = (float(session[name]) if name in session else end for name, end in (("band_low", 7.5), ("band_high", 14.0)))
    return Folder(BandTable.for_band(*band), levels)
