"""Each source's own share of a map: what stays when the heat of all others is taken off.

Every source's heat is a mixture, with weights of at least 0, of its rectangle blurred by Gaussians of growing width.
Heat that spreads and is lost is such a mixture whatever its history: a pulse of age ``t`` is a Gaussian of variance
``2 a t``, and what stands on the map is a sum over ages (Carslaw and Jaeger, Conduction of Heat in Solids, 1959, ch.
10). Heat that is carried along as it spreads is displaced in proportion to the age, so by ``g`` times the variance with
one vector ``g`` a source. No heat passes the board's edge: each blur is mirrored there. Below the sources lies a base,
bilinear and nowhere negative.

All weights are found together by non-negative least squares (Lawson and Hanson 1974), the displacements by damped
Gauss-Newton steps between. What neither explains is shared out by the squares of the models, so a source keeps what its
surroundings say of its shape where it dominates, and the model's shape where another one does.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls
from scipy.special import erf

Array = npt.NDArray[Any]
Profiles = tuple[tuple[Array, Array], ...]

WIDEST: Final = 1 / 8  # of the board's diagonal: the widest blur; what is broader is base
WIDTHS: Final = 5  # each half as wide as the one before
RIDGE: Final = 0.01  # against weights that only trade heat among each other
CARRIED: Final = 0.1  # expected size of a displacement's vector, over the widest blur
LONGEST_STEP: Final = 0.3  # of a displacement's vector in one round, over the widest blur
DATUM: Final = 30.0  # pixels of the residual that stray together: an independent datum
MOST_CELLS: Final = 5000  # of the map that the mixture is fitted to
LEAST_MISFIT: Final = 0.01  # [K] below it a residual says nothing


@dataclass(frozen=True)
class OwnHeat:
    """Sources of one map, told apart.

    Attributes
    ----------
    displacement : (n, 2) array
        ``g`` of each source [1/length], ``(x, y)``: an asymmetry of its heat, also one that a neighbour's error makes.
    base : (ny, nx) array
        What lies below all sources [K].
    residual : (ny, nx) array
        What the mixture leaves [K]; NaN where the map is.
    misfit : float
        Root mean square of the residual [K].
    """

    displacement: Array
    base: Array
    residual: Array
    misfit: float
    _profiles: Profiles
    _weights: Array
    _squares: Array

    def model(self, source: int) -> Array:
        """Return the mixture of one source (ny, nx) [K]."""
        across, down = self._profiles[source]
        return _mixture(self._weights[source], across, down)

    def dominance(self, source: int) -> Array:
        """Return its square's share of the squares of all mixtures (ny, nx), 0 to 1."""
        return np.asarray(self.model(source) ** 2 / self._squares)

    def own(self, source: int) -> Array:
        """Return one source's own heat (ny, nx) [K]: its mixture and its share of the residual."""
        model = self.model(source)
        return np.asarray(model + self.residual * model**2 / self._squares)


