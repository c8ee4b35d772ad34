"""Statistics of directions (Mardia and Jupp, Directional Statistics, Wiley, 2000)."""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_LEAST = 1e-12  # of a mean resultant length: that of directions which cancel


def resultant(angles: Array, weights: Array | None = None) -> tuple[float, float]:
    """Return the mean direction [degree], -180 to 180, and the mean resultant length of directions.

    Parameters
    ----------
    angles : (n,) array
        [degree].
    weights : (n,) array, optional
        Of the directions, ones by default.

    Examples
    --------
    >>> mean, length = resultant(np.array([80.0, 100.0]))
    >>> round(mean, 6), round(length, 6)
    (90.0, 0.984808)
    """
    each = np.ones_like(angles) if weights is None else weights
    total = np.sum(each * np.exp(1j * np.radians(angles))) / np.sum(each)
    return float(np.degrees(np.angle(total))), float(np.abs(total))


def deviation(length: Array) -> Array:
    """Return the circular standard deviation [degree] of directions with a mean resultant length.

    ``sqrt(-2 ln R)``, equation 2.3.11 there; it grows without end as R falls to 0.
    """
    return np.asarray(np.degrees(np.sqrt(-2.0 * np.log(np.clip(length, _LEAST, 1.0)))))


def angle_deviation(vector: Array, covariance: Array) -> Array:
    """Return the standard uncertainty [degree] of a vector's direction, to first order.

    The variance across the vector over its squared length. NaN where the vector is 0.

    Parameters
    ----------
    vector : (2, ...) array
    covariance : (2, 2, ...) array
    """
    across = np.stack([-vector[1], vector[0]])
    size = np.hypot(*vector)
    variance = np.einsum("i...,ij...,j...->...", across, covariance, across)
    return np.asarray(np.degrees(np.sqrt(np.maximum(variance, 0.0)) / np.where(size > 0.0, size, np.nan) ** 2))
