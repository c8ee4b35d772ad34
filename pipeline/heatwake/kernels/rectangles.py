"""Rectangles on the board and the pixels in them."""

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse.csgraph import connected_components

Array = npt.NDArray[Any]


def pixel_window(centre: tuple[float, float], size: tuple[float, float], *, x: Array, y: Array) -> tuple[slice, slice]:
    """Return the (rows, columns) whose pixel centres lie in a rectangle; the nearest pixel where none does.

    Parameters
    ----------
    centre, size : (float, float)
        ``(x, y)`` of the rectangle's centre, and its width and height.
    x, y : (nx,) and (ny,) arrays
        Pixel centres; x increasing, y decreasing.
    """
    return _within(-y, -centre[1], size[1]), _within(x, centre[0], size[0])


def _within(positions: Array, centre: float, length: float) -> slice:
    first = int(np.searchsorted(positions, centre - length / 2, side="left"))
    last = int(np.searchsorted(positions, centre + length / 2, side="right"))
    if last > first:
        return slice(first, last)
    nearest = int(np.argmin(np.abs(positions - centre)))
    return slice(nearest, nearest + 1)


def smallest_containing(point: tuple[float, float], *, centres: Array, sizes: Array, margin: float) -> int | None:
    """Return the index of the smallest rectangle that contains a point, else of the nearest within ``margin``.

    Parameters
    ----------
    point : (float, float)
        ``(x, y)``.
    centres, sizes : (n, 2) arrays
        Of the rectangles.
    margin : float
        How far outside a rectangle a point may lie and still be its own.
    """
    if not len(centres):
        return None
    beyond = np.maximum(np.abs(np.asarray(point) - centres) - sizes / 2, 0)
    distance = np.hypot(beyond[:, 0], beyond[:, 1])
    inside = np.flatnonzero(distance == 0)
    if len(inside):
        return int(inside[np.argmin(sizes[inside].prod(axis=1))])
    nearest = int(np.argmin(distance))
    return nearest if distance[nearest] <= margin else None


def equally_likely(
    point: tuple[float, float], *, centres: Array, sizes: Array, margin: float, tolerance: float
) -> npt.NDArray[np.intp]:
    """Return the indices of all rectangles that a point belongs to as well as to the one that is chosen.

    Within several rectangles those count whose area is within 1 % of the smallest; outside all, those no more than
    ``tolerance`` farther away than the nearest, within ``margin``. Parameters as in :func:`smallest_containing`.
    """
    if not len(centres):
        return np.empty(0, dtype=np.intp)
    beyond = np.maximum(np.abs(np.asarray(point) - centres) - sizes / 2, 0)
    distance = np.hypot(beyond[:, 0], beyond[:, 1])
    area = sizes.prod(axis=1)
    if (distance == 0).any():
        return np.flatnonzero((distance == 0) & (area <= 1.01 * area[distance == 0].min()))
    return np.flatnonzero((distance <= margin) & (distance <= distance.min() + tolerance))


def core(window: tuple[slice, slice], *, rim: tuple[int, int], least: int) -> tuple[slice, slice]:
    """Return the window without its rim, or as it is along a side too short for it.

    Parameters
    ----------
    window : (slice, slice)
        Rows and columns.
    rim : (int, int)
        Pixels to leave out at either end along the rows and along the columns.
    least : int
        A side is long enough that a rim of one would leave so many less two.
    """
    rows, columns = (
        slice(side.start + width, side.stop - width) if side.stop - side.start >= least - 2 + 2 * width else side
        for side, width in zip(window, rim, strict=True)
    )
    return rows, columns


def surroundings(window: tuple[slice, slice], *, width: int, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Return the window with ``width`` more pixels on each side, within a map of ``shape``."""
    rows, columns = (
        slice(max(side.start - width, 0), min(side.stop + width, size))
        for side, size in zip(window, shape, strict=True)
    )
    return rows, columns


def together(boxes: Array, *, share: float = 0.5) -> npt.NDArray[np.intp]:
    """Return a number a group for boxes of which each covers most of another: what cannot be told apart.

    Parameters
    ----------
    boxes : (n, 4) array
        Centre x, y, width and height.
    share : float
        Of the smaller one's area that two of a group have in common.

    Examples
    --------
    >>> together(np.array([[5, 5, 4, 4], [30, 5, 4, 4], [6, 5, 9, 9.0]])).tolist()
    [0, 1, 0]
    """
    low, high = boxes[:, :2] - boxes[:, 2:] / 2, boxes[:, :2] + boxes[:, 2:] / 2
    common = np.minimum(high[:, np.newaxis], high) - np.maximum(low[:, np.newaxis], low)
    areas = boxes[:, 2] * boxes[:, 3]
    shared = np.clip(common, 0, None).prod(axis=2) > share * np.minimum(areas[:, np.newaxis], areas)
    return np.asarray(connected_components(shared)[1], dtype=np.intp)
