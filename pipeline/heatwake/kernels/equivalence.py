"""Whether two states are the same to within a bound: two one-sided tests."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

LEVEL: Final = 0.05  # chance that states just as far apart as the bound are called equivalent
NO_SCATTER: Final = 1e-9  # [K] of values that were rounded until none is left


@dataclass(frozen=True)
class Equivalence:
    """A difference of two states against a bound.

    Attributes
    ----------
    difference : float
        Mean of the first less that of the second [K].
    low, high : float
        Its 90 % interval: the states are equivalent where it lies inside of the bound [K].
    p_value : float
        The larger of the two one-sided tests'.
    freedom : float
    """

    difference: float
    low: float
    high: float
    p_value: float
    freedom: float

    @property
    def least_bound(self) -> float:
        """The smallest bound that these values show [K]."""
        return max(abs(self.low), abs(self.high))

    @property
    def is_shown(self) -> bool:
        """Whether the states are equivalent."""
        return self.p_value <= LEVEL


def equivalence(first: Array, second: Array, *, bound: float, paired: bool) -> Equivalence:
    """Return the test of two states' values; nothing is shown by values that do not scatter.

    Two one-sided t tests at 5 % each (Schuirmann, J. Pharmacokinet. Biopharm. 15:657, 1987; from memory), by
    statsmodels. That several places are all equivalent is shown at 5 % where each is (Berger, Technometrics 24:295,
    1982: an intersection-union test; from memory).

    Parameters
    ----------
    first, second : (n,) and (m,) arrays
        Values of runs [K]; two or more of either.
    bound : float
        What difference does not matter [K].
    paired : bool
        Whether runs of one place in both belong together.
    """
    from statsmodels.stats.weightstats import CompareMeans, DescrStatsW, ttost_ind, ttost_paired

    difference = float(np.mean(first) - np.mean(second))
    scatter = np.std(first - second) if paired else np.hypot(np.std(first), np.std(second))
    freedom = float(first.size - 1 if paired else first.size + second.size - 2)
    if scatter < NO_SCATTER:
        return Equivalence(difference, np.nan, np.nan, np.nan, freedom)
    if paired:
        p_value = ttost_paired(first, second, -bound, bound)[0]
        low, high = DescrStatsW(first - second).tconfint_mean(alpha=2 * LEVEL)
    else:
        p_value = ttost_ind(first, second, -bound, bound)[0]
        low, high = CompareMeans(DescrStatsW(first), DescrStatsW(second)).tconfint_diff(alpha=2 * LEVEL)
    return Equivalence(difference, float(low), float(high), float(p_value), freedom)
