"""A recording's frames as variables of a session: temperatures in blocks, and frames one by one as a run reads them."""

from collections.abc import Callable
from functools import partial
from typing import Any, Final

import dask.array as da
import numpy as np
import numpy.typing as npt
from xarray.backends import BackendArray
from xarray.core import indexing

from heatwake.schema.session import Frames
from heatwake.store.calibration import Calibration
from heatwake.store.frames import Recording

Array = npt.NDArray[Any]
Convert = Callable[[Array], npt.NDArray[np.float32]]

BLOCK_BYTES: Final = 32 * 2**20  # of float32 frames; two blocks a thread are alive at a time
LEVELS: Final = 2**16  # that two bytes tell apart
KELVIN: Final = 273.15
DIMS: Final = ("frame", "row", "column")


def frame_arrays(recording: Recording, frames: Frames, *, calibration: Calibration | None) -> dict[str, Any]:
    """Return the frames, lazily: ``indicated_temperature`` in blocks, and what a run reads its frames from.

    That is ``stored_level`` with ``level_temperature`` where two bytes hold a value, else ``stored_temperature``. A
    slice of either reads its frames and no other, which a slice of blocks does not.
    """
    convert = _conversion(recording, frames, calibration=calibration)
    arrays: dict[str, Any] = {"indicated_temperature": (DIMS, _in_blocks(recording, convert))}
    if recording.dtype == np.uint16:
        arrays["stored_level"] = (DIMS, indexing.LazilyIndexedArray(StoredFrames(recording)))
        arrays["level_temperature"] = ("level", convert(np.arange(LEVELS, dtype=np.uint16)))
    else:
        arrays["stored_temperature"] = (DIMS, indexing.LazilyIndexedArray(StoredFrames(recording, convert)))
    return arrays


def lazy_temperature(recording: Recording, frames: Frames, *, calibration: Calibration | None) -> da.Array:
    """Return temperatures [degC] as the camera wrote them, float32, NaN where there is no reading; lazy, in blocks."""
    return _in_blocks(recording, _conversion(recording, frames, calibration=calibration))


class StoredFrames(BackendArray):
    """A recording as xarray reads it: a slice reads its frames and no other.

    Parameters
    ----------
    recording : Recording
    convert : callable, optional
        Makes temperatures of stored values.
    """

    def __init__(self, recording: Recording, convert: Convert | None = None) -> None:
        self.recording = recording
        self.convert = convert
        self.shape = recording.shape
        self.dtype = recording.dtype if convert is None else np.dtype(np.float32)

    def __getitem__(self, key: indexing.ExplicitIndexer) -> Array:
        """Return what an indexer asks for."""
        values: Array = indexing.explicit_indexing_adapter(key, self.shape, indexing.IndexingSupport.BASIC, self._read)
        return values

    def _read(self, key: tuple[Any, ...]) -> Array:
        frames, rows, columns = key
        single = isinstance(frames, int | np.integer)
        values = self.recording[slice(int(frames), int(frames) + 1) if single else frames, rows, columns]
        converted = values if self.convert is None else self.convert(values)
        return np.asarray(converted[0] if single else converted)


def _in_blocks(recording: Recording, convert: Convert) -> da.Array:
    per_frame = recording.shape[1] * recording.shape[2] * 4
    count = max(1, min(recording.shape[0], BLOCK_BYTES // per_frame))
    stored = da.from_array(recording, chunks=(count, -1, -1), asarray=False, fancy=False, meta=np.empty(0))
    lazy: da.Array = da.map_blocks(convert, stored, dtype=np.float32, meta=np.empty((0, 0, 0), np.float32))
    return lazy


def _conversion(recording: Recording, frames: Frames, *, calibration: Calibration | None) -> Convert:
    """Return the function from stored values to temperatures."""
    return partial(
        _convert,
        scale=frames.scale,
        offset=frames.offset - (KELVIN if frames.unit == "K" else 0.0),
        masked=frames.masked if recording.dtype.kind == "u" else None,
        calibration=calibration,
    )


def _convert(
    block: Array,
    *,
    scale: float,
    offset: float,
    masked: int | None,
    calibration: Calibration | None,
) -> npt.NDArray[np.float32]:
    if block.dtype == np.float32 and scale == 1.0 and offset == 0.0 and calibration is None:
        return np.where(np.isfinite(block), block, np.float32(np.nan))
    values = block.astype(np.float64) * scale + offset
    if calibration is not None:
        values = calibration.temperature(values)
    values[~np.isfinite(values)] = np.nan
    if masked is not None:
        values[block == masked] = np.nan
    return np.asarray(values, dtype=np.float32)
