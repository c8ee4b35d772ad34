"""What a reader gives: a stack of frames that is read a few at a time."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[Any]
Index = npt.NDArray[np.int64] | npt.NDArray[np.float64] | tuple[Path, ...]


@dataclass(frozen=True, eq=False)
class OwnTimes:
    """When a file itself says that its frames were taken.

    Attributes
    ----------
    seconds : (frame,) array
        As the file counts them [s].
    clock : Timestamp or None
        The first frame's clock time (UTC), where the file knows it.
    where : str
        The place in the file, for messages.
    """

    seconds: npt.NDArray[np.float64]
    clock: pd.Timestamp | None
    where: str


@dataclass(frozen=True)
class Recording:
    """Frames on disk, opened but not read. It holds no open file and travels to other processes.

    Attributes
    ----------
    shape : (int, int, int)
        Frames, rows, columns.
    dtype : numpy dtype
        Of the stored values.
    reader : callable
        ``reader(index)`` returns the frames of a part of the index, (frames, rows, columns).
    index : array or tuple of Path
        Where each frame is: places in a file, numbers, or files.
    files : tuple of Path
        Every file that holds frames, in order: what a digest is taken of.
    times : OwnTimes or None
        The file's own time coordinate.
    unit : str
        What the file itself says that a value is, ``degC`` or ``K``; empty where it does not say.
    scale_error : float
        Standard uncertainty of a value for having been read off a colour scale, as a share of the scale's span.
    scale_errors, scale_distance : (rows, columns) array or None
        The same place by place, larger at edges; and how far from the scale's colours those of the place are in the
        mean (CIE L*a*b*).
    """

    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    reader: Callable[[Any], Array]
    index: Index
    files: tuple[Path, ...]
    times: OwnTimes | None = None
    unit: str = ""
    scale_error: float = 0.0
    scale_errors: Array | None = None
    scale_distance: Array | None = None

    ndim = 3

    def read(self, start: int, stop: int) -> Array:
        """Return frames ``start`` to ``stop - 1``, (frames, rows, columns)."""
        return self.reader(self.index[start:stop])

    def __getitem__(self, index: tuple[slice, slice, slice]) -> Array:
        """Return a block, as dask asks for it."""
        frames, rows, columns = index
        return self.reader(self.index[frames])[:, rows, columns]
