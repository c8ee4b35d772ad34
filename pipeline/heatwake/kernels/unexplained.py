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
SLOW_S: Final = 15.0  # [s] what is as slow tells a later change of heat from a film that moves within one or two
LATER_CONSTANTS: Final = 6
RIDGE: Final = 1e-6  # keeps amplitudes of like exponentials small
MAD_TO_SIGMA: Final = 1.4826  # of a normal distribution
AWAY: Final = 6.0  # times the usual rms of a look: something is in the way
AWAY_K: Final = 0.5  # [K] rms of a look, at least
MOST_IN_A_ROW: Final = 5  # looks
DRAWN: Final = 0.3  # of the loudest in a row, from where a look is in the way itself
ROUNDS: Final = 3
FLIPS: Final = 0.5  # negative correlation of two that follow each other, and loudness, from where it is a jump
NEAR: Final = 3  # looks on each side of a jump
SETTLED_S: Final = 3.0  # [s] in which a jump may take place: a film settles within about one
LEAST_POWER: Final = 0.05  # of a jump beside the exponentials, in looks
WATCH_S: Final = 4.0  # [s] by which a noted time may be off
MOST_CHANGES: Final = 3
CHANGE_K: Final = 0.025  # [K] rms left over, from where changes are looked for; sound recordings have up to 0.022
CHANGE_LEAVES: Final = 0.2  # of the squares that a jump leaves, when it was a change of heat
NOTED_LEAVES: Final = 0.5  # the same where somebody noted it
TRIED: Final = 17  # times


def heating_basis(elapsed: Array, start: float, *, later: tuple[float, ...] = ()) -> Array:
    """Return a constant, a trend, and exponentials that begin at each change: (n, terms).

    Parameters
    ----------
    elapsed : (n,) array
        [s], rising.
    start : float
        Of the heat [s].
    later : tuple of float
        When loads or air changed on a warm board [s].
    """
    span = max(float(np.ptp(elapsed)), 1e-6)
    constants = np.geomspace(min(FASTEST_S, span / 8), span, CONSTANTS)
    since = np.maximum(elapsed - start, 0.0)
    terms = [np.ones_like(elapsed), (elapsed - elapsed[0]) / span]
    terms += [1 - np.exp(-since / constant) for constant in constants]
    return np.concatenate(
        [np.stack(terms, axis=1), *(after_change(elapsed, at, fastest=FASTEST_S) for at in later)], axis=1
    )


def after_change(elapsed: Array, at: float, *, fastest: float = SLOW_S) -> Array:
    """Return exponentials from a later change [s] on (n, terms), by default none as quick as a film that moves."""
    span = max(float(np.ptp(elapsed)), 1e-6)
    since = np.maximum(elapsed - at, 0.0)
    constants = np.geomspace(min(fastest, span / 8), span, LATER_CONSTANTS)
    return np.stack([1 - np.exp(-since / constant) for constant in constants], axis=1)


def later_changes(levels: Array, elapsed: Array, *, basis: Array, used: Mask, start: float) -> tuple[float, ...]:
    """Return when loads or air changed though nobody noted it [s], rising; empty where nothing asks for it.

    A fan that stops or a load that steps bends the curve of every place; a film that moves or a part that is covered
    makes it jump. Change points are sought one after the other, as in a regression with kinks, and one is kept where
    exponentials from it on leave far less than the best single jump does.

    Parameters
    ----------
    levels : (n, places) array
        [degC]
    elapsed : (n,) array
        [s]
    basis : (n, terms) array
        What is known to change the levels.
    used : (n,) array of bool
        Looks that count.
    start : float
        Of the heat [s]; none is sought before.
    """
    index = np.flatnonzero(used)
    values, times, some = levels[index].astype(np.float64), elapsed[index], basis[index]
    tried = [k for k in range(NEAR, len(index) - NEAR) if times[k - 1] > start + SLOW_S]
    when = [share * times[k - 1] + (1 - share) * times[k] for k in tried for share in (1.0, 0.5)]
    found: list[float] = []
    while tried and len(found) < MOST_CHANGES:
        span = _span(some)
        left = values - span @ (span.T @ values)
        if float(np.sqrt(np.mean(left**2))) < CHANGE_K:
            break
        jumped = min(_left(left, span, (times >= times[k]).astype(float)[:, None]) for k in tried)
        bent = [_left(left, span, after_change(times, at)) for at in when]
        if min(bent) > CHANGE_LEAVES * jumped:
            break
        at = float(when[int(np.argmin(bent))])
        found.append(at)
        some = np.concatenate([some, after_change(times, at)], axis=1)
    return tuple(sorted(found))


