"""How many runs a difference needs, in which order, and what one run is expected to be off by."""

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from scipy.optimize import brentq
from scipy.special import nctdtr, ndtr, ndtri, stdtrit

OFFSET, AMBIENT, PLACEMENT, SETTLING = 0.2, 0.1, 0.1, 0.1
"""[K] Standard deviations that a run adds of its own where no repeats tell (our own choice): the camera's offset since
its shutter, the ambient sensor, where the part is found, what is left to settle."""
MOST_TAKES: Final = 60
CHANCE: Final = 0.8
LEVEL: Final = 0.05
MANY: Final = 1e6  # degrees of freedom from which a spread is known


def run_spread(
    rise: float, *, power: float, refitted: float = 0.0, own: Sequence[float] = (OFFSET, AMBIENT, PLACEMENT, SETTLING)
) -> float:
    """Return the standard deviation of one run's rise [K]: ``own^2 + (R u_P / P)^2 + refit^2``.

    Independent parts add in squares (JCGM 100:2008, 5.1.2); what film, emissivity and camera have in common in all runs
    drops out of their differences.

    Parameters
    ----------
    rise : float
        [K]
    power : float
        Half-width within which the power is held [1], evenly distributed.
    refitted : float
        What a film laid on anew is expected to change [K]; 0 where it stays.
    own : sequence of float
        What a run is off by whatever the rise [K].
    """
    return math.sqrt(sum(one**2 for one in own) + (rise * power) ** 2 / 3 + refitted**2)


def least_difference(
    takes: float, *, spread: float, freedom: float, chance: float = CHANCE, level: float = LEVEL
) -> float:
    """Return the smallest true difference of two sides that is found with a chance, two-sided [K].

    Parameters
    ----------
    takes : float
        Runs of each side.
    spread : float
        Standard deviation of one run [K].
    freedom : float
        Degrees of freedom that it is known by: ``2 (n - 1)`` from these runs alone, more with those of earlier ones,
        infinite where it is known.
    chance, level : float
        That it is found; that one is found where there is none.

    Returns
    -------
    float
        NaN without a degree of freedom.

    Notes
    -----
    Power of Student's two-sample test by the noncentral t distribution (Cohen, Statistical Power Analysis, 1988, from
    memory).

    Examples
    --------
    >>> [round(least_difference(2, spread=1.0, freedom=freedom), 1) for freedom in (2, math.inf)]
    [5.7, 2.8]
    """
    if freedom < 1 or takes <= 0:
        return math.nan
    scale = spread * math.sqrt(2 / takes)
    if freedom >= MANY:
        reach = float(ndtri(1 - level / 2))
        return scale * float(brentq(lambda way: ndtr(way - reach) + ndtr(-way - reach) - chance, 0, 50))
    reach = float(stdtrit(freedom, 1 - level / 2))

    def lacking(way: float) -> float:
        beyond = nctdtr(freedom, way, -reach) if way < 5 else 0.0  # there it is nothing, and not computed
        return float(1 - nctdtr(freedom, way, reach) + beyond - chance)

    top = reach
    while lacking(top) < 0:
        top *= 1.3
    return scale * float(brentq(lacking, 0, top))


def half_width(takes: float, *, spread: float, freedom: float, level: float = LEVEL) -> float:
    """Return the half-width of the interval of a difference of two sides [K].

    >>> round(half_width(2, spread=1.0, freedom=2), 1)
    4.3
    """
    return (
        float(stdtrit(min(freedom, 1e9), 1 - level / 2)) * spread * math.sqrt(2 / takes) if freedom >= 1 else math.nan
    )


def freedom_of(takes: int, *, beforehand: float = 0.0) -> float:
    """Return the degrees of freedom of a spread pooled from two sides of so many runs and from earlier ones."""
    return 2 * (takes - 1) + beforehand


def takes_for(difference: float, *, spread: float, beforehand: float = 0.0, chance: float = CHANCE) -> int | None:
    """Return how many runs of each of two sides find a difference; None where no sensible number does.

    With a spread known beforehand one run of each side may do.
    """
    for takes in range(1, MOST_TAKES + 1):
        freedom = freedom_of(takes, beforehand=beforehand)
        if least_difference(takes, spread=spread, freedom=freedom, chance=chance) <= difference:
            return takes
    return None


def mirrored_order(takes: int) -> list[int]:
    """Return the order of two set-ups, each taken an even number of times: A-B-B-A, then B-A-A-B, and so on.

    Each four of them have the same middle for both, so that a steady drift drops out of their difference (by symmetry);
    turning every second four takes out a quadratic one over eight as well.

    >>> "".join("AB"[one] for one in mirrored_order(4))
    'ABBABAAB'
    """
    order: list[int] = []
    for four in range(takes // 2):
        order += [0, 1, 1, 0] if four % 2 == 0 else [1, 0, 0, 1]
    return order


def random_blocks(set_ups: int, *, blocks: int, rng: np.random.Generator) -> list[list[int]]:
    """Return blocks that each hold every set-up once in random order (Fisher, The Design of Experiments, 1935)."""
    return [[int(one) for one in rng.permutation(set_ups)] for _ in range(blocks)]


def drift_in_difference(order: Sequence[int], drift: Sequence[float]) -> float:
    """Return what a drift adds to the difference of set-up 1 less set-up 0 [K].

    >>> drift_in_difference([0, 1, 1, 0], [0.0, 0.1, 0.2, 0.3]).__round__(12)
    0.0
    >>> drift_in_difference([0, 1, 0, 1], [0.0, 0.1, 0.2, 0.3]).__round__(12)
    0.1
    """
    at, of = np.asarray(order), np.asarray(drift, dtype=float)
    first: Any = of[at == 0].mean()
    return float(of[at == 1].mean() - first)
