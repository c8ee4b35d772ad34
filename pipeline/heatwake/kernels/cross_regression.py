"""Local regression in windows whose normal equations noise does not bias.

Products are taken between interleaved subsets only, whose noise is independent (instrumental variables), and each
window takes off its own mean of every test function: with it goes whatever the camera adds to all pixels alike.
"""

from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
import numpy.typing as npt

from heatwake.kernels.weak_form import LocalMean, Projections, between_nodes, gaussian_rows, space_fields

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

UNKNOWNS = 4
TOLD = 0.5  # correlation between subsets below which a field is more noise than signal
_FIELDS = UNKNOWNS + 1
_LEAST_SHARE = 0.05  # of a window that must be seen


@dataclass(frozen=True)
class WindowData:
    """What is regressed.

    Attributes
    ----------
    fields : (5, subset, function, ny, nx) array
        The response lap P, and dP/dx, dP/dy, P and Q.
    products : (5, 5, ny, nx) array
        Of the fields, between different subsets only, summed over the functions.
    own : (ny, nx) array
        Of the response with itself, within subsets.
    weight : (ny, nx) array
        1 where a pixel counts.
    """

    fields: Array
    products: Array
    own: Array
    weight: Array


@dataclass(frozen=True)
class Solution:
    """Regression about nodes ``(rows, columns)``.

    Attributes
    ----------
    coefficients : (rows, columns, kept) array
        Of dP/dx, dP/dy, P and, unless steady, Q; NaN where unknown.
    inverse : (rows, columns, kept, kept) array
        Of the normal matrix.
    means : (5, subset, function, rows, columns) array
        Of the fields.
    determination, signal, evenness : (rows, columns) arrays
        See `TransportField`.
    """

    coefficients: Array
    inverse: Array
    means: Array
    determination: Array
    signal: Array
    evenness: Array


def gather(projected: Projections, usable: Mask, *, psi: float) -> WindowData:
    """Return fields under a Gaussian of ``psi`` pixels and their products between subsets."""
    fields = space_fields(projected, sigma=psi)
    together = fields.sum(axis=1)
    subsets = fields.shape[1]
    products = np.empty((_FIELDS, _FIELDS, *fields.shape[-2:]))
    for a, b in combinations_with_replacement(range(_FIELDS), 2):
        within = np.einsum("kjyx,kjyx->yx", fields[a], fields[b])
        between = np.einsum("jyx,jyx->yx", together[a], together[b]) - within
        products[a, b] = products[b, a] = between / (subsets * (subsets - 1))
    own = np.einsum("kjyx,kjyx->yx", fields[0], fields[0]) / subsets
    return WindowData(fields, products, own, usable.astype(float))


def is_steady(data: WindowData) -> bool:
    """Whether the rise's rate is more noise than signal: then its coefficient, the diffusivity, cannot be told."""
    counts = data.weight > 0.0
    rate = data.fields[-1][..., counts] if counts.any() else data.fields[-1]
    rate = rate - rate.mean(axis=-1, keepdims=True)
    between = float(np.sum(rate.sum(axis=0) ** 2) - np.sum(rate**2)) / (len(rate) - 1)
    return bool(between < TOLD * np.sum(rate**2))


def solve(data: WindowData, mean: LocalMean, *, kept: int) -> Solution:
    """Regress about each node, with products between subsets only, less the window's means."""
    means = mean(data.fields)
    together, subsets = means.sum(axis=1), means.shape[1]
    within = np.einsum("akjyx,bkjyx->abyx", means, means)
    of_means = (np.einsum("ajyx,bjyx->abyx", together, together) - within) / (subsets * (subsets - 1))
    moments = np.moveaxis(mean(data.products) - of_means, (0, 1), (-2, -1))
    own = mean(data.own) - within[0, 0] / subsets
    enough = mean.share > _LEAST_SHARE
    normal, right = moments[..., 1 : kept + 1, 1 : kept + 1], moments[..., 1 : kept + 1, 0]
    scale = np.sqrt(np.einsum("...ii->...i", normal).clip(1e-30))
    scale = scale[..., :, np.newaxis] * scale[..., np.newaxis, :]
    scaled = np.where(enough[..., np.newaxis, np.newaxis], normal / scale, np.eye(kept)) + 1e-12 * np.eye(kept)
    inverse = np.linalg.pinv(scaled, hermitian=True) / scale
    solved = np.einsum("...ij,...j->...i", inverse, right)
    explained = np.einsum("...i,...i->...", solved, right) / moments[..., 0, 0].clip(1e-30)
    sizes = np.linalg.eigvalsh(moments[..., 1:3, 1:3])
    return Solution(
        coefficients=np.where(enough[..., np.newaxis], solved, np.nan),
        inverse=inverse,
        means=means,
        determination=np.where(enough, explained, np.nan),
        signal=np.where(enough, moments[..., 0, 0] / own.clip(1e-30), np.nan),
        evenness=np.where(enough, np.maximum(sizes[..., 0], 0.0) / sizes[..., 1].clip(1e-30), np.nan),
    )


def score_spread(data: WindowData, best: Solution, mean: LocalMean, *, window: float, psi: float, step: int) -> Array:
    """Return the covariance ``(rows, columns, 2, 2)`` of the drift.

    Residuals are alike within two ``psi`` and over all test functions: a sandwich with such products of scores (Conley,
    J. Econometrics 92, 1999, 1).
    """
    shape = (data.weight.shape[0], data.weight.shape[1])
    kept = best.coefficients.shape[-1]
    local = data.fields[: kept + 1] - between_nodes(best.means[: kept + 1], shape=shape, step=step)
    coefficients = between_nodes(np.moveaxis(np.nan_to_num(best.coefficients), -1, 0), shape=shape, step=step)
    residual = local[0] - np.einsum("iyx,ikjyx->kjyx", coefficients, local[1:])
    subsets = len(residual)
    scores = np.einsum("ijyx,jyx->iyx", local[1:].sum(axis=1), residual.sum(axis=0))
    scores -= np.einsum("ikjyx,kjyx->iyx", local[1:], residual)
    scores *= data.weight / (subsets * (subsets - 1))
    reach = 2.0 * psi
    rows, columns = (gaussian_rows(size, sigma=reach, inside=True) for size in shape)
    near = rows @ scores @ columns.T * (2.0 * np.pi * reach**2)
    narrow = LocalMean.over(data.weight, sigma=window / np.sqrt(2.0), step=step)
    products = 0.5 * (scores[:, np.newaxis] * near + scores * near[:, np.newaxis])
    safe = np.where(mean.share > _LEAST_SHARE, mean.share, np.inf)
    middle = np.moveaxis(narrow.total(products) / (4.0 * np.pi * window**2) / safe**2, (0, 1), (-2, -1))
    return np.asarray((best.inverse @ middle @ best.inverse)[..., :2, :2])
