"""Which frames of a recording are sound: repeats, steps common to all pixels, gaps in time, things in the way.

One principle throughout: what neighbours on both sides explain is genuine. Heat may start or settle, so a value that
lies between what came before and what comes after is never remarkable.
"""

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from heatwake.kernels.interpolation import set_cell_means
from heatwake.kernels.moving import leading_medians, trailing_medians

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

RATE_FRAMES: Final = 5  # neighbours on each side that tell the rate of heating
COMMON_SHARE: Final = 0.8  # of the places must make a step for it to be the camera's
COMMON_SPREAD: Final = 0.5  # a place makes the step if it agrees within this share of it
NOISE_FACTOR: Final = 6.0  # standard deviations above which a step isn't noise
MAD_TO_SIGMA: Final = 1.4826  # of a normal distribution
MEDIAN_FACTOR: Final = 1.2533  # standard error of a median by that of a mean, of a normal distribution
SCATTER_FRAMES: Final = 20  # on each side, that tell how far the picture's level strays without a step
GAP_NEIGHBOURS: Final = 3
LEAST_SEEN: Final = 0.25  # of a coarse cell
TREND_FRAMES: Final = 6  # latest pictures that tell a level; as many again, twice, tell the trend
NEAREST: Final = 3  # pictures that tell what was just before, or just after
FLICKER_FACTOR: Final = 3.0  # standard deviations that a place may stray anyway


def is_repeat(frame: Array, previous: Array) -> bool:
    """Return whether a frame is the previous one once more, to the last digit.

    Parameters
    ----------
    frame, previous : (rows, columns) arrays
        Masked pixels are NaN. A level picture (saturated, or all one value) never counts: it can't tell.
    """
    middle = len(frame) // 2  # noise tells two frames apart in their first row
    if not np.array_equal(frame[middle], previous[middle], equal_nan=True):
        return False
    if not np.array_equal(frame, previous, equal_nan=True):
        return False
    return bool(np.nanmin(frame) < np.nanmax(frame))


def thumbnail(frame: Array, *, longest: int) -> Array:
    """Return the picture in coarse cells, each the mean of its finite pixels.

    Parameters
    ----------
    frame : (rows, columns) array
        Masked pixels are NaN.
    longest : int
        Cells along the longer side; never more than pixels.

    Returns
    -------
    (cells down, cells across) array of float32
        NaN where less than a quarter of a cell is seen.
    """
    scale = min(1.0, longest / max(frame.shape))
    cells = np.empty([max(1, round(side * scale)) for side in frame.shape], dtype=np.float32)
    set_cell_means(np.ascontiguousarray(frame, dtype=np.float32), cells, LEAST_SEEN)
    return cells


@dataclass(frozen=True, eq=False)
class CommonSteps:
    """Steps of a camera's offset.

    Attributes
    ----------
    sizes : (n,) array
        Step from the previous frame [K]; 0 where there is none.
    uncertainties : (n,) array
        Its standard uncertainty [K]; 0 where there is none.
    """

    sizes: Array
    uncertainties: Array


def common_steps(levels: Array, elapsed: Array, *, least: float) -> CommonSteps:
    """Return the step common to the whole picture at which each frame departs from the one before.

    The expected change is the rate of the neighbouring frames on either side times the interval. A change between
    those two is heat that starts, ends or settles. What lies outside, by more than noise, in nearly all places alike,
    is the camera: after its shutter closes every pixel's offset moves at once.

    A step's uncertainty is the larger of what its places scatter by, over the root of their number, and of what the
    picture's level strays by in the frames around, which also holds what all places share; and half of what the rate
    itself changed by meanwhile, anywhere in which the truth may lie (rectangular).

    Parameters
    ----------
    levels : (n, places) array
        Mean readings of places spread over the picture [K or degC]; NaN where a place isn't seen.
    elapsed : (n,) array
        Times [s], rising; intervals may differ.
    least : float
        Smaller steps are left alone [K].

    Returns
    -------
    CommonSteps
    """
    steps, spreads = np.zeros(len(levels)), np.zeros(len(levels))
    if len(levels) < 3:
        return CommonSteps(steps, spreads)
    intervals = np.maximum(np.diff(elapsed), 1e-6)[:, None]
    changes = np.diff(levels.astype(np.float64), axis=0)
    before, after = _rates_around(changes / intervals)
    low, high = _explained_rates(changes / intervals, before, after)
    outside = changes - np.clip(changes, low * intervals, high * intervals)
    surplus = changes - (low + high) / 2 * intervals
    size = _median_over_places(surplus)
    noise = MAD_TO_SIGMA * np.median(np.abs(size - np.median(size)))
    clear = np.abs(_median_over_places(outside)) > max(least, NOISE_FACTOR * noise)
    seen = np.isfinite(surplus)
    agrees = np.abs(surplus - size[:, None]) < COMMON_SPREAD * np.abs(size[:, None])
    common = np.sum(agrees & seen, axis=1) >= COMMON_SHARE * np.maximum(np.sum(seen, axis=1), 1)
    found = clear & common
    steps[1:] = np.where(found, size, 0)
    for k in np.flatnonzero(found):
        swing = _median_over_places((after[k : k + 1] - before[k : k + 1]) / 2 * intervals[k])[0]
        around = np.r_[max(0, k - SCATTER_FRAMES) : k, k + 1 : min(len(size), k + 1 + SCATTER_FRAMES)]
        strays = size[around[~found[around]]]
        common_scatter = MAD_TO_SIGMA * float(np.median(np.abs(strays - np.median(strays)))) if len(strays) else 0.0
        spread = max(_standard_error(surplus[k]), common_scatter)
        spreads[k + 1] = np.hypot(spread, swing / np.sqrt(3) if np.isfinite(swing) else 0.0)
    return CommonSteps(steps, spreads)


