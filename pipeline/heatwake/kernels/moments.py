"""Centroids and footprints of what is heated."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

LEVEL: Final = 0.5  # of the peak
MOST_MISSING: Final = 0.5  # of a footprint's weight: beyond it what is not seen cannot be filled in
ROUNDS: Final = 40  # of filling in
SETTLED: Final = 1e-4  # of a footprint's variance
FARTHEST: Final = 2.0  # a filled-in peak over the highest that is seen
TOGETHER: Final = 2.0  # pixels of a map drawn from frames that stray together (bilinear drawing)


@dataclass(frozen=True)
class Footprint:
    """Place and extent of a heated footprint, lengths in the unit of the coordinates; NaN where there is none.

    Attributes
    ----------
    x, y : float
        Centroid.
    major, minor : float
        One standard deviation along the long and the short axis.
    orientation : float
        Of the long axis [deg], counter-clockwise from +x, in [0, 180).
    area : float
        Of what rises above half of the peak.
    cut : bool
        Whether its upper half reaches the edge of the map, or pixels that are not seen.
    missing : float
        Share of its weight that was filled in there; 1 where too much is missing to say anything.
    major_noise, minor_noise, orientation_noise, centroid_noise, area_noise : float
        What a pixel's noise brings to each, one standard deviation; of the centroid along either axis.
    """

    x: float
    y: float
    major: float
    minor: float
    orientation: float
    area: float
    cut: bool
    missing: float = 0.0
    major_noise: float = 0.0
    minor_noise: float = 0.0
    orientation_noise: float = 0.0
    centroid_noise: float = 0.0
    area_noise: float = 0.0


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


def footprint(
    rise: Array, *, x: Array, y: Array, core: tuple[slice, slice], background: float, noise: float = 0.0
) -> Footprint:
    """Return the footprint of one spot: moments of what rises above half of its peak, carried to the whole.

    The moments are taken over the connected pixels above half of the peak, with what they rise above that half as
    weight, and divided by the share that a Gaussian has there (0.2171 of its variance), so that a Gaussian is returned
    exactly while neighbours, tails and background noise do not enter.

    Where those pixels reach the edge of the map or pixels that are not seen, what is missing is filled in from the
    Gaussian with the moments found so far, until they no longer change (expectation and maximisation; Dempster, Laird
    and Rubin, J. R. Stat. Soc. B 39, 1977, 1). A Gaussian that is cut is so returned whole. Where more than half of the
    weight is missing, or the centre lies beyond what is seen, lengths and centroid are NaN and ``missing`` is 1.

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
    noise : float
        Standard deviation of a pixel [K].

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
    seen = np.isfinite(rise)
    pieces, _ = ndimage.label(np.nan_to_num(over, nan=-np.inf) > level)
    own = pieces == pieces[core][row, column]
    top = np.where(own, over / level - 1, 0.0)
    if not _is_cut(own, seen):
        return _with_noise(_moments(top, x, y), top, x=x, y=y, relative=noise / level)
    roomy = _with_room(top, seen, x=x, y=y)
    whole, missing = _filled_in(roomy)
    if not missing <= MOST_MISSING:
        return replace(NOTHING, cut=True, missing=1.0)
    found = _with_noise(_moments(whole, roomy.x, roomy.y), whole, x=roomy.x, y=roomy.y, relative=noise / level)
    return replace(found, cut=True, missing=missing)


def _moments(top: Array, x: Array, y: Array) -> Footprint:
    """Return the footprint whose upper half is ``top``, in units of the level that it rises above."""
    (centre_x, centre_y), second = _first_two(top, x, y)
    spread, axes = np.linalg.eigh(second)
    major, minor = (float(np.sqrt(max(value, 0.0))) for value in spread[::-1])
    angle = float(np.degrees(np.arctan2(axes[1, 1], axes[0, 1])) % 180)
    return Footprint(centre_x, centre_y, major, minor, angle, float((top > 0).sum() * _cell(x, y)), cut=False)


def _first_two(top: Array, x: Array, y: Array) -> tuple[tuple[float, float], Array]:
    """Return centroid and covariance of a top, the covariance carried to the whole Gaussian."""
    total = top.sum()
    across, down = top.sum(axis=0) / total, top.sum(axis=1) / total
    centre_x, centre_y = float(across @ x), float(down @ y)
    away_x, away_y = x - centre_x, y - centre_y
    mixed = away_y @ top @ away_x / total
    second = np.array([[across @ away_x**2, mixed], [mixed, down @ away_y**2]]) / gaussian_share(LEVEL)
    return (centre_x, centre_y), second


def _cell(x: Array, y: Array) -> float:
    return float(abs(x[1] - x[0]) * abs(y[1] - y[0])) if len(x) > 1 and len(y) > 1 else 1.0


