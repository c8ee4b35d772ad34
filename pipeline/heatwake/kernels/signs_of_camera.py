"""Signs of a camera at fault in a look at a recording: steps, stretches, drift, coarse steps, blur, drawn-in edges."""

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from heatwake.kernels.frame_quality import common_steps

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

CONTRAST_K: Final = 2.0  # of a place against the picture's middle, from where its ratio to before tells a gain
LEAST_PLACES: Final = 8  # of such contrast
SETTLES: Final = 6  # looks from where there are: contrast grows manifold at first, and nothing is before to compare
REACH: Final = 9.0  # [px] to either side of an edge
SPACING: Final = 0.5  # [px] of samples across an edge
SPREADS: Final = np.geomspace(0.5, 5.0, 16)  # [px] tried
SHIFTS: Final = np.arange(-2.5, 2.51, 0.5)  # [px] tried
SHARP_QUANTILE: Final = 0.25  # of the edge spreads: what is bent or tall looks softer than the lens makes it
LEAST_EDGES: Final = 20
SAMPLED: Final = np.sqrt(1 / 12 + 1 / 12)  # [px] by which a pixel's own width and linear sampling widen an edge
FLANKS: Final = 0.25  # of a jump on both sides together: a lens of 0.6 px and pixels' own width leave 0.6
CENTRAL: Final = (0.05, 0.95)  # quantiles of readings among which steps are counted


def offset_steps(levels: Array, elapsed: Array, *, least: float) -> Array:
    """Return the step common to all places at each look [K], 0 where there is none.

    Parameters
    ----------
    levels : (n, places) array
        [degC]; NaN where not seen.
    elapsed : (n,) array
        [s]
    least : float
        Smallest that is told [K].
    """
    return common_steps(levels, elapsed, least=least).sizes


def gain_steps(levels: Array, elapsed: Array, *, least: float) -> Array:
    """Return by how much all contrasts are stretched at each look, as the logarithm of the ratio; 0 where they aren't.

    Another measuring range changes every contrast in one ratio at once; heat changes them over time and each in its
    own way. (Common practice, no source.)

    Parameters
    ----------
    levels : (n, places) array
        [degC]
    elapsed : (n,) array
        [s]
    least : float
        Smallest ratio less 1 that is told.
    """
    contrast = levels - np.nanmedian(levels, axis=1, keepdims=True)
    clear = np.abs(contrast) > CONTRAST_K
    ratio = np.where(clear, np.log(np.maximum(np.abs(contrast), 1e-6)), np.nan)
    enough = np.flatnonzero(clear.sum(axis=1) >= LEAST_PLACES)
    steps = np.zeros(len(levels))
    if len(enough) > 2 * SETTLES:
        found = common_steps(ratio[enough], elapsed[enough], least=least).sizes
        found[:SETTLES] = 0.0
        steps[enough] = found
    return steps


def reading_step(picture: Array) -> float:
    """Return the usual difference of neighbouring readings that occur in a picture [K]; NaN where it is level."""
    seen = picture[np.isfinite(picture)]
    if seen.size < 100:
        return np.nan
    low, high = np.quantile(seen, CENTRAL)
    found = np.unique(seen[(seen >= low) & (seen <= high)])
    return float(np.median(np.diff(found))) if len(found) > 4 else float(high - low) if high > low else np.nan


@dataclass(frozen=True)
class DrawnEdges:
    """Jumps between neighbouring pixels that no lens makes.

    Attributes
    ----------
    share : float
        Of the pixels.
    height : float
        Their median size [K].
    marked : (rows, columns) array of bool
    """

    share: float
    height: float
    marked: Mask


