"""One and two exponentials through the readings of many places at once, each place with time constants of its own."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

FASTEST: Final = 0.02  # windows: time constants from here on are tried ...
SLOWEST: Final = 3.0  # ... to here: a slower term is a ramp, which ends nowhere
GRID: Final = 25  # time constants that fits start from
EVERY: Final = 2  # of them for two exponentials
PASSES: Final = 6
LONGEST_STEP: Final = 0.7  # of the logarithm of a time constant in a pass
LEAST_RATIO: Final = 1.3  # of two time constants: closer ones act as one
CARRIES: Final = 0.1  # of the change: the time constant is that of the slowest exponential that carries so much
RANGE: Final = 4.0  # amplitudes up to so many times what was seen weigh alike
REACH: Final = 4.0  # standard deviations of the slow time constant that finals are averaged over, to the fast side ...
FURTHER: Final = 10.0  # ... and to the slow side, where it is told less and less
ALONG: Final = (7, 11)  # points of it, by the number of terms
FOLLOWS: Final = 3.0  # the other's logarithm moves by no more than so many times as much


@dataclass(frozen=True)
class Readings:
    """Of many places.

    Attributes
    ----------
    time, spread : (bins,) arrays
        Mean of the readings' times in a bin [s], and their variance [s2].
    values, counts : (bins, n) arrays
        Mean of each place's readings in a bin, and how many they are; 0 where none.
    window : float
        Time of the last reading [s].
    lag : (k, bins) array, or None
        To be added for the lag behind a drifting ambient, by time constants of ``grid_of(window)``.
    free : bool
        The level at the start is not known; else it is 0.
    """

    time: Array
    spread: Array
    values: Array
    counts: Array
    window: float
    lag: Array | None
    free: bool

    @staticmethod
    def grid_of(window: float) -> Array:
        """Return the time constants that fits start from, rising."""
        return np.geomspace(FASTEST * window, SLOWEST * window, GRID)

    def at(self, places: Array) -> "Readings":
        """Return those of some places."""
        some = self.values[:, places], self.counts[:, places]
        return Readings(self.time, self.spread, *some, self.window, self.lag, self.free)

    def lagged(self, logs: Array) -> Array:
        """Return the values over what places of these slowest time constants (logarithms) feel of the ambient."""
        if self.lag is None:
            return self.values
        grid = np.log(self.grid_of(self.window))
        place = np.clip((logs - grid[0]) / (grid[1] - grid[0]), 0, GRID - 1.001)
        low, share = place.astype(int), place % 1
        return np.asarray(self.values + (1 - share) * self.lag[low].T + share * self.lag[low + 1].T)

    def basis(self, logs: Array) -> tuple[Array, Array]:
        """Return ``1 - exp(-t / tau)`` averaged over each bin, and its slope by ``log tau``, (bins, n)."""
        tau = np.exp(logs)
        late = np.exp(-self.time[:, None] / tau)
        bend = self.spread[:, None] / tau**2
        return 1 - late * (1 + bend / 2), -late * (self.time[:, None] / tau * (1 + bend / 2) - bend)


@dataclass(frozen=True)
class Average:
    """Log evidence, final level, its variance, time constant and level at the start of each place, ``(n,)``."""

    evidence: Array
    final: Array
    variance: Array
    constant: Array
    start: Array


@dataclass(frozen=True)
class Solution:
    """Amplitudes that go with time constants, for each place.

    Attributes
    ----------
    amplitudes : (terms, n) array
    start : (n,) array
        Level at the start.
    misfit : (n,) array
        Weighted sum of squares.
    inverse : (terms, terms, n) array
        Of the normal equations of the amplitudes.
    gain : (terms, n) array
        By how much each amplitude moves the final level.
    left : (bins, n) array
        Readings less fit.
    slopes : list of (bins, n) arrays
        What amplitudes and start do not take up of the slopes by the time constants' logarithms.
    ends : (terms, n) array
        By how much each of those moves the final level, amplitudes and start following.
    """

    amplitudes: Array
    start: Array
    misfit: Array
    inverse: Array
    gain: Array
    left: Array
    slopes: list[Array]
    ends: Array

    def where(self, better: Array, new: "Solution") -> "Solution":
        """Return this with another's places where that is better."""
        arrays = ("amplitudes", "start", "misfit", "inverse", "gain", "left", "ends")
        chosen = {name: np.where(better, getattr(new, name), getattr(self, name)) for name in arrays}
        slopes = [np.where(better, one, other) for one, other in zip(new.slopes, self.slopes, strict=True)]
        return Solution(**chosen, slopes=slopes)


