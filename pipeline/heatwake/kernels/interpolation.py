"""Pictures on other grids, by cubic convolution.

R. Keys, Cubic convolution interpolation for digital image processing, IEEE ASSP 29 (1981) 1153: four taps a side that
follow any parabola exactly (``a = -1/2``).
"""

from math import floor
from typing import Any, Final

import numba
import numpy as np
import numpy.typing as npt

from heatwake.kernels.compiled import compiled

Array = npt.NDArray[np.floating[Any]]

STILL: Final = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))  # a picture that has not moved
NEAR: Final = 1e-3  # [px] nearer than this to a line of pixels the next one does not count


@numba.njit(inline="always")
def _weights(t: np.float32) -> tuple[np.float32, np.float32, np.float32, np.float32]:
    """Weights of the taps at -1, 0, 1, 2 for a place ``t`` between 0 and 1."""
    half, one = np.float32(0.5), np.float32(1)
    first = -half * t * (one - t) * (one - t)
    last = -half * t * t * (one - t)
    second = one + t * t * (np.float32(1.5) * t - np.float32(2.5))
    return first, second, one - first - second - last, last


@numba.njit(inline="always")
def _clamp(index: int, last: int) -> int:
    return min(max(index, 0), last)


@compiled("float32(float32[:, ::1], int64, int64, float32, float32)")
def _sample_with_care(image, left, top, across, down):  # type: ignore[no-untyped-def]
    """Interpolation at the rim, where the outermost pixel goes on, and beside NaN."""
    last_row, last_column = image.shape[0] - 1, image.shape[1] - 1
    nearest = image[_clamp(top + (down > 0.5), last_row), _clamp(left + (across > 0.5), last_column)]
    wx, wy = _weights(across), _weights(down)
    total = np.float32(0)
    for j in range(4):
        r = _clamp(top - 1 + j, last_row)
        counts = (j == 1 and down < 1 - NEAR) or (j == 2 and down > NEAR)
        for i in range(4):
            value = image[r, _clamp(left - 1 + i, last_column)]
            if value != value:
                if counts and ((i == 1 and across < 1 - NEAR) or (i == 2 and across > NEAR)):
                    return np.float32(np.nan)
                value = nearest
            total += wy[j] * wx[i] * value
    return total


@numba.njit(inline="always")
def sample(image, column, row):  # type: ignore[no-untyped-def]
    """Return the image's value at a place between pixels; NaN outside of it and where a near pixel is NaN.

    Of the four pixels round the place those that count for linear interpolation must be finite; NaN further out is
    taken as the nearest pixel's value.
    """
    last_row, last_column = image.shape[0] - 1, image.shape[1] - 1
    # a thousandth of a pixel is rounding
    if not (-NEAR <= column <= last_column + NEAR and -NEAR <= row <= last_row + NEAR):
        return np.float32(np.nan)
    left, top = floor(column), floor(row)
    across, down = np.float32(column - left), np.float32(row - top)
    wx, wy = _weights(across), _weights(down)
    if 1 <= left < last_column - 1 and 1 <= top < last_row - 1:
        total = np.float32(0)
        for j in range(4):
            r = top - 1 + j
            line = wx[0] * image[r, left - 1] + wx[1] * image[r, left]
            total += wy[j] * (line + wx[2] * image[r, left + 1] + wx[3] * image[r, left + 2])
        if total == total:
            return total
    return _sample_with_care(image, left, top, across, down)


@compiled("void(float32[:, ::1], float64[:, ::1], float32[:, ::1])")
def add_moved(image, mapping, total):  # type: ignore[no-untyped-def]
    """Add the image, seen on another grid, to a sum.

    Parameters
    ----------
    image : (rows, columns) float32 array
        NaN where there is no reading.
    mapping : (3, 3) float64 array
        Homography from (column, row, 1) of the sum to the image.
    total : (rows, columns) float32 array
        Added to in place; NaN wherever the image gives no reading.
    """
    for r in range(total.shape[0]):
        for c in range(total.shape[1]):
            depth = mapping[2, 0] * c + mapping[2, 1] * r + mapping[2, 2]
            column = (mapping[0, 0] * c + mapping[0, 1] * r + mapping[0, 2]) / depth
            row = (mapping[1, 0] * c + mapping[1, 1] * r + mapping[1, 2]) / depth
            total[r, c] += sample(image, column, row)