def _with_noise(found: Footprint, top: Array, *, x: Array, y: Array, relative: float) -> Footprint:
    """Add what noise, relative to the level, does to each number, to first order; the peak's own moves the level."""
    rows, columns = np.nonzero(top)
    turn = np.radians(found.orientation)
    away_x, away_y = x[columns] - found.x, y[rows] - found.y
    along, across = away_x * np.cos(turn) + away_y * np.sin(turn), away_y * np.cos(turn) - away_x * np.sin(turn)
    share, scale = gaussian_share(LEVEL), relative * np.sqrt(TOGETHER) / float(top.sum())

    def strays(moment: Array) -> float:
        """Noise of a mean weighted by the top, of which ``moment`` is what each pixel holds less that mean."""
        return float(scale * np.sqrt(np.sum(moment**2) + (LEVEL * moment.sum()) ** 2))

    apart = found.major**2 - found.minor**2
    lengths = (
        strays(away**2 - share * size**2) / share / (2 * size) if size > 0 else np.nan
        for away, size in ((along, found.major), (across, found.minor))
    )
    major, minor = lengths
    return replace(
        found,
        major_noise=major,
        minor_noise=minor,
        orientation_noise=float(np.degrees(strays(along * across) / share / apart)) if apart > 0 else np.inf,
        centroid_noise=max(strays(along), strays(across)),
        area_noise=float(2 * np.pi * found.major * found.minor * LEVEL * relative),
    )


@dataclass(frozen=True)
class _Top:
    """What is seen of a footprint's upper half, on a map with room on all sides for what is not.

    Attributes
    ----------
    height : array
        In units of the level that it rises above.
    seen : array of bool
    x, y : arrays
        Axes.
    peak : (int, int)
        Row and column of the highest pixel.
    """

    height: Array
    seen: Mask
    x: Array
    y: Array
    peak: tuple[int, int]

    def completed(self, state: Array) -> Array:
        """Return the top with what is not seen from a Gaussian of this centre and covariance, scaled to the peak."""
        shape = _gaussian(self.x, self.y, state)
        highest = min((self.height[self.peak] + 1) / max(float(shape[self.peak]), 1e-3), FARTHEST / LEVEL)
        return np.where(self.seen, self.height, np.maximum(highest * shape - 1, 0))

    def updated(self, state: Array) -> Array:
        """Return centre and covariance of the top so completed, as (x, y, xx, xy, yy)."""
        return _state(self.completed(state), self.x, self.y)


def _with_room(top: Array, seen: Mask, *, x: Array, y: Array) -> _Top:
    rows, columns = (np.flatnonzero(top.any(axis=axis)) for axis in (1, 0))
    room = 2 + max(int(np.ptp(rows)), int(np.ptp(columns)))
    around = tuple(slice(int(each[0]), int(each[-1]) + 2 * room + 1) for each in (rows, columns))
    height = np.pad(top, room)[around]
    x, y = (np.pad(axis, room, mode="linear_ramp", end_values=_ends(axis, room)) for axis in (x, y))
    peak = np.unravel_index(int(np.argmax(height)), height.shape)
    return _Top(height, np.pad(seen, room)[around], x[around[1]], y[around[0]], (int(peak[0]), int(peak[1])))


def _filled_in(top: _Top) -> tuple[Array, float]:
    """Return a top whole, and the share that was filled in; NaN where filling in leads nowhere.

    Rounds are taken in pairs and carried on along the way they go (squared extrapolation; Varadhan and Roland, Scand.
    J. Stat. 35, 2008, 335).
    """
    state = _state(top.height, top.x, top.y)
    for _ in range(ROUNDS):
        first = top.updated(state) if _is_proper(state) else state
        if not _is_proper(first):  # a row of pixels has no width
            break
        second = top.updated(first)
        step, bend = first - state, second - 2 * first + state
        stretch = max(1.0, float(np.linalg.norm(step)) / max(float(np.linalg.norm(bend)), 1e-30))
        ahead = state + 2 * stretch * step + stretch**2 * bend
        ahead = ahead if _is_proper(ahead) else second
        moved, state = np.abs(ahead - state).max(), top.updated(ahead)
        if _is_proper(state) and moved < SETTLED * (state[2] + state[4]):
            whole = top.completed(state)
            inside = top.seen[np.argmin(abs(top.y - state[1])), np.argmin(abs(top.x - state[0]))]
            return whole, float(whole[~top.seen].sum() / whole.sum()) if inside else float("nan")
    return top.height, float("nan")


def _state(top: Array, x: Array, y: Array) -> Array:
    centre, second = _first_two(top, x, y)
    return np.array([*centre, second[0, 0], second[0, 1], second[1, 1]])


def _is_proper(state: Array) -> bool:
    """Whether a covariance is one of something that has an extent."""
    return bool(np.isfinite(state).all() and state[2] > 0 and state[2] * state[4] > 1.0001 * state[3] ** 2)


def _ends(axis: Array, room: int) -> tuple[float, float]:
    step = float(axis[1] - axis[0]) if len(axis) > 1 else 1.0
    return float(axis[0]) - room * step, float(axis[-1]) + room * step


def _gaussian(x: Array, y: Array, state: Array) -> Array:
    """Return a Gaussian of height 1 with centre and covariance (x, y, xx, xy, yy)."""
    away_x, away_y = x - state[0], (y - state[1])[:, np.newaxis]
    determinant = state[2] * state[4] - state[3] ** 2
    squared = state[4] * away_x**2 - 2 * state[3] * away_x * away_y + state[2] * away_y**2
    return np.asarray(np.exp(-0.5 * squared / determinant))


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
