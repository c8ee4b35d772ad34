"""What a reader gives: a stack of frames that is read a slice at a time."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Recording:
    """Frames on disk, opened but not read.

    Attributes
    ----------
    shape : (int, int, int)
        Frames, rows, columns.
    dtype : numpy dtype
        Of the stored values.
    read : callable
        ``read(start, stop)`` returns those frames, (stop - start, rows, columns).
    files : tuple of Path
        Every file that holds frames, in order: what a digest is taken of.
    """

    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    read: Callable[[int, int], Array]
    files: tuple[Path, ...]

    ndim = 3

    def __getitem__(self, index: tuple[slice, slice, slice]) -> Array:
        """Return a block, as dask asks for it."""
        frames, rows, columns = index
        start, stop, step = frames.indices(self.shape[0])
        return self.read(start, stop)[::step, rows, columns]