def drawn_edges(picture: Array, *, least: float) -> DrawnEdges:
    """Return the jumps from one pixel to the next with nothing beside them: lines drawn into a picture.

    A lens spreads any edge over several pixels: with a spot of 0.6 px standard deviation and the pixel's own width the
    jumps on both sides of the largest add up to 0.6 of it. Lines of a visible picture are drawn after the lens.

    Parameters
    ----------
    picture : (rows, columns) array
        One frame, not resampled [degC]; NaN where masked.
    least : float
        Smallest jump that counts [K].
    """
    marked = np.zeros(picture.shape, dtype=bool)
    sizes = [np.zeros(0)]
    for axis in (0, 1):
        jump = np.diff(picture.astype(np.float64), axis=axis)
        middle, before, after = (
            np.take(jump, np.arange(first, jump.shape[axis] - 2 + first), axis=axis) for first in (1, 0, 2)
        )
        sharp = (np.abs(middle) >= least) & ((before + after) * np.sign(middle) <= FLANKS * np.abs(middle))
        sizes.append(np.abs(middle[sharp]))
        inner = [slice(None), slice(None)]
        inner[axis] = slice(2, 2 + sharp.shape[axis])
        marked[tuple(inner)] |= sharp
    found = np.concatenate(sizes)
    return DrawnEdges(float(marked.mean()), float(np.median(found)) if found.size else 0.0, marked)


def edge_spread(picture: Array, corners: Array, *, least: float) -> float:
    """Return the standard deviation of the spot that blurs a board's outline [px]; NaN where it shows too little.

    Each profile across an edge is a step, blurred by a Gaussian, whose inner side may slope as well. The sharper
    quarter counts: blur of the lens is on all of them.

    Parameters
    ----------
    picture : (rows, columns) array
        [degC]
    corners : (4, 2) array
        Column and row of the board's corners in it, in order round the board.
    least : float
        Smallest height of an edge that counts [K].
    """
    profiles = _profiles(picture, corners)
    profiles = profiles[np.isfinite(profiles).all(axis=1)]
    if len(profiles) < LEAST_EDGES:
        return np.nan
    across = np.arange(-REACH, REACH + 0.01, SPACING)
    best = np.full((3, len(profiles)), np.inf)
    for spread in SPREADS:
        for shift in SHIFTS:
            place = (across - shift) / spread
            ramp = spread * (place * ndtr(place) + np.exp(-(place**2) / 2) / np.sqrt(2 * np.pi))
            design = np.stack([np.ones_like(across), ndtr(place), ramp], axis=1)
            found, *_ = np.linalg.lstsq(design, profiles.T, rcond=None)
            misfit = ((profiles.T - design @ found) ** 2).sum(axis=0)
            better = misfit < best[0]
            best[:, better] = np.stack([misfit, np.full_like(misfit, spread), found[1]])[:, better]
    noise = np.sqrt(best[0] / (len(across) - 5))
    clear = np.abs(best[2]) > np.maximum(least, 10 * noise)
    if clear.sum() < LEAST_EDGES:
        return np.nan
    spread = float(np.quantile(best[1][clear], SHARP_QUANTILE))
    return float(np.sqrt(max(spread**2 - SAMPLED**2, 0.0)))


def _profiles(picture: Array, corners: Array) -> Array:
    """Return readings across the outline, from outside in, every two pixels along it but near the corners."""
    across = np.arange(-REACH, REACH + 0.01, SPACING)
    centre, places = corners.mean(axis=0), []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        length = float(np.hypot(*(end - start)))
        if length < 4 * REACH:
            continue
        along = np.arange(1.5 * REACH, length - 1.5 * REACH, 2.0)[:, None] / length
        normal = np.array([-(end - start)[1], (end - start)[0]]) / length
        normal = normal * np.sign(normal @ (centre - start))
        points = start + along * (end - start)
        places.append(points[:, None] + across[None, :, None] * normal)
    if not places:
        return np.zeros((0, len(across)))
    grid = np.concatenate(places).astype(np.float32)
    columns, rows = np.ascontiguousarray(grid[..., 0]), np.ascontiguousarray(grid[..., 1])
    return np.asarray(
        cv2.remap(
            picture.astype(np.float32),
            columns,
            rows,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(float("nan"),),
        )
    )
