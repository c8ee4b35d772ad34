"""What readings over time do that no heat does: heat comes and goes by exponentials, and never at once.

A board, parts and air between them are a network of heat capacities and resistances: after each change of a load or of
the air every place goes to its new value by a sum of exponentials (any textbook on heat conduction in lumped systems).
What moves over the board, jumps from one look to the next or flickers is something seen, not something warm.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

CONSTANTS: Final = 9  # time constants tried, spaced evenly in their logarithm
FASTEST_S: Final = 2.5  # [s] the quickest parts, bare and small
RIDGE: Final = 1e-6  # keeps amplitudes of like exponentials small
MAD_TO_SIGMA: Final = 1.4826  # of a normal distribution
AWAY: Final = 6.0  # times the usual rms of a look: something is in the way
AWAY_K: Final = 0.5  # [K] rms of a look, at least
MOST_IN_A_ROW: Final = 5  # looks
NEAR: Final = 3  # looks on each side of a jump
SETTLED_S: Final = 3.0  # [s] in which a jump may take place: a film settles within about one
LEAST_POWER: Final = 0.05  # of a jump beside the exponentials, in looks


def heating_basis(elapsed: Array, changes: tuple[float, ...]) -> Array:
    """Return a constant, a trend, and exponentials that begin at each change: (n, terms).

    Parameters
    ----------
    elapsed : (n,) array
        [s], rising.
    changes : tuple of float
        When loads or air changed [s].
    """
    span = max(float(np.ptp(elapsed)), 1e-6)
    constants = np.geomspace(min(FASTEST_S, span / 8), span, CONSTANTS)
    terms = [np.ones_like(elapsed), (elapsed - elapsed[0]) / span]
    for at in changes:
        since = np.maximum(elapsed - at, 0.0)
        terms += [1 - np.exp(-since / constant) for constant in constants]
    return np.stack(terms, axis=1)


def left_over(levels: Array, basis: Array, *, used: Mask | None = None) -> Array:
    """Return what a basis leaves of each place's readings (n, places), fitted to the looks that are used."""
    weight = np.ones(len(levels), dtype=bool) if used is None else used
    some = basis[weight]
    normal = some.T @ some + RIDGE * len(some) * np.eye(some.shape[1])
    found = np.linalg.solve(normal, some.T @ levels[weight])
    return np.asarray(levels - basis @ found)


def in_the_way(residual: Array) -> Mask:
    """Return the looks that depart far from all others, few in a row: a hand, a person, a cloth."""
    loud = np.sqrt(np.mean(residual**2, axis=1))
    away = loud > max(AWAY * float(np.median(loud)), AWAY_K)
    kept = np.zeros(len(away), dtype=bool)
    edges = np.flatnonzero(np.diff(np.r_[0, away.astype(int), 0]))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        kept[start:stop] = stop - start <= MOST_IN_A_ROW
    return kept


def without_motion(residual: Array, slopes: Array) -> Array:
    """Return residuals (n, places) without what a small error of each picture's place brings.

    Parameters
    ----------
    residual : (n, places) array
        [K]
    slopes : (n, places, 3) array
        Change of each reading with a shift to the right, down, and a turn.
    """
    settled = residual.astype(np.float64)
    for index, (values, base) in enumerate(zip(residual, slopes, strict=True)):
        weight = 1 / (1 + (values / max(MAD_TO_SIGMA * float(np.median(np.abs(values))), 1e-3) / 3) ** 2)
        weighed = base * weight[:, None]
        normal = weighed.T @ base + 1e-9 * np.trace(weighed.T @ base) * np.eye(base.shape[1])
        if np.trace(normal) > 0:
            settled[index] -= base @ np.linalg.solve(normal, weighed.T @ values)
    return settled


@dataclass(frozen=True, eq=False)
class Jumps:
    """What a jump at each look would explain.

    Attributes
    ----------
    sizes : (n, places) array
        Step that fits best where the readings jump just before a look and stay there [K]; 0 at the ends.
    at_once : (n, places) array
        What readings changed by from the look before, or over the two before, beyond the pace around [K].
    gained : (n,) array
        Share of all squares left over that such a jump of each place explains.
    """

    sizes: Array
    at_once: Array
    gained: Array


def jumps(levels: Array, elapsed: Array, *, basis: Array, used: Mask) -> Jumps:
    """Fit a jump at each look in turn, beside the exponentials (regression with a change point).

    Parameters
    ----------
    levels : (n, places) array
        [degC]
    elapsed : (n,) array
        [s]
    basis : (n, terms) array
        From :func:`heating_basis`, with jumps that are known already.
    used : (n,) array of bool
        Looks that count.
    """
    index = np.flatnonzero(used)
    values, times = levels[index].astype(np.float64), elapsed[index]
    vectors, sizes, _ = np.linalg.svd(basis[index], full_matrices=False)
    span = vectors[:, sizes > 1e-6 * sizes[0]]
    left = values - span @ (span.T @ values)
    found = np.zeros((3, len(levels), levels.shape[1]))
    gained = np.zeros(len(levels))
    total = max(float((left**2).sum()), 1e-12)
    for k in range(NEAR, len(index) - NEAR + 1):
        step = (np.arange(len(index)) >= k).astype(float)
        step -= span @ (span.T @ step)
        power = float(step @ step)
        if power < LEAST_POWER:
            continue
        found[0, index[k]] = step @ left / power
        gained[index[k]] = float(((step @ left) ** 2).sum()) / power / total
        found[1, index[k]] = _at_once(values, times, k)
    return Jumps(found[0], found[1], gained)


def _at_once(values: Array, times: Array, k: int) -> Array:
    """Return the change from the look before, or over one more, less the mean pace before and after."""
    before, after = slice(max(k - NEAR, 0), k), slice(k + 1, k + 1 + NEAR)
    paces = [_slope(values[part], times[part]) for part in (before, after) if len(times[part]) > 1]
    pace = np.mean(paces, axis=0)
    one = values[k] - values[k - 1] - pace * (times[k] - times[k - 1])
    if k + 1 >= len(values) or times[k + 1] - times[k - 1] > SETTLED_S:
        return np.asarray(one)
    two = values[k + 1] - values[k - 1] - pace * (times[k + 1] - times[k - 1])
    return np.asarray(np.where(np.abs(two) > np.abs(one), two, one))


def _slope(values: Array, elapsed: Array) -> Array:
    centred = elapsed - elapsed.mean()
    return np.asarray(centred @ values / max(float(centred @ centred), 1e-12))
