"""Where the rise of every pixel is going: one and two exponentials through all pixels at once."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.ambient_lag import lagged
from heatwake.kernels.many_fits import Readings, fit_one, fit_two
from heatwake.workers import in_order

Array = npt.NDArray[Any]

BINS: Final = 24  # readings of a pixel are averaged into so many
BEND: Final = 1.3  # power of their edges: shorter ones where the rise is steep
FEWEST: Final = 8  # bins that a pixel must be seen in
OCCAM: Final = 0.05  # a model so much less likely than the other is left out
CLEAR: Final = 4.0  # standard deviations by which a pixel must change to be fitted
LATE: Final = 3  # bins: the last readings
LATE_SHARE: Final = 0.75  # of the time: later readings stand for what began before the recording
SHAPE_SHARE: Final = 0.3  # of what a second exponential changed is the least uncertainty, for what a third would ...
SHAPE_MOST: Final = 0.005  # ... but no more than this share of the change
AT_ONCE: Final = 4096  # pixels

STATUS: Final = ("forecast", "last reading", "too few readings", "no rise", "window too short")  # flags of a status
FORECAST, LAST_READING, TOO_FEW, TOO_SHORT = 0, 1, 2, 4


@dataclass(frozen=True)
class Bins:
    """Readings of a stretch, sorted into bins.

    Attributes
    ----------
    elapsed : (n,) array
        Of the readings, from the start of the stretch [s].
    number : (n,) array
        Bin of each.
    """

    elapsed: Array
    number: Array

    @classmethod
    def of(cls, elapsed: Array) -> "Bins":
        """Sort readings ``elapsed`` seconds after the start of a stretch, ascending and positive."""
        share = (elapsed / elapsed[-1]) ** (1 / BEND)
        return cls(elapsed, np.minimum((share * BINS).astype(int), BINS - 1))

    def mean(self, values: Array) -> Array:
        """Return the means of ``(..., n)`` values over each bin; 0 where none falls into it."""
        count = np.maximum(np.bincount(self.number, minlength=BINS), 1)
        rows = values.reshape(-1, values.shape[-1])
        sums = np.stack([np.bincount(self.number, row, minlength=BINS) for row in rows])
        return np.asarray((sums / count).reshape(*values.shape[:-1], BINS))


@dataclass(frozen=True)
class SettlingMap:
    """Final level [K], its standard uncertainty [K], time constant [s] and status of every pixel, ``(n,)`` each."""

    final: Array
    uncertainty: Array
    time_constant: Array
    status: Array

    @classmethod
    def empty(cls, count: int) -> "SettlingMap":
        """Return that of pixels with too few readings."""
        unknown = np.full(count, np.nan)
        return cls(unknown, unknown, unknown, np.full(count, TOO_FEW, dtype=np.int8))


def fit_map(
    means: Array, counts: Array, *, bins: Bins, ambient: tuple[Array, Array, Array] | None, free: bool
) -> SettlingMap:
    """Fit pixels' means over bins.

    Final levels are averaged over one exponential and two, both of one sign, each by its likelihood: what a second
    could still hide is in the uncertainty. A pixel that does not change visibly, or whose models know less of what is
    to come than its last readings leave open, gets the last readings; one seen for less than a time constant none.

    Parameters
    ----------
    means, counts : (bins, n) arrays
        Mean rise over ambient [K] of each pixel in each bin, and of how many readings.
    bins : Bins
    ambient : tuple of array, or None
        ``(ambient, elapsed, within)`` of the whole recording [degC], [s], and which readings are in the bins: the rise
        follows a drifting ambient through each pixel's own lag. None where it does not drift.
    free : bool
        The level at the start is not known; else it is 0.
    """
    window = float(bins.elapsed[-1])
    time = bins.mean(bins.elapsed)
    spread = np.maximum(bins.mean(bins.elapsed**2) - time**2, 0.0)
    lag = None if ambient is None else _lag(window, bins=bins, ambient=ambient)
    groups = (slice(start, start + AT_ONCE) for start in range(0, means.shape[1], AT_ONCE))
    tasks = (
        (
            Readings(
                time,
                spread,
                np.where(counts[:, some] > 0, means[:, some], 0.0).astype(np.float64),
                counts[:, some].astype(np.float64),
                window,
                lag,
                free,
            ),
        )
        for some in groups
    )
    parts = list(in_order(_fit, tasks))
    return SettlingMap(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def read_map(means: Array, counts: Array, *, bins: Bins) -> SettlingMap:
    """Return the last readings of each pixel; how they still drift is their uncertainty.

    Parameters
    ----------
    means, counts, bins
        As `fit_map` takes them.
    """
    time = bins.mean(bins.elapsed)
    late = (time >= LATE_SHARE * bins.elapsed[-1]) & (time > 0)
    half = time >= (1 + LATE_SHARE) / 2 * bins.elapsed[-1]
    levels, spreads = [], []
    for chosen in (late, late & ~half, late & half):
        weight = np.maximum(counts[chosen].sum(axis=0), 1)
        levels.append((means[chosen] * counts[chosen]).sum(axis=0) / weight)
        spreads.append((counts[chosen] * (means[chosen] - levels[-1]) ** 2).sum(axis=0) / weight)
    known = (counts[late & half].sum(axis=0) > 0) & (counts[late & ~half].sum(axis=0) > 0)
    unsure = np.hypot(2 * np.abs(levels[2] - levels[1]), np.sqrt(spreads[0] / max(int(late.sum()), 1)))
    return SettlingMap(
        np.where(known, levels[0], np.nan),
        np.where(known, unsure, np.nan),
        np.full(len(known), np.nan),
        np.where(known, LAST_READING, TOO_FEW).astype(np.int8),
    )


def _lag(window: float, *, bins: Bins, ambient: tuple[Array, Array, Array]) -> Array:
    """Return what is to be added for the lag behind ambient (time constant, bin) [K]."""
    air, elapsed, within = ambient
    behind = air - lagged(air, elapsed=elapsed, constants=Readings.grid_of(window))
    return bins.mean(behind[:, within])


def _fit(readings: Readings) -> tuple[Array, Array, Array, Array]:
    seen = (readings.counts > 0).sum(axis=0)
    enough = (seen >= FEWEST) & (readings.counts[-LATE:].sum(axis=0) > 0)
    known = readings.at(np.flatnonzero(enough))
    columns = [np.full(len(seen), np.nan) for _ in range(3)] + [np.full(len(seen), TOO_FEW, dtype=np.int8)]
    if enough.any():
        for column, found in zip(columns, _chosen(known, *_models(known)), strict=True):
            column[enough] = found
    return columns[0], columns[1], columns[2], columns[3]


def _models(readings: Readings) -> tuple[Array, Array, Array, Array]:
    """Return final level, its variance, time constant and the variance of a single reading."""
    one = fit_one(readings)
    two = fit_two(readings)
    noise = np.minimum(one.noise, np.where(two.known, two.noise, np.inf))
    noise = np.maximum(noise, (1e-5 * np.abs(readings.values).max(axis=0)) ** 2)
    models = (one.average(noise), two.average(noise))
    evidence = np.stack([model.evidence for model in models])
    share = np.exp(evidence - evidence.max(axis=0))
    share[share < OCCAM] = 0.0
    share /= share.sum(axis=0)
    finals, variances = (np.stack([getattr(model, name) for model in models]) for name in ("final", "variance"))
    final = (share * finals).sum(axis=0)
    variance = (share * (variances + (finals - final) ** 2)).sum(axis=0)
    shape = np.minimum(SHAPE_SHARE * np.abs(finals[1] - finals[0]), SHAPE_MOST * np.abs(final - models[0].start))
    variance = np.maximum(variance, np.where(share[1] > 0, shape, 0.0) ** 2)
    constant = np.where(share[0] >= share[1], models[0].constant, models[1].constant)
    return final, variance, constant, noise


def _chosen(
    readings: Readings, final: Array, variance: Array, constant: Array, noise: Array
) -> tuple[Array, Array, Array, Array]:
    """Take the fit or the last readings, or neither: see `fit_map`."""
    values, counts = readings.lagged(np.log(constant)), readings.counts
    weight = np.maximum(counts[-LATE:].sum(axis=0), 1)
    last = (values[-LATE:] * counts[-LATE:]).sum(axis=0) / weight
    first, early = np.zeros_like(last), np.inf
    if readings.free:
        early = np.maximum(counts[:LATE].sum(axis=0), 1)
        first = (values[:LATE] * counts[:LATE]).sum(axis=0) / early
    reading, unsure = np.sqrt(noise / weight), np.sqrt(variance)
    still = np.abs(last - first) < CLEAR * np.sqrt(noise / weight + noise / early)
    short = (constant > readings.window) & ~still
    wins = (reading < unsure) & (np.abs(final - last) < unsure) & ~short
    status = np.where(short, TOO_SHORT, np.where(wins | still, LAST_READING, FORECAST)).astype(np.int8)
    level = np.where(status == LAST_READING, last, final)
    spread = np.where(wins, np.hypot(unsure, final - last), unsure)
    spread = np.where(still, np.hypot(reading, np.abs(last - first)), spread)
    return (
        np.where(short, np.nan, level),
        np.where(short, np.nan, spread),
        np.where(short | still, np.nan, constant),
        status,
    )
