"""What a recording's events split it into, and where each stretch of it is going."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.exponentials import freedom
from heatwake.kernels.settling import CLEAR, Settling, last_reading, noise_variance, refused, thin
from heatwake.kernels.transient import FEWEST, MOST_POINTS, fit_rise

Array = npt.NDArray[Any]

LEVEL_SHARE: Final = 0.1  # of the stretch before, whose last readings tell the level that a stretch begins at ...
LEVEL_READINGS: Final = (5, 30)  # ... but no fewer and no more than so many


@dataclass(frozen=True)
class Stretch:
    """A part of a recording through which nothing was changed: its start and end [s] and what began it."""

    start: float
    end: float
    label: str


def split(events: Sequence[tuple[float, str]], *, first: float, end: float, label: str) -> list[Stretch]:
    """Return the stretches that events split a recording into, in their order.

    Parameters
    ----------
    events : sequence of (float, str)
        Elapsed time [s] and what happened; those not after ``first`` or not before ``end`` change nothing.
    first, end : float
        Start of the first stretch (power-on, or the recording's) and end of the recording [s].
    label : str
        What began the first stretch.

    Examples
    --------
    >>> [(one.start, one.label) for one in split([(60.0, "fan on")], first=5.0, end=90.0, label="power on")]
    [(5.0, 'power on'), (60.0, 'fan on')]
    """
    began: dict[float, str] = {first: label}
    for time, text in sorted(events):
        if first < time < end:
            began[time] = f"{began[time]}, {text}" if time in began else text
    starts = list(began)
    return [Stretch(start, stop, began[start]) for start, stop in zip(starts, [*starts[1:], end], strict=True)]


def fit_step(values: Array, *, elapsed: Array, stretch: Stretch, since: float) -> Settling:
    """Fit the way from the level before a stretch to a new final value, up or down.

    It is that of `transient.fit_settling`, but the level at the start is known only as well as the readings before it
    tell, and two exponentials may go opposite ways: what was still to come before goes on. A level that does not
    change visibly is given by its last readings.

    Parameters
    ----------
    values : (time,) array
        [K]; NaN ignored.
    elapsed : (time,) array
        [s].
    stretch : Stretch
    since : float
        Start of the stretch before it [s]: earlier readings do not count.

    Returns
    -------
    Settling
        Of the level itself; amplitudes are negative where they fall.
    """
    seen = np.isfinite(values)
    before = seen & (elapsed > since) & (elapsed <= stretch.start)
    within = seen & (elapsed > stretch.start) & (elapsed <= stretch.end)
    if within.sum() < FEWEST:
        return refused("too few readings")
    time, readings = thin(elapsed[within] - stretch.start, values[within], most=MOST_POINTS)
    variance = noise_variance(readings)
    level, unsure = level_before(elapsed[before] - stretch.start, values[before])
    level = level if np.isfinite(level) else float(readings[0])
    ways = readings - level
    if not _leaves(ways, variance=variance, unsure=unsure):
        return last_reading(values[within], elapsed[within], seconds=0.0)
    sign = 1.0 if ways[-len(ways) // 4 :].mean() > 0 else -1.0
    free = freedom(unsure, variance=variance, readings=len(readings))
    found = fit_rise(time, sign * ways, free=free, signed=True)
    if found.status == "no rise":
        return last_reading(values[within], elapsed[within], seconds=0.0)
    return replace(
        found,
        final=level + sign * found.final,
        last=level + sign * found.last,
        remaining=sign * found.remaining,
        amplitudes=tuple(sign * one for one in found.amplitudes),
    )


def level_before(time: Array, values: Array) -> tuple[float, float]:
    """Return the level at time 0 by the readings just before it, and its standard uncertainty [K].

    A straight line through the last of them; infinitely uncertain with too few.
    """
    least, most = LEVEL_READINGS
    count = int(np.clip(LEVEL_SHARE * len(time), least, most))
    if len(time) < least:
        return (float(values.mean()) if len(values) else np.nan), np.inf
    line = np.stack([np.ones(count), time[-count:]], axis=1)
    found, *_ = np.linalg.lstsq(line, values[-count:], rcond=None)
    square = float(((line @ found - values[-count:]) ** 2).sum()) / (count - 2)
    return float(found[0]), float(np.sqrt(square * np.linalg.inv(line.T @ line)[0, 0]))


def _leaves(ways: Array, *, variance: float, unsure: float) -> bool:
    """Tell whether the readings go anywhere from the level before."""
    quarter = max(len(ways) // 4, 1)
    spread = np.sqrt(variance / quarter + (unsure if np.isfinite(unsure) else np.sqrt(variance)) ** 2)
    return bool(
        abs(ways[-quarter:].mean()) > CLEAR * spread or abs(ways[quarter : 2 * quarter].mean()) > CLEAR * spread
    )
