"""The power of one run against another's, from how fast things begin to warm."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

LEAST_READINGS: Final = 5
LEAST_SLOPE: Final = 0.02  # [K/s] slower ones are not power of their own but heat that arrives
LEAST_REGIONS: Final = 2


@dataclass(frozen=True)
class SlopeRatio:
    """Power of one run over that of another.

    Attributes
    ----------
    ratio, uncertainty : float
        NaN where it cannot be told.
    regions : int
        That told it.
    """

    ratio: float
    uncertainty: float
    regions: int


def initial_slopes(rise: Array, *, since: Array) -> tuple[Array, Array]:
    """Return how fast regions begin to warm, P / C, and its standard uncertainty [K/s]; NaN where it cannot be told.

    Before air has carried anything the slope is power over heat capacity, whatever the flow. A parabola through the
    readings after power-on leaves the slope at its beginning; its constant takes up what the onset is wrong by.

    Parameters
    ----------
    rise : (regions, n) array
        [K].
    since : (n,) array
        Time since power-on [s]; negative before.
    """
    after = (since >= 0) & np.isfinite(rise).all(axis=0)
    slopes = np.full((2, len(rise)), np.nan)
    if after.sum() < LEAST_READINGS:
        return slopes[0], slopes[1]
    design = np.stack([np.ones(after.sum()), since[after], since[after] ** 2], axis=1)
    values = rise[:, after].T
    coefficients = np.linalg.lstsq(design, values, rcond=None)[0]
    left = values - design @ coefficients
    variance = (left**2).sum(axis=0) / (len(design) - 3)
    return coefficients[1], np.sqrt(variance * np.linalg.inv(design.T @ design)[1, 1])


def slope_ratio(first: tuple[Array, Array], second: tuple[Array, Array]) -> SlopeRatio:
    """Return the ratio of two runs' initial slopes over the regions that warm by themselves.

    Parameters
    ----------
    first, second : (slopes, uncertainties)
        From :func:`initial_slopes`, of the same regions.

    Notes
    -----
    Weighted mean of the ratios; its uncertainty is raised by what they scatter more than their own (Birge ratio).
    """
    warm = (first[0] > LEAST_SLOPE) & (second[0] > LEAST_SLOPE)
    if warm.sum() < LEAST_REGIONS:
        return SlopeRatio(np.nan, np.nan, int(warm.sum()))
    ratio = first[0][warm] / second[0][warm]
    relative = np.hypot(first[1][warm] / first[0][warm], second[1][warm] / second[0][warm])
    spread = np.maximum(ratio * relative, 1e-6)
    weight = 1 / spread**2
    mean = float((weight * ratio).sum() / weight.sum())
    birge = float((weight * (ratio - mean) ** 2).sum() / (len(ratio) - 1))
    return SlopeRatio(mean, float(np.sqrt(max(birge, 1.0) / weight.sum())), len(ratio))