def solve(readings: Readings, logs: Array) -> Solution:
    """Return the amplitudes and level at the start for logarithms of time constants (terms, n), in closed form."""
    weight = readings.counts
    values = readings.lagged(logs.max(axis=0))
    pairs = [readings.basis(row) for row in logs]
    total = weight.sum(axis=0)

    def mean(array: Array) -> Array:
        return (weight * array).sum(axis=0) / total if readings.free else np.zeros(array.shape[1])

    means, level = np.stack([mean(basis) for basis, _ in pairs]), mean(values)
    bases = [basis - middle for (basis, _), middle in zip(pairs, means, strict=True)]
    inverse = _inverse([[(weight * one * other).sum(axis=0) for other in bases] for one in bases])

    def explain(array: Array) -> Array:
        along = np.stack([(weight * one * array).sum(axis=0) for one in bases])
        return np.asarray(np.einsum("ijn,jn->in", inverse, along))

    amplitudes = explain(values - level)
    left = values - level - sum(a * basis for a, basis in zip(amplitudes, bases, strict=True))
    slopes, ends = [], []
    for amplitude, (_, slope) in zip(amplitudes, pairs, strict=True):
        along = amplitude * (slope - mean(slope))
        taken = explain(along)
        slopes.append(along - sum(t * basis for t, basis in zip(taken, bases, strict=True)))
        ends.append(-((1 - means) * taken).sum(axis=0) - amplitude * mean(slope))
    return Solution(
        amplitudes,
        level - (amplitudes * means).sum(axis=0),
        (weight * left**2).sum(axis=0),
        inverse,
        1 - means,
        left,
        slopes,
        np.stack(ends),
    )


def _inverse(rows: list[list[Array]]) -> Array:
    """Return the inverse of symmetric 1 x 1 or 2 x 2 matrices, a little regularised."""
    if len(rows) == 1:
        return np.asarray(1 / np.maximum(rows[0][0], 1e-300))[None, None]
    a, b, c = rows[0][0], rows[0][1], rows[1][1]
    determinant = np.maximum(a * c - b**2, 1e-12 * a * c + 1e-300)
    return np.asarray(np.stack([np.stack([c, -b]), np.stack([-b, a])]) / determinant)


