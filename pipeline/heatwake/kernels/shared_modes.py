"""Time constants that all parts of a board share, and where each part's rise ends by them.

A board with its parts is one linear network: every place's rise is a sum of the same exponentials, with amplitudes of
its own that may have any sign. Together places tell more exponentials than any of them alone.
"""

from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from heatwake.kernels.exponentials import fit_exponentials, step_basis
from heatwake.kernels.settling import Settling, noise_variance, refused, thin

Array = npt.NDArray[Any]

FEWEST_PLACES: Final = 3
FEWEST_READINGS: Final = 40
MOST_READINGS: Final = 120
SEEN: Final = 0.8  # of the readings that a place must have
TERMS: Final = (1, 2, 3, 4)  # exponentials tried
GRID: Final = 9  # time constants that fits start from
CLEAR: Final = 10.0  # by which AICc must fall for shared time constants to count (K. Burnham and D. Anderson 2002)
CARRIES: Final = 0.1  # of the rise: the time constant is that of the slowest exponential that carries so much
LATE: Final = 0.05  # of the window: the last readings


@dataclass(frozen=True)
class Shared:
    """Exponentials shared by places.

    Attributes
    ----------
    logs, spreads : (terms,) arrays
        Logarithms of the time constants, rising, and their standard uncertainties.
    amplitudes : (terms, places) array
    final, uncertainty : (places,) arrays
        Sum of the amplitudes, and its standard uncertainty by least squares.
    squares : (places,) array
        Weighted sum of squares that is left of each place.
    criterion : float
        AICc of all places together.
    """

    logs: Array
    spreads: Array
    amplitudes: Array
    final: Array
    uncertainty: Array
    squares: Array
    criterion: float


def fit_together(rises: Array, *, elapsed: Array, onset: float) -> list[Settling | None]:
    """Fit the rises of all places with common time constants.

    Parameters
    ----------
    rises : (place, time) array
        Rise after power-on [K]; NaN ignored.
    elapsed : (time,) array
        [s].
    onset : float
        Of power-on [s].

    Returns
    -------
    list of Settling or None
        None for places that one or two exponentials of their own describe clearly better, by AICc, and for all where
        shared ones are not clearly better in sum: then the places are not known to be of one board.
        By how much the last exponential changed the final values, relative to the rises and over all places, is taken
        for what another one would change, and stands in their uncertainty.
    """
    found: list[Settling | None] = [None] * len(rises)
    after = (elapsed > onset) & np.isfinite(rises).any(axis=0)
    places = np.flatnonzero(np.isfinite(rises[:, after]).mean(axis=1) >= SEEN) if after.any() else np.array([], int)
    known = after & np.isfinite(rises[places]).all(axis=0)
    if len(places) < FEWEST_PLACES or known.sum() < FEWEST_READINGS:
        return found
    time, values = _thinned(elapsed[known] - onset, rises[np.ix_(places, known)])
    noise = np.array([noise_variance(row) for row in values.T])
    if (np.ptp(values, axis=0) == 0).any():
        return found
    fits = [_fit(time, values / np.sqrt(noise), terms=terms) for terms in TERMS]
    best = int(np.argmin([fit.criterion for fit in fits]))
    if best == 0:
        return found
    chosen, fewer = fits[best], fits[best - 1]
    scale = values[time > (1 - LATE) * time[-1]].mean(axis=0) / np.sqrt(noise)
    step = float(np.sqrt(np.mean(((chosen.final - fewer.final) / scale) ** 2)))
    gains = [_gain(time, row, chosen, number=number, noise=noise[number]) for number, row in enumerate(values.T)]
    if sum(gains) < CLEAR:
        return found
    for number, place in enumerate(places):
        if gains[number] > -CLEAR:
            found[place] = _settling(time, values[:, number], chosen, number=number, noise=noise[number], step=step)
    return found


def _thinned(time: Array, rows: Array) -> tuple[Array, Array]:
    columns = [thin(time, row, most=MOST_READINGS) for row in rows]
    return columns[0][0], np.stack([values for _, values in columns], axis=1)


