"""How far heat reaches from a source on one side of it, and how fast a footprint grows."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

LEAST_POINTS: Final = 6  # along the wake, one a pixel
LEAST_FALL: Final = 0.3  # in the logarithm, from the first point to the last: a tail that hardly falls has no length
ABOVE_NOISE: Final = 3.0  # standard uncertainties: a point that counts
CLEAR: Final = 6.0  # standard deviations of noise: there the logarithm is not bent
SURE: Final = 3.0  # standard uncertainties of the slope from a level tail
NEAR_EDGE: Final = 0.5  # of the decay length: heat mirrored by the board's edge lifts the tail there


@dataclass(frozen=True)
class Decay:
    """An exponential's length.

    Attributes
    ----------
    length, uncertainty : float
        ``exp(-r / length)``, standard uncertainty; NaN where it cannot be told.
    points : int
        Points that it rests on.
    """

    length: float
    uncertainty: float
    points: int


def decay_length(
    own: Array,
    *,
    x: Array,
    y: Array,
    box: Array,
    angle: float,
    trusted: Mask | None = None,
    noise: float = 0.0,
    offset: Array | float = 0.0,
) -> Decay:
    """Return over what distance a source's heat falls to 1/e on the side that a direction points to.

    The heat is averaged over a strip as wide as the source's shorter side, pixel by pixel away from its rim, and a line
    is fitted to the logarithm for as long as the strip is seen, trusted and above noise (``T = exp(-r / l)``: a fin's
    tail; Carslaw and Jaeger, Conduction of Heat in Solids, 1959, sec. 4.2). With fewer than six such points, or no
    clear fall, there is no length.

    Parameters
    ----------
    own : (ny, nx) array
        The source's heat alone [K]; NaN where masked.
    x, y : (nx,) and (ny,) arrays
        Pixel centres, evenly spaced.
    box : (4,) array
        Centre x, y, width and height of the source.
    angle : float
        Direction away from the source [deg], counter-clockwise from +x.
    trusted : (ny, nx) array of bool, optional
        Pixels where the heat is the source's own beyond doubt.
    noise : float
        Standard deviation of a pixel [K].
    offset : (ny, nx) array or float
        Standard uncertainty of what was taken off for the surroundings [K]: one level, up or down for all points.
    """
    places, means, errors, levels, room = _profile(
        own, (x, y), box, angle=angle, trusted=trusted, noise=noise, offset=np.broadcast_to(offset, own.shape)
    )
    found, line = _fit(places, means, errors, levels)
    if not np.isfinite(found.length):
        return found
    # where the line, not a lucky point, is above noise
    kept = (places < room - NEAR_EDGE * found.length) & (line > CLEAR * errors)
    return _fit(places[kept], means[kept], errors[kept], levels[kept])[0]


def _profile(
    own: Array,
    axes: tuple[Array, Array],
    box: Array,
    *,
    angle: float,
    trusted: Mask | None,
    noise: float,
    offset: Array,
) -> tuple[Array, Array, Array, Array, float]:
    """Return distance, mean, noise and level's uncertainty of each point away from the rim, and the way to the edge."""
    x, y = axes
    step = float(np.sqrt(abs(x[1] - x[0]) * abs(y[1] - y[0]))) if len(x) > 1 and len(y) > 1 else 1.0
    turn = np.radians(angle)
    east, north = x - box[0], (y - box[1])[:, np.newaxis]
    along, across = east * np.cos(turn) + north * np.sin(turn), north * np.cos(turn) - east * np.sin(turn)
    with np.errstate(divide="ignore"):
        rim = float(min(box[2] / 2 / abs(np.cos(turn)), box[3] / 2 / abs(np.sin(turn))))
    strip = np.abs(across) <= max(min(box[2], box[3]) / 2, step)
    inside = np.isfinite(own) & (trusted if trusted is not None else True)
    number = np.floor((along - rim) / step + 1e-6).astype(int)
    here = strip & (number >= 0)
    last = int(number[here].max(initial=-1)) + 1
    count, good, total, level = (
        np.bincount(number[here], weights=weights[here], minlength=last)
        for weights in (
            np.ones(own.shape),
            inside.astype(float),
            np.where(inside, own, 0.0),
            np.where(inside, offset, 0.0),
        )
    )
    widest = count.max(initial=0.0)
    whole = (good >= 0.5 * widest) & (good > 0)
    means, levels = total / np.maximum(good, 1), level / np.maximum(good, 1)
    errors = noise / np.sqrt(np.maximum(good, 1))
    clear = whole & (means > ABOVE_NOISE * np.hypot(errors, levels)) & (means > 0)
    end = int(np.argmin(clear)) if not clear.all() else last
    places = (np.arange(last) + 0.5) * step
    short = count < 0.5 * widest
    room = float(places[np.argmax(short)]) if short.any() else float(last * step)
    return places[:end], means[:end], errors[:end], levels[:end], room


