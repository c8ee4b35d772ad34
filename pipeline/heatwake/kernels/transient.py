"""The final value, time constants and delay of a rise after power-on."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar

from heatwake.kernels.exponentials import Exponentials, fit_exponentials, step_basis
from heatwake.kernels.forecast import average_final
from heatwake.kernels.settling import Settling, last_reading, noise_variance, refused, thin, turns_back

Array = npt.NDArray[Any]

SHORTEST_WINDOW: Final = 1.0  # time constants: below this two readings half a window apart gain noise tenfold
FEWEST: Final = 8  # readings
MOST_POINTS: Final = 240
AVERAGED_POINTS: Final = 120
NO_SUPPORT: Final = 10.0  # by which AICc must fall for a second term (K. Burnham and D. Anderson 2002: from memory)
SHAPE_SHARE: Final = 0.3  # of what the second term changed is the least uncertainty, for what a third would ...
SHAPE_MOST: Final = 0.005  # ... but no more than this share of the rise (our judgement; three terms were tried)
LONGEST_DELAY: Final = 0.3  # of the window
LEAST_SPREAD: Final = 1e-5  # of the rise: readings are never taken to be better


def fit_settling(rise: Array, *, elapsed: Array, onset: float) -> Settling:
    """Fit ``sum A_i (1 - exp(-(t - onset - delay) / tau_i))``, one or two terms, to the rise after power-on.

    Time constants are those of the number of terms that AICc chooses, a second or a delay only where a single term
    has no support. The final value is not that fit's: a single exponential through a board of two time constants ends
    too low, by more than its covariance says. It is averaged over all such sums that the readings allow (see
    `average_final`), and where even that knows less of what is to come than the last readings leave open, they stand
    for it, with the remainder in their uncertainty.

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
        All NaN, with the reason, with fewer than 8 readings, without a rise, or with a window shorter than one time
        constant (three equally spaced readings half of one apart gain noise tenfold: A. Aitken's extrapolation).
        The last readings where they turn back, for no exponential does.
    """
    chosen = np.isfinite(rise) & (elapsed > onset)
    time, values = thin(elapsed[chosen] - onset, rise[chosen], most=MOST_POINTS)
    if turns_back(values, variance=noise_variance(values)):
        return last_reading(values, time, seconds=0.0)
    return fit_rise(time, values)


def fit_rise(time: Array, values: Array, *, free: float = 0.0, signed: bool = False) -> Settling:
    """Fit what `fit_settling` does to readings that are few and seen, from a level of 0 or one that is not known.

    Parameters
    ----------
    time, values : (n,) arrays
        Seconds since the rise began, ascending, and the readings.
    free : float
        How free the level at the start is, 0 (it is 0) to 1 (unknown): see `exponentials.freedom`.
    signed : bool
        Two exponentials may go opposite ways: the rise was not at rest when it began.
    """
    if len(time) < FEWEST:
        return refused("too few readings")
    if np.ptp(values) == 0:
        return refused("no rise")
    one = fit_exponentials(time, values, terms=1, free=free)
    chosen = _choose(one, fit_exponentials(time, values, terms=2, free=free, signed=signed))
    best, delay = _delayed(time, values, chosen, free=free)
    if best is None or best.amplitudes.sum() <= 0:
        return refused("no rise")
    carrying = np.abs(best.amplitudes) > 0.1 * best.amplitudes.sum()
    slowest = float(best.constants[carrying].max()) if carrying.any() else float(best.constants.max())
    if time[-1] - delay < SHORTEST_WINDOW * slowest:
        return refused("window too short")
    simpler = (
        0.0 if one is None or len(best.constants) == 1 else float(abs(best.amplitudes.sum() - one.amplitudes.sum()))
    )
    shape = min(SHAPE_SHARE * simpler, SHAPE_MOST * float(best.amplitudes.sum()))
    return _forecast(time - delay, values, best=best, slowest=slowest, delay=delay, shape=shape, level=(free, signed))


def _forecast(
    time: Array,
    values: Array,
    *,
    best: Exponentials,
    slowest: float,
    delay: float,
    shape: float,
    level: tuple[float, bool],
) -> Settling:
    """Join the average of all models with the readings; boards have more terms: ``shape`` is the least uncertainty."""
    late = time > 0.95 * time[-1]
    last = float(np.mean(values[late]))
    variance = max(best.variance * _correlation(best.residuals), (LEAST_SPREAD * np.abs(values).max()) ** 2)
    began = time > 0
    thinned = thin(time[began], values[began], most=AVERAGED_POINTS)
    averaged = average_final(
        *thinned, variance=variance * len(thinned[0]) / began.sum(), free=level[0], signed=level[1]
    )
    reading = float(np.sqrt(variance / late.sum()))
    remaining = averaged.final - last
    unsure = max(averaged.uncertainty, shape)
    wins = reading < unsure and abs(remaining) < unsure
    order = np.argsort(best.constants)
    return Settling(
        final=last if wins else averaged.final,
        uncertainty=float(np.hypot(unsure, remaining)) if wins else unsure,
        time_constant=slowest,
        remaining=remaining,
        terms=len(best.constants),
        remaining_uncertainty=float(np.hypot(unsure, reading)),
        amplitudes=tuple(best.amplitudes[order].tolist()),
        constants=tuple(best.constants[order].tolist()),
        spreads=tuple(best.spreads[order].tolist()),
        delay=delay,
        status="last reading" if wins else "forecast",
        last=last,
    )


def time_to_reach(level: float, *, settling: Settling, elapsed: float, final: float) -> float:
    """Return the time from the end of the record until a rise reaches a level [s].

    Parameters
    ----------
    level : float
        Rise [K].
    settling : Settling
    elapsed : float
        From power-on to the last readings [s].
    final : float
        Final rise to count with [K].

    Returns
    -------
    float
        0 where it is there already, NaN where it never gets there or nothing is known.
    """
    to_go = level - settling.last
    if not np.isfinite(to_go) or not np.isfinite(final) or not settling.constants:
        return np.nan
    if to_go <= 0:
        return 0.0
    if to_go >= final - settling.last:
        return np.nan
    constants = np.array(settling.constants)
    left = np.array(settling.amplitudes) * np.exp(-np.maximum(elapsed - settling.delay, 0) / constants)
    if left.sum() <= 0:
        return np.nan
    share = 1 - to_go / (final - settling.last)
    low, high = 0.0, float(constants.max() * max(np.log(1 / share) + 1, 1.0))
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if left @ np.exp(-middle / constants) > share * left.sum() else (low, middle)
    return high


def _choose(one: Exponentials | None, two: Exponentials | None) -> Exponentials | None:
    """Two terms only where one has no support: a second that the noise asks for is as slow as its bound allows."""
    if one is None or two is None:
        return one or two
    return two if two.criterion < one.criterion - NO_SUPPORT else one


def _delayed(
    time: Array, values: Array, best: Exponentials | None, *, free: float
) -> tuple[Exponentials | None, float]:
    """One exponential after a delay, where its AICc is lower by as much; a second of either would not be told apart."""
    longest = LONGEST_DELAY * time[-1]
    shrunk = values - free * values.mean()

    def misfit(delay: float) -> float:
        return _single_misfit(np.maximum(time - delay, 0), shrunk, free=free)

    grid = np.linspace(0, longest, 10)
    start = int(np.argmin([misfit(delay) for delay in grid]))
    if best is None or start == 0:
        return best, 0.0
    near = (grid[start - 1], grid[min(start + 1, len(grid) - 1)])
    delay = float(minimize_scalar(misfit, bounds=near, method="bounded").x)
    late = fit_exponentials(np.maximum(time - delay, 0), values, terms=1, free=free)
    if late is None or late.criterion + 2 >= best.criterion - NO_SUPPORT:  # 2: of one more parameter
        return best, 0.0
    return late, delay


def _single_misfit(time: Array, values: Array, *, free: float) -> float:
    """Sum of squares of the best single exponential, its time constant within a thousandth."""
    low, high, best = float(np.log(time[-1] / 100)), float(np.log(3 * time[-1])), np.inf
    for _ in range(3):
        logs = np.linspace(low, high, 24)
        basis = step_basis(time, np.exp(logs), free=free)
        squares = values @ values - (values @ basis) ** 2 / (basis**2).sum(axis=0)
        nearest = int(squares.argmin())
        best = float(squares[nearest])
        low, high = float(logs[max(nearest - 1, 0)]), float(logs[min(nearest + 1, 23)])
    return best


def _correlation(residuals: Array) -> float:
    """Return by how much neighbours that err alike raise the variance of what is averaged over them (first order)."""
    square = float(residuals @ residuals)
    lag = float(residuals[1:] @ residuals[:-1]) / square if square > 0 else 0.0
    return (1 + lag) / (1 - lag) if (lag := min(lag, 0.9)) > 2 / np.sqrt(len(residuals)) else 1.0