@dataclass(frozen=True)
class Model:
    """A fit of each place: time constants' logarithms (terms, n), and the variance of a single reading that it leaves.

    ``known`` tells where it is one: amplitudes of one sign.
    """

    readings: Readings
    logs: Array
    noise: Array
    known: Array

    def average(self, noise: Array) -> Average:
        """Return the final level with the variance of a reading given, averaged along the slowest time constant."""
        solution, count = solve(self.readings, self.logs), ALONG[len(self.logs) - 1]
        information = _information(self.readings, solution)
        inverse = _inverse(information)
        spread = np.minimum(np.sqrt(inverse[-1, -1] * noise), np.log(SLOWEST / FASTEST))
        follows = np.zeros_like(spread)
        if len(self.logs) == 2:
            follows = -information[0][1] / np.maximum(information[0][0], 1e-300)
            follows = np.clip(follows, -FOLLOWS, FOLLOWS)
        low, high = self._bounds()
        lowest, highest = (
            np.maximum(self.logs[-1] - REACH * spread, low),
            np.minimum(self.logs[-1] + (REACH, FURTHER)[len(self.logs) - 1] * spread, high),
        )
        points = [
            self._point(lowest + share * (highest - lowest), follows, noise=noise, information=information)
            for share in np.linspace(0, 1, count)
        ]
        weights, finals, variances = (np.stack(column) for column in zip(*points, strict=True))
        top = weights.max(axis=0)
        share = np.exp(weights - np.where(np.isfinite(top), top, 0.0))
        total = np.maximum(share.sum(axis=0), 1e-300)
        final = (share * finals).sum(axis=0) / total
        variance = (share * (variances + (finals - final) ** 2)).sum(axis=0) / total
        span = np.log(SLOWEST / FASTEST)
        evidence = top + np.log(total * np.maximum(highest - lowest, 1e-9) / (count - 1) / span)
        evidence = np.where(self.known, evidence, -np.inf)
        return Average(evidence, final, variance, self._constant(solution), solution.start)

    def _bounds(self) -> tuple[Array, Array]:
        """Return between what the slowest time constant may lie, in logarithms."""
        window = np.log(self.readings.window)
        low = window + np.log(FASTEST)
        least = np.full(self.logs.shape[1], low)
        return (self.logs[0] + np.log(LEAST_RATIO) / 2 if len(self.logs) == 2 else least), least * 0 + window + np.log(
            SLOWEST
        )

    def _point(self, slow: Array, follows: Array, *, noise: Array, information: list[list[Array]]) -> tuple[Array, ...]:
        """Return log weight, final level and its variance with the slowest time constant held, the other following."""
        logs = self.logs.copy()
        logs[-1] = slow
        if len(logs) == 2:
            fastest, most = np.log(FASTEST * self.readings.window), slow - np.log(LEAST_RATIO) / 2
            logs[0] = np.clip(logs[0] + follows * (slow - self.logs[1]), np.minimum(fastest, most), most)
            held = solve(self.readings, logs)
            pull = (self.readings.counts * held.slopes[0] * held.left).sum(axis=0)
            step = pull / np.maximum((self.readings.counts * held.slopes[0] ** 2).sum(axis=0), 1e-300)
            logs[0] = np.clip(logs[0] + np.clip(step, -0.7, 0.7), np.minimum(fastest, most), most)
        solution = solve(self.readings, logs)
        final = solution.start + solution.amplitudes.sum(axis=0)
        variance = noise * np.einsum("in,ijn,jn->n", solution.gain, solution.inverse, solution.gain)
        if self.readings.free:
            variance = variance + noise / self.readings.counts.sum(axis=0)
        change = np.abs(self.readings.values).max(axis=0)
        volume = noise * solution.inverse[0, 0]
        if len(logs) == 2:
            volume = noise**2 * (solution.inverse[0, 0] * solution.inverse[1, 1] - solution.inverse[0, 1] ** 2)
        weight = -solution.misfit / (2 * noise) + np.log(np.maximum(volume, 1e-300)) / 2
        weight = weight + len(logs) * (np.log(2 * np.pi) / 2 - np.log(RANGE * change))
        if len(logs) == 2:
            own = noise / np.maximum(information[0][0], 1e-300)  # of the fast one's logarithm, the slow one's held
            variance = variance + own * solution.ends[0] ** 2
            free = np.maximum(most - fastest, np.log(LEAST_RATIO))
            weight = weight + np.log(np.minimum(np.sqrt(2 * np.pi * own) / free, 1.0))
            weight = np.where(solution.amplitudes.prod(axis=0) > 0, weight, -np.inf)
        return weight, final, variance

    def _constant(self, solution: Solution) -> Array:
        slow = np.abs(solution.amplitudes[-1]) > CARRIES * np.abs(solution.amplitudes.sum(axis=0))
        return np.asarray(np.exp(np.where(slow, self.logs[-1], self.logs[0])))


def _information(readings: Readings, solution: Solution) -> list[list[Array]]:
    weight = readings.counts
    return [[(weight * one * other).sum(axis=0) for other in solution.slopes] for one in solution.slopes]


def fit_one(readings: Readings) -> Model:
    """Fit one exponential to each place."""
    return _refined(readings, _best(readings, terms=1))


