"""When the heat was switched on."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

CLEAR: Final = 6.0  # standard deviations of the quiet stretch
QUIET_POINTS: Final = 4  # fewer tell nothing of the noise


def find_onset(contrast: Array, *, elapsed: Array, quiet_s: float) -> float:
    """Return when a contrast that was quiet at first starts to grow and stays grown.

    Parameters
    ----------
    contrast : (time,) array
        Hottest parts less the middle of the picture, any unit; NaN where a frame is missing.
    elapsed : (time,) array
        Time since the first frame [s].
    quiet_s : float
        Length of the stretch at the start that is looked at for its noise [s].

    Returns
    -------
    float
        Elapsed time [s] of the last point before the growth; NaN where there is none, or no quiet stretch to tell.
    """
    seen = np.isfinite(contrast)
    contrast, elapsed = contrast[seen], elapsed[seen]
    quiet = contrast[elapsed <= elapsed[0] + quiet_s] if len(elapsed) else contrast
    if len(quiet) < QUIET_POINTS:
        return float("nan")
    level = np.median(quiet)
    noise = 1.4826 * np.median(np.abs(quiet - level)) + 1e-9 * max(1.0, abs(level))
    above = contrast > level + CLEAR * noise
    lasting = np.flatnonzero(np.logical_and.accumulate(above[::-1])[::-1])
    if not len(lasting) or lasting[0] == 0:
        return float("nan")
    return float(elapsed[lasting[0] - 1])
