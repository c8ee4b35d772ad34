"""What the physical fit may vary: the air's families of flow, the board's constants, and their priors."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import binom

from heatwake.kernels.conjugate_board import Coefficients, Tangents
from heatwake.kernels.openings import Arc, CellGrid, Index, face_neighbours, opening_streams, uniform_fluxes

Array = npt.NDArray[np.float64]

AIR_HEAT = 1190.0
"""Heat capacity of air at 25 degC and 1 atm [J m-3 K-1]: 1.184 kg m-3 times 1006 J kg-1 K-1."""

ALIKE_EXCHANGE = 0.2
"""Standard deviation of the logarithm of a recording's own exchange, where fans run in all recordings."""

_USUAL_SPEED = 0.3  # [m/s] between board and lid of a small fan-cooled item; free within a factor of three
_USUAL_CHANNEL = 0.02  # [m]
_BODY_EXCHANGE = 3.0  # more of a part's body, by its walls, than of the board below; free within a factor of e
_BODY_CAPACITY = 0.5  # of a part's body, over that of the board below; free within a factor of e
_SPLINE = 4  # with three, patches of copper on a bare board in still air pass for a flow


@dataclass(frozen=True)
class AirFamily:
    """A set of air flows over one board.

    Attributes
    ----------
    kind : {"openings", "wind", "still"}
        ``openings``: potential flow, one free share a vent, the direction fixed by the sign of ``scale``;
        ``wind``: the same velocity everywhere; ``still``: none.
    fluxes : (k, faces) array
        Face fluxes of each member for one unit.
    scale : (k,) array
        Heat capacity flow [W/K] (of wind: per metre of width) of each member at its usual size.
    mean, deviation, start : (p,) arrays
        Prior and first guess of the parameters.
    """

    kind: Literal["openings", "wind", "still"]
    fluxes: Array
    scale: Array
    mean: Array
    deviation: Array
    start: Array

    def flux(self, parameters: Array) -> Array:
        """Heat capacity flow through the faces [W/K]."""
        if self.kind == "wind":
            return np.asarray((self.scale * parameters) @ self.fluxes)
        if self.kind == "openings":
            return np.asarray(self._shares(parameters) @ self.fluxes)
        return np.zeros(self.fluxes.shape[1])

    def flux_slope(self, parameters: Array) -> Array:
        """Derivative of `flux` with respect to the parameters, ``(p, faces)``."""
        if self.kind == "wind":
            return self.scale[:, np.newaxis] * self.fluxes
        if self.kind == "openings":
            each = self._shares(parameters)[:, np.newaxis] * self.fluxes
            return np.concatenate([each.sum(axis=0, keepdims=True), each]) if len(each) > 1 else each
        return np.zeros((0, self.fluxes.shape[1]))

    def _shares(self, parameters: Array) -> Array:
        single = np.exp(parameters[0] + (parameters[1:] if self.scale.size > 1 else 0.0))
        return np.asarray(self.scale * single)


def usual_flow(grid: CellGrid, channel: float) -> float:
    """Return the heat capacity flow [W/K] expected over a board; ``channel`` [m] may be NaN."""
    depth = channel if np.isfinite(channel) else _USUAL_CHANNEL
    return float(AIR_HEAT * _USUAL_SPEED * depth * np.sqrt(grid.width * grid.height))


def still_air(grid: CellGrid) -> AirFamily:
    """Return the family with no flow."""
    none = np.zeros(0)
    return AirFamily("still", np.zeros((0, _faces(grid))), none, none, none, none)


def opening_flow(
    fans: Sequence[Arc],
    vents: Sequence[Arc],
    *,
    grid: CellGrid,
    sign: int,
    channel: float = np.nan,
) -> AirFamily:
    """Return the flows from the vents to the fans (``sign`` 1: fan draws air out) or the other way (-1).

    Parameters
    ----------
    fans, vents : sequences of (from, to)
        Openings along the edge [m], see `openings.perimeter_arc`.
    grid : CellGrid
        The cells.
    sign : {1, -1}
        Direction of the net flow through the fans.
    channel : float
        Height of the air over the board [m]; NaN where not known.
    """
    lengths = np.array([max(to - start, 1e-3) for start, to in vents])
    count = len(vents)
    scale = sign * usual_flow(grid, channel) * lengths / lengths.sum()
    deviation = np.array([1.2] + [0.7] * (count if count > 1 else 0))
    none = np.zeros_like(deviation)
    return AirFamily("openings", opening_streams(fans, vents, grid=grid), scale, none, deviation, none)


