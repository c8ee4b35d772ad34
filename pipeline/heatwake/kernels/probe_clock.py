"""How far two clocks are apart, from what both saw change.

A thermocouple's log and a camera that looks at the same place show one transient. The clocks' difference is the shift
of the log that makes the camera's readings a straight line over it, for each thermocouple a line of its own: neither
an offset nor a wrong factor (emissivity, transmittance) of either moves the shift. While everything merely settles, a
shift looks like a factor, so it is the onset of heating or of cooling that tells, and what changes slowly is left out.
"""

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar

Array = npt.NDArray[np.floating[Any]]

COARSE_TIMES: Final = 1000  # of the camera, in the search
LEAST_OVERLAP: Final = 0.5  # of the camera's readings
MOST_UNEXPLAINED: Final = 0.5  # of the readings' variance: above it the two do not show one thing
LEAST_READINGS: Final = 6  # of a probe
CURVE: Final = 3  # coefficients of the curve over time that is taken off
ALIKE: Final = 0.5  # more misfit, beyond white noise, is about as good a fit: misfits are not random (judgement)
BEAD_SHARE: Final = 0.05  # of a step, that the two may differ by for not being in one place (judgement)
LONG_GAP: Final = 5.0  # in steps of the log: a reading is not made up across it


@dataclass(frozen=True)
class ClockFit:
    """The difference of two clocks.

    Attributes
    ----------
    offset : float
        To be added to the log's times [s]; NaN where no shift has enough readings in common.
    uncertainty : float
        Standard uncertainty [s]; infinite where the readings do not tell.
    unexplained : float
        Share of the camera's quick changes that the lines leave.
    at_edge : bool
        The best shift is the largest that was tried.
    """

    offset: float
    uncertainty: float
    unexplained: float
    at_edge: bool


def readings_at(seconds: Array, values: Array, *, at: Array, width: npt.ArrayLike = 0.0) -> Array:
    """Return a log's readings at times, each a mean over a stretch as a camera's averaged maps are.

    Parameters
    ----------
    seconds : (n,) array
        Times of the log, increasing [s].
    values : (n,) array
        Readings, linear between the times; NaN ones are left out.
    at : (m,) array
        Middles of the stretches [s].
    width : array
        Their lengths [s]; 0 for a reading at once.

    Returns
    -------
    (m,) array
        NaN where a stretch is not wholly within the log, or meets a gap of more than five of its steps.

    Examples
    --------
    >>> readings_at(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 4.0]), at=np.array([0.5, 1.0, 9.0]), width=1.0)
    array([0.5 , 1.25,  nan])
    """
    return LogCurve(seconds, values).at(at, np.broadcast_to(np.asarray(width, dtype=np.float64), at.shape))


class LogCurve:
    """A log's readings as straight lines between them, made ready to be read many times; see :func:`readings_at`."""

    def __init__(self, seconds: Array, values: Array) -> None:
        known = np.isfinite(values)
        self._times, self._readings = seconds[known], values[known]
        steps = np.diff(self._times)
        middles = (self._readings[1:] + self._readings[:-1]) / 2
        self._slope = np.diff(self._readings) / steps
        self._area = np.concatenate([[0], np.cumsum(steps * middles)])
        long = steps > LONG_GAP * float(np.median(steps)) if len(steps) else steps > 0
        self._gaps = np.concatenate([[0], np.cumsum(long)])

    def at(self, moments: Array, width: Array) -> Array:
        """Return means over stretches of a width about moments [s]."""
        if len(self._times) < 2:
            return np.full(len(moments), np.nan)
        low, high = moments - width / 2, moments + width / 2
        first, last = self._cell(low), self._cell(high)
        whole = (low >= self._times[0]) & (high <= self._times[-1]) & (self._gaps[last + 1] == self._gaps[first])
        mean = (self._integral(high, last) - self._integral(low, first)) / np.where(width > 0, width, 1.0)
        at_once = self._readings[first] + self._slope[first] * (moments - self._times[first])
        return np.where(whole, np.where(width > 0, mean, at_once), np.nan)

    def _cell(self, moments: Array) -> npt.NDArray[np.intp]:
        return np.clip(np.searchsorted(self._times, moments, side="right") - 1, 0, len(self._times) - 2)

    def _integral(self, moments: Array, cell: npt.NDArray[np.intp]) -> Array:
        since = moments - self._times[cell]
        return np.asarray(self._area[cell] + since * (self._readings[cell] + self._slope[cell] * since / 2))


def clock_offset(
    elapsed: Array, camera: Array, *, width: Array, log_elapsed: Array, log: Array, largest: float
) -> ClockFit:
    """Return the shift of a log that fits a camera's readings of the same places best, by least squares.

    Parameters
    ----------
    elapsed : (time,) array
        Of the camera's readings [s].
    camera : (probe, time) array
        Its readings; NaN where it saw nothing.
    width : (time,) array
        Stretch that each is the mean over [s].
    log_elapsed : (row,) array
        Times of the log by its own clock [s].
    log : (probe, row) array
        Its readings.
    largest : float
        Largest shift to be tried [s].
    """
    curves = [LogCurve(log_elapsed, one) for one in log]
    some = slice(None, None, max(1, math.ceil(len(elapsed) / COARSE_TIMES)))

    def unexplained(offset: float, chosen: slice = slice(None)) -> float:
        shifted = _shifted(curves, at=elapsed[chosen] - offset, width=width[chosen])
        return _share_left(elapsed[chosen], camera[:, chosen], shifted)

    step = _step(elapsed, log_elapsed)
    shifts = np.arange(-math.ceil(largest / step), math.ceil(largest / step) + 1) * step
    scores = np.array([unexplained(float(shift), some) for shift in shifts])
    if not np.isfinite(scores).any():
        return ClockFit(math.nan, math.inf, math.nan, at_edge=False)
    best = int(np.argmin(scores))
    tried = np.flatnonzero(np.isfinite(scores))
    bounds = (float(shifts[best] - step), float(shifts[best] + step))
    found = minimize_scalar(unexplained, bounds=bounds, method="bounded", options={"xatol": 1e-4 * step})
    offset = float(found.x) if found.fun <= scores[best] else float(shifts[best])
    spread, white = _uncertainty(elapsed, offset, camera=camera, width=width, curves=curves, step=step)
    least = float(unexplained(offset))
    beside = min(unexplained(offset - step), unexplained(offset + step))
    more = ALIKE * max(least - white, 0.0)
    valley = _half_width(shifts, scores, best=best, more=more, curvature=(beside - least) / step**2)
    return ClockFit(
        offset,
        math.hypot(spread, valley / math.sqrt(3), BEAD_SHARE * step),
        least,
        at_edge=best in (tried[0], tried[-1]),
    )