def separate_heat(
    rise: Array,
    *,
    x: Array,
    y: Array,
    boxes: Array,
    extent: tuple[float, float, float, float] | None = None,
    start: Array | None = None,
    rounds: int = 6,
) -> OwnHeat:
    """Tell the heat of several sources apart on one map.

    Parameters
    ----------
    rise : (ny, nx) array
        [K]; NaN where masked.
    x, y : (nx,) and (ny,) arrays
        Pixel centres, evenly spaced; x increasing, y decreasing.
    boxes : (n, 4) array
        Centre x, y, width and height of each source.
    extent : (left, right, bottom, top), optional
        Edges of the board, where heat is mirrored; those of the map where not given.
    start : (n, 2) array, optional
        Displacements to start from, as of the map before.
    rounds : int
        Steps in turn over weights and displacements; few are enough from a good start.

    Raises
    ------
    ValueError
        Where there is no source, or nothing to be seen.
    """
    if not len(boxes) or not np.isfinite(rise).any():
        raise ValueError("no source, or no pixel seen")
    sources = _Sources(boxes, extent or _edges(x, y))
    coarse, coarse_x, coarse_y = _coarse(rise, x, y)
    seen = np.isfinite(coarse)
    corners = sources.corners(coarse_x, coarse_y)[:, seen].T
    displacement = np.zeros((len(boxes), 2)) if start is None else start.copy()
    weights = base = np.empty((0, 0))
    for left in range(rounds, 0, -1):
        profiles = sources.profiles(coarse_x, coarse_y, displacement)
        columns = np.concatenate([down[:, :, np.newaxis] * across[:, np.newaxis] for across, down in profiles])
        columns = np.concatenate([columns[:, seen].T, corners], axis=1)
        solved = _weights(columns, coarse[seen], ridged=columns.shape[1] - len(corners.T))
        weights, base = solved[: -len(corners.T)].reshape(len(boxes), -1), solved[-len(corners.T) :]
        if left > 1:
            small = 1e-3 / sources.widths[0]
            moved = sources.profiles(coarse_x, coarse_y, displacement + small)
            slopes = _slopes(profiles, moved, weights) / small
            residual = coarse[seen] - columns @ solved
            displacement = displacement + _step(slopes[:, seen].T, residual, displacement, widest=sources.widths[0])
    below = np.tensordot(base, sources.corners(x, y), 1)
    return _assemble(rise, below, sources.profiles(x, y, displacement), weights, displacement)


@dataclass(frozen=True)
class _Sources:
    """Rectangles that heat, on a board that lets none out at its edges."""

    boxes: Array
    extent: tuple[float, float, float, float]

    @property
    def widths(self) -> Array:
        """Standard deviations of the blurs, the widest first."""
        left, right, bottom, top = self.extent
        return np.asarray(WIDEST * np.hypot(right - left, top - bottom) / 2.0 ** np.arange(WIDTHS))

    def profiles(self, x: Array, y: Array, displacement: Array) -> Profiles:
        """Return of each source the blurs along x (widths, nx) and along y (widths, ny)."""
        made = []
        for box, carried in zip(self.boxes, displacement, strict=True):
            centres = box[:2, np.newaxis] + carried[:, np.newaxis] * self.widths**2
            across = _mirrored(x, centres[0], box[2] / 2, widths=self.widths, ends=self.extent[:2])
            made.append((across, _mirrored(y, centres[1], box[3] / 2, widths=self.widths, ends=self.extent[2:])))
        return tuple(made)

    def corners(self, x: Array, y: Array) -> Array:
        """Return four bilinear maps, each 1 at one corner of the board and 0 at the others."""
        left, right, bottom, top = self.extent
        along, up = (x - left) / (right - left), (y - bottom) / (top - bottom)
        return np.array([np.outer(one, other) for one in (up, 1 - up) for other in (along, 1 - along)])


def _edges(x: Array, y: Array) -> tuple[float, float, float, float]:
    half_x, half_y = (abs(float(axis[1] - axis[0])) / 2 if len(axis) > 1 else 0.5 for axis in (x, y))
    return float(x[0]) - half_x, float(x[-1]) + half_x, float(y[-1]) - half_y, float(y[0]) + half_y


def _coarse(rise: Array, x: Array, y: Array) -> tuple[Array, Array, Array]:
    """Return means over blocks of so many pixels that the fit is quick, with their centres."""
    size = max(1, int(np.ceil(np.sqrt(rise.size / MOST_CELLS))))
    return block_means(rise, x, y, size=size)