def _fit(time: Array, values: Array, *, terms: int) -> Shared:
    """Fit places (time, place) of unit variance; amplitudes are eliminated (variable projection)."""
    low, high = np.log(time[-1] / 100), np.log(6 * time[-1])

    def left(logs: Array) -> Array:
        explained = np.linalg.qr(step_basis(time, np.exp(np.clip(logs, low, high))))[0]
        return np.asarray((values - explained @ (explained.T @ values)).ravel())

    grid = np.log(np.geomspace(time[-1] / 50, 2 * time[-1], GRID))
    starts = sorted(combinations(grid, terms), key=lambda logs: float(np.sum(left(np.array(logs)) ** 2)))[:2]
    results = [least_squares(left, start, method="lm", max_nfev=60 * terms, diff_step=1e-4) for start in starts]
    best = min(results, key=lambda result: result.cost)
    return _told(time, values, np.sort(np.clip(best.x, low, high)))


def _told(time: Array, values: Array, logs: Array) -> Shared:
    """Return amplitudes, final values and how well all is known, neighbours that err alike taken into account."""
    constants = np.exp(logs)
    basis = step_basis(time, constants)
    inverse = np.linalg.pinv(basis)
    amplitudes = inverse @ values
    left = values - basis @ amplitudes
    slope = -time[:, None] / constants * np.exp(-time[:, None] / constants)
    along = slope[:, :, None] * amplitudes
    own = along - np.einsum("tk,kjp->tjp", basis @ inverse, along)
    spread = np.linalg.pinv(np.einsum("tjp,tkp->jk", own, own))
    ends = -np.einsum("t,tjp->jp", inverse.sum(axis=0), along)
    variance = (inverse.sum(axis=0) ** 2).sum() + np.einsum("jp,jk,kp->p", ends, spread, ends)
    count, parameters = values.size, len(logs) * (1 + values.shape[1])
    squares = (left**2).sum(axis=0)
    total = float(squares.sum())
    alike = float(np.clip((left[1:] * left[:-1]).sum() / total, 0.0, 0.9))
    factor = total / max(count - parameters, 1) * (1 + alike) / (1 - alike)
    criterion = count * np.log(total / count) + 2 * parameters * count / max(count - parameters - 1, 1)
    return Shared(
        logs,
        np.sqrt(np.diag(spread) * factor),
        amplitudes,
        amplitudes.sum(axis=0),
        np.sqrt(variance * factor),
        squares,
        float(criterion),
    )


def _gain(time: Array, values: Array, shared: Shared, *, number: int, noise: float) -> float:
    """Return by how much AICc of a place is lower with shared time constants than with one or two of its own."""
    count = len(time)
    parameters = len(shared.logs) * (1 + 1 / len(shared.squares))
    together = count * np.log(noise * shared.squares[number] / count)
    together += 2 * parameters * count / max(count - parameters - 1, 1)
    fits = [fit_exponentials(time, values, terms=terms) for terms in (1, 2)]
    return float(min((fit.criterion for fit in fits if fit is not None), default=-np.inf) - together)


def _settling(time: Array, values: Array, shared: Shared, *, number: int, noise: float, step: float) -> Settling:
    scale = float(np.sqrt(noise))
    amplitudes, constants = shared.amplitudes[:, number] * scale, np.exp(shared.logs)
    final = float(amplitudes.sum())
    if final <= 0:
        return refused("no rise")
    carrying = np.abs(amplitudes) > CARRIES * final
    slowest = float(constants[carrying].max())
    if time[-1] < slowest:
        return refused("window too short")
    late = time > (1 - LATE) * time[-1]
    last, reading = float(values[late].mean()), scale / np.sqrt(late.sum())
    unsure = float(np.hypot(shared.uncertainty[number] * scale, step * abs(last)))
    remaining = final - last
    wins = reading < unsure and abs(remaining) < unsure
    return Settling(
        final=last if wins else final,
        uncertainty=float(np.hypot(unsure, remaining)) if wins else unsure,
        time_constant=slowest,
        remaining=remaining,
        terms=len(constants),
        remaining_uncertainty=float(np.hypot(unsure, reading)),
        amplitudes=tuple(amplitudes.tolist()),
        constants=tuple(constants.tolist()),
        spreads=tuple((constants * shared.spreads).tolist()),
        delay=0.0,
        status="last reading" if wins else "forecast",
        last=last,
    )
