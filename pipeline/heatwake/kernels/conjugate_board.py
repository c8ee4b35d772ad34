"""A board that conducts, under one layer of air that carries heat: temperatures and their derivatives.

    C dTb/dt = div(K grad Tb) - (back + h) Tb + h Ta + q          board, per area
    G . grad Ta - M lap Ta + (h + film) Ta = h Tb                 air, quasi-steady

``K`` is the sheet conductance (conductivity times thickness), ``G`` the air's heat capacity flow per metre of width,
``M`` its mixing. The board is discretised by finite volumes, the air by first-order upwind differences (Patankar,
Numerical Heat Transfer and Fluid Flow, 1980, chapters 4 and 5), time by Alexander's two-stage L-stable scheme (SIAM J.
Numer. Anal. 14, 1977, 1006).
All temperatures are rises over the air that comes in.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix, csc_matrix, csr_matrix, diags
from scipy.sparse.linalg import SuperLU, splu

from heatwake.kernels.openings import CellGrid, Index, face_neighbours

Array = npt.NDArray[np.float64]

_GAMMA = 1.0 - np.sqrt(0.5)
_STEPS = 2


@dataclass(frozen=True)
class Coefficients:
    """What the equations contain.

    Attributes
    ----------
    sheet : (faces,) array
        Sheet conductance at the faces [W/K]; those on the board's edge are not used.
    capacity : (cells,) array
        Heat capacity [J m-2 K-1].
    exchange : (cells,) array
        Heat transfer coefficient between board and air [W m-2 K-1].
    back, film : float
        Heat transfer coefficients [W m-2 K-1].
    mixing : float
        Heat that eddies carry along the air layer, as a sheet conductance [W/K].
    flux : (faces,) array
        Heat capacity flow of the air through the faces [W/K].
    """

    sheet: Array
    capacity: Array
    exchange: Array
    back: float
    film: float
    mixing: float
    flux: Array


@dataclass(frozen=True)
class Tangents:
    """Derivatives of the coefficients with respect to ``p`` parameters: ``(p,)`` and then as there."""

    sheet: Array
    capacity: Array
    exchange: Array
    back: Array
    film: Array
    mixing: Array
    flux: Array

    def select(self, columns: Index) -> "Tangents":
        """Return those of some parameters."""
        return Tangents(**{name: values[columns] for name, values in vars(self).items()})


@dataclass(frozen=True)
class Step:
    """One time step: factors of its matrix, effective length (0: steady), states before and at both stages."""

    factors: SuperLU
    scaled: float
    before: Array
    first: Array
    last: Array


class ConjugateBoard:
    """The discrete equations on one grid of cells.

    Parameters
    ----------
    grid : CellGrid
        The cells.
    """

    def __init__(self, grid: CellGrid) -> None:
        self.grid = grid
        self.low, self.high = face_neighbours(grid)

    @cached_property
    def inner(self) -> npt.NDArray[np.bool_]:
        """Faces with a cell on both sides."""
        return np.asarray((self.low >= 0) & (self.high >= 0))

    @cached_property
    def _shape_factor(self) -> Array:
        """Face width over distance of the cell centres; zero on the edge."""
        across = self.grid.rows * (self.grid.columns + 1)
        ratio = np.full(self.low.size, self.grid.step_x / self.grid.step_y)
        ratio[:across] = self.grid.step_y / self.grid.step_x
        return np.where(self.inner, ratio, 0.0)

    @cached_property
    def _leaves(self) -> csr_matrix:
        """Sum over a cell's faces of what flows out of it, ``(cells, faces)``."""
        faces = np.arange(self.low.size)
        out, into = self.low >= 0, self.high >= 0
        value = np.concatenate([np.ones(out.sum()), -np.ones(into.sum())])
        rows = np.concatenate([self.low[out], self.high[into]])
        return coo_matrix((value, (rows, np.concatenate([faces[out], faces[into]])))).tocsr()

    def matrix(self, values: Coefficients) -> csc_matrix:
        """Return the steady operator on (board, air), ``(2 cells, 2 cells)`` [W/K]."""
        cells, area = self.grid.cells, self.grid.cell_area
        conduct = values.sheet * self._shape_factor
        forth, back = np.maximum(values.flux, 0.0), np.minimum(values.flux, 0.0)
        carry = self._transport(forth, back)
        sheet = self._transport(conduct, -conduct)
        mixing = values.mixing * self._shape_factor
        one = np.ones(cells) * area
        board = sheet + diags((values.back + values.exchange) * one)
        air = carry + self._transport(mixing, -mixing) + diags((values.film + values.exchange) * one)
        mixed = diags(-values.exchange * one)
        return csc_matrix(_blocks(board, mixed, air))

    def _transport(self, from_low: Array, from_high: Array) -> csr_matrix:
        """Operator whose face flow is ``from_low * T_low + from_high * T_high``; nothing comes in from outside."""
        faces = np.arange(self.low.size)
        out, into = self.low >= 0, self.high >= 0
        value = np.concatenate([from_low[out], from_high[into]])
        rows = np.concatenate([faces[out], faces[into]])
        columns = np.concatenate([self.low[out], self.high[into]])
        flow = coo_matrix((value, (rows, columns)), shape=(self.low.size, self.grid.cells)).tocsr()
        return csr_matrix(self._leaves @ flow)

    def march(self, values: Coefficients, sources: Array, *, times: Sequence[float]) -> list[list[Step]]:
        """Solve for sources switched on at time 0 on a board at ambient.

        Parameters
        ----------
        values : Coefficients
            The board and the air.
        sources : (cells, m) array
            Power in each cell [W] of ``m`` source patterns.
        times : sequence of float
            Ascending times [s]; ``inf`` is the steady state.

        Returns
        -------
        list of lists of Step
            One list a time; the last step's ``last`` is the state ``(2 cells, m)`` [K] then, board first.
        """
        operator = self.matrix(values)
        load = np.concatenate([sources, np.zeros_like(sources)])
        weight = np.zeros(load.shape[0])
        weight[: self.grid.cells] = values.capacity * self.grid.cell_area
        state, now = np.zeros_like(load), 0.0
        factors: dict[float, SuperLU] = {}
        marched = []
        for time in times:
            scaled = float(_GAMMA * (time - now) / _STEPS) if np.isfinite(time) else 0.0
            known = round(scaled, 3)
            if known not in factors:
                storage = diags(weight / scaled) if scaled else 0.0 * diags(weight)
                factors[known] = _factorise(csc_matrix(operator + storage))
            steps = _advance(factors[known], state, load=load, weight=weight, scaled=scaled)
            marched.append(steps)
            state, now = steps[-1].last, time
        return marched

    def differentiate(
        self, marched: list[list[Step]], values: Coefficients, tangents: Tangents, *, powers: Array
    ) -> list[Array]:
        """Return the derivatives of the board's temperatures with respect to parameters.

        Parameters
        ----------
        marched : list of lists of Step
            From `march` for the same coefficients.
        values, tangents : Coefficients and Tangents
            Coefficients and their derivatives with respect to ``p`` parameters.
        powers : (m,) array
            Weights of the source patterns.

        Returns
        -------
        list of (cells, p) arrays
            One a time [K per unit of the parameter].
        """
        cells, area = self.grid.cells, self.grid.cell_area
        storage = np.concatenate([values.capacity * area, np.zeros(cells)])[:, np.newaxis]
        change = np.concatenate([tangents.capacity.T * area, np.zeros((cells, tangents.back.size))])
        slope = np.zeros_like(change)
        results = []
        for steps in marched:
            for step in steps:
                before, first, last = step.before @ powers, step.first @ powers, step.last @ powers
                forcing = -self._changed(last, values, tangents)
                if step.scaled == 0.0:
                    slope = step.factors.solve(forcing)
                    continue
                ratio = (1.0 - _GAMMA) / _GAMMA
                rate = (first - before) / step.scaled
                early = -self._changed(first, values, tangents) - change * rate[:, np.newaxis]
                early += storage * slope / step.scaled
                middle = step.factors.solve(early)
                reached = before + ratio * (first - before)
                forcing -= change * ((last - reached) / step.scaled)[:, np.newaxis]
                forcing += storage * (slope + ratio * (middle - slope)) / step.scaled
                slope = step.factors.solve(forcing)
            results.append(slope[:cells])
        return results

    def _changed(self, state: Array, values: Coefficients, tangents: Tangents) -> Array:
        """Derivative of the operator, applied to a state: ``(2 cells, p)`` [W]."""
        cells, area = self.grid.cells, self.grid.cell_area
        board, air = state[:cells], state[cells:]
        fall, fall_air = (
            np.where(self.inner, layer[self.low] - layer[self.high], 0.0) * self._shape_factor for layer in (board, air)
        )
        donor = np.where(values.flux >= 0.0, self.low, self.high)
        carried = np.where(donor >= 0, air[donor], 0.0)
        passing = (area * (board - air))[:, np.newaxis] * tangents.exchange.T
        upper = self._leaves @ (fall * tangents.sheet).T + passing + np.outer(area * board, tangents.back)
        blown = carried * tangents.flux + np.outer(tangents.mixing, fall_air)
        lower = self._leaves @ blown.T - passing + np.outer(area * air, tangents.film)
        return np.concatenate([upper, lower])


