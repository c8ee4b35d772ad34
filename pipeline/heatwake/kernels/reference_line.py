"""A film's transmittance from references of known stability, each read without the film and with it.

Between two references of different temperature the film's own radiance cancels: transmittance is the ratio of the two
differences of *radiance*. More than two lie on a straight line whose slope it is.
"""

import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]

_ROUNDS: Final = 50


def reference_line(
    bare: Array, covered: Array, *, bare_uncertainty: Array, covered_uncertainty: Array
) -> tuple[float, float]:
    """Return slope and standard uncertainty of the straight line through points with errors in both coordinates.

    York et al., Am. J. Phys. 72 (2004) 367, without correlation. Two points give the ratio of their differences and
    the uncertainty of that. Where three or more scatter more than their uncertainties say, the slope's grows with them
    (Birge's ratio).

    Parameters
    ----------
    bare, covered : (n,) array
        Radiances without and with the film [W m-2 sr-1], n of 2 or more.
    bare_uncertainty, covered_uncertainty : (n,) array
        Their standard uncertainties, independent of each other.

    Returns
    -------
    tuple of float
        NaN and NaN where all points have one bare radiance.

    Examples
    --------
    >>> one = np.ones(2)
    >>> reference_line(np.array([50.0, 90.0]), np.array([51.0, 87.0]), bare_uncertainty=one, covered_uncertainty=one)[0]
    0.9
    """
    if not np.ptp(bare) > 0:
        return np.nan, np.nan
    ends = np.argmin(bare), np.argmax(bare)
    slope = float((covered[ends[1]] - covered[ends[0]]) / (bare[ends[1]] - bare[ends[0]]))
    x_weight, y_weight = 1 / np.square(bare_uncertainty), 1 / np.square(covered_uncertainty)
    for _ in range(_ROUNDS if len(bare) > 2 else 0):
        previous, weight = slope, _weights(slope, x_weight, y_weight)
        x, y = bare - _mean(bare, weight), covered - _mean(covered, weight)
        placed = weight * (x / y_weight + slope * y / x_weight)
        slope = float((weight * placed) @ y / ((weight * placed) @ x))
        if abs(slope - previous) < 1e-12:
            break
    weight = _weights(slope, x_weight, y_weight)
    x, y = bare - _mean(bare, weight), covered - _mean(covered, weight)
    adjusted = weight * (x / y_weight + slope * y / x_weight)
    lever = adjusted - _mean(adjusted, weight)
    misfit = float(weight @ np.square(y - slope * x)) / max(len(bare) - 2, 1)
    spread = float(weight @ np.square(lever))
    return slope, math.sqrt(max(misfit, 1.0) / spread)


def _weights(slope: float, x_weight: Array, y_weight: Array) -> Array:
    return np.asarray(x_weight * y_weight / (x_weight + slope**2 * y_weight))


def _mean(values: Array, weight: Array) -> float:
    return float(weight @ values / weight.sum())
