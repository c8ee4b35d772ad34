"""How the heat goes: conduction in board and bodies, exchange with air that carries it, losses to room and back.

State: board and air temperature of every cell, interleaved. The board stores heat; the air follows at once (its
capacity is about a hundredth of the board's), so the system is ``M dT/dt = -A T + power + room``, with no entries in
``M`` for the air. Stepped by the L-stable two-stage SDIRK of second order (Alexander, SIAM J. Numer. Anal. 14 (1977)).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.sparse import block_array, coo_array, csc_array, diags_array
from scipy.sparse.linalg import SuperLU, splu

from heatwake.scene.airflow import Flow, exchange_matrix, solve_flow
from heatwake.scene.model import Array, Scene

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
        ``A`` above, interleaved (board, air).
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

    def steady(self, ambient: float, *, share: float = 1.0) -> tuple[Array, Array]:
        """Return board and air temperature [degC] long after power-on, ``share`` of the power on."""
        drive = _interleave(self.power * share, 0 * self.power) + self.room * ambient
        return _split(splu(self.matrix, permc_spec="MMD_AT_PLUS_A").solve(drive), self.capacity.shape)


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
    carried = air.density * air.heat_capacity
    conduction = _conduction(sheet_conductance(scene))
    transport = _upwind(flow, carried) + _conduction(np.full(board.shape, carried * air.mixing * air.channel * 1e-3))
    touch = diags_array(to_air.ravel())
    matrix = block_array(
        [
            [conduction + touch + diags_array((to_room + to_back).ravel()), -touch],
            [-touch, transport + touch + diags_array(film_loss.ravel())],
        ]
    )
    room = _interleave(to_room + to_back, film_loss + carried * flow.inflow)
    return HeatModel(
        scene, flow, capacity, to_air, to_room, to_back, film_loss, power, _reorder(csc_array(matrix)), room
    )


def sheet_conductance(scene: Scene) -> Array:
    """Return conductivity times thickness of each cell [W/K]: laminate, copper, and the bodies on it."""
    board = scene.board
    sheet = np.full(board.shape, board.conductivity * board.thickness * 1e-3)
    for area in board.copper:
        sheet[board.inside(area)] = area.conductivity * board.thickness * 1e-3
    for part in scene.parts:
        sheet[board.inside(part)] += part.sheet
    return sheet


def integrate(model: HeatModel, elapsed: Array) -> Iterator[tuple[Array, Array]]:
    """Yield board and air temperature [degC] at each time [s], from the room's temperature at the first."""
    scene, shape = model.scene, model.capacity.shape
    mass = _interleave(model.capacity, 0 * model.capacity)
    heat = _interleave(model.power, 0 * model.power)
    state = np.full(mass.size, float(scene.ambient.at(elapsed[0])))
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


def _interleave(board: Array, air: Array) -> Array:
    return np.stack([board.ravel(), air.ravel()], axis=1).ravel()


def _split(state: Array, shape: tuple[int, ...]) -> tuple[Array, Array]:
    return state[0::2].reshape(shape), state[1::2].reshape(shape)


def _reorder(matrix: csc_array) -> csc_array:
    """Interleave board and air unknowns: neighbours lie together, the factors stay sparse."""
    half = matrix.shape[0] // 2
    order = np.stack([np.arange(half), np.arange(half) + half], axis=1).ravel()
    return csc_array(matrix[order][:, order])
