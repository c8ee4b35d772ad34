"""Centroids and footprints of what is heated."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

Array = npt.NDArray[Any]

LEVEL: Final = 0.5  # of the peak


@dataclass(frozen=True)
class Footprint:
    """Place and extent of a heated footprint, lengths in the unit of the coordinates.

    Attributes
    ----------
    x, y : float
        Centroid.
    major, minor : float
        One standard deviation along the long and the short axis.
    orientation : float
        Of the long axis [deg], counter-clockwise from +x, in [0, 180).
    area : float
        Of the pixels above half of the peak.
    cut : bool
        Whether its upper half reaches the edge of the map, or a neighbour that was left out: then it is narrower than
        the truth.
    """

    x: float
    y: float
    major: float
    minor: float
    orientation: float
    area: float
    cut: bool


NOTHING: Final = Footprint(np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, cut=False)


def centroid(rise: Array, *, x: Array, y: Array) -> tuple[float, float]:
    """Return the rise-weighted centroid ``(x, y)``; NaN and negative pixels weigh nothing, NaN where none is heated.

    Parameters
    ----------
    rise : (ny, nx) array
        Temperature rise [K].
    x, y : (nx,) and (ny,) arrays
        Pixel centres [mm].
    """
    weight = np.where(np.isfinite(rise), np.maximum(rise, 0), 0)
    total = weight.sum()
    if total <= 0:
        return float("nan"), float("nan")
    return float((weight.sum(axis=0) @ x) / total), float((weight.sum(axis=1) @ y) / total)


def footprint(rise: Array, *, x: Array, y: Array, core: tuple[slice, slice], background: float) -> Footprint:
    """Return the footprint of one spot: moments of what rises above half of its peak, carried to the whole.

    The moments are taken over the connected pixels above half of the peak, with what they rise above that half as
    weight, and divided by the share that a Gaussian has there (0.2171 of its variance), so that a Gaussian is returned
    exactly while neighbours, tails and background noise do not enter.

    Parameters
    ----------
    rise : (ny, nx) array
        Rise round the spot [K]; NaN where masked.
    x, y : (nx,) and (ny,) arrays
        Pixel centres, evenly spaced.
    core : (slice, slice)
        Rows and columns in which the spot's peak lies.
    background : float
        Rise of the surroundings [K].

    Returns
    -------
    Footprint
        NaN where nothing in the core rises above the background.
    """
    over = rise - background
    inside = np.where(np.isfinite(over[core]), over[core], -np.inf)
    row, column = np.unravel_index(int(np.argmax(inside)), inside.shape)
    peak = float(inside[row, column])
    if not peak > 0:
        return NOTHING
    level = LEVEL * peak
    pieces, _ = ndimage.label(np.nan_to_num(over, nan=-np.inf) > level)
    own = pieces == pieces[core][row, column]
    weight = np.where(own, over - level, 0.0)
    return _moments(weight, own, x=x, y=y, cut=_is_cut(own, np.isfinite(rise)))


def _moments(weight: Array, own: Array, *, x: Array, y: Array, cut: bool) -> Footprint:
    total = weight.sum()
    across, down = weight.sum(axis=0) / total, weight.sum(axis=1) / total
    centre_x, centre_y = float(across @ x), float(down @ y)
    away_x, away_y = x - centre_x, y - centre_y
    mixed = away_y @ weight @ away_x / total
    second = np.array([[across @ away_x**2, mixed], [mixed, down @ away_y**2]]) / gaussian_share(LEVEL)
    spread, axes = np.linalg.eigh(second)
    angle = float(np.degrees(np.arctan2(axes[1, 1], axes[0, 1])) % 180)
    cell = abs(x[1] - x[0]) * abs(y[1] - y[0]) if len(x) > 1 and len(y) > 1 else 1.0
    major, minor = (float(np.sqrt(max(value, 0.0))) for value in spread[::-1])
    return Footprint(centre_x, centre_y, major, minor, angle, float(own.sum() * cell), cut=cut)


def gaussian_share(level: float) -> float:
    """Return the variance of a two-dimensional Gaussian's top, above ``level`` of its peak, over the whole's.

    Closed form: with ``u = r^2 / 2 s^2`` the top is ``exp(-u) - level`` for ``u < U = -ln(level)``, and the share is
    ``(1 - level (1 + U) - level U^2 / 2) / (1 - level - level U)``.

    Examples
    --------
    >>> round(gaussian_share(0.5), 4)
    0.2171
    """
    end = -np.log(level)
    return float((1 - level * (1 + end) - level * end**2 / 2) / (1 - level - level * end))


def _is_cut(own: Array, seen: Array) -> bool:
    """Whether the pixels reach the edge of the map or what was left out of it."""
    on_edge = own[0].any() or own[-1].any() or own[:, 0].any() or own[:, -1].any()
    beside = (own[1:] & ~seen[:-1]).any() or (own[:-1] & ~seen[1:]).any()
    beside = beside or (own[:, 1:] & ~seen[:, :-1]).any() or (own[:, :-1] & ~seen[:, 1:]).any()
    return bool(on_edge or beside)
