"""Whether a film's own radiance still rises after it was laid on: the mark of one that absorbs.

A film of 10 um warms to its place between room and air within seconds (heat capacity 21 J m-2 K-1 over an exchange of
20 W m-2 K-1: 1.06 s); the parts below settle over minutes. Two things tell the film apart. In *space*, a film adds the
same radiance over hot and cold places, while a part that warms changes where it stands: each frame's change is fitted
by a constant and a share of the rise, and only the constant counts. In *time*, the film's part bends within seconds
where parts, room and camera drift evenly: of the constant only what rises as ``1 - exp(-t/T)``, T of a second or a few,
counts beside an even drift.
"""

import warnings
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.frame_quality import common_steps

Array = npt.NDArray[np.floating[Any]]

TIME_CONSTANTS: Final = tuple(np.geomspace(0.5, 5.0, 12).tolist())  # [s] films of some 5 to 50 um
_BISQUARE: Final = 4.685
_MAD_TO_SIGMA: Final = 1.4826
_ROUNDS: Final = 5
_GOES_ON: Final = 0.3
_LEAST_PLACES: Final = 12
_LEAST_FRAMES: Final = 8
_SPAN: Final = 3.0  # time constants that the recording must last to tell a bend from a drift


@dataclass(frozen=True)
class Creep:
    """How much a film's own radiance rose after it was laid on.

    Attributes
    ----------
    rise : float
        [unit of the levels]; NaN where the recording is too short to tell.
    uncertainty : float
        Its standard uncertainty.
    time_constant : float
        [s], one of a few that were tried; NaN likewise.
    """

    rise: float
    uncertainty: float
    time_constant: float


UNKNOWN: Final = Creep(np.nan, np.nan, np.nan)


def film_creep(levels: Array, elapsed: Array) -> Creep:
    """Return how much the radiance that a film adds rose during a recording that begins as it is laid on.

    Parameters
    ----------
    levels : (n, places) array
        Radiance of places spread over hot and cold parts of the picture, a row a frame; NaN is not seen.
    elapsed : (n,) array
        Time since the first of them [s], rising.
    """
    seen = np.isfinite(levels).all(axis=0) if len(levels) else np.zeros(0, dtype=np.bool_)
    if np.count_nonzero(seen) < _LEAST_PLACES or len(levels) < _LEAST_FRAMES:
        return UNKNOWN
    even = common_change(levels[:, seen].astype(np.float64))
    fits = [_bend(even, elapsed, constant) for constant in TIME_CONSTANTS if elapsed[-1] >= _SPAN * constant]
    if not fits:
        return UNKNOWN
    return min(fits, key=lambda fit: fit[0])[1]


def first_jump(levels: Array, elapsed: Array, *, least: float) -> int:
    """Return the number of the first frame after a shutter event, or of frames where there is none.

    A shutter moves all pixels within one interval and leaves them there; a film that warms goes on moving them in the
    next, by more than a third where frames follow each other within its time constant.

    Parameters
    ----------
    levels : (n, places) array
        Readings of places [K or degC]; NaN is not seen.
    elapsed : (n,) array
        [s], rising.
    least : float
        Smallest step that counts [K].
    """
    steps = common_steps(levels, elapsed, least=least).sizes
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a frame without any reading
        changes = np.nanmedian(np.diff(levels, axis=0, append=levels[-1:]), axis=1)
    jumps = np.flatnonzero((steps != 0) & ~(changes * np.sign(steps) > _GOES_ON * np.abs(steps)))
    return int(jumps[0]) if len(jumps) else len(levels)


def common_change(levels: Array) -> Array:
    """Return each frame's change since the mean of all that does not depend on how hot a place is, ``(n,)``.

    A robust line of the change over the place's level, taken where the coldest twentieth lies; of the colder half of
    the places, for in the other parts may be switched on or off.
    """
    usual = np.median(levels, axis=0)
    colder = usual <= np.median(usual)
    levels, usual = levels[:, colder], usual[colder]
    rise = usual - np.quantile(usual, 0.05)
    design = np.stack([np.ones_like(rise), rise], axis=1)
    return np.array([_robust(design, row)[0] for row in levels - usual])


def _robust(design: Array, values: Array) -> Array:
    weight = np.ones_like(values)
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)[:, None]
        solution = np.linalg.lstsq(design * root, values * root[:, 0], rcond=None)[0]
        residual = values - design @ solution
        spread = _MAD_TO_SIGMA * np.median(np.abs(residual)) + 1e-12
        weight = np.square(np.clip(1 - np.square(residual / (_BISQUARE * spread)), 0, None))
    return np.asarray(solution)


def _bend(values: Array, elapsed: Array, constant: float) -> tuple[float, Creep]:
    """Return what is left of a fit by an even drift and a bend, and the bend."""
    design = np.stack([np.ones_like(elapsed), elapsed, 1 - np.exp(-elapsed / constant)], axis=1)
    solution = np.linalg.lstsq(design, values, rcond=None)[0]
    left = float(np.sum(np.square(values - design @ solution)))
    variance = left / (len(values) - 4) * np.linalg.inv(design.T @ design)[2, 2]  # the time constant is chosen too
    return left, Creep(float(solution[2]), float(np.sqrt(variance)), constant)
