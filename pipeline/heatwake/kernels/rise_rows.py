"""What is compared of model and maps: a map itself, or the sum and the ratios of several, each with its error."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import helmert

from heatwake.kernels.openings import CellGrid

Array = npt.NDArray[np.float64]

CELLS_A_DATUM = 10.0
"""Neighbouring cells err alike: about ten make one independent datum."""

MODEL_ERROR = 0.03  # of the rise: what one smooth board model leaves unexplained
SUM_ERROR, _RATIO_ERROR = 0.10, 0.006  # of several maps of one board: emissivity and sources cancel in ratios
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
class GroupRows:
    """Weighted differences of model and maps in the sum of several maps (loosely) and in their ratios (sharply).

    Attributes
    ----------
    loose, sharp : (times, cells) arrays
        Weights of the sum and of the ratios [1/K].
    total : (times, cells) array
        Sum of the maps [K].
    ratio : (n - 1, times, cells) array
        Contrasts of the n maps' shares of the sum (`_contrasts`); of two, ``(T1 - T2) / (T1 + T2)``. Their residuals
        are times the seen sum, in kelvin.
    """

    loose: Array
    sharp: Array
    total: Array
    ratio: Array

    def linearise(self, models: Sequence[Array]) -> tuple[tuple[Array, ...], Array]:
        """As `SingleRows.linearise`, about the models' rises; of the sum alone where there are none yet."""
        count = len(self.ratio) + 1
        if not models:
            nothing = np.zeros_like(self.ratio)
            target = np.concatenate([(self.loose * self.total)[np.newaxis], nothing])
            return (np.concatenate([self.loose[np.newaxis], nothing]),) * count, target.ravel()
        modelled = np.maximum(np.sum(models, axis=0), 1e-3 * self.total)
        contrasts = _contrasts(count)
        mean = np.tensordot(contrasts, np.stack(models) / modelled, axes=1)
        scale = count * self.sharp * self.total / modelled
        weights = tuple(
            np.concatenate([self.loose[np.newaxis], scale * (column[:, np.newaxis, np.newaxis] - mean)])
            for column in contrasts.T
        )
        missed = self.sharp * self.total * (self.ratio - count * mean)
        return weights, np.concatenate([(self.loose * self.total)[np.newaxis], missed]).ravel()


def _contrasts(count: int) -> Array:
    """Return orthogonal contrasts ``(count - 1, count)`` between several maps; of two, half their difference."""
    return np.asarray(helmert(count) / np.sqrt(2.0))


def single_rows(recording: Recording, grid: CellGrid) -> SingleRows:
    """Return the rows of one recording; its errors are noise, the model's and the place of the parts' edges."""
    rise = np.nan_to_num(recording.rise)
    model = np.hypot(MODEL_ERROR * rise, _PLACE_ERROR * _contrast(recording.rise, grid))
    spread = np.sqrt(recording.noise**2 + _NOISE_FLOOR**2 + model**2)
    weight = np.where(np.isfinite(recording.rise), 1.0 / (spread * np.sqrt(CELLS_A_DATUM)), 0.0)
    weight = np.nan_to_num(weight)
    return SingleRows(weight, rise)


def group_rows(recordings: Sequence[Recording], *, grid: CellGrid, mean_error: float) -> GroupRows:
    """Return the rows of several recordings of one board.

    Parameters
    ----------
    recordings : sequence of Recording
        At the same times; pixels that have hardly warmed up (0.3 K in sum) are left out.
    grid : CellGrid
        The cells.
    mean_error : float
        Relative error of the model's mean of them.
    """
    times = [one.times for one in recordings]
    if len(set(times)) > 1:
        raise ValueError(f"recordings fitted together need the same times, got {' and '.join(map(str, times))}")
    rises, count = np.stack([one.rise for one in recordings]), len(recordings)
    summed = rises.sum(axis=0)
    seen = np.isfinite(summed) & (summed > 0.3)
    total = np.where(seen, summed, 1.0)
    ratio = np.where(seen, count * np.tensordot(_contrasts(count), np.nan_to_num(rises), axes=1) / total, 0.0)
    noise = np.nan_to_num(np.sqrt(np.sum([one.noise**2 for one in recordings], axis=0)))
    floor = np.sqrt(noise**2 + count * _NOISE_FLOOR**2)
    model = np.hypot(mean_error * total, _PLACE_ERROR * _contrast(summed, grid))
    loose = seen / (np.hypot(floor, model) * np.sqrt(CELLS_A_DATUM))
    sharp = seen / (np.hypot(floor, _RATIO_ERROR * total) * np.sqrt(CELLS_A_DATUM))
    return GroupRows(loose, sharp, total, ratio)


def _contrast(rise: Array, grid: CellGrid) -> Array:
    """Root mean square difference from one cell to the next, along both axes [K]."""
    maps = np.nan_to_num(rise).reshape(-1, grid.rows, grid.columns)
    slopes = [np.asarray(np.gradient(maps, axis=axis)) for axis in (1, 2)]
    return np.asarray(np.hypot(slopes[0], slopes[1]).reshape(rise.shape))
