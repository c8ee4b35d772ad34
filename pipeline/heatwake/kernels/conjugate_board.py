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
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix, csr_matrix

from heatwake.kernels.block_factors import BlockFactors, factorise
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

    def concern(self) -> dict[str, Index]:
        """Return which parameters each coefficient depends on."""
        return {
            name: np.flatnonzero(values.reshape(len(values), -1).any(axis=1)) for name, values in vars(self).items()
        }


@dataclass(frozen=True)
class Step:
    """One time step: factors of its matrix, effective length (0: steady), states before and at both stages."""

    factors: BlockFactors
    scaled: float
    before: Array
    first: Array
    last: Array


@dataclass(frozen=True)
class _Stencil:
    """One layer's operator, ``(rows, columns)`` each: a cell's own coefficient, and those of its four neighbours."""

    own: Array
    left: Array
    right: Array
    below: Array
    above: Array

    def turned(self) -> "_Stencil":
        """Return the same with rows and columns exchanged."""
        return _Stencil(self.own.T, self.below.T, self.above.T, self.left.T, self.right.T)


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

    def _face_maps(self, values: Array) -> tuple[Array, Array]:
        """Faces across x ``(rows, columns + 1)`` and across y ``(rows + 1, columns)``."""
        rows, columns = self.grid.rows, self.grid.columns
        across = rows * (columns + 1)
        return values[:across].reshape(rows, columns + 1), values[across:].reshape(rows + 1, columns)

    def _transport(self, from_low: Array, from_high: Array) -> _Stencil:
        """Operator whose face flow is ``from_low * T_low + from_high * T_high``; nothing comes in from outside."""
        (low_x, low_y), (high_x, high_y) = self._face_maps(from_low), self._face_maps(from_high)
        return _Stencil(
            own=low_x[:, 1:] - high_x[:, :-1] + low_y[1:] - high_y[:-1],
            left=-low_x[:, :-1],
            right=high_x[:, 1:],
            below=-low_y[:-1],
            above=high_y[1:],
        )

    def _layers(self, values: Coefficients) -> tuple[_Stencil, _Stencil, Array]:
        """Steady operators of board and air, and what couples them [W/K]."""
        area = self.grid.cell_area
        conduct, mixing = values.sheet * self._shape_factor, values.mixing * self._shape_factor
        forth, back = np.maximum(values.flux, 0.0), np.minimum(values.flux, 0.0)
        exchange = (values.exchange * area).reshape(self.grid.rows, self.grid.columns)
        board = self._transport(conduct, -conduct)
        air = self._transport(forth + mixing, back - mixing)
        board = replace(board, own=board.own + values.back * area + exchange)
        return board, replace(air, own=air.own + values.film * area + exchange), -exchange

    def _factorise(self, values: Coefficients, *, scaled: Sequence[float]) -> list[BlockFactors]:
        """Return factors of the operator with the board's storage over each effective step; 0 for the steady state."""
        board, air, mixed = self._layers(values)
        lengthwise = self.grid.columns >= self.grid.rows
        layers = [each.turned() if lengthwise else each for each in (board, air)]
        across = mixed.T if lengthwise else mixed
        count, short = across.shape
        blocks = np.zeros((count, 2 * short, 2 * short))
        place = np.arange(short)
        for layer, first in zip(layers, (0, short), strict=True):
            at = place + first
            blocks[:, at, at] = layer.own
            blocks[:, at[1:], at[:-1]] = layer.left[:, 1:]
            blocks[:, at[:-1], at[1:]] = layer.right[:, :-1]
            blocks[:, at, short - first + place] = across
        before = np.concatenate([layer.below for layer in layers], axis=1)
        after = np.concatenate([layer.above for layer in layers], axis=1)
        weight = self._to_blocks(self._storage(values)[:, np.newaxis])[..., 0]
        added = [weight / each if each else np.zeros_like(weight) for each in scaled]
        return factorise(blocks, before=before, after=after, added=added)

    def _storage(self, values: Coefficients) -> Array:
        """Heat capacity of board and air [J/K]; the air stores nothing."""
        return np.concatenate([values.capacity * self.grid.cell_area, np.zeros(self.grid.cells)])

    def _to_blocks(self, states: Array) -> Array:
        """Order states ``(2 cells, m)`` by blocks across the short side: ``(blocks, k, m)``."""
        layers = states.reshape(2, self.grid.rows, self.grid.columns, -1)
        order = (2, 0, 1, 3) if self.grid.columns >= self.grid.rows else (1, 0, 2, 3)
        turned = layers.transpose(order)
        return np.ascontiguousarray(turned).reshape(len(turned), -1, states.shape[1])

    def _from_blocks(self, blocks: Array) -> Array:
        rows, columns = self.grid.rows, self.grid.columns
        if columns >= rows:
            layers = blocks.reshape(columns, 2, rows, -1).transpose(1, 2, 0, 3)
        else:
            layers = blocks.reshape(rows, 2, columns, -1).transpose(1, 0, 2, 3)
        return np.ascontiguousarray(layers).reshape(2 * self.grid.cells, -1)

    def _solve(self, factors: BlockFactors, right: Array) -> Array:
        return self._from_blocks(factors.solve(self._to_blocks(right)))

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
        load = np.concatenate([sources, np.zeros_like(sources)])
        weight = self._storage(values)
        ends = np.array(times, dtype=float)
        lengths = np.diff(ends, prepend=0.0)
        scaled = [float(_GAMMA * length / _STEPS) if np.isfinite(length) else 0.0 for length in lengths]
        known = list(dict.fromkeys(round(each, 3) for each in scaled))
        made = dict(zip(known, self._factorise(values, scaled=known), strict=True))
        state, marched = np.zeros_like(load), []
        for each in (round(each, 3) for each in scaled):
            steps = self._advance(made[each], state, load=load, weight=weight, scaled=each)
            marched.append(steps)
            state = steps[-1].last
        return marched

    def _advance(self, factors: BlockFactors, state: Array, *, load: Array, weight: Array, scaled: float) -> list[Step]:
        """Take the steps to the next time."""
        if scaled == 0.0:
            steady = self._solve(factors, load)
            return [Step(factors, 0.0, state, steady, steady)]
        ratio, column = (1.0 - _GAMMA) / _GAMMA, (weight / scaled)[:, np.newaxis]
        steps = []
        for _ in range(_STEPS):
            first = self._solve(factors, load + column * state)
            last = self._solve(factors, load + column * (state + ratio * (first - state)))
            steps.append(Step(factors, scaled, state, first, last))
            state = last
        return steps

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
        concern = tangents.concern()
        results = []
        for steps in marched:
            for step in steps:
                before, first, last = step.before @ powers, step.first @ powers, step.last @ powers
                forcing = -self._changed(last, values, tangents, concern)
                if step.scaled == 0.0:
                    slope = self._solve(step.factors, forcing)
                    continue
                ratio = (1.0 - _GAMMA) / _GAMMA
                rate = (first - before) / step.scaled
                early = -self._changed(first, values, tangents, concern) - change * rate[:, np.newaxis]
                early += storage * slope / step.scaled
                middle = self._solve(step.factors, early)
                reached = before + ratio * (first - before)
                forcing -= change * ((last - reached) / step.scaled)[:, np.newaxis]
                forcing += storage * (slope + ratio * (middle - slope)) / step.scaled
                slope = self._solve(step.factors, forcing)
            results.append(slope[:cells])
        return results

    def _changed(self, state: Array, values: Coefficients, tangents: Tangents, concern: dict[str, Index]) -> Array:
        """Derivative of the operator, applied to a state: ``(2 cells, p)`` [W]."""
        cells, area = self.grid.cells, self.grid.cell_area
        board, air = state[:cells], state[cells:]
        fall, fall_air = (
            np.where(self.inner, layer[self.low] - layer[self.high], 0.0) * self._shape_factor for layer in (board, air)
        )
        donor = np.where(values.flux >= 0.0, self.low, self.high)
        carried = np.where(donor >= 0, air[donor], 0.0)
        changed = np.zeros((2 * cells, tangents.back.size))
        upper, lower = changed[:cells], changed[cells:]
        at = concern["exchange"]
        passing = (area * (board - air))[:, np.newaxis] * tangents.exchange[at].T
        upper[:, at] += passing
        lower[:, at] -= passing
        upper[:, concern["sheet"]] += self._leaves @ (fall * tangents.sheet[concern["sheet"]]).T
        lower[:, concern["flux"]] += self._leaves @ (carried * tangents.flux[concern["flux"]]).T
        upper[:, concern["back"]] += np.outer(area * board, tangents.back[concern["back"]])
        lower[:, concern["film"]] += np.outer(area * air, tangents.film[concern["film"]])
        lower[:, concern["mixing"]] += np.outer(self._leaves @ fall_air, tangents.mixing[concern["mixing"]])
        return changed
