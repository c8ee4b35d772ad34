"""What is made of a frame's pixels: its share of a mean radiance, and a small picture to measure movement by.

Radiances are rounded to multiples of 2**-20 W m-2 sr-1 (some microkelvin) and summed in float64, where such sums are
exact up to 8e9 W m-2 sr-1: a mean does not depend on how the frames were cut into blocks.
"""

from math import floor
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from heatwake.kernels.compiled import compiled
from heatwake.kernels.planck import BandTable

Array = npt.NDArray[np.floating[Any]]

QUANTA: Final = 2.0**20  # per W m-2 sr-1
SMALL_PIXELS: Final = 120_000  # of a picture to measure movement by: more do not make it better


def shrink_factor(shape: tuple[int, ...]) -> int:
    """Return how many pixels a side make one of the small picture.

    Examples
    --------
    >>> [shrink_factor(shape) for shape in ((120, 160), (240, 320), (512, 640), (768, 1024))]
    [1, 1, 2, 3]
    """
    return max(1, min(*shape, int(np.ceil(np.sqrt(shape[0] * shape[1] / SMALL_PIXELS)))))


def small_shape(shape: tuple[int, ...]) -> tuple[int, int]:
    """Return the rows and columns of the small picture; pixels left over at the right and below are left out."""
    factor = shrink_factor(shape)
    return shape[0] // factor, shape[1] // factor


class FrameReducer:
    """Reduces frames of stored levels, or of temperatures, to small pictures and to sums of radiance.

    Parameters
    ----------
    table : BandTable
        The camera's band.
    level_temperatures : (65536,) array, optional
        Temperature of every 16-bit level [degC]; NaN for levels that are no reading, infinite for those that are bounds
        of one. Without it frames hold temperatures, likewise.
    """

    def __init__(self, table: BandTable, level_temperatures: Array | None = None) -> None:
        self._grid = table.radiances.values
        self._low, self._per_cell = table.grid
        self._temperatures: Array | None = None
        if level_temperatures is not None:
            self._is_reading = ~np.isnan(level_temperatures)
            known = np.where(np.isfinite(level_temperatures), level_temperatures, np.nan)
            self._temperatures = np.ascontiguousarray(known, dtype=np.float32)
            self._radiances = np.zeros(len(level_temperatures))
            add_temperatures(self._temperatures[None], self._grid, self._low, self._per_cell, self._radiances[None])

    def has_reading(self, frame: npt.NDArray[Any]) -> bool:
        """Tell whether any pixel of a frame has a reading, be it a bound."""
        return bool((~np.isnan(frame) if self._temperatures is None else self._is_reading[frame]).any())

    def small(self, frame: npt.NDArray[Any]) -> Array:
        """Return the small picture of a frame: mean temperatures [degC], float32, NaN where a pixel has no reading.

        Parameters
        ----------
        frame : (rows, columns) array
            uint16 levels, or temperatures [degC].
        """
        rows, columns = small_shape(frame.shape)
        factor = shrink_factor(frame.shape)
        if self._temperatures is None:
            whole = np.asarray(frame[: rows * factor, : columns * factor], dtype=np.float32)
            made = np.asarray(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA))
            made[np.isinf(made)] = np.nan
            return made
        small = np.empty((rows, columns), dtype=np.float32)
        shrink_levels(np.ascontiguousarray(frame), self._temperatures, factor, small)
        return small

    def add(self, frame: npt.NDArray[Any], total: Array) -> None:
        """Add the blackbody radiances of a frame's temperatures to a sum.

        Parameters
        ----------
        frame : (rows, columns) array
            As for :meth:`small`.
        total : (rows, columns) float64 array
            [W m-2 sr-1], changed in place; NaN where a pixel has no reading.
        """
        if self._temperatures is None:
            values = np.ascontiguousarray(frame, dtype=np.float32)
            add_temperatures(values, self._grid, self._low, self._per_cell, total)
        else:
            add_levels(np.ascontiguousarray(frame), self._radiances, total)


@compiled("void(uint16[:, ::1], float32[::1], int64, float32[:, ::1])")
def shrink_levels(levels, temperatures, factor, small):  # type: ignore[no-untyped-def]
    """Set the small picture to mean temperatures of levels."""
    for r in range(small.shape[0]):
        for c in range(small.shape[1]):
            total = np.float32(0)
            for i in range(r * factor, (r + 1) * factor):
                for j in range(c * factor, (c + 1) * factor):
                    total += temperatures[levels[i, j]]
            small[r, c] = total / np.float32(factor * factor)


@compiled("void(uint16[:, ::1], float64[::1], float64[:, ::1])")
def add_levels(levels, radiances, total):  # type: ignore[no-untyped-def]
    """Add the radiances of levels to a sum."""
    for r in range(levels.shape[0]):
        for c in range(levels.shape[1]):
            total[r, c] += radiances[levels[r, c]]


@compiled("void(float32[:, ::1], float64[::1], float64, float64, float64[:, ::1])")
def add_temperatures(frame, grid, low, per_cell, total):  # type: ignore[no-untyped-def]
    """Add radiances of temperatures to a sum, by interpolation between those at even temperatures."""
    last = len(grid) - 1
    for r in range(frame.shape[0]):
        for c in range(frame.shape[1]):
            place = (frame[r, c] - low) * per_cell
            if 0 <= place < last:
                cell = int(place)
                value = grid[cell] + (place - cell) * (grid[cell + 1] - grid[cell])
                total[r, c] += floor(value * QUANTA + 0.5) / QUANTA
            else:
                total[r, c] = np.nan
