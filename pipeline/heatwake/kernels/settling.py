"""Where a rise is going, as told by a fit or by its last readings; what readings alone tell of that."""

from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
Status = Literal["forecast", "last reading", "too few readings", "no rise", "window too short"]

CLEAR: Final = 6.0  # standard deviations by which a level must differ from another
UNSEEN: Final = 0.25  # of the rise to come, by which a board's many time constants may change it (random networks)
TURN: Final = 0.02  # of the change: less is no turning back but a settled level that wanders


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
        Predicted rise still to come after the last readings [K].
    terms : int
        Number of exponentials chosen by AICc; 0 where none was fitted.
    remaining_uncertainty : float
        Standard uncertainty of the remainder [K].
    amplitudes, constants, spreads : tuple of float
        Terms chosen, fast to slow: rise [K], time constant [s], its standard uncertainty [s].
    delay : float
        Of the rise behind power-on [s]; 0 where the readings do not ask for one.
    status : str
        What ``final`` is, or why there is none.
    last : float
        Mean of the last readings [K].
    """

    final: float
    uncertainty: float
    time_constant: float
    remaining: float
    terms: int
    remaining_uncertainty: float = np.nan
    amplitudes: tuple[float, ...] = ()
    constants: tuple[float, ...] = ()
    spreads: tuple[float, ...] = ()
    delay: float = np.nan
    status: Status = "too few readings"
    last: float = np.nan


def refused(status: Status) -> Settling:
    """Return a settling that tells nothing but why."""
    return Settling(np.nan, np.nan, np.nan, np.nan, 0, status=status)


def as_on_a_board(settling: Settling) -> Settling:
    """Return a region's own fit with what it cannot know: one or two exponentials stand for the dozens of a board.

    Its error then goes with the rise still to come. On random networks of 14 nodes intervals of the fit alone hold in
    7, 19, 42 and 70 % of cases after 1, 1.5, 2 and 3 of the slowest time constants, with a quarter of what is to come
    in 81, 95, 99 and 100 % (20 boards of five parts, others than those that the quarter was found on).
    """
    if settling.status != "forecast":
        return settling
    unseen = UNSEEN * abs(settling.remaining)
    return replace(
        settling,
        uncertainty=float(np.hypot(settling.uncertainty, unseen)),
        remaining_uncertainty=float(np.hypot(settling.remaining_uncertainty, unseen)),
    )


def last_reading(rise: Array, elapsed: Array, *, seconds: float) -> Settling:
    """Return the mean of the last readings; the remainder is what their trend would add over as long as they last."""
    seen = np.isfinite(rise)
    late = seen & (elapsed >= elapsed[-1] - max(seconds, 0.25 * (elapsed[-1] - elapsed[0])))
    if late.sum() < 3:
        return refused("too few readings")
    slope = np.polyfit(elapsed[late], rise[late], 1)[0]
    drift = abs(slope * (elapsed[late][-1] - elapsed[late][0]))
    spread = float(rise[late].std(ddof=1) / np.sqrt(late.sum()))
    level, unsure = float(rise[late].mean()), float(np.hypot(spread, drift))
    return Settling(
        level, unsure, np.nan, float(drift), 0, remaining_uncertainty=unsure, status="last reading", last=level
    )


def turns_back(values: Array, *, variance: float) -> bool:
    """Tell whether the last readings clearly lie back towards the first from those in between.

    That is where ``(c - b) / (b - a)`` of three readings is negative: no exponential passes through them.
    """
    third = len(values) // 3
    if third < 2:
        return False
    size = max(third // 2, 2)
    middle, last = float(values[-third - size : -third].mean()), float(values[-size:].mean())
    spread, change = np.sqrt(2 * variance / size), middle - float(values[0])
    return bool(abs(last - middle) > max(CLEAR * spread, TURN * abs(change)) and (last - middle) * change < 0)


def noise_variance(values: Array) -> float:
    """Return the variance of a reading, by what straight lines through its neighbours leave over."""
    if len(values) < 3:
        return 0.0
    bends = values[2:] - 2 * values[1:-1] + values[:-2]
    return max(float(np.mean(bends**2)) / 6, 1e-10 * float(np.abs(values).max()) ** 2, 1e-18)


def thin(time: Array, values: Array, *, most: int) -> tuple[Array, Array]:
    """Return time and values with neighbouring readings averaged so that at most ``most`` stay."""
    if len(time) <= most:
        return time, values
    size = -(-len(time) // most)
    groups = np.split(np.arange(len(time)), range(len(time) % size or size, len(time), size))  # alike, but the first
    return np.array([time[g].mean() for g in groups]), np.array([values[g].mean() for g in groups])