def uniform_wind(grid: CellGrid, *, angle: float, channel: float = np.nan) -> AirFamily:
    """Return the same wind everywhere, with a first guess towards ``angle`` [degree]."""
    scale = np.full(2, usual_flow(grid, channel) / np.sqrt(grid.width * grid.height))
    start = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    return AirFamily("wind", uniform_fluxes(grid), scale, np.zeros(2), np.full(2, 1.5), start)


def _faces(grid: CellGrid) -> int:
    return grid.rows * (grid.columns + 1) + (grid.rows + 1) * grid.columns


@dataclass(frozen=True)
class BoardPrior:
    """What is known of the board beforehand: values and the standard deviation of their logarithm.

    Attributes
    ----------
    sheet, capacity, exchange, back, film, mixing : float
        See `conjugate_board.Coefficients`.
    sheet_deviation, capacity_deviation : float
        Of the logarithm: about 0.2 where the board is described, about 1 where it is not.
    """

    sheet: float
    capacity: float
    sheet_deviation: float
    capacity_deviation: float
    exchange: float = 12.0
    back: float = 9.0
    film: float = 5.0
    mixing: float = 4e-3


def describe_board(thickness: float, conductivity: float) -> BoardPrior:
    """Return the prior of a glass-epoxy board with copper.

    Parameters
    ----------
    thickness : float
        [m]; NaN where not known (1.6 mm is the common size).
    conductivity : float
        In-plane [W m-1 K-1]; NaN where not known (10, within a factor of e).

    Notes
    -----
    1850 kg m-3 times 1100 J kg-1 K-1 for glass-epoxy laminate: common practice, no source.
    """
    deep = thickness if np.isfinite(thickness) else 1.6e-3
    sheet = (conductivity if np.isfinite(conductivity) else 10.0) * deep
    known = np.isfinite(thickness)
    return BoardPrior(
        sheet=sheet,
        capacity=2.0e6 * deep,
        sheet_deviation=0.2 if np.isfinite(conductivity) and known else 1.0,
        capacity_deviation=0.25 if known else 0.5,
    )