def _standard_error(values: Array) -> float:
    """Standard error of the median of what is seen."""
    seen = values[np.isfinite(values)]
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(seen - np.median(seen))))
    return MEDIAN_FACTOR * scatter / float(np.sqrt(len(seen)))


def _rates_around(rates: Array) -> tuple[Array, Array]:
    """Median rate of the neighbours of each interval, before and after it, place by place."""
    return trailing_medians(rates, RATE_FRAMES)[:-1], leading_medians(rates, RATE_FRAMES)[1:]


def _explained_rates(rates: Array, before: Array, after: Array) -> tuple[Array, Array]:
    """Lowest and highest rate that the neighbours of each interval explain, place by place."""
    low, high = np.minimum(before, after), np.maximum(before, after)
    # at an end of the recording there's one side: let its trend go on as far again
    for k, side in ((0, rates[1 : 1 + RATE_FRAMES]), (-1, rates[:-1][-RATE_FRAMES:][::-1])):
        near = np.median(side[: (len(side) + 1) // 2], axis=0)
        swing = np.abs(np.median(side, axis=0) - near) + np.ptp(side, axis=0) / 2
        low[k], high[k] = near - swing, near + swing
    return low, high


def _median_over_places(values: Array) -> Array:
    seen = np.isfinite(values).any(axis=1)
    medians = np.zeros(len(values))
    medians[seen] = np.nanmedian(values[seen], axis=1)
    return medians


def gaps(elapsed: Array, *, factor: float) -> Mask:
    """Return which frames come after a gap, ``(n,)``: an interval much longer than its neighbours on both sides.

    A recording that goes on at a slower pace has no gap.

    Examples
    --------
    >>> gaps(np.array([0.0, 1.0, 2.0, 6.0, 7.0, 8.0]), factor=2.5)
    array([False, False, False,  True, False, False])
    >>> gaps(np.array([0.0, 0.5, 1.0, 5.0, 9.0, 13.0]), factor=2.5).any()
    np.False_
    """
    intervals = np.diff(elapsed)
    usual = np.fmax(trailing_medians(intervals, GAP_NEIGHBOURS)[:-1], leading_medians(intervals, GAP_NEIGHBOURS)[1:])
    with np.errstate(invalid="ignore"):  # a single interval has no neighbours
        return np.concatenate([np.zeros(min(1, len(elapsed)), dtype=np.bool_), intervals > factor * usual])


def explained(before: Array, after: Array, *, shape: tuple[int, ...]) -> tuple[Array, Array]:
    """Return the lowest and highest reading of each place that earlier and later pictures explain.

    Parameters
    ----------
    before, after : (k, rows, columns) arrays
        Sound pictures from before and after, the nearest first; either may be empty.
    shape : (rows, columns)

    Returns
    -------
    tuple of (rows, columns) arrays
        [K or degC], the two sides' medians, widened by how much the place flickers anyway (air that gusts over it, an
        edge that shakes); NaN where there's nothing to judge by.
    """
    sides = [side for side in (before, after) if len(side)]
    if not sides:
        nothing = np.full(shape, np.nan, dtype=np.float32)
        return nothing, nothing
    medians = np.stack([np.median(side, axis=0) for side in sides])
    flicker = np.min([_spread(side, about=middle) for side, middle in zip(sides, medians, strict=True)], axis=0)
    low, high = medians.min(axis=0), medians.max(axis=0)
    if len(sides) == 1:  # at an end of the recording the trend may go on as far again
        near = np.median(sides[0][: (len(sides[0]) + 1) // 2], axis=0)
        swing = 2 * np.abs(medians[0] - near)
        usual = np.quantile(sides[0], [0.1, 0.9], axis=0)
        low, high = np.minimum(near - swing, usual[0]), np.maximum(near + swing, usual[1])
    return low - FLICKER_FACTOR * flicker, high + FLICKER_FACTOR * flicker


def closely_explained(before: Array, after: Array, *, shape: tuple[int, ...]) -> tuple[Array, Array]:
    """Return what :func:`explained` does, by the pictures just before and after only, whose trend is no flicker.

    Parameters
    ----------
    before, after : (k, rows, columns) arrays
        As there, a few each; where a side has fewer than 2 ``NEAREST`` they are judged as there.
    shape : (rows, columns)

    Returns
    -------
    tuple of (rows, columns) arrays
        [K or degC]
    """
    if min(len(before), len(after)) < 2 * NEAREST:
        return explained(before, after, shape=shape)
    near = np.stack([np.median(side[:NEAREST], axis=0) for side in (before, after)])
    flicker = np.min([_spread_about_trend(side) for side in (before, after)], axis=0)
    return near.min(axis=0) - FLICKER_FACTOR * flicker, near.max(axis=0) + FLICKER_FACTOR * flicker


def carried_on(before: Array, ago: Array) -> tuple[Array, Array]:
    """Return the lowest and highest reading of each place that the trend of earlier pictures explains.

    Heat comes and goes steadily: from what the latest pictures show, it may stop or go on up to twice as fast.

    Parameters
    ----------
    before : (k, rows, columns) array
        Sound pictures from before, the latest first, one at least.
    ago : (k,) array
        How long before each was taken [s], rising.

    Returns
    -------
    tuple of (rows, columns) arrays
        [K or degC], widened by how much the place flickers anyway.
    """
    latest, earlier = before[:TREND_FRAMES], before[TREND_FRAMES : 3 * TREND_FRAMES]
    now = np.median(latest, axis=0)
    flicker = _spread(latest, about=now)
    if len(earlier) == 0:
        return now - FLICKER_FACTOR * flicker, now + FLICKER_FACTOR * flicker
    since = float(np.mean(ago[:TREND_FRAMES]))
    span = float(np.mean(ago[TREND_FRAMES : 3 * TREND_FRAMES])) - since
    then = np.median(earlier, axis=0)
    change = 2 * since / max(span, 1e-9) * (now - then)
    flicker = np.fmax(flicker, _spread(earlier, about=then))
    low, high = np.minimum(now, now + change), np.maximum(now, now + change)
    return low - FLICKER_FACTOR * flicker, high + FLICKER_FACTOR * flicker


def departure(picture: Array, low: Array, high: Array) -> Array:
    """Return how far each place lies outside of what's usual.

    Parameters
    ----------
    picture : (rows, columns) array
        Readings on the reference's grid [K or degC].
    low, high : (rows, columns) arrays
        From :func:`explained`.

    Returns
    -------
    (rows, columns) array
        [K], signed: 0 between low and high; NaN where not seen or where there's nothing to judge by.
    """
    outside = picture - np.clip(picture, low, high)
    seen = np.isfinite(outside)
    if 2 * np.count_nonzero(outside[seen]) < np.count_nonzero(seen):  # their median is 0
        return np.asarray(outside)
    level = np.median(outside[seen]) if seen.any() else 0.0  # what's common to all places is the camera's
    return np.asarray(picture - level - np.clip(picture - level, low, high))


def _spread(pictures: Array, *, about: Array) -> Array:
    """Robust standard deviation of each place over the pictures, about their median."""
    return np.asarray(MAD_TO_SIGMA * np.median(np.abs(pictures - about), axis=0))


def _spread_about_trend(pictures: Array) -> Array:
    """Robust standard deviation of each place about its straight line over the pictures."""
    half = len(pictures) // 2
    change = np.median(pictures[-half:], axis=0) - np.median(pictures[:half], axis=0)
    steps = (np.arange(len(pictures)) - (len(pictures) - 1) / 2) / (len(pictures) - half)
    level = pictures - steps[:, None, None] * change
    return _spread(level, about=np.median(level, axis=0))


def obstructed_places(departures: Array, *, least: float) -> Mask:
    """Return the places in connected patches, of two or more, that depart by over ``least``.

    Parameters
    ----------
    departures : (rows, columns) array
        From :func:`departure` [K]; NaN isn't seen.
    least : float
        [K] Smaller departures are noise, flicker and interpolation.

    Returns
    -------
    (rows, columns) array of bool
    """
    marked = (np.abs(departures) > least).astype(np.uint8)  # NaN isn't greater
    if np.count_nonzero(marked) < 2:
        return np.zeros(departures.shape, dtype=np.bool_)
    _, patches, statistics, _ = cv2.connectedComponentsWithStats(marked, connectivity=8)
    large = statistics[:, cv2.CC_STAT_AREA] >= 2
    large[0] = False  # what is not marked
    return np.asarray(large[patches])


def widened(places: Mask, *, by: int) -> Mask:
    """Return the places with a margin of so many more on all sides.

    Examples
    --------
    >>> widened(np.array([[False, False, False, True]]), by=1).tolist()
    [[False, False, True, True]]
    """
    around = np.ones((2 * by + 1, 2 * by + 1), dtype=np.uint8)
    return np.asarray(cv2.dilate(places.astype(np.uint8), around) > 0)
