"""Sums of exponentials through a step response, by least squares."""

from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares, nnls

Array = npt.NDArray[Any]

GRID: Final = 14  # time constants that fits start from


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


def fit_exponentials(
    time: Array, values: Array, *, terms: int, free: float = 0.0, signed: bool = False
) -> Exponentials | None:
    """Fit ``sum A_i (1 - exp(-t / tau_i))`` with positive amplitudes, or with amplitudes of any sign.

    Amplitudes are eliminated by non-negative least squares (variable projection: Golub & Pereyra 1973), and so is what
    is not known of the level at the start.

    Parameters
    ----------
    time, values : (n,) arrays
        Seconds since the step, ascending, and the response.
    terms : int
    free : float
        How free the level at the start is, 0 (it is 0) to 1 (unknown): see `freedom`.
    signed : bool
        Amplitudes may have any sign.

    Returns
    -------
    Exponentials or None
        None with too few readings for so many terms.
    """
    parameters, count = 2 * terms + (free > 0), len(time)
    if count <= parameters + 2:
        return None
    grid = np.geomspace(max(time[0], time[-1] / 100), 3 * time[-1], GRID)
    problem = _Problem(time, values - free * values.mean(), free, signed, np.log([grid[0] / 3, grid[-1] * 3]))
    results = [
        least_squares(problem.residuals, start, jac=problem.slopes, method="lm", max_nfev=30, ftol=1e-6)
        for start in problem.starts(grid, terms=terms)
    ]
    best = min(results, key=lambda result: result.cost)
    constants, fitted, amplitudes = problem.at(best.x)
    squares = max(2 * best.cost, 1e-18 * count)
    criterion = count * np.log(squares / count) + 2 * parameters
    criterion += 2 * parameters * (parameters + 1) / (count - parameters - 1)
    variance = squares / (count - parameters)
    spreads = _spreads(fitted, amplitudes * problem.basis_slope(constants), constants, variance=variance)
    residuals = fitted @ amplitudes - problem.values
    return Exponentials(amplitudes, constants, spreads, float(criterion), variance, residuals)


@dataclass(frozen=True)
class _Problem:
    """Least squares in the logarithms of the time constants, amplitudes and start eliminated."""

    time: Array
    values: Array
    free: float
    signed: bool
    bounds: Array

    def solve(self, basis: Array) -> Array:
        """Return the amplitudes."""
        if self.signed:
            return np.asarray(np.linalg.lstsq(basis, self.values, rcond=None)[0])
        return np.asarray(nnls(basis, self.values)[0])

    def at(self, logs: Array) -> tuple[Array, Array, Array]:
        """Return time constants, basis and amplitudes."""
        constants = np.exp(np.clip(logs, *self.bounds))
        basis = step_basis(self.time, constants, free=self.free)
        return constants, basis, self.solve(basis)

    def residuals(self, logs: Array) -> Array:
        _, basis, amplitudes = self.at(logs)
        return np.asarray(basis @ amplitudes - self.values)

    def slopes(self, logs: Array) -> Array:
        """Return the derivative of the residuals: what the amplitudes do not take up again."""
        constants, basis, amplitudes = self.at(logs)
        along = amplitudes * self.basis_slope(constants)
        explained = np.linalg.qr(basis[:, amplitudes != 0])[0]
        return np.asarray(along - explained @ (explained.T @ along))

    def basis_slope(self, constants: Array) -> Array:
        """Return the derivative of the basis by the logarithms of the time constants."""
        slope = -self.time[:, None] / constants * np.exp(-self.time[:, None] / constants)
        return np.asarray(slope - self.free * slope.mean(axis=0))

    def starts(self, grid: Array, *, terms: int) -> list[Array]:
        """Return the logarithms of good time constants of a grid, with several terms two sets.

        All pairs are tried; more terms are added one at a time to the best two sets of fewer.
        """
        # the misfit of any of the grid's columns is that of as many rows (QR), but for what none explains
        q, basis = np.linalg.qr(step_basis(self.time, grid, free=self.free))
        reduced = replace(self, values=q.T @ self.values)

        def misfit(chosen: tuple[int, ...]) -> float:
            some = basis[:, chosen]
            return float(np.linalg.norm(some @ reduced.solve(some) - reduced.values))

        sets = list(combinations(range(len(grid)), min(terms, 2)))
        for _ in range(terms - 2):
            best = sorted(sets, key=misfit)[:2]
            sets = sorted({tuple(sorted((*some, one))) for some in best for one in range(len(grid)) if one not in some})
        return [np.log(grid[list(chosen)]) for chosen in sorted(sets, key=misfit)[: min(terms, 2)]]


def freedom(uncertainty: float, *, variance: float, readings: int) -> float:
    """Return how free the level at the start is, by its standard uncertainty from elsewhere: 0 known, 1 unknown.

    A level common to all readings makes their errors alike, ``variance I + uncertainty^2``. Taking this share of the
    mean off readings and basis makes them independent again with the variance of a reading (whitening).
    """
    ratio = readings * uncertainty**2 / variance
    return float(1 - 1 / np.sqrt(1 + ratio)) if np.isfinite(ratio) else 1.0


def step_basis(time: Array, constants: Array, *, free: float = 0.0) -> Array:
    """Return ``1 - exp(-t / tau)``, time along the first axis, less a share of its mean over time: see `freedom`."""
    basis = -np.expm1(-time.reshape(-1, *[1] * constants.ndim) / constants)
    return np.asarray(basis - free * basis.mean(axis=0) if free else basis)


def _spreads(basis: Array, slopes: Array, constants: Array, *, variance: float) -> Array:
    """Standard uncertainties of the time constants, by the full Jacobian in amplitudes and time constants."""
    jacobian = np.hstack([basis, slopes])
    covariance = variance * np.linalg.pinv(jacobian.T @ jacobian)
    return np.asarray(constants * np.sqrt(np.maximum(np.diag(covariance)[len(constants) :], 0.0)))