def _advance(factors: SuperLU, state: Array, *, load: Array, weight: Array, scaled: float) -> list[Step]:
    """Take the steps to the next time."""
    if scaled == 0.0:
        steady = factors.solve(load)
        return [Step(factors, 0.0, state, steady, steady)]
    ratio, column = (1.0 - _GAMMA) / _GAMMA, (weight / scaled)[:, np.newaxis]
    steps = []
    for _ in range(_STEPS):
        first = factors.solve(load + column * state)
        last = factors.solve(load + column * (state + ratio * (first - state)))
        steps.append(Step(factors, scaled, state, first, last))
        state = last
    return steps


def _blocks(board: csr_matrix, mixed: csr_matrix, air: csr_matrix) -> coo_matrix:
    """Put the two layers together; much quicker than the general block builder."""
    count = board.shape[0]
    parts = [board.tocoo(), mixed.tocoo(), mixed.tocoo(), air.tocoo()]
    shifts = [(0, 0), (0, count), (count, 0), (count, count)]
    rows = np.concatenate([part.row + shift[0] for part, shift in zip(parts, shifts, strict=True)])
    columns = np.concatenate([part.col + shift[1] for part, shift in zip(parts, shifts, strict=True)])
    return coo_matrix((np.concatenate([part.data for part in parts]), (rows, columns)), shape=(2 * count, 2 * count))


def _factorise(operator: csc_matrix) -> SuperLU:
    """Factorise without pivoting: the operator's diagonal dominates."""
    return splu(operator, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
