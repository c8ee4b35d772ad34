"""How two ways of measuring agree: bias, limits of agreement, stated uncertainties, a line with errors in both."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc, stdtrit

Array = npt.NDArray[Any]

ROUNDS: Final = 100
SETTLED: Final = 1e-12


@dataclass(frozen=True)
class Agreement:
    """Differences of two ways of measuring, over several things measured once or more.

    Attributes
    ----------
    bias, bias_low, bias_high : float
        Mean difference with its 95 % interval [K].
    spread : float
        Standard deviation of a single difference [K].
    low, high : float
        Limits of agreement: 95 % of differences lie between [K].
    limit_uncertainty : float
        Standard error of either limit [K].
    things : int
    """

    bias: float
    bias_low: float
    bias_high: float
    spread: float
    low: float
    high: float
    limit_uncertainty: float
    things: int


def agreement(differences: Sequence[Array]) -> Agreement:
    """Return bias and limits of agreement; NaN where there are fewer than two things.

    Bland and Altman, Lancet 327:307, 1986, and where things were measured more than once Stat. Methods Med. Res. 8:135,
    1999, section 5.3 (from memory): the variance of things' means, and what single values scatter within a thing beyond
    what these hold of it. Values of one thing share its errors, so it is things that count for the bias.

    Parameters
    ----------
    differences : sequence of arrays
        Of each thing [K].
    """
    means = np.array([values.mean() for values in differences])
    counts = np.array([values.size for values in differences], dtype=float)
    things = means.size
    if things < 2:
        nothing = math.nan
        bias = float(means.mean()) if things else nothing
        return Agreement(bias, nothing, nothing, nothing, nothing, nothing, nothing, things)
    within_freedom = float((counts - 1).sum())
    within = sum(float(((values - values.mean()) ** 2).sum()) for values in differences) / max(within_freedom, 1.0)
    spread = math.sqrt(float(means.var(ddof=1)) + (1 - float(np.mean(1 / counts))) * within)
    bias, error = float(means.mean()), float(means.std(ddof=1)) / math.sqrt(things)
    reach = float(stdtrit(things - 1, 0.975)) * error
    half = 1.96 * spread
    return Agreement(
        bias, bias - reach, bias + reach, spread, bias - half, bias + half, math.sqrt(3 / things) * spread, things
    )


def chi_square(differences: Array, uncertainty: Array) -> tuple[float, float]:
    """Return the sum of squared differences over their variances, and the chance of as much where these are right.

    Parameters
    ----------
    differences, uncertainty : (n,) arrays
        Independent differences and their standard uncertainties [K].
    """
    total = float(np.sum((differences / uncertainty) ** 2))
    return total, float(chdtrc(differences.size, total))


@dataclass(frozen=True)
class Line:
    """A straight line through points with errors in both coordinates.

    Attributes
    ----------
    intercept, slope : float
    intercept_uncertainty, slope_uncertainty : float
        Standard uncertainties from the points' own.
    reduced : float
        Sum of weighted squares over the degrees of freedom: 1 where uncertainties are right.
    """

    intercept: float
    slope: float
    intercept_uncertainty: float
    slope_uncertainty: float
    reduced: float


def line_with_errors(x: Array, y: Array, *, x_uncertainty: Array, y_uncertainty: Array) -> Line | None:
    """Return the line of best fit, None where points do not tell a slope.

    York, Evensen, Lopez Martinez and De Basabe Delgado, Am. J. Phys. 72:367, 2004, equations 13, errors of x and y
    independent.

    Parameters
    ----------
    x, y, x_uncertainty, y_uncertainty : (n,) arrays
        Standard uncertainties, more than 0.
    """
    if x.size < 3 or np.ptp(x) <= 0:
        return None
    weight_x, weight_y = 1 / x_uncertainty**2, 1 / y_uncertainty**2
    slope = float(np.polyfit(x, y, 1)[0])
    for _ in range(ROUNDS):
        weight = weight_x * weight_y / (weight_x + slope**2 * weight_y)
        mean_x, mean_y = (float((weight * one).sum() / weight.sum()) for one in (x, y))
        away_x, away_y = x - mean_x, y - mean_y
        beta = weight * (away_x / weight_y + slope * away_y / weight_x)
        before, slope = slope, float((weight * beta * away_y).sum() / (weight * beta * away_x).sum())
        if abs(slope - before) <= SETTLED * abs(slope):
            break
    intercept = mean_y - slope * mean_x
    adjusted = mean_x + beta
    middle = float((weight * adjusted).sum() / weight.sum())
    slope_variance = 1 / float((weight * (adjusted - middle) ** 2).sum())
    intercept_variance = 1 / float(weight.sum()) + middle**2 * slope_variance
    left = float((weight * (y - intercept - slope * x) ** 2).sum()) / (x.size - 2)
    return Line(intercept, slope, math.sqrt(intercept_variance), math.sqrt(slope_variance), left)
