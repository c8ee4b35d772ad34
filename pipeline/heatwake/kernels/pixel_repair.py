"""Frames without a sensor's faulty pixels: the median of sound neighbours, or no reading."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects, label

from heatwake.kernels.moving import median_where_seen
from heatwake.kernels.pixel_faults import DEAD, FLICKERING, NONE, OUTLIER

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]
Flags = npt.NDArray[np.int8]
Indices = npt.NDArray[np.intp]

NEAR: Final = np.array([(down, right) for down in (-1, 0, 1) for right in (-1, 0, 1) if (down, right) != (0, 0)])
LEAST_SOUND: Final = 3  # neighbours
LARGEST: Final = 2  # pixels a side of a cluster that is repaired


@dataclass(frozen=True, eq=False)
class Repair:
    """What is done to frames for their faulty pixels.

    Attributes
    ----------
    repaired, masked : (k, 2) and (m, 2) arrays of int
        Row and column of pixels that get the median of their sound neighbours, and of those that lose their reading
        since too few neighbours are sound.
    near : (k, 8, 2) array of int
        Row and column of the neighbours.
    sound : (k, 8) array of bool
        Which of them count.
    """

    repaired: Indices
    masked: Indices
    near: Indices
    sound: Mask

    def apply(
        self, frames: npt.NDArray[Any], *, temperatures: Array | None = None, no_reading: int = 0
    ) -> npt.NDArray[Any]:
        """Return frames (n, rows, columns) repaired; a copy.

        Parameters
        ----------
        frames : (n, rows, columns) array
            uint16 levels, or temperatures [degC]: there what is not finite is no reading.
        temperatures : (65536,) array, optional
            Of the levels; not finite where one is no reading.
        no_reading : int
            Level without a reading.
        """
        made = frames.copy()
        nothing: Any = np.nan if temperatures is None else no_reading
        made[:, self.masked[:, 0], self.masked[:, 1]] = nothing
        if len(self.repaired):
            values = frames[:, self.near[..., 0], self.near[..., 1]]
            known = self.sound & np.isfinite(values if temperatures is None else temperatures[values])
            median = median_where_seen(np.moveaxis(np.where(known, values, np.nan), -1, 0))
            told = known.any(axis=-1) & (known.sum(axis=-1) >= self.sound.sum(axis=1) / 2)
            median = np.where(told, median, 0)
            median = median if temperatures is None else np.rint(median)
            rows, columns = self.repaired.T
            made[:, rows, columns] = np.where(told, median, nothing).astype(frames.dtype)
        return made


def plan_repair(flags: Flags) -> Repair:
    """Return what to do for the faulty pixels of a sensor: clusters of up to 2 x 2 pixels are repaired, others masked.

    Parameters
    ----------
    flags : (rows, columns) array
        As of :class:`Faults`; saturated pixels are left alone, for neighbours say nothing of what they would read.
    """
    faulty = (flags == DEAD) | (flags == OUTLIER) | (flags == FLICKERING)
    clusters, _ = label(faulty, structure=np.ones((3, 3)))
    sides = [[part.stop - part.start for part in box] for box in find_objects(clusters)]
    small = np.array([max(side) <= LARGEST for side in sides], dtype=np.bool_)[clusters[faulty] - 1]
    places = np.argwhere(faulty)
    near = places[:, None, :] + NEAR
    inside = ((near >= 0) & (near < flags.shape)).all(axis=-1)
    near = np.clip(near, 0, np.array(flags.shape) - 1)
    sound = inside & (flags[near[..., 0], near[..., 1]] == NONE)
    repaired = small & (sound.sum(axis=1) >= LEAST_SOUND)
    return Repair(places[repaired], places[~repaired], near[repaired], sound[repaired])