def fit_two(readings: Readings) -> Model:
    """Fit two exponentials to each place."""
    return _refined(readings, _best(readings, terms=2))


def _best(readings: Readings, *, terms: int) -> Array:
    """Return the logarithms of the time constants of the grid that fit each place best, fast to slow, (terms, n)."""
    grid = np.log(Readings.grid_of(readings.window))
    bases = np.stack([readings.basis(np.array([one]))[0][:, 0] for one in grid])
    found = np.full(readings.values.shape[1], np.inf)
    best = np.zeros((terms, len(found)))
    for slow in range(EVERY if terms == 2 else 0, GRID, EVERY if terms == 2 else 1):
        fast = np.arange(0, slow, EVERY) if terms == 2 else np.array([slow])
        misfit = _misfits(readings, bases, fast=fast, slow=slow)
        lowest = misfit.argmin(axis=0)
        least = np.take_along_axis(misfit, lowest[None], axis=0)[0]
        better = least < found
        found[better] = least[better]
        best[-1, better] = grid[slow]
        best[0, better] = grid[fast[lowest]][better]
    return best


def _misfits(readings: Readings, bases: Array, *, fast: Array, slow: int) -> Array:
    """Return the sums of squares that pairs of time constants of the grid leave over, (fast, n).

    One exponential where fast and slow are the same; infinite where amplitudes differ in sign.
    """
    weight = readings.counts
    values = readings.values if readings.lag is None else readings.values + readings.lag[slow][:, None]
    weighted, total = weight * values, weight.sum(axis=0)
    mean = bases[slow] @ weight / total if readings.free else np.zeros_like(total)
    means = bases[fast] @ weight / total if readings.free else np.zeros((len(fast), len(total)))
    level = weighted.sum(axis=0) / total
    square = (weighted * values).sum(axis=0) - readings.free * total * level**2
    q, c = bases[slow] @ weighted - total * mean * level, bases[slow] ** 2 @ weight - total * mean**2
    if fast[0] == slow:
        return np.asarray((square - q**2 / np.maximum(c, 1e-300))[None])
    p, a = bases[fast] @ weighted - total * means * level, bases[fast] ** 2 @ weight - total * means**2
    b = (bases[fast] * bases[slow]) @ weight - total * means * mean
    determinant = np.maximum(a * c - b**2, 1e-12 * a * c + 1e-300)
    first, second = (c * p - b * q) / determinant, (a * q - b * p) / determinant
    return np.where(first * second > 0, square - first * p - second * q, np.inf)


def _refined(readings: Readings, logs: Array) -> Model:
    """Move time constants to where they fit best (variable projection; damped where a step does not help)."""
    low, high = (np.log(share * readings.window) for share in (FASTEST / 2, SLOWEST * 1.5))
    damping = np.full(logs.shape[1], 1e-3)
    solution = solve(readings, logs)
    for _ in range(PASSES):
        information = _information(readings, solution)
        for number in range(len(logs)):
            information[number][number] = information[number][number] * (1 + damping) + 1e-300
        pull = np.stack([(readings.counts * slope * solution.left).sum(axis=0) for slope in solution.slopes])
        step = np.einsum("ijn,jn->in", _inverse(information), pull)
        tried = np.clip(logs + np.clip(step, -LONGEST_STEP, LONGEST_STEP), low, high)
        if len(logs) == 2:
            tried[1] = np.maximum(tried[1], tried[0] + np.log(LEAST_RATIO) / 2)
        new = solve(readings, tried)
        better = new.misfit < solution.misfit
        logs = np.where(better, tried, logs)
        damping = np.where(better, damping / 5, damping * 10)
        solution = new if better.all() else solution.where(better, new)
    degrees = np.maximum((readings.counts > 0).sum(axis=0) - 2 * len(logs) - readings.free, 1)
    known = solution.amplitudes.prod(axis=0) > 0 if len(logs) == 2 else np.ones(logs.shape[1], dtype=bool)
    return Model(readings, logs, solution.misfit / degrees, known)
