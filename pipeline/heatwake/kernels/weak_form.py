"""Test functions of a weak form: what maps over time and space are multiplied by before they are compared.

In time a polynomial bump ``(1 - z^2)^4`` or its slope, whose integral is zero; in space a Gaussian, on which all
derivatives fall (Gurevich, Reinbold and Grigoriev, Chaos 29, 2019, 103113). Interleaved subsets of the maps are
projected one by one, for their noise is independent.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.polynomial import Polynomial
from scipy.ndimage import gaussian_filter1d

Array = npt.NDArray[np.float64]

_BUMP = Polynomial([1.0, 0.0, -1.0]) ** 4
_EXACT = 4  # powers of time that a sum over maps integrates as the integral does
_FEWEST = 7  # maps of a subset under a test function


@dataclass(frozen=True)
class Projections:
    """Maps multiplied by test functions in time and summed; ``(subset, function, ny, nx)`` each.

    Attributes
    ----------
    value : array
        The rise times the function.
    rate : array
        The rise's rate times the function, by parts: minus the rise times the function's slope [1/s].
    """

    value: Array
    rate: Array


def project(rise: Array, *, elapsed: Array, half: float, mean_free: bool, subsets: int = 2) -> Projections:
    """Project maps on test functions that follow each other by half their own half-length.

    Parameters
    ----------
    rise : (time, ny, nx) array
    elapsed : (time,) array
        At about equal steps [s].
    half : float
        Half the length of a test function [s].
    mean_free : bool
        Whether the functions integrate to zero, so that nothing constant in time is left.
    subsets : int
        Interleaved sets of maps.

    Raises
    ------
    ValueError
        When a subset has fewer than seven maps under a function, or the maps do not last for one.
    """
    centres = np.arange(elapsed[0] + half, elapsed[-1] - half + 1e-9, half / 2.0)
    times = [elapsed[k::subsets] for k in range(subsets)]
    if len(centres) == 0 or min(np.sum(np.abs(t - c) < half) for t in times for c in centres) < _FEWEST:
        raise ValueError(
            f"{len(elapsed)} maps over {np.ptp(elapsed):g} s are too few for test functions of {2 * half:g} s"
        )
    shape = _BUMP.deriv() if mean_free else _BUMP
    value, rate = [], []
    for k, own in enumerate(times):
        functions = np.array([_weights(shape, (own - centre) / half) for centre in centres])
        slopes = np.array([_weights(-shape.deriv() / half, (own - centre) / half) for centre in centres])
        flat = rise[k::subsets].reshape(len(own), -1)
        summed = (np.concatenate([functions, slopes]).astype(flat.dtype) @ flat).astype(float)
        both = summed.reshape(2, len(centres), *rise.shape[1:])
        value.append(both[0])
        rate.append(both[1])
    return Projections(np.array(value), np.array(rate))


def _weights(function: Polynomial, place: Array) -> Array:
    """Return weights whose sum over maps at places -1 to 1 is the integral of the function times any cubic in time.

    The function's own values, with the least change (weighted by ``1 - z^2``) that makes the sum exact: a source that
    is constant vanishes, and so does the difference between integration by parts and its sum.
    """
    inside = np.abs(place) < 1.0
    near = place[inside]
    powers = np.array([near**m for m in range(_EXACT)])
    wanted = np.array([_over_unit(function * Polynomial([0.0] * m + [1.0])) for m in range(_EXACT)])
    plain = function(near) * np.gradient(near)
    soft = powers * (1.0 - near**2)
    weights = np.zeros(len(place))
    weights[inside] = plain + soft.T @ np.linalg.solve(soft @ powers.T, wanted - powers @ plain)
    return weights


def _over_unit(function: Polynomial) -> float:
    whole = function.integ()
    return float(whole(1.0) - whole(-1.0))


def gaussian_rows(size: int, *, sigma: float, order: int = 0, inside: bool = False) -> Array:
    """Return the matrix ``(size, size)`` that smooths along an axis by a Gaussian, or by its derivative of an order.

    Beyond the ends the last value goes on, or with ``inside`` nothing counts.
    """
    mode = "constant" if inside else "nearest"
    return np.asarray(gaussian_filter1d(np.eye(size), sigma, axis=0, order=order, mode=mode))


def space_fields(projected: Projections, *, sigma: float) -> Array:
    """Return ``(5, subset, function, ny, nx)``: lap P, dP/dx, dP/dy (y up), P and Q, smoothed by ``sigma`` pixels."""
    p, q = projected.value, projected.rate
    rows = [gaussian_rows(p.shape[-2], sigma=sigma, order=order) for order in range(3)]
    columns = [gaussian_rows(p.shape[-1], sigma=sigma, order=order).T for order in range(3)]
    along = [p @ matrix for matrix in columns]
    lap = rows[0] @ along[2] + rows[2] @ along[0]
    return np.stack([lap, rows[0] @ along[1], -(rows[1] @ along[0]), rows[0] @ along[0], rows[0] @ (q @ columns[0])])


@dataclass(frozen=True)
class LocalMean:
    """Gaussian means about nodes, a few pixels apart, over the pixels that count.

    Attributes
    ----------
    rows, columns : (nodes, ny) and (nx, nodes) arrays
        Gaussian weights.
    weight : (ny, nx) array
        1 where a pixel counts, else 0.
    share : (nodes, nodes) array
        Of the Gaussian's pixels that count.
    """

    rows: Array
    columns: Array
    weight: Array
    share: Array

    @classmethod
    def over(cls, weight: Array, *, sigma: float, step: int) -> "LocalMean":
        """Return means with a Gaussian of ``sigma`` pixels, about nodes some ``step`` pixels apart."""
        rows, columns = (_about_nodes(size, sigma=sigma, step=step) for size in weight.shape)
        return cls(rows, columns.T, weight, rows @ weight @ columns.T)

    def __call__(self, fields: Array) -> Array:
        """Return the means of fields ``(..., ny, nx)``; 0 about nodes without a pixel that counts."""
        return self.total(fields * self.weight) / np.where(self.share > 1e-9, self.share, 1.0)

    def total(self, fields: Array) -> Array:
        """Return Gaussian sums of fields that are 0 where they do not count."""
        return self.rows @ fields @ self.columns


def node_places(size: int, step: int) -> Array:
    """Return where nodes lie along an axis [pixel]: evenly from the first pixel to the last."""
    return np.linspace(0.0, size - 1.0, max(2, round((size - 1) / step) + 1))


def _about_nodes(size: int, *, sigma: float, step: int) -> Array:
    apart = (node_places(size, step)[:, np.newaxis] - np.arange(size)) / sigma
    return np.asarray(np.exp(-0.5 * apart**2) / (np.sqrt(2.0 * np.pi) * sigma))


def between_nodes(nodes: Array, *, shape: tuple[int, int], step: int) -> Array:
    """Return fields ``(..., nodes, nodes)`` on all pixels of a map, linear in between; NaN where most nodes are."""
    rows, columns = (_hats(size, step) for size in shape)
    known = np.isfinite(nodes)
    if known.all():
        return np.asarray(rows @ nodes @ columns.T)
    share = rows @ known.astype(float) @ columns.T
    total = rows @ np.where(known, nodes, 0.0) @ columns.T
    return np.where(share > 0.5, total / np.where(share > 0.5, share, 1.0), np.nan)


def _hats(size: int, step: int) -> Array:
    places = node_places(size, step)
    return np.array([np.interp(np.arange(size), places, one) for one in np.eye(len(places))]).T