def block_means(rise: Array, x: Array, y: Array, *, size: int) -> tuple[Array, Array, Array]:
    """Return means over blocks of ``size`` x ``size`` pixels of what is seen, with the blocks' centres.

    What is left over at the right and lower edge is dropped; NaN where nothing is seen.

    Examples
    --------
    >>> means, across, down = block_means(np.arange(8.0).reshape(2, 4), np.arange(4.0), np.array([1.0, 0.0]), size=2)
    >>> means.tolist(), across.tolist(), down.tolist()
    ([[2.5, 4.5]], [0.5, 2.5], [0.5])
    """
    size = min(size, *rise.shape)
    rows, columns = (length // size for length in rise.shape)
    blocks = rise[: rows * size, : columns * size].astype(np.float64).reshape(rows, size, columns, size)
    seen = np.isfinite(blocks)
    count = seen.sum(axis=(1, 3))
    total = np.where(seen, blocks, 0.0).sum(axis=(1, 3))
    means = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    across = x[: columns * size].reshape(columns, size).mean(axis=1)
    return means, across, y[: rows * size].reshape(rows, size).mean(axis=1)


def _mirrored(places: Array, centres: Array, half: float, *, widths: Array, ends: tuple[float, float]) -> Array:
    """Return a line of twice ``half`` under blurs round their centres, with its images in both ends, (widths, n)."""
    scale = np.sqrt(2) * widths[:, np.newaxis]
    total = np.zeros((len(widths), len(places)))
    for seen in (places, 2 * ends[0] - places, 2 * ends[1] - places):
        away = seen - centres[:, np.newaxis]
        total += 0.5 * (erf((away + half) / scale) - erf((away - half) / scale))
    return total


def _mixture(weights: Array, across: Array, down: Array) -> Array:
    return np.asarray((weights[:, np.newaxis] * down).T @ across)


def _weights(columns: Array, values: Array, *, ridged: int) -> Array:
    """Return non-negative weights of columns by least squares, with a slight ridge on the first ``ridged``."""
    sizes = np.maximum(np.linalg.norm(columns, axis=0), 1e-9)
    scaled = columns / sizes
    normal = scaled.T @ scaled + 1e-9 * np.eye(scaled.shape[1])
    normal[range(ridged), range(ridged)] += RIDGE
    factor = np.linalg.cholesky(normal)
    found, _ = nnls(factor.T, np.linalg.solve(factor, scaled.T @ values), maxiter=30 * scaled.shape[1])
    return np.asarray(found / sizes)


def _slopes(profiles: Profiles, moved: Profiles, weights: Array) -> Array:
    """Return how the map changes as each source is moved along x, then along y, (2 * sources, ny, nx)."""
    made = []
    for weight, (across, down), (next_across, next_down) in zip(weights, profiles, moved, strict=True):
        made.append(_mixture(weight, next_across - across, down))
        made.append(_mixture(weight, across, next_down - down))
    return np.array(made)


def _step(slopes: Array, residual: Array, displacement: Array, *, widest: float) -> Array:
    """Return a Gauss-Newton step of the displacements, held to what is expected of them and to a longest step."""
    variance = DATUM * max(float(np.mean(residual**2)), LEAST_MISFIT**2)
    precision = (widest / CARRIED) ** 2
    normal = slopes.T @ slopes / variance + precision * np.eye(slopes.shape[1])
    step = np.linalg.solve(normal, slopes.T @ residual / variance - precision * displacement.ravel())
    step = step.reshape(-1, 2)
    length = np.hypot(step[:, 0], step[:, 1])
    return np.asarray(step * np.minimum(1.0, LONGEST_STEP / widest / np.maximum(length, 1e-12))[:, np.newaxis])


def _assemble(rise: Array, below: Array, profiles: Profiles, weights: Array, displacement: Array) -> OwnHeat:
    """Lay the mixture on the map's own pixels."""
    total, squares = np.zeros(rise.shape), np.zeros(rise.shape)
    for weight, (across, down) in zip(weights, profiles, strict=True):
        model = _mixture(weight, across, down)
        total += model
        squares += model**2
    residual = rise - below - total
    misfit = float(np.sqrt(np.nanmean(residual**2)))
    # where there is nothing of any source nobody dominates
    squares = np.maximum(squares, 1e-9 * max(float(squares.max()), 1e-9))
    return OwnHeat(displacement, below, residual, misfit, profiles, weights, squares)
