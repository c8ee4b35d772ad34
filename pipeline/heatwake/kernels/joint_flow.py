"""The joint physical fit: which air flow, if any, explains how the board warms up.

A conjugate model of board and air (`conjugate_board`) is fitted to the rise at a few times. Unknown part powers enter
linearly and are solved for at each step (variable projection: Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973, 413);
the rest is fitted by damped Gauss-Newton steps with log-normal priors. Each family of flow is fitted on its own; how
much worse the others are is the evidence for the best.
"""

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve, cholesky, solve_triangular
from scipy.optimize import nnls

from heatwake.kernels.coarse_cells import coarse_recording, coarse_rows, coarser, shares
from heatwake.kernels.conjugate_board import ConjugateBoard, Step
from heatwake.kernels.flow_family import ALIKE_EXCHANGE, AirFamily, BoardPrior, Parameters
from heatwake.kernels.openings import CellGrid, cell_velocity
from heatwake.kernels.rise_rows import (
    CELLS_A_DATUM,
    MODEL_ERROR,
    SUM_ERROR,
    GroupRows,
    Recording,
    SingleRows,
    group_rows,
    single_rows,
)

Array = npt.NDArray[np.float64]

_SETTLED = 2e-3  # relative gain of an all but undamped step
_DAMPING, _LEAST_DAMPING = 1e-2, 1e-4  # of the curvature: at a first guess, and near the end
_RATIO_STEPS = 3  # of the powers within a ratio of two maps


@dataclass(frozen=True)
class JointFit:
    """One family of flow (one a recording), fitted.

    Attributes
    ----------
    misfit : float
        Weighted sum of squares of residuals and priors, per independent datum.
    data : float
        Number of independent data.
    residual : float
        Root mean square of the unweighted residuals over that of the rise; of a single recording.
    vector, covariance : (p,) and (p, p) arrays
        Parameters and their Gauss-Newton covariance, scaled by the misfit.
    powers : (m,) array
        Power of each source pattern [W].
    flux : tuple of (faces,) arrays
        Heat capacity flow through the faces [W/K], one a recording.
    board, air : tuple of (times, cells) arrays
        Rises of board and air [K], one a recording.
    parameters : Parameters
        How the vector is read.
    """

    misfit: float
    data: float
    residual: float
    vector: Array
    covariance: Array
    powers: Array
    flux: tuple[Array, ...]
    board: tuple[Array, ...]
    air: tuple[Array, ...]
    parameters: Parameters


@dataclass(frozen=True)
class _State:
    """The model at one parameter vector."""

    vector: Array
    marched: tuple[list[list[Step]], ...]
    weights: tuple[Array, ...]
    design: Array
    powers: Array
    residuals: Array
    cost: float


