"""Directions told against directions seen: angles between, shares with exact intervals, neighbours thinned out."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv

Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Share:
    """So many of so many, with the exact 95 % interval of the share.

    Attributes
    ----------
    hits, count : int
    low, high : float
        Two-sided interval.
    below : float
        What the share is less than at 95 %, one-sided.
    """

    hits: int
    count: int
    low: float
    high: float
    below: float

    @property
    def value(self) -> float:
        """The share; NaN of none."""
        return self.hits / self.count if self.count else math.nan


def share(hits: int, count: int) -> Share:
    """Return a share with its exact interval (Clopper and Pearson, Biometrika 26:404, 1934).

    >>> share(0, 149).below <= 0.02 < share(0, 148).below
    True
    """
    low, high = exact_limit(hits, count, level=0.025, upper=False), exact_limit(hits, count, level=0.025, upper=True)
    return Share(hits, count, low, high, exact_limit(hits, count, level=0.05, upper=True))


def exact_limit(hits: int, count: int, *, level: float, upper: bool) -> float:
    """Return the share at which so many hits, or more extreme, have a chance of ``level``."""
    if upper:
        return 1.0 if hits >= count else float(betaincinv(hits + 1, count - hits, 1 - level))
    return 0.0 if hits <= 0 else float(betaincinv(hits, count - hits + 1, level))


def arrows_needed(limit: float, *, wrong: int = 0, level: float = 0.05) -> int:
    """Return how many arrows show a share of wrong ones of no more than ``limit``, with so many wrong among them.

    >>> arrows_needed(0.02), arrows_needed(0.02, wrong=1)
    (149, 236)
    """
    low, high = wrong + 1, wrong + 2
    while exact_limit(wrong, high, level=level, upper=True) > limit:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if exact_limit(wrong, middle, level=level, upper=True) <= limit else (middle, high)
    return high


def angle_between(first: Array, second: Array) -> Array:
    """Return first less second, -180 to 180 [degree]."""
    return np.asarray((first - second + 180.0) % 360.0 - 180.0)


def thinned(x: Array, y: Array, *, apart: float) -> npt.NDArray[np.bool_]:
    """Return which places to count so that no two are nearer than ``apart``.

    Greedy, from the lower left on, by place alone: what was seen there has no say.

    Parameters
    ----------
    x, y : (n,) arrays
        [mm]
    apart : float
        [mm]
    """
    chosen = np.zeros(x.size, dtype=bool)
    for number in np.lexsort((x, y)):
        near = np.hypot(x[chosen] - x[number], y[chosen] - y[number]) < apart
        chosen[number] = not near.any()
    return chosen
