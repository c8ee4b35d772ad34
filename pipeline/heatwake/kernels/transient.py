"""The final value and time constants of a rise after power-on."""

from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares, nnls

Array = npt.NDArray[Any]

SHORTEST_WINDOW: Final = 1.0  # time constants: below this two readings half a window apart gain noise tenfold
MODEL_SHARE: Final = 0.25  # of the rise still to come is counted as the model's own uncertainty (our judgement)
MOST_POINTS: Final = 240
NO_SUPPORT: Final = 10.0  # by which AICc must fall for a second term (K. Burnham and D. Anderson 2002: from memory)


@dataclass(frozen=True)
class Settling:
    """Where a rise is going.

    Attributes
    ----------
    final, uncertainty : float
        Final rise and its standard uncertainty [K]; NaN where the record is too short to tell.
    time_constant : float
        Time constant of the slowest term that carries a tenth of the rise or more [s].
    remaining : float
        Final rise less the last reading [K].
    terms : int
        Number of exponentials chosen by AICc; 0 where none was fitted.
    """

    final: float
    uncertainty: float
    time_constant: float
    remaining: float
    terms: int


UNKNOWN: Final = Settling(np.nan, np.nan, np.nan, np.nan, 0)


def fit_settling(rise: Array, *, elapsed: Array, onset: float) -> Settling:
    """Fit ``sum A_i (1 - exp(-(t - onset) / tau_i))``, one or two terms, to the rise after power-on.

    Amplitudes are eliminated by non-negative least squares (variable projection: Golub & Pereyra 1973); the number
    of terms is chosen by AICc (Hurvich & Tsai 1989), the second only where one has no support. Uncertainty: the fit's
    covariance, and a share of what was extrapolated, for a sum of few exponentials is not how a board settles.

    Parameters
    ----------
    rise : (time,) array
        Rise [K]; NaN ignored.
    elapsed : (time,) array
        Seconds since the first frame.
    onset : float
        Elapsed time of power-on [s].

    Returns
    -------
    Settling
        All NaN with fewer than 8 readings or a window shorter than one time constant.
    """
    chosen = np.isfinite(rise) & (elapsed > onset)
    time, values = _thin(elapsed[chosen] - onset, rise[chosen])
    if len(time) < 8 or np.ptp(values) == 0:
        return UNKNOWN
    best = _choose(_fit(time, values, terms=1), _fit(time, values, terms=2))
    if best is None:
        return UNKNOWN
    last = float(np.mean(values[time > time[-1] - 0.05 * time[-1]]))
    carrying = best.amplitudes > 0.1 * best.amplitudes.sum()
    slowest = float(best.constants[carrying].max()) if carrying.any() else float(best.constants.max())
    if time[-1] < SHORTEST_WINDOW * slowest:
        return UNKNOWN
    final = float(best.amplitudes.sum())
    remaining = final - last
    uncertainty = float(np.hypot(best.spread, MODEL_SHARE * remaining))
    return Settling(final, uncertainty, slowest, remaining, len(best.constants))


@dataclass(frozen=True)
class _Fit:
    amplitudes: Array
    constants: Array
    spread: float
    criterion: float


def _choose(one: _Fit | None, two: _Fit | None) -> _Fit | None:
    """Two terms only where one has no support: a second that the noise asks for is as slow as its bound allows."""
    if one is None or two is None:
        return one or two
    return two if two.criterion < one.criterion - NO_SUPPORT else one


def _thin(time: Array, values: Array) -> tuple[Array, Array]:
    """Average neighbouring readings so that at most MOST_POINTS stay, evenly in logarithmic time beyond the start."""
    if len(time) <= MOST_POINTS:
        return time, values
    groups = np.array_split(np.arange(len(time)), MOST_POINTS)
    return np.array([time[g].mean() for g in groups]), np.array([values[g].mean() for g in groups])


def _fit(time: Array, values: Array, *, terms: int) -> _Fit | None:
    grid = np.geomspace(max(time[0], time[-1] / 100), 3 * time[-1], 14)
    target = np.maximum(values, 0) if (values >= 0).all() else values
    basis = _basis(time, grid)
    starts = sorted(combinations(range(len(grid)), terms), key=lambda chosen: nnls(basis[:, chosen], target)[1])[:2]

    def misfit(logs: Array) -> Array:
        basis = _basis(time, np.exp(logs))
        return np.asarray(basis @ nnls(basis, target)[0] - values)

    def slopes(logs: Array) -> Array:
        basis = _basis(time, np.exp(logs))
        amplitudes = nnls(basis, target)[0]
        along = amplitudes * _basis_slope(time, np.exp(logs))
        explained = np.linalg.qr(basis[:, amplitudes > 0])[0]
        return np.asarray(along - explained @ (explained.T @ along))

    bounds = (np.log(grid[0] / 3), np.log(grid[-1] * 3))
    results = [
        least_squares(misfit, np.log(grid[list(start)]), jac=slopes, bounds=bounds, x_scale="jac") for start in starts
    ]
    best = min(results, key=lambda result: result.cost)
    constants = np.exp(best.x)
    amplitudes = nnls(_basis(time, constants), target)[0]
    free = 2 * terms
    count = len(time)
    squares = max(2 * best.cost, 1e-18 * count)
    if count <= free + 2:
        return None
    criterion = count * np.log(squares / count) + 2 * free + 2 * free * (free + 1) / (count - free - 1)
    spread = _final_spread(time, amplitudes, constants, variance=squares / (count - free))
    return _Fit(amplitudes, constants, spread, float(criterion))


def _basis(time: Array, constants: Array) -> Array:
    return np.asarray(1 - np.exp(-time[:, None] / constants))


def _basis_slope(time: Array, constants: Array) -> Array:
    """Derivative of the basis by the logarithms of the time constants."""
    return np.asarray(-time[:, None] / constants * np.exp(-time[:, None] / constants))


def _final_spread(time: Array, amplitudes: Array, constants: Array, *, variance: float) -> float:
    """Standard uncertainty of the sum of amplitudes, by the full Jacobian in amplitudes and time constants."""
    slopes = amplitudes * _basis_slope(time, constants)
    jacobian = np.hstack([_basis(time, constants), slopes])
    covariance = variance * np.linalg.pinv(jacobian.T @ jacobian)
    weights = np.r_[np.ones(len(amplitudes)), np.zeros(len(constants))]
    return float(np.sqrt(max(weights @ covariance @ weights, 0.0)))
