"""Where the air goes: potential flow through the openings, around and over the parts; with momentum where asked."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array, csc_array
from scipy.sparse.linalg import splu

from heatwake.scene.model import Array, Board, Mask, Opening, Scene
from heatwake.scene.momentum import solve_momentum

LEAST_PERMEABILITY = 0.05  # a part as tall as the channel still leaks a little: keeps the solve well posed


@dataclass(frozen=True)
class Flow:
    """Volume flow through every cell face.

    Parameters
    ----------
    right : (rows, columns + 1) array
        Through the upright faces, positive towards +x [m3/s].
    down : (rows + 1, columns) array
        Through the level faces, positive down the rows, i.e. towards -y [m3/s].
    face : float
        Area of a face, cell side times channel height [m2].
    """

    right: Array
    down: Array
    face: float

    @property
    def velocity_x(self) -> Array:
        """Velocity towards +x in each cell, mean over the channel's height [m/s]."""
        return (self.right[:, 1:] + self.right[:, :-1]) / (2 * self.face)

    @property
    def velocity_y(self) -> Array:
        """Velocity towards +y (up) in each cell [m/s]."""
        return -(self.down[1:] + self.down[:-1]) / (2 * self.face)

    @property
    def divergence(self) -> Array:
        """Net volume flow out of each cell [m3/s]; zero to rounding."""
        return np.diff(self.right, axis=1) + np.diff(self.down, axis=0)

    @property
    def inflow(self) -> Array:
        """Flow into each cell through the edge of the board [m3/s], never negative."""
        return self._through_edge(+1.0)

    @property
    def outflow(self) -> Array:
        """Flow out of each cell through the edge of the board [m3/s], never negative."""
        return self._through_edge(-1.0)

    def _through_edge(self, sign: float) -> Array:
        total = np.zeros((self.right.shape[0], self.down.shape[1]))
        total[:, 0] += np.maximum(sign * self.right[:, 0], 0)
        total[:, -1] += np.maximum(-sign * self.right[:, -1], 0)
        total[0] += np.maximum(sign * self.down[0], 0)
        total[-1] += np.maximum(-sign * self.down[-1], 0)
        return total


def permeability(scene: Scene) -> Array:
    """Return how easily the air goes through each cell (rows, columns), 1 for the free channel.

    A part leaves the gap over it, 1 - height / channel; a blowing fan's axis goes easier by the jet factor.
    """
    board, air = scene.board, scene.air
    easy = np.ones(board.shape)
    for fan in scene.openings:
        if fan.kind == "fan" and fan.flow > 0 and air.jet > 0:
            easy += air.jet * _jet(fan, board)
    for part in scene.parts:
        gap = max(1.0 - part.tall / air.channel, 0.0)
        easy[board.inside(part)] = max(gap, LEAST_PERMEABILITY)
    return easy


def _jet(fan: Opening, board: Board) -> Array:
    """Return the core of a jet from a fan (rows, columns): widening with distance, fading over half the box."""
    x, y = np.meshgrid(board.x, board.y)
    middle_x, middle_y = (np.array(fan.start) + np.array(fan.end)) / 2
    sideways = fan.side(board) in ("left", "right")
    along = np.abs(x - middle_x) if sideways else np.abs(y - middle_y)
    across = y - middle_y if sideways else x - middle_x
    half = np.hypot(fan.end[0] - fan.start[0], fan.end[1] - fan.start[1]) / 2
    reach = (board.width if sideways else board.height) / 2
    return np.asarray(np.exp(-0.5 * (across / (0.6 * half + 0.15 * along)) ** 2) * np.exp(-along / reach))


