"""Means of the frames of each analysis step, put aside until it is known how the camera moved."""

from dataclasses import dataclass
from typing import Any

import dask.array as da
import numpy as np
import numpy.typing as npt

from heatwake.workers import Shelf, shelf

Array = npt.NDArray[Any]


@dataclass
class BinSum:
    """Sum of some frames of one analysis step.

    Attributes
    ----------
    number : int
        Of the step.
    total : (rows, columns) float64 array or None
        Sum of blackbody radiances [W m-2 sr-1]; None where no frame took part.
    count : int
        Frames that took part.
    """

    number: int
    total: Array | None
    count: int

    def add(self, other: "BinSum") -> None:
        """Add the sum of other frames of the same step."""
        if other.total is not None:
            self.total = other.total if self.total is None else self.total + other.total
            self.count += other.count

    def mean(self, shape: tuple[int, int]) -> Array:
        """Return the mean (rows, columns), float32; NaN where no frame took part."""
        if self.total is None:
            return np.full(shape, np.nan, dtype=np.float32)
        return np.asarray(self.total / self.count, dtype=np.float32)


class BinMeans:
    """Means of the bins, put aside as soon as a bin is complete."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self._shape = shape
        self._shelf = shelf(shape)
        self._open: BinSum | None = None
        self._bins = 0

    def add(self, sums: list[BinSum]) -> None:
        """Add the sums of a block; its first bin may go on from the block before."""
        for one in sums:
            if self._open is not None and self._open.number == one.number:
                self._open.add(one)
                continue
            self._close()
            self._open = one

    def means(self) -> da.Array:
        """Return the means (bin, row, column), lazily."""
        self._close()
        kept = _Shelved(self._shelf, (self._bins, *self._shape))
        lazy: da.Array = da.from_array(kept, chunks=(1, -1, -1), asarray=False, fancy=False, meta=np.empty(0))
        return lazy

    def _close(self) -> None:
        if self._open is not None:
            self._shelf.put(self._open.number, self._open.mean(self._shape))
            self._bins = self._open.number + 1
            self._open = None


@dataclass(frozen=True)
class _Shelved:
    """Pictures on a shelf, as dask asks for them."""

    shelf: Shelf
    shape: tuple[int, ...]
    dtype = np.dtype(np.float32)
    ndim = 3

    def __getitem__(self, index: tuple[slice, slice, slice]) -> Array:
        numbers = range(*index[0].indices(self.shape[0]))
        return np.stack([self.shelf.get(number) for number in numbers])[:, index[1], index[2]]
