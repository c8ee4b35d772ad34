"""How the heat goes: conduction in board and bodies, exchange with air that carries it, losses to room and back.

State: temperatures of the layers in every cell, interleaved: the board, the air, and between the two a layer of slower
air where the scene has one. The board stores heat; the air follows at once (its capacity is about a hundredth of the
board's), so the system is ``M dT/dt = -A T + power + room``, with no entries in ``M`` for the air. Stepped by the
L-stable two-stage SDIRK of second order (Alexander, SIAM J. Numer. Anal. 14 (1977)).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.sparse import block_array, coo_array, csc_array, diags_array
from scipy.sparse.linalg import SuperLU, splu

from heatwake.scene.airflow import Flow, exchange_matrix, solve_flow
from heatwake.scene.model import Array, Board, Scene

GAMMA = 1.0 - np.sqrt(0.5)


@dataclass(frozen=True)
class HeatModel:
    """The linear heat system of a scene; fields are (rows, columns), per cell.

    Parameters
    ----------
    capacity : array
        [J/K].
    to_air, to_room, to_back, film_loss : array
        Surface to air, surface to room by radiation, back to ambient, air to room through the film [W/K].
    power : array
        With the item on [W].
    matrix : sparse array
        ``A`` above, interleaved (board, air or board, air next to it, air above).
    room : array
        How the room drives each unknown [W/K].
    """

    scene: Scene
    flow: Flow
    capacity: Array
    to_air: Array
    to_room: Array
    to_back: Array
    film_loss: Array
    power: Array
    matrix: csc_array
    room: Array

    @property
    def layers(self) -> int:
        """Number of layers: the board and one or two of air."""
        return int(self.matrix.shape[0] // self.capacity.size)

    def of_board(self, field: Array) -> Array:
        """Return the interleaved vector of a field that acts on the board alone."""
        return _interleave(field, *[0 * field] * (self.layers - 1))

    def steady(self, ambient: float, *, share: float = 1.0) -> tuple[Array, Array, Array]:
        """Return the temperature [degC] of board, air next to it and air above, long after power-on.

        ``share`` of the power is on; both airs are one where the scene has one layer.
        """
        drive = self.of_board(self.power * share) + self.room * ambient
        return _split(splu(self.matrix, permc_spec="MMD_AT_PLUS_A").solve(drive), self.capacity.shape)

    def mixed(self, near: Array, above: Array) -> Array:
        """Return the air temperature, mean by flow [degC]."""
        share = self.scene.air.wall_flow
        return above if share == 0 else share * near + (1.0 - share) * above


def build_heat_model(scene: Scene) -> HeatModel:
    """Set up the heat system of a scene."""
    board, air = scene.board, scene.air
    flow = solve_flow(scene)
    area = (board.cell * 1e-3) ** 2
    speed = np.hypot(flow.velocity_x, flow.velocity_y)
    to_air = area * (air.still_exchange + air.moving_exchange * np.sqrt(speed))
    capacity = np.full(board.shape, board.heat_capacity * board.thickness * 1e-3 * area)
    power = np.zeros(board.shape)
    for part in scene.parts:
        cells = board.inside(part)
        to_air[cells] *= part.area_factor
        capacity[cells] += part.capacity / cells.sum()
        power[cells] += part.power / cells.sum()
    to_room, to_back = np.full(board.shape, scene.radiation * area), np.full(board.shape, board.back_loss * area)
    film_loss = np.full(board.shape, scene.film.exchange * area if scene.film else 0.0)
    blocks = block_array(_layers(scene, flow, to_air=to_air, lost=to_room + to_back, film_loss=film_loss))
    room = _room(scene, flow, lost=to_room + to_back, film_loss=film_loss)
    matrix = _reorder(csc_array(blocks), power.size)
    return HeatModel(scene, flow, capacity, to_air, to_room, to_back, film_loss, power, matrix, room)


def _layers(scene: Scene, flow: Flow, *, to_air: Array, lost: Array, film_loss: Array) -> list[list[object]]:
    """Return the blocks of the system, layer by layer."""
    air, shape = scene.air, scene.board.shape
    carried, share = air.density * air.heat_capacity, air.wall_flow
    mixing = carried * air.mixing * air.channel * 1e-3
    touch, film = diags_array(to_air.ravel()), diags_array(film_loss.ravel())
    board = _conduction(sheet_conductance(scene)) + touch + diags_array(lost.ravel())
    if share == 0:
        return [[board, -touch], [-touch, _upwind(flow, carried) + _conduction(np.full(shape, mixing)) + touch + film]]
    thin = air.wall_layer / air.channel
    pass_on = diags_array(np.full(to_air.size, air.wall_exchange * (scene.board.cell * 1e-3) ** 2))
    near = _upwind(flow, carried * share) + _conduction(np.full(shape, mixing * thin)) + touch + pass_on
    above = _upwind(flow, carried * (1 - share)) + _conduction(np.full(shape, mixing * (1 - thin))) + pass_on + film
    return [[board, -touch, None], [-touch, near, -pass_on], [None, -pass_on, above]]


def _room(scene: Scene, flow: Flow, *, lost: Array, film_loss: Array) -> Array:
    """Return how the room drives each unknown [W/K], interleaved."""
    inflow, share = scene.air.density * scene.air.heat_capacity * flow.inflow, scene.air.wall_flow
    if share == 0:
        return _interleave(lost, film_loss + inflow)
    return _interleave(lost, share * inflow, film_loss + (1 - share) * inflow)


def sheet_conductance(scene: Scene) -> Array:
    """Return conductivity times thickness of each cell [W/K]: laminate, copper, patches of it, and the bodies on it."""
    board = scene.board
    sheet = np.full(board.shape, board.conductivity * board.thickness * 1e-3)
    for area in board.copper:
        sheet[board.inside(area)] = area.conductivity * board.thickness * 1e-3
    if board.patchiness > 0:
        sheet *= np.exp(board.patchiness * _patches(board))
    for part in scene.parts:
        sheet[board.inside(part)] += part.sheet
    return sheet


def _patches(board: Board) -> Array:
    """Return a smooth random field of mean 0 and standard deviation 1, decided by the board's texture seed."""
    rng = np.random.default_rng([board.texture_seed, 1])
    smooth = gaussian_filter(rng.standard_normal(board.shape), board.patch_size / board.cell, mode="reflect")
    return np.asarray((smooth - smooth.mean()) / smooth.std())