def refined_changes(
    levels: Array, elapsed: Array, *, basis: Array, used: Mask, noted: tuple[float, ...], within: float = 0.0
) -> tuple[float, ...]:
    """Return times of changes [s], each moved a little to where the readings bend.

    A time is left out where a jump says nearly as much as what heat would do from then on: nothing warmed or cooled.

    Parameters
    ----------
    levels : (n, places) array
        [degC]
    elapsed : (n,) array
        [s]
    basis : (n, terms) array
        What changes the levels beside.
    used : (n,) array of bool
        Looks that count.
    noted : tuple of float
        By somebody's watch, or found among the looks [s].
    within : float
        How far a time may be off, in looks; `WATCH_S` at least.
    """
    index = np.flatnonzero(used)
    values, times, known = levels[index].astype(np.float64), elapsed[index], basis[index]
    found = list(noted)
    for number in (*range(len(noted)), *range(len(noted))):  # each with the others in, twice
        others = (after_change(times, one) for i, one in enumerate(found) if i != number and np.isfinite(one))
        span = _span(np.concatenate([known, *others], axis=1))
        left, at = values - span @ (span.T @ values), noted[number]
        look = min(max(int(np.searchsorted(times, at)), 1), len(times) - 1)
        tried = at + np.linspace(-1, 1, TRIED) * max(WATCH_S, within * float(times[look] - times[look - 1]))
        bent = [_left(left, span, after_change(times, one)) for one in tried]
        near = np.flatnonzero(np.abs(np.arange(len(times)) - look) <= 1)
        jumped = min(_left(left, span, (times >= times[k]).astype(float)[:, None]) for k in near)
        found[number] = float(tried[int(np.argmin(bent))]) if min(bent) <= NOTED_LEAVES * jumped else np.nan
    return tuple(one for one in found if np.isfinite(one))


def _span(basis: Array) -> Array:
    """Return an orthonormal basis of what a basis spans."""
    vectors, sizes, _ = np.linalg.svd(basis, full_matrices=False)
    return np.asarray(vectors[:, sizes > 1e-6 * sizes[0]])


def _left(left: Array, span: Array, terms: Array) -> float:
    """Return the share of squares that further terms leave of what a span left."""
    vectors, sizes, _ = np.linalg.svd(terms - span @ (span.T @ terms), full_matrices=False)
    told = vectors[:, sizes > LEAST_POWER]
    return 1.0 - float(((told.T @ left) ** 2).sum()) / max(float((left**2).sum()), 1e-12)


def left_over(levels: Array, basis: Array, *, used: Mask | None = None) -> Array:
    """Return what a basis leaves of each place's readings (n, places), fitted to the looks that are used."""
    weight = np.ones(len(levels), dtype=bool) if used is None else used
    some = basis[weight]
    normal = some.T @ some + RIDGE * len(some) * np.eye(some.shape[1])
    found = np.linalg.solve(normal, some.T @ levels[weight])
    return np.asarray(levels - basis @ found)


def in_the_way(levels: Array, basis: Array) -> Mask:
    """Return the looks that depart far from all others, few in a row: a hand, a person, a cloth.

    A hand of ten kelvin draws the fitted curves after it; it is left out and the rest looked at again. Not the looks to
    both sides of a jump, from which smooth curves depart one way before and the other way after.

    Parameters
    ----------
    levels : (n, places) array
        [degC]
    basis : (n, terms) array
        From :func:`heating_basis`.
    """
    found = np.zeros(len(levels), dtype=bool)
    for _ in range(ROUNDS):
        residual = left_over(levels, basis, used=~found)
        loud = np.sqrt(np.mean(residual**2, axis=1))
        now = np.zeros(len(levels), dtype=bool)
        for start, stop in _runs(loud > max(AWAY * float(np.median(loud)), AWAY_K)):
            if stop - start > MOST_IN_A_ROW:  # the loudest of them, that the others may be drawn by
                peaks = _runs(loud[start:stop] > DRAWN * loud[start:stop].max())
            else:
                peaks = [(0, stop - start)]
            for first, last in ((start + one, start + other) for one, other in peaks):
                few = last - first <= MOST_IN_A_ROW
                now[first:last] = few and not _jumps(residual[first:last], loud[first:last])
        if (now == found).all():
            break
        found = now
    return found


def _runs(marked: Mask) -> list[tuple[int, int]]:
    """Return start and stop of each stretch."""
    edges = np.flatnonzero(np.diff(np.r_[0, marked.astype(int), 0])).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def _jumps(residual: Array, loud: Array) -> bool:
    """Return whether two looks that follow each other depart alike but opposite ways, as loud as any around them."""
    together = np.sum(residual[1:] * residual[:-1], axis=1) / residual.shape[1]
    weaker = np.minimum(loud[1:], loud[:-1])
    return bool(np.any((together < -FLIPS * loud[1:] * loud[:-1]) & (weaker > FLIPS * loud.max())))


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
    span = _span(basis[index])
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
