"""The frames of a session as blocks that are read, and mended, wherever somebody works on them."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.frame_reduction import FrameReducer
from heatwake.kernels.pixel_faults import NONE, SATURATED
from heatwake.kernels.pixel_repair import Repair, plan_repair
from heatwake.stages.band import band_table

Array = npt.NDArray[Any]

BLOCK_BYTES: Final = 16 * 2**20  # of stored values; two blocks a thread are alive at a time
AS_STORED: Final = ("stored_level", "stored_temperature")  # of which a slice reads no more than its frames


@dataclass(frozen=True, eq=False)
class Mending:
    """What is done to frames as they are read: faulty pixels repaired, readings beyond the range taken for bounds.

    Attributes
    ----------
    repair : Repair or None
    temperatures : (65536,) array or None
        Of stored levels, where frames hold those; what of them is a bound stands there.
    below, above : float
        Temperatures from where on readings are bounds, where frames hold temperatures [degC]; NaN for none.
    """

    repair: Repair | None
    temperatures: Array | None
    below: float
    above: float

    def apply(self, frames: Array) -> Array:
        """Return frames (n, rows, columns) mended; bounds of temperatures become infinite."""
        if self.temperatures is None:
            if np.isfinite([self.below, self.above]).any():
                bounded = np.where(frames >= self.above, np.inf, np.where(frames <= self.below, -np.inf, frames))
                frames = bounded.astype(frames.dtype)
            return frames if self.repair is None else self.repair.apply(frames)
        if self.repair is None:
            return frames
        no_reading = int(np.argmax(np.isnan(self.temperatures)))
        return self.repair.apply(frames, temperatures=self.temperatures, no_reading=no_reading)


@dataclass(frozen=True)
class FrameBlock:
    """Some frames that follow each other, not read yet.

    Attributes
    ----------
    start, stop : int
        Number of the first, and the number after the last.
    values : DataArray
        (frame, row, column), stored levels or temperatures.
    mending : Mending or None
        What is done to them.
    """

    start: int
    stop: int
    values: xr.DataArray
    mending: Mending | None = None

    def read(self) -> Array:
        """Return the values, mended; read in this thread."""
        whole = self.values.chunks is not None
        values = np.asarray(self.values.data.compute(scheduler="synchronous")) if whole else self.values.to_numpy()
        return values if self.mending is None else self.mending.apply(values)


def some_frames(session: xr.Dataset, start: int, stop: int) -> FrameBlock:
    """Return the frames from ``start`` to ``stop - 1``, as they are stored where the session has them so."""
    name = next(name for name in (*AS_STORED, "indicated_temperature") if name in session)
    values = session[name].drop_vars(session[name].coords).transpose("frame", "row", "column")
    return FrameBlock(start, stop, values[start:stop], mending_of(session))


def mending_of(session: xr.Dataset, *, as_levels: bool = True) -> Mending | None:
    """Return what is done to a session's frames as they are read; None where all is well, or nobody looked.

    ``as_levels`` False is for temperatures of the same camera though the session's frames hold levels.
    """
    if "pixel_fault" not in session:
        return None
    flags = session["pixel_fault"].to_numpy()
    faulty = bool(((flags > NONE) & (flags < SATURATED)).any())
    repair = _planned(flags.tobytes(), flags.shape) if faulty else None
    below, above = float(session["range_low"]), float(session["range_high"])
    if as_levels and "stored_level" in session:
        return Mending(repair, session["level_temperature"].to_numpy(), below, above) if repair is not None else None
    return Mending(repair, None, below, above) if faulty or np.isfinite([below, above]).any() else None


@lru_cache(maxsize=4)
def _planned(flags: bytes, shape: tuple[int, ...]) -> Repair:
    return plan_repair(np.frombuffer(flags, dtype=np.int8).reshape(shape))


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
