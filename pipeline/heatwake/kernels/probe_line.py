"""A straight line through what a camera saw at several places over what it should have seen there.

Each place has errors of its own that all its readings share (the thermocouple's, its place, its contact): they are
what the line is uncertain by, however many readings there are.
"""

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]

BISQUARE: Final = 4.685  # 95 % efficient for normal errors, textbook value
ROUNDS: Final = 30
MAD_TO_SIGMA: Final = 1.4826
START_POINTS: Final = 400  # whose pairs are gone through
FAR_SHARE: Final = 1 / 3  # of the range, that the readings of a pair lie apart


@dataclass(frozen=True)
class LineFit:
    """A line ``seen = slope * expected + level``.

    Attributes
    ----------
    slope, level : float
    slope_uncertainty, level_uncertainty : float
        Standard uncertainties from the places' own errors.
    slope_lever, level_lever : (place, time) array
        What the slope and the level change by when one reading of ``seen`` does: they carry any further error over.
    places : int
        Number of places that weigh.
    """

    slope: float
    level: float
    slope_uncertainty: float
    level_uncertainty: float
    slope_lever: Array
    level_lever: Array
    places: int


def fit_line(expected: Array, seen: Array, *, error: Array, slope: float | None = None) -> LineFit:
    """Return the robust line of ``seen`` over ``expected``, or its level alone where the slope is given.

    The median slope of pairs of readings that lie far apart to start with (after Theil and Sen, textbook), then
    bisquare weights on residuals over the errors, or over their own scatter where that is more: a thermocouple that
    came off weighs nothing, one that is merely off by its errors weighs almost in full.

    Parameters
    ----------
    expected, seen : (place, time) array
        NaN where there is no reading.
    error : (place, time) array
        Standard uncertainty of ``expected``, common to all times of a place.
    slope : float, optional
        Kept as it is, where given.

    Returns
    -------
    LineFit
        NaN throughout where nothing can be fitted.
    """
    known = np.isfinite(expected) & np.isfinite(seen) & np.isfinite(error) & (error > 0)
    x, y, spread = (np.where(known, one, other) for one, other in ((expected, 0.0), (seen, 0.0), (error, 1.0)))
    base = known / spread**2
    if known.sum() < 2:
        return _nothing(expected.shape)
    given = slope
    slope, level = _start(x[known], y[known], slope=given)
    weight = base
    for _ in range(ROUNDS):
        scaled = (y - slope * x - level) / (max(abs(slope), 1e-9) * spread)
        scaled /= max(1.0, MAD_TO_SIGMA * float(np.median(np.abs(scaled[known]))))
        weight = base * np.square(np.clip(1 - np.square(scaled / BISQUARE), 0, None))
        previous = slope, level
        slope, level, slope_lever, level_lever = _weighted(x, y, weight=weight, slope=given)
        if not math.isfinite(level):
            return _nothing(expected.shape)
        if np.allclose(previous, (slope, level), rtol=1e-9, atol=1e-12):
            break
    residual = y - slope * x - level
    return LineFit(
        slope=slope,
        level=level,
        slope_uncertainty=_spread(slope_lever, slope * spread, residual=residual, free=given is None),
        level_uncertainty=_spread(level_lever, slope * spread, residual=residual, free=given is None),
        slope_lever=slope_lever,
        level_lever=level_lever,
        places=int((weight > 0).any(axis=1).sum()),
    )


def _start(x: Array, y: Array, *, slope: float | None) -> tuple[float, float]:
    if slope is None:
        some = np.linspace(0, len(x) - 1, min(len(x), START_POINTS)).astype(int)
        run, rise = (one[some, None] - one[some] for one in (x, y))
        far = run > FAR_SHARE * np.ptp(x[some])
        slope = float(np.median(rise[far] / run[far])) if far.any() else 1.0
    return slope, float(np.median(y - slope * x))


def _weighted(x: Array, y: Array, *, weight: Array, slope: float | None) -> tuple[float, float, Array, Array]:
    """Return slope and level, and what both change by with each ``y``."""
    total = float(weight.sum())
    if not total > 0:
        return math.nan, math.nan, weight, weight
    share = weight / total
    if slope is not None:
        return slope, float((share * (y - slope * x)).sum()), np.zeros_like(x), share
    middle = float((share * x).sum())
    lever = weight * (x - middle)
    spread = float((lever * x).sum())
    if not spread > 0:
        return math.nan, math.nan, weight, weight
    lever = lever / spread
    found = float((lever * y).sum())
    return found, float((share * (y - found * x)).sum()), lever, share - middle * lever


def _spread(lever: Array, error: Array, *, residual: Array, free: bool) -> float:
    """Return the uncertainty by the places' stated errors, or by how much they differ where that is more."""
    stated = float(np.sqrt(np.square((lever * error).sum(axis=1)).sum()))
    pulls = (lever * residual).sum(axis=1)
    places = int(np.count_nonzero(lever.any(axis=1)))
    fitted = 2 if free else 1
    if places <= fitted:
        return stated
    return max(stated, math.sqrt(places / (places - fitted) * float(pulls @ pulls)))


def _nothing(shape: tuple[int, ...]) -> LineFit:
    empty = np.zeros(shape)
    return LineFit(math.nan, math.nan, math.nan, math.nan, empty, empty, 0)