def solve_flow(scene: Scene) -> Flow:
    """Solve for the flow: fans give their volume flow evenly, vents lie at room pressure, walls let nothing through.

    Potential flow, or, with ``scene.air.momentum``, that of `momentum.solve_momentum`.

    Raises
    ------
    ValueError
        If a fan runs and no vent is open.
    """
    board = scene.board
    rows, columns = board.shape
    right, down = np.zeros((rows, columns + 1)), np.zeros((rows + 1, columns))
    face = board.cell * scene.air.channel * 1e-6
    fans = [one for one in scene.openings if one.kind == "fan" and one.flow != 0]
    vents = [one for one in scene.openings if one.kind == "vent"]
    if not fans:
        return Flow(right, down, face)
    if not vents:
        raise ValueError("a fan runs and no vent is open: the flow has nowhere to go")
    if scene.air.momentum:
        velocity = solve_momentum(scene)
        return Flow(velocity.right * face, velocity.down * face, face)
    easy = permeability(scene)
    source, leak = np.zeros((rows, columns)), np.zeros((rows, columns))
    for fan in fans:
        cells = fan.cells(board)
        edge_line(source, fan, board)[cells] += fan.flow / cells.sum()
    for vent in vents:
        cells = vent.cells(board)
        edge_line(leak, vent, board)[cells] += 2 * edge_line(easy, vent, board)[cells]
    pressure = _pressure(easy, source, leak)
    right[:, 1:-1] = _between(easy, axis=1) * -np.diff(pressure, axis=1)
    down[1:-1] = _between(easy, axis=0) * -np.diff(pressure, axis=0)
    for opening in [*fans, *vents]:
        cells = opening.cells(board)
        into = edge_line(source if opening.kind == "fan" else -leak * pressure, opening, board)
        _set_edge(right, down, opening, board, cells=cells, into=into)
    return Flow(right, down, face)


def edge_line(field: Array, opening: Opening, board: Board) -> Array:
    """Return the view of a (rows, columns) field along the edge that an opening lies on."""
    side = opening.side(board)
    line: Array = (
        field[:, 0 if side == "left" else -1] if side in ("left", "right") else field[0 if side == "top" else -1]
    )
    return line


def _set_edge(right: Array, down: Array, opening: Opening, board: Board, *, cells: Mask, into: Array) -> None:
    side = opening.side(board)
    if side in ("left", "right"):
        line, sign = right[:, 0 if side == "left" else -1], 1.0 if side == "left" else -1.0
    else:
        line, sign = down[0 if side == "top" else -1], 1.0 if side == "top" else -1.0
    line[cells] = sign * into[cells]


def _between(field: Array, *, axis: int) -> Array:
    """Return the series (harmonic) value on the faces between neighbours along an axis."""
    first, second = (field[:-1], field[1:]) if axis == 0 else (field[:, :-1], field[:, 1:])
    return 2 * first * second / (first + second)


def _pressure(easy: Array, source: Array, leak: Array) -> Array:
    """Solve div(easy grad p) = leak p - source with walls elsewhere."""
    matrix = exchange_matrix(_between(easy, axis=1), _between(easy, axis=0)) + _diagonal(leak.ravel())
    return np.asarray(splu(csc_array(matrix), permc_spec="MMD_AT_PLUS_A").solve(source.ravel())).reshape(easy.shape)


def exchange_matrix(across: Array, along: Array) -> csc_array:
    """Return the matrix of net loss by exchange with the four neighbours.

    Parameters
    ----------
    across : (rows, columns - 1) array
        Conductance between neighbours in a row.
    along : (rows - 1, columns) array
        Conductance between neighbours in a column.
    """
    rows, columns = across.shape[0], along.shape[1]
    index = np.arange(rows * columns).reshape(rows, columns)
    first = np.concatenate([index[:, :-1].ravel(), index[:-1].ravel()])
    second = np.concatenate([index[:, 1:].ravel(), index[1:].ravel()])
    value = np.concatenate([across.ravel(), along.ravel()])
    entries = np.concatenate([value, value, -value, -value])
    places = (np.concatenate([first, second, first, second]), np.concatenate([first, second, second, first]))
    return csc_array(coo_array((entries, places), shape=(index.size, index.size)))


def _diagonal(values: Array) -> csc_array:
    index = np.arange(values.size)
    return csc_array(coo_array((values, (index, index)), shape=(values.size, values.size)))
