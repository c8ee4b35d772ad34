"""A fit's board, maps and flows on cells twice as large: where a fit is all but settled at an eighth of the cost.

What the maps tell, and so the balance against the priors, is the same on both grids: weights are carried over as
precisions, summed over the cells.
"""

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from heatwake.kernels.flow_family import AirFamily
from heatwake.kernels.openings import CellGrid, stream_flux
from heatwake.kernels.rise_rows import GroupRows, Recording, SingleRows

Array = npt.NDArray[np.float64]

_FEWEST = 150  # cells: on coarser ones parts run into one another


def coarser(grid: CellGrid) -> CellGrid | None:
    """Return the board in cells about twice as large, None where they would be too few.

    Examples
    --------
    >>> coarser(CellGrid(40, 25, 0.16, 0.1))
    CellGrid(columns=20, rows=13, width=0.16, height=0.1)
    """
    columns, rows = (grid.columns + 1) // 2, (grid.rows + 1) // 2
    return CellGrid(columns, rows, grid.width, grid.height) if columns * rows >= _FEWEST else None


def shares(fine: CellGrid, coarse: CellGrid) -> Array:
    """Return the share of each fine cell that lies in each coarse one, ``(fine cells, coarse cells)``."""
    along_x = _shares(fine.edges_x, coarse.edges_x)
    along_y = _shares(fine.edges_y, coarse.edges_y)
    return np.asarray(np.kron(along_y, along_x))


def _shares(fine: Array, coarse: Array) -> Array:
    low = np.maximum(fine[:-1, np.newaxis], coarse[:-1])
    high = np.minimum(fine[1:, np.newaxis], coarse[1:])
    return np.asarray(np.clip(high - low, 0.0, None) / np.diff(fine)[:, np.newaxis])


def coarse_recording(recording: Recording, share: Array) -> Recording:
    """Return the maps on coarse cells; the mean of what is seen, NaN where less than half is."""
    seen = np.isfinite(recording.rise).astype(float) @ share
    rise = np.nan_to_num(recording.rise) @ share / np.where(seen > 0.0, seen, 1.0)
    noise = recording.noise @ share / share.sum(axis=0)
    return Recording(recording.times, np.where(seen >= 0.5 * share.sum(axis=0), rise, np.nan), noise)


def coarse_rows(rows: SingleRows | GroupRows, share: Array) -> SingleRows | GroupRows:
    """Return rows of the coarse cells; a cell's value is the mean by precision of what lies in it."""
    if isinstance(rows, SingleRows):
        weight, rise = _gather(rows.weight, rows.rise, share=share)
        return SingleRows(weight, rise)
    loose, total = _gather(rows.loose, rows.total, share=share)
    sharp, ratio = _gather(rows.sharp, rows.ratio, share=share)
    return GroupRows(loose, sharp, np.where(loose > 0.0, total, 1.0), ratio)


def _gather(weight: Array, *values: Array, share: Array) -> tuple[Array, ...]:
    precision = weight**2 @ share
    safe = np.where(precision > 0.0, precision, 1.0)
    return np.sqrt(precision), *((weight**2 * each) @ share / safe for each in values)


def coarse_flow(family: AirFamily, fine: CellGrid, coarse: CellGrid) -> AirFamily:
    """Return the same flows through the coarse cells' faces: their stream functions, interpolated at the corners."""
    streams = [_interpolated(_stream(flux, fine), fine, coarse) for flux in family.fluxes]
    faces = coarse.rows * (coarse.columns + 1) + (coarse.rows + 1) * coarse.columns
    fluxes = np.array([stream_flux(stream, coarse) for stream in streams]).reshape(-1, faces)
    return replace(family, fluxes=fluxes)


def _stream(flux: Array, grid: CellGrid) -> Array:
    """Stream function ``(rows + 1, columns + 1)`` of face fluxes free of divergence, zero in the lower-left corner."""
    across = grid.rows * (grid.columns + 1)
    upward, lower = flux[:across].reshape(grid.rows, -1), flux[across : across + grid.columns]
    stream = np.zeros((grid.rows + 1, grid.columns + 1))
    stream[0, 1:] = -np.cumsum(lower)
    stream[1:] = stream[0] + np.cumsum(upward, axis=0)
    return stream


def _interpolated(stream: Array, fine: CellGrid, coarse: CellGrid) -> Array:
    along_x = np.array([np.interp(coarse.edges_x, fine.edges_x, row) for row in stream])
    return np.array([np.interp(coarse.edges_y, fine.edges_y, column) for column in along_x.T]).T
