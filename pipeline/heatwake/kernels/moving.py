"""Medians over windows that move along a series, and the nearest of some places along it."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]

SLAB: Final = 2048  # windows at a time: memory doesn't grow with the series


def trailing_medians(values: Array, width: int) -> Array:
    """Return the median of the ``width`` values before each, fewer at the start, NaN for the first.

    Parameters
    ----------
    values : (n, ...) array
    width : int

    Returns
    -------
    (n + 1, ...) array
        The last is the median of the last values.

    Examples
    --------
    >>> trailing_medians(np.array([1.0, 5.0, 2.0, 9.0]), 3)
    array([nan,  1.,  3.,  2.,  5.])
    """
    medians = np.full((len(values) + 1, *values.shape[1:]), np.nan)
    for count in range(1, min(width, len(values) + 1)):
        medians[count] = np.median(values[:count], axis=0)
    if len(values) >= width:
        windows = np.lib.stride_tricks.sliding_window_view(values, width, axis=0)
        for start in range(0, len(windows), SLAB):
            some = slice(start, start + SLAB)
            medians[width:][some] = np.median(windows[some], axis=-1)
    return medians


def leading_medians(values: Array, width: int) -> Array:
    """Return the median of each of the values and those after it, ``width`` in all; (n + 1, ...), NaN at the end.

    Examples
    --------
    >>> leading_medians(np.array([1.0, 5.0, 2.0, 9.0]), 3)
    array([2. , 5. , 5.5, 9. , nan])
    """
    return trailing_medians(values[::-1], width)[::-1]


def centred_medians(values: Array, reach: int) -> Array:
    """Return the median of each value and ``reach`` on either side, fewer at the ends; (n,).

    Examples
    --------
    >>> centred_medians(np.array([1.0, 5.0, 2.0, 9.0]), 1)
    array([3. , 2. , 5. , 5.5])
    """
    count = len(values)
    medians = np.empty(count)
    whole = trailing_medians(values, 2 * reach + 1)[2 * reach + 1 :]
    medians[reach : reach + len(whole)] = whole
    for index in [*range(min(reach, count)), *range(max(reach, count - reach), count)]:
        medians[index] = np.median(values[max(0, index - reach) : index + reach + 1])
    return medians


def nearest(places: npt.ArrayLike, wanted: npt.ArrayLike) -> npt.NDArray[np.intp]:
    """Return the index of the place next to each one wanted, the earlier where two are as near.

    Parameters
    ----------
    places : (k,) array
        Rising, one at least.
    wanted : array

    Examples
    --------
    >>> nearest([10, 20, 30], [0, 14, 15, 16, 99]).tolist()
    [0, 0, 0, 1, 2]
    """
    at, sought = np.asarray(places), np.asarray(wanted)
    if len(at) == 1:
        return np.zeros(sought.shape, dtype=np.intp)
    after = np.searchsorted(at, sought).clip(1, len(at) - 1)
    return np.asarray(np.where(sought - at[after - 1] <= at[after] - sought, after - 1, after), dtype=np.intp)


def median_where_seen(pictures: Array) -> Array:
    """Return each place's median (...) over the pictures (n, ...) that show it, float32; NaN where none does."""
    ordered = np.sort(pictures, axis=0)  # NaN comes last
    count = np.isfinite(pictures).sum(axis=0)
    middle = np.stack([np.maximum(count - 1, 0) // 2, count // 2]).clip(max=len(pictures) - 1)
    return np.asarray(np.take_along_axis(ordered, middle, axis=0).mean(axis=0), dtype=np.float32)
