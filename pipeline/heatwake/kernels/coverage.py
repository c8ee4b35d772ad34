"""How wide an interval must be to hold 95 % where one rectangular term stands among normal ones."""

from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.stats import norm

Array = npt.NDArray[np.floating[Any]]

LEVEL: Final = 0.95
_SHARES: Final = 129


def coverage_factor(share: npt.ArrayLike, *, level: float = LEVEL) -> Array:
    """Return the factor ``k`` for which ``k u`` either side of a value holds a share ``level`` of its distribution.

    A camera's accuracy is stated by bounds: its error is rectangular, and where it makes up most of an uncertainty an
    interval of 1.96 u holds more than all of it. The sum of a normal and a rectangular error has a closed distribution
    function, which is solved here (JCGM 101:2008 does so by trials).

    Parameters
    ----------
    share : array
        Share of the variance that the rectangular term has, 0 to 1; NaN in, NaN out. Of several such terms the largest
        counts as rectangular and the others as normal, which widens the interval a little.
    level : float
        Of coverage.

    Examples
    --------
    >>> coverage_factor([0.0, 0.5, 1.0]).round(3)  # normal; both alike; rectangular: 0.95 sqrt(3)
    array([1.96 , 1.917, 1.645])
    """
    shares, factors = _table(level)
    return np.asarray(np.interp(np.asarray(share, dtype=np.float64), shares, factors))


@lru_cache(maxsize=4)
def _table(level: float) -> tuple[Array, Array]:
    shares = np.sin(np.linspace(0.0, np.pi / 2, _SHARES)) ** 2  # closest where the factor changes most: beside 1
    return shares, np.array([_factor(float(share), level) for share in shares])


def _factor(share: float, level: float) -> float:
    half_width, spread = np.sqrt(3 * share), np.sqrt(1 - share)  # of unit variance in all
    if share == 0:
        return float(norm.ppf((1 + level) / 2))
    if share == 1:
        return float(level * half_width)
    return float(brentq(lambda reach: _within(reach, half_width, spread) - level, 1e-3, 4.0))


def _within(reach: float, half_width: float, spread: float) -> float:
    """Share of the sum of a rectangular and a normal error that lies within ``-reach .. reach``."""
    ends = np.array([reach + half_width, reach - half_width, half_width - reach, -reach - half_width]) / spread
    below = ends * norm.cdf(ends) + norm.pdf(ends)  # integral of the normal distribution function
    return float(spread / (2 * half_width) * (below[0] - below[1] - below[2] + below[3]))
