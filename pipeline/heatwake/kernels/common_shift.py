"""What all places of a board share of how takes or units differ, and what each place has beyond it."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]


def common_shift(values: Array, middle: Array) -> Array:
    """Return the median over places of values less the middle (rows,); NaN where no place is known.

    A median, so that one place that changed moves it little.

    Parameters
    ----------
    values : (rows, places) array
        NaN is left out.
    middle : (places,) array

    Examples
    --------
    >>> common_shift(np.array([[1.0, 2.0, 9.0]]), np.array([0.5, 1.5, 2.5])).tolist()
    [0.5]
    """
    return _medians(values - middle)


def shift_of_others(values: Array, middle: Array) -> Array:
    """Return for each place the median of what the other places differ by (rows, places); NaN where none is known.

    With its own difference among them the middle place of a row would differ by nothing, whatever it did.

    Parameters
    ----------
    values : (rows, places) array
        NaN is left out.
    middle : (places,) array

    Examples
    --------
    >>> shift_of_others(np.array([[1.0, 2.0, 9.0]]), np.array([0.5, 1.5, 2.5])).tolist()
    [[3.5, 3.5, 0.5]]
    """
    others = np.array([[one for one in range(middle.size) if one != at] for at in range(middle.size)], dtype=int)
    return _medians((values - middle)[:, others])


def _medians(values: Array) -> Array:
    """Return medians along the last axis, NaN left out; quicker than numpy's of short rows."""
    ordered = np.sort(values, axis=-1)  # NaN last
    count = np.isfinite(values).sum(axis=-1)
    last = max(values.shape[-1] - 1, 0)
    ends = np.clip(np.stack([(count - 1) // 2, count // 2], axis=-1), 0, last)
    return np.asarray(np.take_along_axis(ordered, ends, axis=-1).mean(axis=-1))


def pooled_spread(setups: Sequence[Array]) -> tuple[Array, Array]:
    """Return standard deviations of one value, pooled over set-ups, and their degrees of freedom (places,).

    Each place by itself (JCGM 100:2008, H.3.6): NaN and 0 where no set-up has two values of it.

    Parameters
    ----------
    setups : sequence of (takes, places) arrays
        Deviations from each set-up's middle: what is taken off a take besides, by a median, leaves them without a mean
        of nought, and to take that off too would lose what the new value has. NaN is left out.

    Examples
    --------
    >>> spread, freedom = pooled_spread([np.array([[-1.0], [1.0]]), np.array([[0.0], [0.0], [0.0]])])
    >>> spread.round(3).tolist(), freedom.tolist()  # sqrt((2 + 0) / (1 + 2))
    ([0.816], [3.0])
    """
    squares = sum((np.nansum(takes**2, axis=0) for takes in setups), np.zeros(setups[0].shape[1]))
    counts = (np.isfinite(takes).sum(axis=0) for takes in setups)
    freedom = sum((np.maximum(count - 1.0, 0.0) for count in counts), np.zeros_like(squares))
    return np.where(freedom > 0, np.sqrt(squares / np.maximum(freedom, 1)), np.nan), freedom
