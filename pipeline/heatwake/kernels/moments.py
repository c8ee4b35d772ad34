"""Centroids and second moments of heated footprints."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

MOST_STEPS: Final = 200
CONVERGED: Final = 1e-4  # relative change of the second moments


@dataclass(frozen=True)
class Footprint:
    """Second moments of a heated footprint, lengths in the unit of the coordinates.

    Attributes
    ----------
    x, y : float
        Centroid.
    major, minor : float
        One standard deviation along the long and the short axis.
    orientation : float
        Of the long axis [deg], counter-clockwise from +x, in [0, 180).
    cut : bool
        Whether the footprint reaches over the edge of what is seen, by a tenth of its weight or more.
    """

    x: float
    y: float
    major: float
    minor: float
    orientation: float
    cut: bool


NOTHING: Final = Footprint(np.nan, np.nan, np.nan, np.nan, np.nan, cut=False)


def centroid(rise: Array, *, x: Array, y: Array) -> tuple[float, float]:
    """Return the rise-weighted centroid ``(x, y)``; NaN and negative pixels weigh nothing, NaN where none is heated.

    Parameters
    ----------
    rise : (ny, nx) array
        Temperature rise [K].
    x, y : (nx,) and (ny,) arrays
        Pixel centres [mm].
    """
    weight = np.where(np.isfinite(rise), np.maximum(rise, 0), 0)
    total = weight.sum()
    if total <= 0:
        return float("nan"), float("nan")
    return float((weight.sum(axis=0) @ x) / total), float((weight.sum(axis=1) @ y) / total)


def footprint(rise: Array, *, x: Array, y: Array, start: tuple[float, float], size: float) -> Footprint:
    """Return the footprint of one spot by adaptively weighted second moments.

    The weight is a Gaussian of the footprint's own centroid and covariance, found by iteration (Bernstein & Jarvis
    2002, Astron. J. 123:583): neighbours and noise far off weigh nothing, and a Gaussian footprint is returned
    exactly, for a Gaussian weighted by itself has half its covariance. Pixels without a reading, and those beyond the
    edge, are given the current Gaussian's own value, so that a cut footprint is not narrowed by the cut.

    Parameters
    ----------
    rise : (ny, nx) array
        Rise over the local background [K]; NaN where masked.
    x, y : (nx,) and (ny,) arrays
        Pixel centres, evenly spaced.
    start : (float, float)
        First guess of the centroid ``(x, y)``.
    size : float
        First guess of the standard deviation, also the scale that the result may exceed tenfold at most.

    Returns
    -------
    Footprint
        NaN where the iteration finds no compact footprint.
    """
    rise, x, y = _padded(rise, x, y, by=3 * size)
    grid_x, grid_y = np.meshgrid(x, y)
    seen = np.isfinite(rise)
    values = np.where(seen, rise, 0.0)
    centre = np.array(start, dtype=float)
    covariance = np.eye(2) * size**2
    for _ in range(MOST_STEPS):
        away = np.stack([grid_x - centre[0], grid_y - centre[1]])
        window = _gaussian(away, covariance)
        peak = (values * window)[seen].sum() / max((window[seen] ** 2).sum(), 1e-12)
        weight = np.where(seen, values, peak * window) * window
        total = weight.sum()
        if total <= 0:
            return NOTHING
        moved = np.einsum("kij,ij->k", away, weight) / total
        fresh = 2 * (np.einsum("kij,lij,ij->kl", away, away, weight) / total - np.outer(moved, moved))
        if not _is_sane(fresh, size=size):
            return NOTHING
        change = np.abs(fresh - covariance).max() / np.trace(fresh)
        centre, covariance = centre + moved, fresh
        if change < CONVERGED:
            return _describe(centre, covariance, _share_outside(centre, covariance, x=x, y=y, seen=seen))
    return NOTHING


def _padded(rise: Array, x: Array, y: Array, *, by: float) -> tuple[Array, Array, Array]:
    """Add pixels without a reading all round, for what lies beyond the edge."""
    step_x = x[1] - x[0] if len(x) > 1 else 1.0
    step_y = y[1] - y[0] if len(y) > 1 else -1.0
    across, down = int(np.ceil(by / abs(step_x))), int(np.ceil(by / abs(step_y)))
    x = x[0] + step_x * np.arange(-across, len(x) + across)
    y = y[0] + step_y * np.arange(-down, len(y) + down)
    return np.pad(rise, ((down, down), (across, across)), constant_values=np.nan), x, y


def _gaussian(away: Array, covariance: Array) -> Array:
    inverse = np.linalg.inv(covariance)
    return np.asarray(np.exp(-0.5 * np.einsum("kij,kl,lij->ij", away, inverse, away)))


def _is_sane(covariance: Array, *, size: float) -> bool:
    low, high = np.linalg.eigvalsh(covariance)
    return bool(np.isfinite(high) and low > (0.02 * size) ** 2 and high < (10 * size) ** 2)


def _share_outside(centre: Array, covariance: Array, *, x: Array, y: Array, seen: Array) -> float:
    """Share of a Gaussian's weight that lies outside what is seen."""
    step = abs(x[1] - x[0]) * abs(y[1] - y[0]) if len(x) > 1 and len(y) > 1 else 1.0
    away = np.stack(np.meshgrid(x - centre[0], y - centre[1]))
    inside = (_gaussian(away, covariance) * seen).sum() * step / (2 * np.pi * np.sqrt(np.linalg.det(covariance)))
    return float(1 - inside)


def _describe(centre: Array, covariance: Array, outside: float) -> Footprint:
    spread, axes = np.linalg.eigh(covariance)
    angle = np.degrees(np.arctan2(axes[1, 1], axes[0, 1])) % 180
    major, minor = np.sqrt(spread[1]), np.sqrt(spread[0])
    return Footprint(float(centre[0]), float(centre[1]), float(major), float(minor), float(angle), cut=outside > 0.1)
