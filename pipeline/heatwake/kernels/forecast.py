"""Where a rise ends, averaged over all sums of two exponentials that its readings allow."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

from heatwake.kernels.exponentials import step_basis

Array = npt.NDArray[Any]

ROWS: Final = 20  # slow time constants tried
COLUMNS: Final = 20  # fast ones for each
SLOWEST: Final = 3.0  # windows: a slower term is a ramp, whose end no record tells
FASTEST: Final = 0.02  # windows
LEAST_RATIO: Final = 1.3  # of the two: closer ones act as one
OCCAM: Final = 0.05  # a model so much less likely than the other is left out (Madigan & Raftery 1994: from memory)
REACH: Final = 18.0  # in chi-square below the best: beyond it nothing weighs


@dataclass(frozen=True)
class Forecast:
    """A final value [K], its standard uncertainty [K] and the chance that one exponential is enough."""

    final: float
    uncertainty: float
    single: float


def average_final(time: Array, values: Array, *, variance: float, free: float = 0.0, signed: bool = False) -> Forecast:
    """Return the final value of ``sum A_i (1 - exp(-t / tau_i))``, ``A_i > 0``, averaged over what the readings allow.

    Models of one and of two terms weigh alike beforehand, time constants alike in their logarithms; each weighs by
    its likelihood, amplitudes integrated over positive values (model averaging: J. Hoeting et al. 1999, *Statistical
    Science* 14, 382-417: from memory). A rise that looks like one exponential but could hide a slow second therefore
    has a wide interval, and one that lasted long enough a narrow one.

    Parameters
    ----------
    time, values : (n,) arrays
        Seconds since the rise began, and the rise [K].
    variance : float
        Of a reading [K2].
    free : float
        How free the level that the rise began at is, 0 (it is 0) to 1 (unknown): see `exponentials.freedom`.
    signed : bool
        Two amplitudes of any sign are a third model.

    Returns
    -------
    Forecast
        From the level 0 on, wherever the rise began.
    """
    window = float(time[-1])
    shrunk = values - free * values.mean()
    models = [_one_term(time, shrunk, variance=variance, free=free)]
    for opposite in (False, True) if signed else (False,):
        models.append(_two_terms(time, shrunk, variance=variance, window=window, free=free, signed=opposite))
    evidence, means, variances = np.array(models).T
    share = np.exp(evidence - evidence.max())
    share = np.where(share < OCCAM, 0.0, share)
    share /= share.sum()
    mean = float(share @ means)
    square = float(share @ (variances + (means - mean) ** 2))
    known = 1 - (1 - free) ** 2  # share that these readings have in the level at the start, the rest is from elsewhere
    start = known * float(values.mean())
    return Forecast(start + mean, float(np.sqrt(square + known * variance / len(values))), float(share[0]))


def _one_term(time: Array, values: Array, *, variance: float, free: float) -> tuple[float, float, float]:
    """Log evidence, mean and variance of the final value with one exponential."""
    span = np.log([FASTEST * time[-1], SLOWEST * time[-1]])
    low, high = float(span[0]), float(span[1])
    for _ in range(8):
        logs = np.linspace(low, high, 4 * ROWS)
        basis = step_basis(time, np.exp(logs), free=free)
        power = (basis**2).sum(axis=0)
        level = values @ basis / power
        chi = (values @ values - level**2 * power) / variance
        kept = np.flatnonzero(chi < chi.min() + REACH)
        if len(kept) > ROWS:
            break
        low, high = logs[max(kept[0] - 1, 0)], logs[min(kept[-1] + 1, len(logs) - 1)]
    weight = _end_weight(time, np.exp(logs), free=free)
    ends = weight * np.maximum(level, 0.0)
    log_weight = -chi / 2 - np.log(power / variance) / 2 + np.log((logs[1] - logs[0]) / np.ptp(span))
    log_weight += np.log(2 * np.pi) / 2 - np.log(_amplitude_range(values))
    return _moments(log_weight, ends, weight**2 * variance / power)


def _two_terms(
    time: Array, values: Array, *, variance: float, window: float, free: float, signed: bool
) -> tuple[float, float, float]:
    """Log evidence, mean and variance of the final value with two exponentials."""
    span = np.log([FASTEST * LEAST_RATIO * window, SLOWEST * window])
    slow = np.linspace(span[0], span[1], ROWS)
    for _ in range(4):
        chi, table = _rows(time, values, slow, variance=variance, window=window, free=free, signed=signed)
        best = chi.min(axis=1)
        kept = np.flatnonzero(best < best.min() + REACH)
        if len(kept) > ROWS // 2:
            break
        slow = np.linspace(slow[max(kept[0] - 1, 0)], slow[min(kept[-1] + 1, len(slow) - 1)], ROWS)
    log_weight, ends, spread = table
    step = (slow[1] - slow[0]) / np.ptp(span)
    prior = np.log(step) + np.log(2 * np.pi) - 2 * np.log(_amplitude_range(values) * (1 + signed))
    return _moments(log_weight + prior, ends, spread)


def _rows(
    time: Array, values: Array, slow: Array, *, variance: float, window: float, free: float, signed: bool
) -> tuple[Array, tuple[Array, Array, Array]]:
    """Chi-square (slow, fast) and log weight, final value and its variance, each row with fast ones of its own."""
    first = np.log(FASTEST * window)
    low, high = np.full(len(slow), first), slow - np.log(LEAST_RATIO)
    width = high - low
    for last in (False, False, True):
        fast = low[:, None] + (high - low)[:, None] * np.linspace(0, 1, COLUMNS)
        chi, table = _pairs(time, values, fast, slow, variance=variance, free=free, signed=signed)
        if last:
            break
        near = chi < chi.min(axis=1, keepdims=True) + REACH
        start = np.maximum(near.argmax(axis=1) - 1, 0)
        stop = np.minimum(COLUMNS - near[:, ::-1].argmax(axis=1), COLUMNS - 1)
        rows = np.arange(len(slow))
        low, high = fast[rows, start], fast[rows, stop]
    step = (high - low) / (COLUMNS - 1) / np.maximum(width, 1e-9)
    log_weight, ends, spread = table
    return chi, (log_weight + np.log(np.maximum(step, 1e-300))[:, None], ends, spread)


def _pairs(
    time: Array, values: Array, fast: Array, slow: Array, *, variance: float, free: float, signed: bool
) -> tuple[Array, tuple[Array, Array, Array]]:
    """Closed form of the amplitudes of each pair (slow, fast), with what their being positive does."""
    quick, late = step_basis(time, np.exp(fast), free=free), step_basis(time, np.exp(slow), free=free)
    a = (quick**2).sum(axis=0)
    b = np.einsum("tsf,ts->sf", quick, late)
    c = (late**2).sum(axis=0)[:, None]
    p, q = np.tensordot(values, quick, axes=1), (values @ late)[:, None]
    determinant = a * c - b**2
    first, second = (c * p - b * q) / determinant, (a * q - b * p) / determinant
    covariance = variance * np.stack([c + 0 * a, -b, a]) / determinant  # of (first, first), (first, second), ...
    chi = (values @ values - first * p - second * q) / variance
    log_weight = -chi / 2 - np.log(determinant / variance**2) / 2
    u, v = _end_weight(time, np.exp(fast), free=free), _end_weight(time, np.exp(slow), free=free)[:, None]
    ends = u * first + v * second
    spread = u**2 * covariance[0] + 2 * u * v * covariance[1] + v**2 * covariance[2]
    if signed:
        return chi, (log_weight, ends, spread)
    for amplitude, own, along in (
        (first, covariance[0], u * covariance[0] + v * covariance[1]),
        (second, covariance[2], v * covariance[2] + u * covariance[1]),
    ):
        score = amplitude / np.sqrt(own)
        log_inside = log_ndtr(score)
        ratio = np.exp(-(score**2) / 2 - np.log(2 * np.pi) / 2 - log_inside)
        log_weight = log_weight + log_inside
        ends = ends + along / np.sqrt(own) * ratio
        spread = spread - along**2 / own * ratio * (ratio + score)
    bounded = (
        chi + np.minimum(first / np.sqrt(covariance[0]), 0) ** 2 + np.minimum(second / np.sqrt(covariance[2]), 0) ** 2
    )
    return bounded, (log_weight, ends, np.maximum(spread, 0.0))


def _end_weight(time: Array, constants: Array, *, free: float) -> Array:
    """By how much a term moves the end: less than it rises where readings also tell the level it began at."""
    known = 1 - (1 - free) ** 2
    return np.asarray(1 - known * step_basis(time, constants).mean(axis=0) if known else np.ones_like(constants))


def _amplitude_range(values: Array) -> float:
    """Amplitudes up to this weigh alike: a few times what was seen, for most of a slow rise may be still to come."""
    return 4.0 * float(np.abs(values).max())


def _moments(log_weight: Array, ends: Array, spread: Array) -> tuple[float, float, float]:
    top = float(log_weight.max())
    weight = np.exp(log_weight - top)
    total = float(weight.sum())
    mean = float((weight * ends).sum() / total)
    return top + np.log(total), mean, float((weight * (spread + (ends - mean) ** 2)).sum() / total)
