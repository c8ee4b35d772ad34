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
    apart = values - middle
    known = np.isfinite(apart).any(axis=1)
    return np.array([np.nanmedian(row) if told else np.nan for row, told in zip(apart, known, strict=True)])


def pooled_spread(setups: Sequence[Array]) -> tuple[Array, Array]:
    """Return standard deviations of one value, pooled over set-ups, and their degrees of freedom (places,).

    Each place by itself (JCGM 100:2008, H.3.6): NaN and 0 where no set-up has two values of it.

    Parameters
    ----------
    setups : sequence of (takes, places) arrays
        NaN is left out.

    Examples
    --------
    >>> spread, freedom = pooled_spread([np.array([[1.0], [3.0]]), np.array([[5.0], [5.0], [5.0]])])
    >>> spread.round(3).tolist(), freedom.tolist()  # sqrt((2 + 0) / (1 + 2))
    ([0.816], [3.0])
    """
    squares = np.zeros(setups[0].shape[1])
    freedom = np.zeros_like(squares)
    for takes in setups:
        seen = np.isfinite(takes)
        count = seen.sum(axis=0)
        plain = np.where(seen, takes, 0.0)
        mean = plain.sum(axis=0) / np.maximum(count, 1)
        squares += np.where(seen, (plain - mean) ** 2, 0.0).sum(axis=0)
        freedom += np.maximum(count - 1, 0)
    return np.where(freedom > 0, np.sqrt(squares / np.maximum(freedom, 1)), np.nan), freedom
