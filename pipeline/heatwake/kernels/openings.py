"""The air that the declared openings allow: stream functions between vents and fan on a grid of cells.

The air above a board is thin against the board's size, so its height-averaged flow is two-dimensional and free of
divergence: it has a stream function, whose value along the walls is the flux that has passed so far. Potential flow
(Laplace's equation for the stream function) is the smoothest flow that the openings allow; see any textbook of fluid
dynamics, e.g. Batchelor, An Introduction to Fluid Dynamics, 1967, sections 2.2 and 6.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csc_matrix, diags, identity, kron
from scipy.sparse.linalg import splu

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Arc = tuple[float, float]


@dataclass(frozen=True)
class CellGrid:
    """Rectangular cells that cover the board; cells and faces are numbered along x first, then y upward.

    Attributes
    ----------
    columns, rows : int
        Number of cells along x and y.
    width, height : float
        Size of the board [m].
    """

    columns: int
    rows: int
    width: float
    height: float

    @property
    def cells(self) -> int:
        """Number of cells."""
        return self.columns * self.rows

    @property
    def step_x(self) -> float:
        """Cell width [m]."""
        return self.width / self.columns

    @property
    def step_y(self) -> float:
        """Cell height [m]."""
        return self.height / self.rows

    @property
    def cell_area(self) -> float:
        """Area of a cell [m2]."""
        return self.step_x * self.step_y

    @property
    def edges_x(self) -> Array:
        """Cell edges along x [m]."""
        return np.linspace(0.0, self.width, self.columns + 1)

    @property
    def edges_y(self) -> Array:
        """Cell edges along y [m]."""
        return np.linspace(0.0, self.height, self.rows + 1)


def face_neighbours(grid: CellGrid) -> tuple[Index, Index]:
    """Return the cells on the low (left, lower) and high side of every face, -1 outside the board.

    The faces across x come first, ``(rows, columns + 1)``, then those across y, ``(rows + 1, columns)``, both flat.

    >>> low, high = face_neighbours(CellGrid(2, 1, 0.2, 0.1))
    >>> low.tolist(), high.tolist()
    ([-1, 0, 1, -1, -1, 0, 1], [0, 1, -1, 0, 1, -1, -1])
    """
    number = np.arange(grid.cells).reshape(grid.rows, grid.columns)
    beside = np.pad(number, ((0, 0), (1, 1)), constant_values=-1)
    above = np.pad(number, ((1, 1), (0, 0)), constant_values=-1)
    low = np.concatenate([beside[:, :-1].ravel(), above[:-1].ravel()])
    high = np.concatenate([beside[:, 1:].ravel(), above[1:].ravel()])
    return low, high


def stream_flux(stream: Array, grid: CellGrid) -> Array:
    """Return the flux through every face, towards +x and +y, of a stream function at the cell corners.

    Parameters
    ----------
    stream : (rows + 1, columns + 1) array
        Stream function, any unit; ``u = d stream / dy``, ``v = - d stream / dx``.
    grid : CellGrid
        The cells.

    Returns
    -------
    (faces,) array
        In the unit of the stream function; the sum over each cell's faces is zero to rounding.
    """
    if stream.shape != (grid.rows + 1, grid.columns + 1):
        raise ValueError(f"stream has shape {stream.shape}, must be {(grid.rows + 1, grid.columns + 1)}")
    return np.concatenate([np.diff(stream, axis=0).ravel(), -np.diff(stream, axis=1).ravel()])


def cell_velocity(flux: Array, grid: CellGrid) -> Array:
    """Return the mean flux per metre of width in each cell, ``(2, cells)`` as ``(x, y)``."""
    across = grid.rows * (grid.columns + 1)
    along_x = flux[:across].reshape(grid.rows, grid.columns + 1)
    along_y = flux[across:].reshape(grid.rows + 1, grid.columns)
    mean_x = 0.5 * (along_x[:, 1:] + along_x[:, :-1]) / grid.step_y
    mean_y = 0.5 * (along_y[1:] + along_y[:-1]) / grid.step_x
    return np.stack([mean_x.ravel(), mean_y.ravel()])


def uniform_fluxes(grid: CellGrid) -> Array:
    """Return the face fluxes of unit wind (1 per metre of width) towards +x and +y, ``(2, faces)``."""
    x, y = np.meshgrid(grid.edges_x, grid.edges_y)
    return np.stack([stream_flux(y, grid), stream_flux(-x, grid)])


def perimeter_arc(start: tuple[float, float], end: tuple[float, float], *, grid: CellGrid) -> Arc:
    """Return where an opening begins and ends along the board's edge, counter-clockwise from the lower-left corner.

    Parameters
    ----------
    start, end : (2,) tuples
        Ends of the opening ``(x, y)`` [m]; moved onto the nearest edge.
    grid : CellGrid
        The board.

    Returns
    -------
    tuple
        ``(from, to)`` [m], from < to; the opening lies on one side of the board.
    """
    side = _nearest_side((0.5 * (start[0] + end[0]), 0.5 * (start[1] + end[1])), grid)
    one, two = sorted((_along_side(start, side, grid), _along_side(end, side, grid)))
    return one, two


def _nearest_side(point: tuple[float, float], grid: CellGrid) -> int:
    """Number of the side next to a point: 0 lower, 1 right, 2 upper, 3 left."""
    x, y = point
    return int(np.argmin([abs(y), abs(grid.width - x), abs(grid.height - y), abs(x)]))


def _along_side(point: tuple[float, float], side: int, grid: CellGrid) -> float:
    """Distance along the edge, counter-clockwise from the lower-left corner, of a point moved onto a side."""
    x, y = float(np.clip(point[0], 0.0, grid.width)), float(np.clip(point[1], 0.0, grid.height))
    width, height = grid.width, grid.height
    return (x, width + y, 2.0 * width + height - x, 2.0 * (width + height) - y)[side]


def _passed(arc: Arc, along: Array, least: float) -> Array:
    """Share of an opening that lies before each place along the edge; openings are at least one cell long."""
    centre, half = 0.5 * (arc[0] + arc[1]), 0.5 * max(arc[1] - arc[0], least)
    return np.clip((along - centre + half) / (2.0 * half), 0.0, 1.0)


def opening_streams(sinks: Sequence[Arc], sources: Sequence[Arc], *, grid: CellGrid) -> Array:
    """Return the face fluxes of unit potential flow from each source opening to all sinks together.

    Parameters
    ----------
    sinks, sources : sequences of (from, to)
        Openings along the edge [m], see `perimeter_arc`; the sinks share the flux by their length.
    grid : CellGrid
        The cells.

    Returns
    -------
    (sources, faces) array
        Flux through every face for 1 unit of total flow.

    Raises
    ------
    ValueError
        When there is no sink or no source.
    """
    if not sinks or not sources:
        raise ValueError(f"need at least one opening on each side, got {len(sinks)} sinks and {len(sources)} sources")
    rim, along = _rim(grid)
    least = max(grid.step_x, grid.step_y)
    lengths = np.array([max(arc[1] - arc[0], least) for arc in sinks])
    drawn = sum(length * _passed(arc, along, least) for length, arc in zip(lengths, sinks, strict=True)) / lengths.sum()
    edge = np.stack([drawn - _passed(arc, along, least) for arc in sources], axis=1)
    return np.stack([stream_flux(stream, grid) for stream in _harmonic(edge, rim, grid)])


def _rim(grid: CellGrid) -> tuple[Index, Array]:
    """Cell corners on the edge (flat numbers) and their distance along it."""
    number = np.arange((grid.rows + 1) * (grid.columns + 1)).reshape(grid.rows + 1, grid.columns + 1)
    x, y = grid.edges_x, grid.edges_y
    sides = [number[0, :-1], number[:-1, -1], number[-1, :0:-1], number[:0:-1, 0]]
    half = grid.width + grid.height
    along = [x[:-1], grid.width + y[:-1], half + (grid.width - x[:0:-1]), half + grid.width + (grid.height - y[:0:-1])]
    return np.concatenate(sides), np.concatenate(along)


def _harmonic(edge: Array, rim: Index, grid: CellGrid) -> Array:
    """Solve Laplace's equation at the cell corners for each column of edge values."""
    shape = (grid.rows + 1, grid.columns + 1)
    operator = _laplacian(shape, (grid.step_y, grid.step_x))
    inner = np.setdiff1d(np.arange(operator.shape[0]), rim)
    values = np.zeros((operator.shape[0], edge.shape[1]))
    values[rim] = edge
    values[inner] = splu(csc_matrix(operator[inner][:, inner])).solve(-(operator[inner][:, rim] @ edge))
    return np.moveaxis(values.reshape(*shape, -1), -1, 0)


def _laplacian(shape: tuple[int, int], step: tuple[float, float]) -> csc_matrix:
    """Five-point Laplacian on the corners; only its inner rows are used."""

    def second(count: int, spacing: float) -> csc_matrix:
        return diags([1.0, -2.0, 1.0], [-1, 0, 1], shape=(count, count)) / spacing**2

    along_y = kron(second(shape[0], step[0]), identity(shape[1]))
    along_x = kron(identity(shape[0]), second(shape[1], step[1]))
    return csc_matrix(along_y + along_x)
