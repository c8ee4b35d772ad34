"""What a map reads at one place: the level there and its slopes, from the few pixels round it."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]

_FLAT: Final = 1e-12  # of the determinant's scale: pixels in one line tell no slope across it


def level_and_slopes(values: Array, *, right: Array, up: Array) -> tuple[Array, Array, Array]:
    """Return the level at the origin and the slopes to the right and up, of each picture.

    A plane is laid through the pixels; the level is the mean of the middle half of what they read once the plane's
    slopes are taken off, so neither a bright pixel nor an origin between pixels moves it.

    Parameters
    ----------
    values : (..., pixel) array
        Readings of the pixels; NaN where one was not seen.
    right, up : (pixel,) array
        Where they lie from the origin [mm].

    Returns
    -------
    tuple of array
        Level, and slopes by the unit of length; (...) float64. NaN where nothing was seen; a slope is 0 where the
        pixels that were seen do not tell it.

    Examples
    --------
    >>> right, up = np.array([-1.0, 0, 1, -1, 0, 1]), np.array([1.0, 1, 1, 0, 0, 0])
    >>> [float(found.round(9)) for found in level_and_slopes(5 + 2 * right - up, right=right, up=up)]
    [5.0, 2.0, -1.0]
    """
    seen = np.isfinite(values)
    count = seen.sum(axis=-1)
    most = np.maximum(count, 1)
    filled = np.where(seen, values, 0).astype(np.float64)
    across, along = (seen * place - (seen @ place / most)[..., None] * seen for place in (right, up))
    slope_right, slope_up = _plane(filled, across, along)
    flat = np.where(seen, values - slope_right[..., None] * right - slope_up[..., None] * up, np.nan)
    level = np.where(count > 0, _middle_mean(flat), np.nan)
    return level, np.where(count > 0, slope_right, np.nan), np.where(count > 0, slope_up, np.nan)


def _plane(values: Array, across: Array, along: Array) -> tuple[Array, Array]:
    """Return the slopes of the least-squares plane over centred places; 0 where there is none."""
    xx, yy, xy = ((one * other).sum(axis=-1) for one, other in ((across, across), (along, along), (across, along)))
    xv, yv = ((one * values).sum(axis=-1) for one in (across, along))
    determinant = xx * yy - xy**2
    told = determinant > _FLAT * np.maximum(xx * yy, 1e-300)
    safe = np.where(told, determinant, 1.0)
    return np.where(told, (xv * yy - yv * xy) / safe, 0.0), np.where(told, (yv * xx - xv * xy) / safe, 0.0)


def _middle_mean(values: Array) -> Array:
    """Return the mean of the middle half along the last axis, NaN left out; of all where there are fewer than four."""
    ordered = np.sort(values, axis=-1)  # NaN last
    count = np.isfinite(values).sum(axis=-1)[..., None]
    cut = count // 4
    rank = np.arange(values.shape[-1])
    kept = (rank >= cut) & (rank < count - cut)
    return np.asarray(np.where(kept, ordered, 0).sum(axis=-1) / np.maximum(kept.sum(axis=-1), 1))
