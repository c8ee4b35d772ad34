"""Air with momentum: jets that reach across the box, corners that recirculate, and no mirror image when the fan turns.

The steady height-averaged Navier-Stokes equations with a constant eddy viscosity, quadratic drag by board, lid and
parts, on the staggered grid of `Flow` (Harlow and Welch, Phys. Fluids 8, 1965, 2182). A fan gives its flow evenly, a
vent costs a share of the velocity head. Solved by Picard steps in pseudo-time; pressure follows by the augmented
Lagrangian (Fortin and Glowinski, 1983), and a last projection leaves no divergence but rounding.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.sparse import coo_array, csc_array, diags_array
from scipy.sparse.linalg import splu

from heatwake.scene.model import Array, Mask, Opening, Scene

LEAST_GAP: Final = 0.05  # a part as tall as the channel still leaks a little
INFLOW_LOSS, OUTFLOW_LOSS = 1.5, 0.5  # of the velocity head, at a grille: common practice, no source
CENTRAL: Final = 0.8  # of the face values' central part; the rest is upwind
SETTLED: Final = 2e-3  # of the highest speed, change in one step
MOST_STEPS: Final = 150
COURANT: Final = 6.0  # cells that the fastest air passes in a step of pseudo-time
STIFF: Final = 50.0  # augmentation over speed times cell


@dataclass(frozen=True)
class Staggered:
    """Velocities on the faces of square cells, in array directions: across to the right, along down the rows.

    Parameters
    ----------
    right : (rows, columns + 1) array
        Towards +x [m/s].
    down : (rows + 1, columns) array
        Down the rows [m/s].
    """

    right: Array
    down: Array

    def flat(self) -> Array:
        """Return all velocities in one vector, those to the right first."""
        return np.concatenate([self.right.ravel(), self.down.ravel()])


@dataclass(frozen=True)
class Edges:
    """What holds on the board's edge, in the order of `Staggered.flat`.

    Parameters
    ----------
    value : (faces,) array
        Velocity where it is given: walls and fans [m/s].
    given, vent : (faces,) masks
        Faces whose velocity is given; faces that lie open to the room.
    sideways : tuple of arrays
        Velocity along the edge just outside: of ``right`` at the top and bottom, ``(2, columns + 1)``, of ``down`` at
        left and right, ``(2, rows + 1)`` [m/s].
    """

    value: Array
    given: Mask
    vent: Mask
    sideways: tuple[Array, Array]


def solve_momentum(scene: Scene, *, viscosity: float | None = None) -> Staggered:
    """Return the steady velocity of the air, mean over the channel's height.

    Parameters
    ----------
    scene : Scene
        With a fan that runs and a vent that is open.
    viscosity : float, optional
        Eddy viscosity [m2/s]; that of the fans' jets (`jet_viscosity`) where not given.
    """
    board = scene.board
    step = board.cell * 1e-3
    nu = jet_viscosity(scene) if viscosity is None else viscosity
    edges, drag = find_edges(scene), drag_map(scene)
    gradient, divergence = _operators(board.shape, step, edges)
    speed = float(np.abs(edges.value).max())
    rate, stiff = speed / (COURANT * step), STIFF * speed * step
    free = np.flatnonzero(~edges.given)
    outer = csc_array(stiff * (gradient @ divergence))
    velocity = _project(edges.value, gradient, divergence)
    pressure = np.zeros(board.shape[0] * board.shape[1])
    for _ in range(MOST_STEPS):
        matrix, forced = _momentum(_shaped(velocity, board.shape), edges, drag, step=step, viscosity=nu)
        whole = csc_array(matrix + rate * diags_array(np.ones(velocity.size)) - outer)
        load = forced + rate * velocity - gradient @ pressure
        load -= whole @ np.where(edges.given, edges.value, 0.0)
        after = edges.value.copy()
        inner = csc_array(whole[free][:, free])
        after[free] = splu(inner, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.01).solve(load[free])
        pressure -= stiff * (divergence @ after)
        change, velocity = float(np.abs(after - velocity).max()), after
        if change < SETTLED * speed:
            break
    return _shaped(_project(velocity, gradient, divergence), board.shape)


def jet_viscosity(scene: Scene) -> float:
    """Return the eddy viscosity of the fans' flow [m2/s]: ``air.eddy`` times fan speed times width.

    0.015 is that of a plane jet two widths from its slot: 0.037 times half-width times middle speed (Goertler 1942, in
    Schlichting, Boundary-Layer Theory, chapter on free turbulent flows; from memory).
    """
    flow = sum(abs(one.flow) for one in scene.openings if one.kind == "fan")
    return scene.air.eddy * flow / (scene.air.channel * 1e-3)


def drag_map(scene: Scene) -> Array:
    """Return what the drag of board, lid and parts costs: head per length over half the squared speed, halved [1/m].

    A part costs the head of the air in the gap over it, once along its mean side.
    """
    board, height = scene.board, scene.air.channel * 1e-3
    drag = np.full(board.shape, scene.air.friction / height)
    for part in scene.parts:
        gap = max(1.0 - part.tall / scene.air.channel, LEAST_GAP)
        drag[board.inside(part)] += 0.5 * (1.0 / gap**2 - 1.0) / (np.sqrt(part.width * part.depth) * 1e-3)
    return drag


def find_edges(scene: Scene) -> Edges:
    """Return the conditions on the board's edge: walls, fans that give their flow, vents."""
    rows, columns = scene.board.shape
    fixed = Staggered(np.zeros((rows, columns + 1)), np.zeros((rows + 1, columns)))
    open_ = Staggered(np.zeros((rows, columns + 1)), np.zeros((rows + 1, columns)))
    outside = (np.zeros((2, columns + 1)), np.zeros((2, rows + 1)))
    face = scene.board.cell * scene.air.channel * 1e-6
    for opening in scene.openings:
        line, sign, sideways = _edge(fixed if opening.kind == "fan" else open_, outside, opening, scene)
        cells = opening.cells(scene.board)
        if opening.kind == "vent":
            line[cells] = 1.0
            continue
        speed = opening.flow / cells.sum() / face
        line[cells] = sign * speed
        if speed > 0.0:
            tilted = np.flatnonzero(cells)
            sideways[tilted[0] : tilted[-1] + 2] = np.tan(np.radians(scene.air.swirl)) * speed
    given = Staggered(np.zeros((rows, columns + 1)), np.zeros((rows + 1, columns)))
    given.right[:, [0, -1]], given.down[[0, -1]] = 1.0, 1.0
    vent = open_.flat() > 0.0
    return Edges(fixed.flat(), (given.flat() > 0.0) & ~vent, vent, outside)


