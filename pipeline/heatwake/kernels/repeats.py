"""What repeats tell: how far two takes of one set-up lie apart, and how many takes a difference needs."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls
from scipy.special import stdtrit

Array = npt.NDArray[Any]

MOST_REPEATS: Final = 100
POWER: Final = 0.8
LEVEL: Final = 0.05


@dataclass(frozen=True)
class Repeatability:
    """Standard deviation of one take, as a constant and a share of the rise that add in squares.

    Attributes
    ----------
    constant : float
        What takes differ by whatever the rise: ambient, offset of the camera [K].
    share : float
        What they differ by in proportion to the rise: film laid on anew, power.
    freedom : float
        Degrees of freedom: takes less set-ups. Regions of one take err together and add none.
    refitted : bool
        Whether the film was laid on anew for every one of these takes, so that the share holds what that brings.
    """

    constant: float
    share: float
    freedom: float
    refitted: bool = False

    def spread(self, rise: Array | float) -> Array:
        """Return the standard deviation of one take at a rise [K]."""
        return np.asarray(np.hypot(self.constant, self.share * np.abs(rise)))


def pooled_repeatability(setups: Sequence[Array]) -> Repeatability | None:
    """Return the repeatability from takes of one or more set-ups; None where none was taken twice.

    Parameters
    ----------
    setups : sequence of (takes, regions) arrays
        Rises [K]; NaN is left out.

    Notes
    -----
    Variances of the takes of each set-up are fitted by a + b rise^2 with a, b >= 0, weighted by their expected size;
    pooling over set-ups is that of a variance (JCGM 100:2008, H.3 and 4.2.4).
    """
    rises, squares, weights, freedom = [], [], [], 0
    for takes in setups:
        count = np.isfinite(takes).sum(axis=0)
        enough = count > 1
        if not enough.any():
            continue
        rises.append(np.nanmean(takes[:, enough], axis=0))
        squares.append(np.nanvar(takes[:, enough], axis=0, ddof=1))
        weights.append(count[enough] - 1.0)
        freedom += int(count.max()) - 1
    if not freedom:
        return None
    constant, share = _two_parts(np.concatenate(rises), np.concatenate(squares), freedom=np.concatenate(weights))
    return Repeatability(constant, share, float(freedom))


def _two_parts(rise: Array, variance: Array, *, freedom: Array) -> tuple[float, float]:
    """Return constant and share of a standard deviation; a variance scatters by itself, so large ones weigh less."""
    columns = np.stack([np.ones_like(rise), rise**2], axis=1)
    weight = np.sqrt(freedom)
    parts = np.zeros(2)
    for _ in range(5):
        parts, _ = nnls(columns * weight[:, None], variance * weight)
        weight = np.sqrt(freedom) / np.maximum(columns @ parts, 1e-6)
    return math.sqrt(parts[0]), math.sqrt(parts[1])


def coverage_factor(freedom: float, *, level: float = 0.95) -> float:
    """Return how many standard uncertainties a two-sided interval reaches (JCGM 100:2008, table G.2).

    >>> round(coverage_factor(5), 2), round(coverage_factor(float("inf")), 2)
    (2.57, 1.96)
    """
    return float(stdtrit(min(freedom, 1e9), 0.5 + level / 2))


def takes_needed(difference: float, *, spread: float, power: float = POWER, level: float = LEVEL) -> int:
    """Return how many takes of each of two set-ups show a true difference, two-sided; spread estimated from them.

    Parameters
    ----------
    difference, spread : float
        Least difference that matters and standard deviation of one take [K].
    power, level : float
        Chance that it is found; that a difference is found where there is none.

    Notes
    -----
    Power of the two-sample t test by the noncentral t distribution (Cohen, Statistical Power Analysis, 1988, from
    memory).
    """
    if not (difference > 0 and spread > 0 and math.isfinite(spread)):
        return 2
    from scipy.stats import nct  # slow to import

    for count in range(2, MOST_REPEATS):
        freedom = 2 * (count - 1)
        reach, apart = float(stdtrit(freedom, 1 - level / 2)), difference / spread * math.sqrt(count / 2)
        if nct.sf(reach, freedom, apart) + nct.cdf(-reach, freedom, apart) >= power:
            return count
    return MOST_REPEATS