@compiled("void(float32[:, ::1], float64[:, :, ::1], float64[:, ::1], float32[:, ::1])")
def add_moved_places(image, places, moved, total):  # type: ignore[no-untyped-def]
    """Add the image, seen at given places, to a sum.

    Parameters
    ----------
    image : (rows, columns) float32 array
        NaN where there is no reading.
    places : (2, rows, columns) float64 array
        Column and row of each pixel of the sum; NaN where there is none.
    moved : (2, 3) float64 array
        From (column, row, 1) of a place to the image.
    total : (rows, columns) float32 array
        Added to in place; NaN wherever the image gives no reading.
    """
    for r in range(total.shape[0]):
        for c in range(total.shape[1]):
            across, down = places[0, r, c], places[1, r, c]
            if across == across and down == down:
                column = moved[0, 0] * across + moved[0, 1] * down + moved[0, 2]
                row = moved[1, 0] * across + moved[1, 1] * down + moved[1, 2]
                total[r, c] += sample(image, column, row)
            else:
                total[r, c] = np.float32(np.nan)


@compiled("void(float32[:, ::1], float32[:, ::1], float64)")
def set_cell_means(image, cells, least_seen):  # type: ignore[no-untyped-def]
    """Set each cell to the mean of its finite pixels; NaN where they are less than a share of it."""
    rows, columns = image.shape[0], image.shape[1]
    for i in range(cells.shape[0]):
        top, bottom = i * rows // cells.shape[0], (i + 1) * rows // cells.shape[0]
        for j in range(cells.shape[1]):
            left, right = j * columns // cells.shape[1], (j + 1) * columns // cells.shape[1]
            total, count = 0.0, 0
            for r in range(top, bottom):
                for c in range(left, right):
                    value = image[r, c]
                    if value == value:
                        total += value
                        count += 1
            enough = count > 0 and count >= least_seen * (bottom - top) * (right - left)
            cells[i, j] = total / count if enough else np.nan


def resample(image: npt.ArrayLike, mapping: npt.ArrayLike, *, shape: tuple[int, int]) -> Array:
    """Return the image on another grid.

    Parameters
    ----------
    image : (rows, columns) array
        NaN where there is no reading.
    mapping : (3, 3) array
        From (column, row) of the result to (column, row) of the image.
    shape : (int, int)
        Rows and columns of the result.

    Returns
    -------
    (rows, columns) float32 array
        NaN outside the image and next to masked pixels.

    Examples
    --------
    >>> ramp = np.arange(6.0) ** 2 * np.ones((5, 1))
    >>> half = np.array([[1, 0, 1.5], [0, 1, 1], [0, 0, 1.0]])
    >>> resample(ramp, half, shape=(1, 2))  # 1.5 squared, 2.5 squared
    array([[2.25, 6.25]], dtype=float32)
    """
    total = np.zeros(shape, dtype=np.float32)
    add_moved(np.ascontiguousarray(image, dtype=np.float32), np.ascontiguousarray(mapping, dtype=np.float64), total)
    return total


def resample_places(image: npt.ArrayLike, places: npt.ArrayLike, *, moved: npt.ArrayLike = STILL) -> Array:
    """Return the image at given places of a reference picture from which it has moved.

    Parameters
    ----------
    image : (rows, columns) array
        NaN where there is no reading.
    places : (2, rows, columns) array
        Column and row in the reference picture; NaN where there is none.
    moved : (2, 3) array
        From (column, row, 1) of the reference picture to (column, row) of the image; by default it has not moved.

    Returns
    -------
    (rows, columns) float32 array
        NaN outside the image, next to masked pixels, and where there is no place.

    Examples
    --------
    >>> ramp = np.arange(6.0) ** 2 * np.ones((5, 1))
    >>> resample_places(ramp, [[[1.5, 2.0, np.nan]], [[1.0, 1.0, 1.0]]], moved=[[1, 0, 0.5], [0, 1, 0]])
    array([[4.  , 6.25,  nan]], dtype=float32)
    """
    where = np.ascontiguousarray(places, dtype=np.float64)
    total = np.zeros(where.shape[1:], dtype=np.float32)
    affine = np.ascontiguousarray(moved, dtype=np.float64)
    add_moved_places(np.ascontiguousarray(image, dtype=np.float32), where, affine, total)
    return total