class Parameters:
    """The parameter vector of a fit to one or several recordings of one board, and its prior.

    Shared: level and spline of the sheet conductance, conductance of bodies, capacity of board and bodies, exchange of
    board and bodies, back and film loss, mixing of the air.
    Of each recording: its own exchange and power (ratios to the shared ones) and the flow.

    Parameters
    ----------
    grid : CellGrid
        The cells.
    prior : BoardPrior
        The board beforehand.
    families : sequence of AirFamily
        One a recording.
    bodies : (parts, cells) array
        Share of each cell that lies under each part's body.
    exchange_spread : float
        Standard deviation of the logarithm of each recording's own exchange, of several recordings.
    """

    def __init__(
        self,
        grid: CellGrid,
        prior: BoardPrior,
        families: Sequence[AirFamily],
        *,
        bodies: Array,
        exchange_spread: float = ALIKE_EXCHANGE,
    ) -> None:
        self.prior, self.families, self.parts = prior, families, bodies
        self.bodies = bodies.max(axis=0, initial=0.0)
        low, high = face_neighbours(grid)
        self.bridges = np.where((low >= 0) & (high >= 0), np.minimum(self.bodies[low], self.bodies[high]), 0.0)
        self.spline = _bernstein(grid)
        many = len(families) > 1
        shared = _SPLINE**2 + 8 + len(bodies)
        own = [np.array([exchange_spread if many else 1e-3, 0.01 if many else 1e-3]) for _ in families]
        deviations = [
            prior.sheet_deviation,
            *[0.5] * _SPLINE**2,
            1.0,
            prior.capacity_deviation,
            1.0,
            0.5,
            0.4,
            0.3,
            1.0,
        ]
        blocks = [np.concatenate([two, family.deviation]) for two, family in zip(own, families, strict=True)]
        self.deviation = np.concatenate([np.array(deviations), np.full(len(bodies), 0.7), *blocks])
        self.mean = np.concatenate([np.zeros(shared), *[np.concatenate([np.zeros(2), f.mean]) for f in families]])
        self.start = np.concatenate([np.zeros(shared), *[np.concatenate([np.zeros(2), f.start]) for f in families]])
        self.shared = shared
        sizes = np.array([2 + family.deviation.size for family in families])
        self._first = shared + np.concatenate([[0], np.cumsum(sizes)])

    @property
    def _walls(self) -> slice:
        """Place of the exchange of the parts' bodies."""
        return slice(self.shared - len(self.parts), self.shared)

    def own(self, index: int) -> slice:
        """Place of one recording's own parameters: exchange, power, flow."""
        return slice(int(self._first[index]), int(self._first[index + 1]))

    def flow(self, index: int) -> slice:
        """Place of one recording's flow parameters."""
        return slice(int(self._first[index]) + 2, int(self._first[index + 1]))

    def concern(self, index: int) -> Index:
        """Places of the parameters that change one recording's coefficients."""
        own = np.arange(self.own(index).start, self.own(index).stop)
        return np.concatenate([np.arange(self.shared), own[:1], own[2:]])

    def power(self, vector: Array, index: int) -> float:
        """Power of one recording over the shared one."""
        return float(np.exp(vector[self.own(index)][1]))

    def coefficients(self, vector: Array, index: int) -> Coefficients:
        """Return one recording's coefficients."""
        level, net = vector[0], vector[1 : 1 + _SPLINE**2]
        body, capacity, added, exchange, back, film, mixing = vector[1 + _SPLINE**2 : self._walls.start]
        prior = self.prior
        return Coefficients(
            sheet=prior.sheet * (np.exp(level + net @ self.spline) + np.exp(body) * self.bridges),
            capacity=prior.capacity * (np.exp(capacity) + _BODY_CAPACITY * np.exp(added) * self.bodies),
            exchange=prior.exchange
            * np.exp(exchange + vector[self.own(index)][0])
            * (1.0 + _BODY_EXCHANGE * np.exp(vector[self._walls]) @ self.parts),
            back=prior.back * np.exp(back),
            film=prior.film * np.exp(film),
            mixing=prior.mixing * np.exp(mixing),
            flux=self.families[index].flux(vector[self.flow(index)]),
        )

    def tangents(self, vector: Array, index: int) -> Tangents:
        """Return the derivatives of `coefficients` with respect to the whole vector."""
        values, count = self.coefficients(vector, index), vector.size
        body = self.prior.sheet * np.exp(vector[1 + _SPLINE**2]) * self.bridges
        board, at = values.sheet - body, 1 + _SPLINE**2
        added = self.prior.capacity * _BODY_CAPACITY * np.exp(vector[at + 2]) * self.bodies
        sheet, flux = np.zeros((count, board.size)), np.zeros((count, board.size))
        sheet[0], sheet[1:at], sheet[at] = board, board * self.spline, body
        flux[self.flow(index)] = self.families[index].flux_slope(vector[self.flow(index)])
        walls = _BODY_EXCHANGE * np.exp(vector[self._walls])[:, np.newaxis] * self.parts
        unit = np.eye(count)
        exchange = np.outer(unit[at + 3] + unit[self.own(index).start], values.exchange)
        exchange[self._walls] = values.exchange * walls / (1.0 + walls.sum(axis=0))
        return Tangents(
            sheet=sheet,
            capacity=np.outer(unit[at + 1], values.capacity - added) + np.outer(unit[at + 2], added),
            exchange=exchange,
            back=values.back * unit[at + 4],
            film=values.film * unit[at + 5],
            mixing=values.mixing * unit[at + 6],
            flux=flux,
        )


def _bernstein(grid: CellGrid) -> Array:
    """Bernstein polynomials in x and y at the faces, ``(_SPLINE ** 2, faces)``; they sum to one."""
    x, y = np.meshgrid(grid.edges_x, grid.edges_y[:-1] + 0.5 * grid.step_y)
    x2, y2 = np.meshgrid(grid.edges_x[:-1] + 0.5 * grid.step_x, grid.edges_y)
    along_x = _polynomials(np.concatenate([x.ravel(), x2.ravel()]) / grid.width)
    along_y = _polynomials(np.concatenate([y.ravel(), y2.ravel()]) / grid.height)
    return np.stack([one * two for one in along_x for two in along_y])


def _polynomials(place: Array) -> list[Array]:
    order = _SPLINE - 1
    return [binom(order, k) * place**k * (1.0 - place) ** (order - k) for k in range(_SPLINE)]
