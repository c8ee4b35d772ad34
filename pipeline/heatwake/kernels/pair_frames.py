"""Which frames of two short recordings, without a film and with it, show one and the same scene."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.frame_quality import common_steps, departure, explained, obstructed_places

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

OBSTRUCTED_K: Final = 2.0  # [K] a place that departs by more from the others' median is covered
OBSTRUCTED_SHARE: Final = 0.005  # of the picture, from which a frame shows a hand or the film on its way


def steady_frames(pictures: Array, elapsed: Array, *, repeats: Mask, window: float, least_step: float) -> Mask:
    """Return which frames of a recording to average, ``(n,)``: near its start, sound, and between two shutter events.

    Repeats of the frame before, and frames that show something in the way, are left out. A step common to the whole
    picture is the camera's: after it every pixel's offset is another, so that of the stretches between such steps only
    the longest is taken, of equals the first. For a recording that counts from its end, turn pictures and times round.

    Parameters
    ----------
    pictures : (n, rows, columns) array
        Coarse pictures of the frames [degC]; NaN is not seen.
    elapsed : (n,) array
        Time from the end of the recording that counts [s], rising from 0.
    repeats : (n,) array of bool
        Frames that show the one before once more.
    window : float
        How long the scene stays as it was [s].
    least_step : float
        Smallest common step that counts [K].
    """
    near = (elapsed <= window + 1e-9) & ~repeats & np.isfinite(pictures).any(axis=(1, 2))
    chosen = near & ~_obstructed(pictures, near)
    places = np.flatnonzero(chosen)
    if not len(places):
        return chosen
    levels = pictures[places].reshape(len(places), -1)
    stretch = np.cumsum(common_steps(levels, elapsed[places], least=least_step).sizes != 0)
    longest = np.argmax(np.bincount(stretch))
    chosen[places[stretch != longest]] = False
    return chosen


def _obstructed(pictures: Array, among: Mask) -> Mask:
    """Frames that differ, in a connected patch, from most of those they are among."""
    found = np.zeros(len(pictures), dtype=np.bool_)
    usual = pictures[among]
    if len(usual) < 3:  # two cannot tell which of them is the odd one
        return found
    low, high = explained(usual, usual, shape=pictures.shape[1:])
    for number in np.flatnonzero(among):
        away = departure(pictures[number], low, high)
        found[number] = obstructed_places(away, least=OBSTRUCTED_K).mean() > OBSTRUCTED_SHARE
    return found
