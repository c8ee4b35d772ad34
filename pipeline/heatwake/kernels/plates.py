"""Parts found by their edges: rectangles along the board's axes that end on all four sides.

A part is more even than the board, so that a large one has no peak, and one beside a stronger one lies on its shoulder.
Its edge shows none the less: within it the map bends down, outside it bends up (the two sides of a zero crossing of the
Laplacian, Marr and Hildreth 1980, Proc. R. Soc. B 207:187). Every rectangle is asked how strongly its weakest side does
so. Parts lie along a board's axes (common practice, no source); what does not is left to the search for blobs.
"""

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from heatwake.kernels.compiled import compiled
from heatwake.kernels.hot_blobs import responses, ripple

Array = npt.NDArray[Any]

WIDTH: Final = 1.5  # [px] standard deviation of the smoothing
ACROSS: Final = 3  # [px] from just within an edge, where the map bends down most, to where it bends up most
WITHIN: Final = 1  # [px] from an edge to where the map bends down most
LEAST_SIDE: Final = 5  # [px]
LARGEST_SIDE: Final = 32  # [px]
CAP: Final = 0.06  # of the level: a bend counts no further, lest one hot corner stand for a side
DOUBT: Final = 0.5  # [standard deviations] taken off a bend at each pixel
FAINT: Final = 10.0  # [standard deviations] that the level is taken to be at least
WEAKEST: Final = 0.004  # of the level: mean bend along the weakest side
UNEVEN: Final = 0.2  # of a plate's mean level, the standard deviation within it at most
ABOVE: Final = 1.3  # of a plate's mean level that the map reaches beyond one of its sides at most
BEYOND: Final = 5  # [px] from a side to where the map is looked at beyond it
SHARED: Final = 0.25  # of the smaller of two rectangles that they share at most


@dataclass(frozen=True)
class Plate:
    """A rectangle of pixels that ends on all sides; strength: mean bend along its weakest side, of the level."""

    rows: slice
    columns: slice
    strength: float

    @property
    def sides(self) -> tuple[int, int]:
        """Height and width [px]."""
        return self.rows.stop - self.rows.start, self.columns.stop - self.columns.start

    def holds(self, row: float, column: float) -> bool:
        """Tell whether a pixel lies in it."""
        return bool(self.rows.start <= row < self.rows.stop and self.columns.start <= column < self.columns.stop)