class JointFlow:
    """The fit of one board: grid, sources, prior and recordings.

    Parameters
    ----------
    grid : CellGrid
        The cells.
    sources : (cells, m) array
        Power in each cell [W] for 1 W of each source.
    bodies : (parts, cells) array
        Share of each cell under each part's body.
    prior : BoardPrior
        The board beforehand.
    recordings : sequence of Recording
        One, or several of the same board at equal power and the same times.
    alike : bool
        Of several recordings: whether the air flows the same way in all. Then their mean is as well described as a
        single recording; where it is not, model errors that do not cancel are given more room in it.
    exchange_spread : float
        Standard deviation of the logarithm of each recording's own exchange between board and air, of several.
    """

    def __init__(
        self,
        grid: CellGrid,
        *,
        sources: Array,
        bodies: Array,
        prior: BoardPrior,
        recordings: Sequence[Recording],
        alike: bool = False,
        exchange_spread: float = ALIKE_EXCHANGE,
    ) -> None:
        if not recordings:
            raise ValueError("recordings must be at least 1, got 0")
        self.grid, self.sources, self.bodies, self.prior = grid, sources, bodies, prior
        self.board = ConjugateBoard(grid)
        self.recordings, self.exchange_spread = tuple(recordings), exchange_spread
        self.cells_a_datum = CELLS_A_DATUM
        error = MODEL_ERROR if alike else SUM_ERROR
        several = len(recordings) > 1
        self.rows: SingleRows | GroupRows = (
            group_rows(recordings, grid=grid, mean_error=error) if several else single_rows(recordings[0], grid)
        )

    def alone(self, index: int) -> "JointFlow":
        """Return the fit of one of the recordings by itself."""
        one, prior = self.recordings[index : index + 1], self.prior
        return JointFlow(self.grid, sources=self.sources, bodies=self.bodies, prior=prior, recordings=one)

    @cached_property
    def coarse(self) -> "JointFlow | None":
        """The same fit on cells twice as large, None where they would be too few."""
        grid = coarser(self.grid)
        if grid is None:
            return None
        share = shares(self.grid, grid)
        made = copy(self)
        made.grid, made.board, made.coarse = grid, ConjugateBoard(grid), None
        made.sources = share.T @ self.sources
        made.bodies = self.bodies @ share / share.sum(axis=0)
        made.recordings = tuple(coarse_recording(each, share) for each in self.recordings)
        made.rows = coarse_rows(self.rows, share)
        made.cells_a_datum = self.cells_a_datum * grid.cells / self.grid.cells
        return made

    def fit(
        self,
        families: Sequence[AirFamily],
        *,
        like: JointFit | None = None,
        start: JointFit | None = None,
        steps: int = 20,
    ) -> JointFit:
        """Fit one family a recording.

        Parameters
        ----------
        families : sequence of AirFamily
            One a recording.
        like : JointFit, optional
            Another fit, whose board is the first guess.
        start : JointFit, optional
            A fit of the same families on other cells: the first guess of all, and a good one.
        steps : int
            Most Gauss-Newton steps.
        """
        parameters = Parameters(
            self.grid, self.prior, families, bodies=self.bodies, exchange_spread=self.exchange_spread
        )
        guess = parameters.start.copy()
        if like is not None:
            guess[: parameters.shared] = like.vector[: parameters.shared]
        if start is not None:
            guess = start.vector
        damping = _DAMPING if start is None else _LEAST_DAMPING
        return self._finish(parameters, *self._settle(parameters, guess, damping=damping, steps=steps))

    def _settle(self, parameters: Parameters, start: Array, *, damping: float, steps: int) -> tuple[_State, Array]:
        """Take damped Gauss-Newton steps until they gain little; return the state and the last curvature."""
        state = self._evaluate(parameters, start)
        curvature, gradient = self._expand(parameters, state)
        for _ in range(steps):
            damped = curvature + damping * np.diag(np.diag(curvature))
            change = np.clip(-cho_solve(cho_factor(damped), gradient), -1.0, 1.0)
            trial = self._evaluate(parameters, state.vector + change)
            gain = state.cost - trial.cost
            if gain > 0.0:
                settled = gain < _SETTLED * trial.cost and damping <= 0.1
                state, damping = trial, max(0.2 * damping, _LEAST_DAMPING)
                if settled:
                    break
                curvature, gradient = self._expand(parameters, state)
            else:
                damping = 10.0 * damping
                if damping > 1e3:
                    break
        return state, curvature

    def _evaluate(self, parameters: Parameters, vector: Array) -> _State:
        marched, rises = [], []
        for index, recording in enumerate(self.recordings):
            found = self.board.march(parameters.coefficients(vector, index), self.sources, times=recording.times)
            marched.append(found)
            rise = np.stack([steps[-1].last[: self.grid.cells] for steps in found])
            rises.append(rise * parameters.power(vector, index))
        weights, target = self.rows.linearise(())
        powers = _positive(_combine(weights, rises), target)
        for _ in range(_RATIO_STEPS if len(rises) > 1 else 0):
            weights, target = self.rows.linearise([rise @ powers for rise in rises])
            powers = _positive(_combine(weights, rises), target)
        weights, target = self.rows.linearise([rise @ powers for rise in rises])
        design = _combine(weights, rises)
        residuals = design @ powers - target
        away = (vector - parameters.mean) / parameters.deviation
        cost = float(residuals @ residuals + away @ away)
        return _State(vector, tuple(marched), weights, design, powers, residuals, cost)

    def _expand(self, parameters: Parameters, state: _State) -> tuple[Array, Array]:
        """Return curvature and gradient of half the cost (Gauss-Newton), with the powers projected out."""
        slopes = self._slopes(parameters, state)
        active = state.design[:, state.powers > 0.0]
        basis = np.linalg.qr(active)[0]
        slopes = slopes - basis @ (basis.T @ slopes)
        inverse = 1.0 / parameters.deviation**2
        curvature = slopes.T @ slopes + np.diag(inverse)
        gradient = slopes.T @ state.residuals + inverse * (state.vector - parameters.mean)
        return curvature, gradient

    def _slopes(self, parameters: Parameters, state: _State) -> Array:
        slopes = np.zeros((state.residuals.size, state.vector.size))
        for index, marched in enumerate(state.marched):
            power, columns = parameters.power(state.vector, index), parameters.concern(index)
            found = self.board.differentiate(
                marched,
                parameters.coefficients(state.vector, index),
                parameters.tangents(state.vector, index).select(columns),
                powers=state.powers * power,
            )
            rise = np.zeros((len(found), self.grid.cells, state.vector.size))
            rise[:, :, columns] = np.stack(found)
            model = np.stack([steps[-1].last[: self.grid.cells] @ state.powers for steps in marched]) * power
            rise[:, :, parameters.own(index).start + 1] += model
            slopes += _combine((state.weights[index],), (rise,))
        return slopes

    def _finish(self, parameters: Parameters, state: _State, curvature: Array) -> JointFit:
        data = np.count_nonzero(state.weights[0]) / self.cells_a_datum
        cells = self.grid.cells
        layers = []
        for index, marched in enumerate(state.marched):
            power = parameters.power(state.vector, index)
            layers.append(np.stack([steps[-1].last @ state.powers * power for steps in marched]))
        count = range(len(self.recordings))
        board = tuple(layer[:, :cells] for layer in layers)
        return JointFit(
            misfit=state.cost,
            data=data,
            residual=max(_relative(board[k], self.recordings[k].rise) for k in count),
            vector=state.vector,
            covariance=np.asarray(np.linalg.inv(curvature) * max(state.cost / data, 1.0), dtype=float),
            powers=state.powers,
            flux=tuple(parameters.coefficients(state.vector, k).flux for k in count),
            board=board,
            air=tuple(layer[:, cells:] for layer in layers),
            parameters=parameters,
        )


