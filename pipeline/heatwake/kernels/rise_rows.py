"""What is compared of model and maps: a map itself, or the sum and the ratio of two maps, each with its error."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from heatwake.kernels.openings import CellGrid

Array = npt.NDArray[np.float64]

CELLS_A_DATUM = 10.0
"""Neighbouring cells err alike: about ten make one independent datum."""

MODEL_ERROR = 0.03  # of the rise: what one smooth board model leaves unexplained
SUM_ERROR, _RATIO_ERROR = 0.10, 0.006  # of two maps of one board: emissivity and sources cancel in their ratio
_NOISE_FLOOR = 0.03  # [K]
_PLACE_ERROR = 0.3  # of the difference between neighbouring cells: parts' edges do not lie on the cells' edges


@dataclass(frozen=True)
class Recording:
    """What is fitted.

    Attributes
    ----------
    times : tuple of float
        Since power-on, ascending [s]; ``inf`` for a steady map.
    rise : (times, cells) array
        Rise of the surface [K]; NaN where not seen.
    noise : (times, cells) array
        Its standard uncertainty from noise [K].
    """

    times: tuple[float, ...]
    rise: Array
    noise: Array


@dataclass(frozen=True)
class SingleRows:
    """Weighted difference of model and map."""

    weight: Array
    rise: Array

    def linearise(self, models: Sequence[Array]) -> tuple[tuple[Array, ...], Array]:
        """Return the weights ``(blocks, times, cells)`` of each recording's rise, and the target.

        The residual is the weighted sum over the recordings less the target.
        """
        return (self.weight[np.newaxis],), (self.weight * self.rise).ravel()


@dataclass(frozen=True)
class PairRows:
    """Weighted differences of model and maps in the sum of two maps (loosely) and in their ratio (sharply).

    The ratio ``(T1 - T2) / (T1 + T2)`` is that of the sum's size, so its residual is times the seen sum, in kelvin.
    """

    loose: Array
    sharp: Array
    total: Array
    ratio: Array

    def linearise(self, models: Sequence[Array]) -> tuple[tuple[Array, ...], Array]:
        """As `SingleRows.linearise`, about the models' rises; of the sum alone where there are none yet."""
        if not models:
            nothing = np.zeros_like(self.loose)
            target = np.stack([self.loose * self.total, nothing])
            return (np.stack([self.loose, nothing]),) * 2, target.ravel()
        modelled = np.maximum(models[0] + models[1], 1e-3 * self.total)
        ratio = (models[0] - models[1]) / modelled
        scale = self.sharp * self.total / modelled
        first = np.stack([self.loose, scale * (1.0 - ratio)])
        second = np.stack([self.loose, -scale * (1.0 + ratio)])
        target = np.stack([self.loose * self.total, self.sharp * self.total * (self.ratio - ratio)])
        return (first, second), target.ravel()


def single_rows(recording: Recording, grid: CellGrid) -> SingleRows:
    """Return the rows of one recording; its errors are noise, the model's and the place of the parts' edges."""
    rise = np.nan_to_num(recording.rise)
    model = np.hypot(MODEL_ERROR * rise, _PLACE_ERROR * _contrast(recording.rise, grid))
    spread = np.sqrt(recording.noise**2 + _NOISE_FLOOR**2 + model**2)
    weight = np.where(np.isfinite(recording.rise), 1.0 / (spread * np.sqrt(CELLS_A_DATUM)), 0.0)
    weight = np.nan_to_num(weight)
    return SingleRows(weight, rise)


def pair_rows(one: Recording, two: Recording, *, grid: CellGrid, mean_error: float) -> PairRows:
    """Return the rows of two recordings of one board.

    Parameters
    ----------
    one, two : Recording
        At the same times; pixels that have hardly warmed up (0.3 K in sum) are left out.
    grid : CellGrid
        The cells.
    mean_error : float
        Relative error of the model's mean of the two.
    """
    if one.times != two.times:
        raise ValueError(f"a pair needs the same times, got {one.times} and {two.times}")
    total, seen = one.rise + two.rise, np.isfinite(one.rise + two.rise) & (one.rise + two.rise > 0.3)
    total = np.where(seen, total, 1.0)
    ratio = np.where(seen, (one.rise - two.rise) / total, 0.0)
    noise = np.nan_to_num(np.hypot(one.noise, two.noise))
    floor = np.sqrt(noise**2 + 2.0 * _NOISE_FLOOR**2)
    model = np.hypot(mean_error * total, _PLACE_ERROR * _contrast(one.rise + two.rise, grid))
    loose = seen / (np.hypot(floor, model) * np.sqrt(CELLS_A_DATUM))
    sharp = seen / (np.hypot(floor, _RATIO_ERROR * total) * np.sqrt(CELLS_A_DATUM))
    return PairRows(loose, sharp, total, ratio)


def _contrast(rise: Array, grid: CellGrid) -> Array:
    """Root mean square difference from one cell to the next, along both axes [K]."""
    maps = np.nan_to_num(rise).reshape(-1, grid.rows, grid.columns)
    slopes = [np.asarray(np.gradient(maps, axis=axis)) for axis in (1, 2)]
    return np.asarray(np.hypot(slopes[0], slopes[1]).reshape(rise.shape))
