"""Sums of exponentials through a step response, by least squares."""

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares, nnls

Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Exponentials:
    """Terms of a fit.

    Attributes
    ----------
    amplitudes, constants, spreads : (terms,) arrays
        Amplitudes, time constants [s] and their standard uncertainties [s].
    criterion : float
        AICc (Hurvich & Tsai 1989): lower is better.
    variance : float
        Of the residuals.
    residuals : (n,) array
        Fit less readings.
    """

    amplitudes: Array
    constants: Array
    spreads: Array
    criterion: float
    variance: float
    residuals: Array


def fit_exponentials(time: Array, values: Array, *, terms: int) -> Exponentials | None:
    """Fit ``sum A_i (1 - exp(-t / tau_i))`` with positive amplitudes.

    Amplitudes are eliminated by non-negative least squares (variable projection: Golub & Pereyra 1973).

    Parameters
    ----------
    time, values : (n,) arrays
        Seconds since the step, ascending, and the response.
    terms : int

    Returns
    -------
    Exponentials or None
        None with too few readings for so many terms.
    """
    grid = np.geomspace(max(time[0], time[-1] / 100), 3 * time[-1], 14)
    target = np.maximum(values, 0) if (values >= 0).all() else values
    basis = _basis(time, grid)
    starts = sorted(combinations(range(len(grid)), terms), key=lambda chosen: nnls(basis[:, chosen], target)[1])[
        : min(terms, 2)
    ]

    low, high = np.log(grid[0] / 3), np.log(grid[-1] * 3)

    def misfit(logs: Array) -> Array:
        basis = _basis(time, np.exp(np.clip(logs, low, high)))
        return np.asarray(basis @ nnls(basis, target)[0] - values)

    def slopes(logs: Array) -> Array:
        constants = np.exp(np.clip(logs, low, high))
        basis = _basis(time, constants)
        amplitudes = nnls(basis, target)[0]
        along = amplitudes * _basis_slope(time, constants)
        explained = np.linalg.qr(basis[:, amplitudes > 0])[0]
        return np.asarray(along - explained @ (explained.T @ along))

    results = [
        least_squares(misfit, np.log(grid[list(start)]), jac=slopes, method="lm", max_nfev=30, ftol=1e-6)
        for start in starts[: min(terms, 2)]
    ]
    best = min(results, key=lambda result: result.cost)
    constants = np.exp(np.clip(best.x, low, high))
    amplitudes = nnls(_basis(time, constants), target)[0]
    free = 2 * terms
    count = len(time)
    squares = max(2 * best.cost, 1e-18 * count)
    if count <= free + 2:
        return None
    criterion = count * np.log(squares / count) + 2 * free + 2 * free * (free + 1) / (count - free - 1)
    spreads = _spreads(time, amplitudes, constants, variance=squares / (count - free))
    residuals = _basis(time, constants) @ amplitudes - values
    return Exponentials(amplitudes, constants, spreads, float(criterion), squares / (count - free), residuals)


def _basis(time: Array, constants: Array) -> Array:
    return np.asarray(1 - np.exp(-time[:, None] / constants))


def _basis_slope(time: Array, constants: Array) -> Array:
    """Derivative of the basis by the logarithms of the time constants."""
    return np.asarray(-time[:, None] / constants * np.exp(-time[:, None] / constants))


def _spreads(time: Array, amplitudes: Array, constants: Array, *, variance: float) -> Array:
    """Standard uncertainties of the time constants, by the full Jacobian in amplitudes and time constants."""
    slopes = amplitudes * _basis_slope(time, constants)
    jacobian = np.hstack([_basis(time, constants), slopes])
    covariance = variance * np.linalg.pinv(jacobian.T @ jacobian)
    return np.asarray(constants * np.sqrt(np.maximum(np.diag(covariance)[len(constants) :], 0.0)))