def evidence(best: JointFit, other: JointFit) -> float:
    """Return how much better one fit explains the data than another: the number of data times the log ratio of misfits.

    Twice a log-likelihood ratio: the errors' size is not known beforehand, so it is profiled out, ``n / 2 ln(S)`` each.
    """
    return float(best.data * np.log(other.misfit / best.misfit))


def air_velocity(fit: JointFit, grid: CellGrid, *, index: int = 0) -> Array:
    """Return the heat capacity flow of the air per metre of width [W K-1 m-1], ``(2, cells)`` as ``(x, y)``."""
    return cell_velocity(fit.flux[index], grid)


def carried_heat(fit: JointFit, grid: CellGrid, *, index: int = 0) -> Array:
    """Return the heat that the air over the board carries [W m], ``(times, 2)``: velocity times rise of the air."""
    return np.asarray(fit.air[index] @ air_velocity(fit, grid, index=index).T) * grid.cell_area


def given_heat(fit: JointFit, *, index: int = 0) -> Array:
    """Return what weighs the air over a part: board less air where positive, at the last time [K], ``(cells,)``."""
    return np.asarray(np.maximum(fit.board[index][-1] - fit.air[index][-1], 0.0))


def weighted_angle(
    fit: JointFit, grid: CellGrid, *, weights: Array | None = None, index: int = 0
) -> tuple[Array, Array]:
    """Return the air's direction, averaged with weights, and its standard uncertainty from the fit alone.

    Parameters
    ----------
    fit : JointFit
        The fit.
    grid : CellGrid
        The cells.
    weights : (n, cells) array, optional
        Weights of the cells; each cell on its own where not given.
    index : int
        Which recording.

    Returns
    -------
    tuple of (n,) arrays
        Direction and uncertainty [degree]: the spread of the flow's parameters, carried on linearly.
    """
    place = fit.parameters.flow(index)
    slopes = fit.parameters.families[index].flux_slope(fit.vector[place])
    vectors = [air_velocity(fit, grid, index=index), *[cell_velocity(slope, grid) for slope in slopes]]
    mean, *changes = [vector if weights is None else vector @ weights.T for vector in vectors]
    square = np.maximum(mean[0] ** 2 + mean[1] ** 2, 1e-30)
    turns = np.array([(mean[0] * change[1] - mean[1] * change[0]) / square for change in changes])
    spread = np.einsum("ak,ab,bk->k", turns, fit.covariance[place, place], turns) if changes else 0.0 * square
    return np.degrees(np.arctan2(mean[1], mean[0])), np.degrees(np.sqrt(np.maximum(spread, 0.0)))


def _combine(weights: Sequence[Array], values: Sequence[Array]) -> Array:
    """Sum ``(blocks, times, cells)`` weights times ``(times, cells, n)`` values over the recordings: ``(rows, n)``."""
    total = sum(weight[..., np.newaxis] * value for weight, value in zip(weights, values, strict=True))
    return np.asarray(total).reshape(-1, values[0].shape[-1])


def _positive(design: Array, target: Array) -> Array:
    """Least squares with non-negative unknowns, through the normal equations."""
    normal = design.T @ design
    normal[np.diag_indices_from(normal)] += 1e-8 * np.trace(normal) / len(normal) + 1e-300
    upper = cholesky(normal)
    return np.asarray(nnls(upper, solve_triangular(upper, design.T @ target, trans=1))[0])


def _relative(model: Array, seen: Array) -> float:
    """Root mean square difference over root mean square rise."""
    good = np.isfinite(seen)
    return float(np.sqrt(np.mean((model - seen)[good] ** 2) / np.mean(seen[good] ** 2)))