def _edge(field: Staggered, outside: tuple[Array, Array], opening: Opening, scene: Scene) -> tuple[Array, float, Array]:
    """Return the faces of an opening's edge, the sign of flow into the box, and the velocity along the edge."""
    side = opening.side(scene.board)
    last = side in ("right", "bottom")
    sign = -1.0 if last else 1.0
    if side in ("left", "right"):
        return field.right[:, -1 if last else 0], sign, outside[1][int(last)]
    return field.down[-1 if last else 0], sign, outside[0][int(last)]


def _shaped(velocity: Array, shape: tuple[int, int]) -> Staggered:
    rows, columns = shape
    across = rows * (columns + 1)
    return Staggered(velocity[:across].reshape(rows, columns + 1), velocity[across:].reshape(rows + 1, columns))


def _operators(shape: tuple[int, int], step: float, edges: Edges) -> tuple[csc_array, csc_array]:
    """Return gradient ``(faces, cells)`` at the faces that are not given, and divergence ``(cells, faces)``."""
    rows, columns = shape
    cell = np.arange(rows * columns).reshape(shape)
    number = _shaped(np.arange(rows * (columns + 1) + (rows + 1) * columns, dtype=float), shape)
    right, down = number.right.astype(int), number.down.astype(int)
    face = np.concatenate([right[:, 1:].ravel(), right[:, :-1].ravel(), down[1:].ravel(), down[:-1].ravel()])
    own = np.concatenate([cell.ravel()] * 4)
    sign = np.repeat([1.0, -1.0, 1.0, -1.0], cell.size)
    size = right.size + down.size
    divergence = csc_array(coo_array((sign / step, (own, face)), shape=(cell.size, size)))
    # On a vent the room's pressure, zero, lies half a cell away.
    weight = np.where(edges.given, 0.0, np.where(edges.vent, 2.0, 1.0))
    gradient = csc_array(diags_array(weight) @ (-divergence.T))
    return gradient, divergence


def _project(velocity: Array, gradient: csc_array, divergence: csc_array) -> Array:
    """Take the divergence out by a potential."""
    solver = splu(csc_array(divergence @ gradient), permc_spec="MMD_AT_PLUS_A")
    return np.asarray(velocity - gradient @ solver.solve(divergence @ velocity))