def find_plates(level: Array, *, noise: float) -> list[Plate]:
    """Return the plates of a map, the strongest first; of rectangles that share their place only the strongest.

    Parameters
    ----------
    level : (ny, nx) float32 array
        Map of what changed [K], without gaps and without single wrong pixels.
    noise : float
        Its standard deviation [K].
    """
    bends, doubt = _bends(level, noise=noise)
    far = np.pad(bends, ACROSS, mode="edge")
    own, before, after = slice(ACROSS, -ACROSS), slice(None, -2 * ACROSS), slice(2 * ACROSS, None)
    beyond = far[own, before], far[own, after], far[before, own], far[after, own]
    ends = [_sums((bends - one) / 2 - doubt, axis=number // 2) for number, one in enumerate(beyond)]
    found = _search(np.stack(ends[:2]), np.stack(ends[2:]), _sums(bends, axis=0), _sums(bends, axis=1))
    found = found[_is_plate(level, found[:, 1:].astype(np.int64))]
    return _apart(found[np.lexsort((-found[:, 3] * found[:, 4], -found[:, 0]))], bends)


def _bends(level: Array, *, noise: float) -> tuple[Array, Array]:
    """Return how much a map bends down (ny, nx), of its level, and what noise may add to it at each pixel."""
    smooth, bend = responses(level, WIDTH)
    scale = np.maximum(smooth, 0) + FAINT * noise
    return np.clip(bend / scale, -CAP, CAP).astype(np.float64), DOUBT * ripple(noise, WIDTH) / scale


def _sums(values: Array, *, axis: int) -> Array:
    """Return sums of all before each place along an axis, with one row or column more."""
    return np.ascontiguousarray(np.insert(np.cumsum(values, axis=axis), 0, 0.0, axis=axis))


def _apart(found: Array, bends: Array) -> list[Plate]:
    kept: list[Plate] = []
    taken = np.empty((0, 4))
    for strength, row, column, height, width in found:
        box = np.array([row, column, row + height, column + width])
        common = np.clip(np.minimum(taken[:, 2:], box[2:]) - np.maximum(taken[:, :2], box[:2]), 0, None).prod(axis=1)
        least = np.minimum((taken[:, 2:] - taken[:, :2]).prod(axis=1), height * width)
        inside = bends[int(row) : int(row + height), int(column) : int(column + width)]
        if (common <= SHARED * least).all() and not _has_gap(inside):
            taken = np.vstack([taken, box])
            (top, bottom), (start, end) = (
                (max(int(box[axis]) - WITHIN, 0), min(int(box[axis + 2]) + WITHIN, bends.shape[axis]))
                for axis in (0, 1)
            )
            kept.append(Plate(slice(top, bottom), slice(start, end), float(strength)))
    return kept


def plate_contrast(level: Array, rows: slice, columns: slice) -> float:
    """Return by how much a plate is hotter than a map (ny, nx) beyond its sides, their median [K]; NaN is left out."""
    inside = level[rows, columns]
    beyond = [np.nanmean(one) for one in _beyond(level, rows, columns) if np.isfinite(one).any()]
    known = np.isfinite(inside).any() and len(beyond) > 0
    return float(np.nanmean(inside) - np.median(beyond)) if known else 0.0


def _beyond(level: Array, rows: slice, columns: slice) -> tuple[Array, Array, Array, Array]:
    return (
        level[rows, max(columns.start - BEYOND, 0)],
        level[rows, min(columns.stop - 1 + BEYOND, level.shape[1] - 1)],
        level[max(rows.start - BEYOND, 0), columns],
        level[min(rows.stop - 1 + BEYOND, level.shape[0] - 1), columns],
    )


def _has_gap(inside: Array) -> bool:
    """Tell whether a rectangle's map bends up all along a line across it: there one part ends and another begins."""
    lines = [inside.mean(axis=axis)[ACROSS:-ACROSS] for axis in (0, 1)]
    return any(bool(line.min(initial=0.0) < -WEAKEST) for line in lines)


def _is_plate(level: Array, boxes: Array) -> npt.NDArray[np.bool_]:
    """Tell which rectangles (n, 4), as row, column, height, width, are even and look up to nothing clearly hotter.

    Two parts together are not even; between a strong part and the end of the copper round it lies a slope.
    """
    row, column, height, width = boxes.T
    end, last = row + height, column + width
    total, square = (np.asarray(one) for one in cv2.integral2(level))
    count = height * width
    mean, mean_square = (
        (one[end, last] - one[row, last] - one[end, column] + one[row, column]) / count for one in (total, square)
    )
    down, across = _sums(level, axis=0), _sums(level, axis=1)
    beside = [
        (down[end, at] - down[row, at]) / height
        for at in (np.maximum(column - BEYOND, 0), np.minimum(last - 1 + BEYOND, level.shape[1] - 1))
    ]
    beside += [
        (across[at, last] - across[at, column]) / width
        for at in (np.maximum(row - BEYOND, 0), np.minimum(end - 1 + BEYOND, level.shape[0] - 1))
    ]
    even = mean_square - mean**2 <= (UNEVEN * mean) ** 2
    return np.asarray((mean > 0) & even & (np.max(beside, axis=0) <= ABOVE * mean))


@compiled("float64[:,::1](float64[:,:,::1], float64[:,:,::1], float64[:,::1], float64[:,::1])")
def _search(upright: Array, level: Array, down: Array, across: Array) -> Array:
    """Return strength, first row and column, height and width (n, 5) of rectangles whose sides all bend enough.

    Parameters
    ----------
    upright : (2, ny + 1, nx) array
        Sums along columns of how sharply the map would end to the left and to the right at each pixel.
    level : (2, ny, nx + 1) array
        Sums along rows of the same, upward and downward.
    down, across : arrays
        Sums (ny + 1, nx) along columns and (ny, nx + 1) along rows of what the map bends.
    """
    ny, nx = across.shape[0], down.shape[1]
    found = np.empty((1024, 5))
    count = 0
    for row in range(ny - LEAST_SIDE + 1):
        for height in range(LEAST_SIDE, min(LARGEST_SIDE, ny - row) + 1):
            end = row + height
            for column in range(nx - LEAST_SIDE + 1):
                first = (upright[0, end, column] - upright[0, row, column]) / height
                if first <= WEAKEST or down[end, column] <= down[row, column]:
                    continue
                for width in range(LEAST_SIDE, min(LARGEST_SIDE, nx - column) + 1):
                    last = column + width
                    second = (upright[1, end, last - 1] - upright[1, row, last - 1]) / height
                    if second <= WEAKEST or down[end, last - 1] <= down[row, last - 1]:
                        continue
                    third = (level[0, row, last] - level[0, row, column]) / width
                    fourth = (level[1, end - 1, last] - level[1, end - 1, column]) / width
                    strength = min(first, second, third, fourth)
                    bent = across[row, last] > across[row, column] and across[end - 1, last] > across[end - 1, column]
                    if strength <= WEAKEST or not bent:
                        continue
                    if count == len(found):
                        larger = np.empty((2 * count, 5))
                        larger[:count] = found
                        found = larger
                    for place, value in enumerate((strength, float(row), float(column), float(height), float(width))):
                        found[count, place] = value
                    count += 1
    return found[:count].copy()
