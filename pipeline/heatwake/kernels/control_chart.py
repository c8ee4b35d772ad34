"""Control charts of single values in the order they were taken: is a process as it was?"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

RANGE_OF_TWO: Final = 1.128  # d2: mean range of two normal values, in standard deviations
RUN: Final = 8  # values in a row on one side of the centre line
BY_CHANCE: Final = (
    1 / 153
)  # of values that signal by either rule (Champ and Woodall, Technometrics 29:393; from memory)


@dataclass(frozen=True)
class ControlChart:
    """An individuals chart and its moving ranges.

    Attributes
    ----------
    centre, low, high : float
        Mean of the values and limits three standard deviations beside it.
    range_mean : float
        Of ranges of two values in succession.
    outside : (values,) array of bool
        Beyond a limit.
    in_run : (values,) array of bool
        The eighth or a later one in a row on one side of the centre line.
    """

    centre: float
    low: float
    high: float
    range_mean: float
    outside: Array
    in_run: Array

    @property
    def signals(self) -> Array:
        """Values that signal (values,)."""
        return np.asarray(self.outside | self.in_run)


def control_chart(values: Array) -> ControlChart:
    """Return the individuals chart of values in order, limits by their mean moving range.

    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals) and 6.3.2 (eight in a row on one side, of
    the Western Electric rules). Limits from the ranges of neighbours hold a slow drift outside, where those from the
    standard deviation would take it in.

    Parameters
    ----------
    values : (values,) array
        At least two, all finite.
    """
    ranges = np.abs(np.diff(values))
    centre, mean = float(values.mean()), float(ranges.mean())
    reach = 3 * mean / RANGE_OF_TWO
    return ControlChart(
        centre,
        centre - reach,
        centre + reach,
        mean,
        np.abs(values - centre) > reach,
        _runs(np.sign(values - centre)) >= RUN,
    )


def _runs(sides: Array) -> Array:
    """Return how many values in a row up to each lie on its side; one on the centre line ends a run."""
    found, length, last = [], 0, 0.0
    for side in sides.tolist():
        length = length + 1 if side == last and side else int(side != 0)
        last = side
        found.append(length)
    return np.array(found)