def _momentum(now: Staggered, edges: Edges, drag: Array, *, step: float, viscosity: float) -> tuple[csc_array, Array]:
    """Return what carries, spreads and brakes momentum, ``matrix @ velocity - forced``, about the flow now."""
    size = now.right.size + now.down.size
    index = _shaped(np.arange(size, dtype=float), drag.shape)
    first = _lines(now.right, now.down, index.right, edges.sideways[0], drag, step=step, viscosity=viscosity)
    turned = _lines(now.down.T, now.right.T, index.down.T, edges.sideways[1], drag.T, step=step, viscosity=viscosity)
    rows, columns, values, forced = (np.concatenate(pair) for pair in zip(first[:4], turned[:4], strict=True))
    load = np.zeros(size)
    np.add.at(load, forced.astype(int), np.concatenate([first[4], turned[4]]))
    matrix = coo_array((values, (rows.astype(int), columns.astype(int))), shape=(size, size))
    flat = now.flat()
    into = np.where(np.concatenate([_inward(now.right, 1), _inward(now.down, 0)]), INFLOW_LOSS, OUTFLOW_LOSS)
    loss = np.where(edges.vent, into * np.abs(flat) / step, 0.0)
    return csc_array(csc_array(matrix) + diags_array(loss)), load


def _inward(velocity: Array, axis: int) -> Mask:
    """Whether the air comes in, on the first and last faces along an axis."""
    sign = np.ones_like(velocity)
    sign[tuple(-1 if one == axis else slice(None) for one in (0, 1))] = -1.0
    return np.asarray((sign * velocity).ravel() > 0.0)


def _lines(
    own: Array, other: Array, index: Array, sideways: Array, drag: Array, *, step: float, viscosity: float
) -> tuple[Array, Array, Array, Array, Array]:
    """Return entries (rows, columns, values) and loads (rows, values) of the momentum along the second axis."""
    here, at = own[:, 1:-1], index[:, 1:-1]
    spread = viscosity / step**2
    ahead = 0.5 * (own[:, 1:-1] + own[:, 2:]) / step
    behind = 0.5 * (own[:, 1:-1] + own[:, :-2]) / step
    crossing = 0.5 * (other[:, 1:] + other[:, :-1]) / step
    below, above = crossing[1:], crossing[:-1]
    weights = [_arriving(-ahead) + spread, _arriving(behind) + spread, _arriving(-below) + spread]
    weights.append(_arriving(above) + spread)
    weights[2][-1] = np.maximum(-below[-1], 0.0) + 2.0 * spread
    weights[3][0] = np.maximum(above[0], 0.0) + 2.0 * spread
    speed = np.hypot(here, crossing_speed(other))
    braked = 0.5 * (drag[:, 1:] + drag[:, :-1]) * speed
    places = [index[:, 2:], index[:, :-2], np.roll(index, -1, axis=0)[:, 1:-1], np.roll(index, 1, axis=0)[:, 1:-1]]
    loads = [(at[-1], weights[2][-1] * sideways[1, 1:-1]), (at[0], weights[3][0] * sideways[0, 1:-1])]
    kept = [np.ones(at.shape, dtype=bool) for _ in range(4)]
    kept[2][-1], kept[3][0] = False, False
    rows = np.concatenate([at.ravel(), *[at[keep] for keep in kept]])
    columns = np.concatenate([at.ravel(), *[place[keep] for place, keep in zip(places, kept, strict=True)]])
    total = np.asarray(sum(weights)) + braked
    values = np.concatenate([total.ravel(), *[-weight[keep] for weight, keep in zip(weights, kept, strict=True)]])
    return rows, columns, values, np.concatenate([one for one, _ in loads]), np.concatenate([two for _, two in loads])


def crossing_speed(other: Array) -> Array:
    """Return the mean of the four crossing velocities about each inner face, ``(rows, columns - 1)``."""
    middle = 0.5 * (other[:, 1:] + other[:, :-1])
    return np.asarray(0.5 * (middle[1:] + middle[:-1]))


def _arriving(rate: Array) -> Array:
    """Share of the neighbour's momentum that a face lets in, per time; ``rate`` is the inflow there."""
    return np.asarray(rate * (0.5 * CENTRAL + (1.0 - CENTRAL) * (rate > 0.0)))
