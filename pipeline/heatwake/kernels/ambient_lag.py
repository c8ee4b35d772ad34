"""The ambient that a part feels: the air's, through the part's own lag."""

from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]


def lagged(ambient: Array, *, elapsed: Array, constants: Array) -> Array:
    """Return what first-order parts without power of their own would be at in a changing ambient.

    ``tau dT/dt = ambient - T``, solved exactly for an ambient that is straight between readings; before the first
    reading it is taken to have been constant for long.

    Parameters
    ----------
    ambient : (time,) array
        [degC].
    elapsed : (time,) array
        [s], ascending.
    constants : (k,) array
        Time constants [s].

    Returns
    -------
    (k, time) array
        [degC]. Behind a ramp it stays by its rate times the time constant.
    """
    felt = np.empty((len(ambient), len(constants)))
    felt[0] = ambient[0]
    steps = np.diff(elapsed)
    slopes = np.diff(ambient) / steps
    for number, (step, slope) in enumerate(zip(steps, slopes, strict=True)):
        behind = slope * constants
        kept = felt[number] - ambient[number] + behind
        felt[number + 1] = ambient[number + 1] - behind + kept * np.exp(-step / constants)
    return felt.T
