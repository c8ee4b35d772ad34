"""Pointwise functions over large blocks without large temporaries."""

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]


def slicewise(function: Callable[..., tuple[Array, ...]], *arrays: Array) -> tuple[Array, ...]:
    """Return a pointwise function of broadcast arrays, computed one slice of the first axis at a time.

    A formula of twenty operations holds some twenty temporaries of its input's size; those of a slice are small.

    Parameters
    ----------
    function : callable
        Takes the arrays, returns a tuple of arrays of their broadcast shape.
    *arrays : array
        The first has the full shape; others may lack leading axes or have length 1 along any.

    Returns
    -------
    tuple of array

    Examples
    --------
    >>> (doubled,) = slicewise(lambda a, b: (a + b,), np.ones((3, 2)), np.ones(2))
    >>> doubled.tolist()
    [[2.0, 2.0], [2.0, 2.0], [2.0, 2.0]]
    """
    whole = arrays[0]
    if whole.ndim == 0 or len(whole) < 2:
        return function(*arrays)
    made: tuple[Array, ...] = ()
    for index in range(len(whole)):
        slices = (one[index : index + 1] if one.ndim == whole.ndim and len(one) > 1 else one for one in arrays)
        results = function(*slices)
        made = made or tuple(np.empty((len(whole), *one.shape[1:]), one.dtype) for one in results)
        for target, one in zip(made, results, strict=True):
            target[index] = one[0]
    return made