def integrate(
    model: HeatModel, elapsed: Array, *, begin: tuple[Array, Array, Array] | None = None
) -> Iterator[tuple[Array, Array, Array]]:
    """Yield the temperatures [degC] of `HeatModel.steady` at each time [s], from ``begin``, else the room's, on."""
    scene, shape = model.scene, model.capacity.shape
    mass, heat = model.of_board(model.capacity), model.of_board(model.power)
    room = np.full(shape, float(scene.ambient.at(elapsed[0])))
    state = _interleave(*(begin or (room, room, room))[: model.layers])
    yield _split(state, shape)
    solvers: dict[float, SuperLU] = {}
    for start, end in pairwise(elapsed.tolist()):
        step = round(end - start, 9)
        if step not in solvers:
            solvers[step] = splu(csc_array(diags_array(mass) + GAMMA * step * model.matrix), permc_spec="MMD_AT_PLUS_A")
        powered = heat * _on_share(scene, start, end)
        early = powered + model.room * float(scene.ambient.at(start + GAMMA * step))
        late = powered + model.room * float(scene.ambient.at(end))
        first = solvers[step].solve(mass * state + GAMMA * step * early)
        middle = mass * (state + (1 - GAMMA) / GAMMA * (first - state))
        state = np.asarray(solvers[step].solve(middle + GAMMA * step * late))
        yield _split(state, shape)


def _on_share(scene: Scene, start: float, end: float) -> float:
    """Return the share of a time step during which the power is on."""
    return max(min(end, scene.power_off) - max(start, scene.power_on), 0.0) / (end - start)


def _conduction(sheet: Array) -> csc_array:
    """Return the loss matrix of conduction in a sheet of square cells, in series from centre to centre."""
    across = 2 * sheet[:, 1:] * sheet[:, :-1] / (sheet[:, 1:] + sheet[:, :-1] + 1e-300)
    along = 2 * sheet[1:] * sheet[:-1] / (sheet[1:] + sheet[:-1] + 1e-300)
    return exchange_matrix(across, along)


def _upwind(flow: Flow, carried: float) -> csc_array:
    """Return the loss matrix of the air that leaves each cell less what its neighbours bring [W/K]."""
    index = np.arange(flow.inflow.size).reshape(flow.inflow.shape)
    right, down = flow.right[:, 1:-1], flow.down[1:-1]
    giver = np.concatenate([index[:, :-1].ravel(), index[:, 1:].ravel(), index[:-1].ravel(), index[1:].ravel()])
    taker = np.concatenate([index[:, 1:].ravel(), index[:, :-1].ravel(), index[1:].ravel(), index[:-1].ravel()])
    moved = np.concatenate([np.maximum(way, 0).ravel() for way in (right, -right, down, -down)]) * carried
    leaving = flow.outflow.ravel() * carried
    own = np.arange(index.size)
    entries = np.concatenate([moved, -moved, leaving])
    places = (np.concatenate([giver, taker, own]), np.concatenate([giver, giver, own]))
    return csc_array(coo_array((entries, places), shape=(index.size, index.size)))


def _interleave(*layers: Array) -> Array:
    return np.stack([layer.ravel() for layer in layers], axis=1).ravel()


def _split(state: Array, shape: tuple[int, ...]) -> tuple[Array, Array, Array]:
    """Return board, air next to it and air above, the two being one where there is one layer of air."""
    layers = state.reshape(shape[0] * shape[1], -1)
    return layers[:, 0].reshape(shape), layers[:, 1].reshape(shape), layers[:, -1].reshape(shape)


def _reorder(matrix: csc_array, cells: int) -> csc_array:
    """Interleave the layers' unknowns: neighbours lie together, the factors stay sparse."""
    order = np.arange(matrix.shape[0]).reshape(-1, cells).T.ravel()
    return csc_array(matrix[order][:, order])
