"""How the level beside the board moves against ambient, from pixels that show nothing but surroundings."""

from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from heatwake.kernels.moving import centred_medians

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

SECTORS: Final = 8  # round the board, whose levels are judged apart
LEAST_SECTORS: Final = 3
LEAST_PIXELS: Final = 12  # of a sector
QUIET_SHARE: Final = 0.5  # of the pixels, those that stray least from the others
NEIGHBOURS: Final = 2  # on each side, whose median a hand in one picture does not move
START: Final = 3  # pictures that tell the level at the start
MEDIAN_VARIANCE: Final = np.pi / 2  # of a median against a mean, of a normal distribution
MAD_TO_SIGMA: Final = 1.4826  # of a normal distribution
FEW: Final = 0.8  # a median departure of n values is n/(n - 0.8) too small (Croux and Rousseeuw 1992, from memory)


def beside_board(corners: Array, *, shape: tuple[int, int], margin: float) -> Mask:
    """Return which pixels lie farther than a margin outside a board.

    Parameters
    ----------
    corners : (4, 2) array
        (column, row) [px].
    shape : (rows, columns)
    margin : float
        [px]

    Examples
    --------
    >>> beside_board(np.array([[2, 0], [9, 0], [9, 2], [2, 2.0]]), shape=(3, 10), margin=1).astype(int)[1].tolist()
    [1, 0, 0, 0, 0, 0, 0, 0, 0, 0]
    """
    drawn = cv2.fillPoly(np.zeros(shape, dtype=np.uint8), [corners.round().astype(np.int32)], 1)
    return np.asarray(cv2.distanceTransform(1 - drawn, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) > margin)


def sector_of(places: npt.NDArray[np.intp], *, centre: tuple[float, float]) -> npt.NDArray[np.intp]:
    """Return the sector round a centre, 0 to 7, that each (row, column) lies in."""
    angles = np.arctan2(places[:, 0] - centre[0], places[:, 1] - centre[1])
    return np.asarray(np.floor((angles + np.pi) / (2 * np.pi) * SECTORS).astype(np.intp) % SECTORS)


def level_drift(readings: Array, ambient: Array, *, sectors: npt.NDArray[np.intp]) -> tuple[Array, Array]:
    """Return how the level of surroundings less ambient has moved since the start, and its standard uncertainty.

    Of the pixels of each sector the quieter half counts, of pictures a moving median, of sectors the median. The
    uncertainty is that of this median, by how the sectors' own movements differ, and the scatter of single pictures.

    Parameters
    ----------
    readings : (n, pixels) array
        Of surroundings, rising in time [degC].
    ambient : (n,) array
        [degC]
    sectors : (pixels,) array of int
        Where each pixel lies.

    Returns
    -------
    tuple of (n,) array
        [K]; NaN where too little of the surroundings is seen.
    """
    nothing = np.full(len(readings), np.nan)
    seen = np.isfinite(readings).all(axis=0)
    if len(readings) <= 2 * START or np.count_nonzero(seen) < LEAST_SECTORS * LEAST_PIXELS:
        return nothing, nothing.copy()
    readings, sectors = readings[:, seen].astype(np.float64), sectors[seen]
    strays = np.std(readings - np.median(readings, axis=1, keepdims=True), axis=0)
    members = [np.flatnonzero(sectors == one) for one in range(SECTORS)]
    members = [some[strays[some] <= np.quantile(strays[some], QUIET_SHARE)] for some in members if len(some)]
    levels = np.array([np.median(readings[:, some], axis=1) for some in members if len(some) >= LEAST_PIXELS])
    if len(levels) < LEAST_SECTORS:
        return nothing, nothing.copy()
    whole = np.median(levels, axis=0) - ambient
    noise = MAD_TO_SIGMA * float(np.median(np.abs(whole - centred_medians(whole, NEIGHBOURS))))
    by_noise = noise * np.sqrt(MEDIAN_VARIANCE / (2 * NEIGHBOURS + 1) + 1 / START)
    moved = np.array([_since_start(centred_medians(level - ambient, NEIGHBOURS)) for level in levels])
    drift = np.median(moved, axis=0)
    scatter = MAD_TO_SIGMA * np.median(np.abs(moved - drift), axis=0)
    few = len(levels) / (len(levels) - FEW)
    return drift, np.hypot(by_noise, few * scatter * np.sqrt(MEDIAN_VARIANCE / len(levels)))


def _since_start(values: Array) -> Array:
    return np.asarray(values - np.mean(values[:START]))
