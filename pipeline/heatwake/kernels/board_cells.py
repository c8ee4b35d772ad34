"""Between the pixels of a rise map and the cells of the physical fit."""

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from heatwake.kernels.openings import CellGrid

Array = npt.NDArray[np.float64]

_MOST_CELLS = 1000  # keeps a fit to a few seconds; conduction smooths what is finer on a populated board
_LEAST_SEEN = 0.5  # share of a cell's pixels that must be seen


def choose_cells(width: float, height: float, *, pixel: float, finest: float = 4e-3) -> CellGrid:
    """Return square-ish cells for a board.

    Parameters
    ----------
    width, height : float
        Size of the board [m].
    pixel : float
        Pixel size [m]; a cell is at least one and a half pixels wide.
    finest : float
        Smallest cell [m].

    Examples
    --------
    >>> grid = choose_cells(0.16, 0.1, pixel=0.5e-3)
    >>> grid.columns, grid.rows
    (40, 25)
    """
    step = max(finest, 1.5 * pixel, float(np.sqrt(width * height / _MOST_CELLS)))
    return CellGrid(max(round(width / step), 4), max(round(height / step), 4), width, height)


def average_cells(maps: Array, *, x: Array, y: Array, grid: CellGrid) -> Array:
    """Average pixel maps over the cells.

    Parameters
    ----------
    maps : (k, ny, nx) array
        Maps; NaN where not seen.
    x, y : (nx,) and (ny,) arrays
        Pixel centres from the board's lower-left corner [m].
    grid : CellGrid
        The cells.

    Returns
    -------
    (k, cells) array
        NaN where less than half of a cell's pixels are seen.
    """
    column = np.floor(x / grid.step_x).astype(int)
    row = np.floor(y / grid.step_y).astype(int)
    inside = ((row >= 0) & (row < grid.rows))[:, np.newaxis] & ((column >= 0) & (column < grid.columns))
    cell = (row[:, np.newaxis] * grid.columns + column)[inside]
    pixels = np.bincount(cell, minlength=grid.cells)
    means = np.full((len(maps), grid.cells), np.nan)
    for mean, values in zip(means, maps[:, inside], strict=True):
        seen = np.isfinite(values)
        count = np.bincount(cell[seen], minlength=grid.cells)
        total = np.bincount(cell[seen], weights=values[seen], minlength=grid.cells)
        good = (count > 0) & (count >= _LEAST_SEEN * pixels)
        mean[good] = total[good] / count[good]
    return means


def cover_cells(rectangles: Array, grid: CellGrid, *, margin: float = 0.0) -> Array:
    """Return the share of each cell that rectangles cover.

    Parameters
    ----------
    rectangles : (n, 4) array
        Centre x, centre y, width, height [m].
    grid : CellGrid
        The cells.
    margin : float
        Added on every side [m].

    Returns
    -------
    (n, cells) array
    """
    along_x = _overlap(rectangles[:, 0], rectangles[:, 2] + 2.0 * margin, grid.edges_x)
    along_y = _overlap(rectangles[:, 1], rectangles[:, 3] + 2.0 * margin, grid.edges_y)
    return np.asarray((along_y[:, :, np.newaxis] * along_x[:, np.newaxis, :]).reshape(len(rectangles), grid.cells))


def _overlap(centre: Array, size: Array, edges: Array) -> Array:
    low = np.maximum(edges[:-1], (centre - 0.5 * size)[:, np.newaxis])
    high = np.minimum(edges[1:], (centre + 0.5 * size)[:, np.newaxis])
    return np.asarray(np.clip(high - low, 0.0, None) / np.diff(edges))


def sample_cells(fields: Array, *, x: Array, y: Array, grid: CellGrid) -> Array:
    """Interpolate cell values linearly at pixel centres.

    Parameters
    ----------
    fields : (k, cells) array
        Values at the cells.
    x, y : (nx,) and (ny,) arrays
        Pixel centres [m].
    grid : CellGrid
        The cells.

    Returns
    -------
    (k, ny, nx) array
    """
    place = np.meshgrid(y / grid.step_y - 0.5, x / grid.step_x - 0.5, indexing="ij")
    planes = fields.reshape(-1, grid.rows, grid.columns)
    return np.stack([map_coordinates(plane, place, order=1, mode="nearest") for plane in planes])