def _fit(places: Array, means: Array, errors: Array, levels: Array) -> tuple[Decay, Array]:
    """Return the decay of points and the fitted curve at them."""
    nothing = Decay(float("nan"), float("nan"), len(places)), np.zeros(len(places))
    if len(places) < LEAST_POINTS:
        return nothing
    slope, spread, line = _line(places, np.log(means), errors / means)
    high, low = (_line(places, np.log(means + sign * levels), errors / means)[0] for sign in (1, -1))
    spread = float(np.hypot(spread, (high - low) / 2))
    if not slope < -max(SURE * spread, LEAST_FALL / float(np.ptp(places))):
        return nothing
    return Decay(-1 / slope, spread / slope**2, len(places)), np.exp(line)


def _line(places: Array, values: Array, errors: Array) -> tuple[float, float, Array]:
    """Return a line's slope, its standard uncertainty from scatter or errors, whichever is more, and the line."""
    weight = 1 / np.maximum(errors, 1e-3 + 0.1 * float(np.max(errors))) ** 2
    away = places - np.average(places, weights=weight)
    size, level = float(np.sum(weight * away**2)), float(np.average(values, weights=weight))
    slope = float(np.sum(weight * away * values) / size)
    left = values - level - slope * away
    scatter = float(np.sum(weight * left**2) / max(len(places) - 2, 1))
    return slope, float(np.sqrt(max(scatter, 1.0 if errors.any() else 0.0) / size)), level + slope * away


def growth_rate(elapsed: Array, values: Array, *, points: int = 5) -> tuple[Array, Array]:
    """Return how fast values change over time, and the standard uncertainty of that, from the scatter about a line.

    Parameters
    ----------
    elapsed : (n,) array
        [s]
    values : (n,) array
        Such as a footprint's variance; NaN where there is none.
    points : int
        Of the line through each value and its neighbours.

    Returns
    -------
    rate, uncertainty : (n,) arrays
        NaN where fewer than ``points`` neighbours are known.

    Examples
    --------
    >>> rate, _ = growth_rate(np.arange(6.0), 8.0 * np.arange(6.0))
    >>> rate.round(6).tolist()
    [8.0, 8.0, 8.0, 8.0, 8.0, 8.0]
    """
    rate, uncertainty = np.full(len(values), np.nan), np.full(len(values), np.nan)
    for place in range(len(values)):
        first = min(max(place - points // 2, 0), max(len(values) - points, 0))
        near = slice(first, first + points)
        level, moments = values[near], elapsed[near]
        if len(level) < points or not np.isfinite(level).all():
            continue
        away = moments - moments.mean()
        size = float(away @ away)
        rate[place] = away @ level / size
        left = level - level.mean() - rate[place] * away
        uncertainty[place] = np.sqrt(left @ left / (points - 2) / size)
    return rate, uncertainty