def _half_width(shifts: Array, scores: Array, *, best: int, more: float, curvature: float) -> float:
    """Return half the range of shifts that fit worse by no more than ``more`` [s]; between two by the curvature."""
    near = math.sqrt(more / curvature) if curvature > 0 else math.inf
    fitting = shifts[scores <= scores[best] + more]
    return max(float(np.ptp(fitting)) / 2, near)


def _step(elapsed: Array, log_elapsed: Array) -> float:
    """Return the larger step of the two [s]: no feature of what both show is narrower."""
    steps = [float(np.median(np.diff(times))) for times in (elapsed, log_elapsed) if len(times) > 1]
    return max(steps, default=1.0)


def _shifted(curves: list[LogCurve], *, at: Array, width: Array) -> Array:
    return np.array([curve.at(at, width) for curve in curves])


def _share_left(elapsed: Array, camera: Array, log: Array) -> float:
    """Return the share of the camera's quick changes that straight lines over the log leave; infinite without overlap.

    A curve of second order in time is taken off both first: what merely drifts or settles says nothing of a shift.
    """
    seen = np.isfinite(camera)
    both = seen & np.isfinite(log)
    if both.sum() < max(LEAST_OVERLAP * seen.sum(), 4):
        return math.inf
    left = whole = 0.0
    for one, other, used in zip(camera, log, both, strict=True):
        if used.sum() < LEAST_READINGS:
            continue
        across, along = _without_curve(elapsed[used], one[used], other[used])
        spread = float(along @ along)
        slope = max(float(along @ across) / spread, 0.0) if spread > 0 else 0.0
        left += float(np.sum((across - slope * along) ** 2))
        whole += float(across @ across)
    return left / whole if whole > 0 else math.inf


def _without_curve(elapsed: Array, *series: Array) -> Array:
    """Return series (series, time) less their least-squares curves of second order in time."""
    middle, reach = (elapsed[0] + elapsed[-1]) / 2, max(float(np.ptp(elapsed)) / 2, 1e-9)
    basis, _ = np.linalg.qr(np.vander((elapsed - middle) / reach, CURVE))
    values = np.stack(series)
    return np.asarray(values - (values @ basis) @ basis.T)


def _uncertainty(
    elapsed: Array, offset: float, *, camera: Array, width: Array, curves: list[LogCurve], step: float
) -> tuple[float, float]:
    """Return the standard uncertainty of the shift by noise [s], and the share of the changes that is white noise.

    From how the residuals scatter, or the probes among themselves where that is more.

    Residuals that follow each other are alike: their variance counts ``(1 + r)/(1 - r)`` times, with ``r`` their
    correlation from one to the next (first-order autoregression, textbook).
    """
    before, now, after = (
        _shifted(curves, at=elapsed - offset + move, width=width) for move in (-step / 2, 0.0, step / 2)
    )
    pulls, levers, residuals, whole = [], [], [], 0.0
    for row, readings in enumerate(camera):
        used = np.isfinite(readings) & np.isfinite(before[row]) & np.isfinite(now[row]) & np.isfinite(after[row])
        if used.sum() < LEAST_READINGS:
            continue
        rate = (after[row] - before[row])[used] / step
        across, along, rate = _without_curve(elapsed[used], readings[used], now[row][used], rate)
        spread = max(float(along @ along), 1e-300)
        slope = float(along @ across) / spread
        moved = slope * (rate - float(along @ rate) / spread * along)  # of the readings by the shift
        left = across - slope * along
        pulls.append(float(moved @ left))
        levers.append(float(moved @ moved))
        residuals.append(left)
        whole += float(across @ across)
    lever = sum(levers)
    if not lever > 0:
        return math.inf, 0.0
    free = max(sum(map(len, residuals)) - (CURVE + 1) * len(residuals) - 1, 1)
    variance = sum(float(left @ left) for left in residuals) / free
    scatter = math.sqrt(variance * _likeness(residuals) / lever)
    probes = len(pulls)
    among = math.sqrt(probes / max(probes - 1, 1) * sum(pull**2 for pull in pulls)) / lever
    # of every other reading: averages over neighbouring stretches share readings of the log
    white = sum(float(np.sum((left[2:] - left[:-2]) ** 2)) / 2 for left in residuals)
    return max(scatter, among), white / max(whole, 1e-300)


def _likeness(residuals: list[Array]) -> float:
    """Return how many times the variance of a mean of residuals counts for their following each other."""
    product = sum(float(left[1:] @ left[:-1]) for left in residuals)
    square = sum(float(left @ left) for left in residuals)
    correlation = min(max(product / square, 0.0), 0.98) if square > 0 else 0.0
    return (1 + correlation) / (1 - correlation)
