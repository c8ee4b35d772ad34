"""A film's transmittance from one scene seen bare and covered.

A film multiplies what passes it by its transmittance and adds what it emits and mirrors itself. Over many pixels, the
radiance seen with the film is therefore a straight line over the radiance seen without: its slope is the transmittance,
whatever the emissivity of the scene, the temperature of the film or the offset of the camera. In degrees it is not.
"""

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from skimage.registration import phase_cross_correlation

Array = npt.NDArray[np.floating[Any]]

FRESNEL_CEILING: Final = 0.92
"""No plain polyethylene film passes more: (1 - R)/(1 + R), R = ((n - 1)/(n + 1))^2, n = 1.52 gives 0.918."""
SINGLE_LAYER_LEAST: Final = 0.75
"""Less speaks for PVC or for two layers: PVC of 8 to 12 um passes 0.70 to 0.77 (from its n, k: Zhang et al., JQSRT 252
(2020) 107063)."""

_BISQUARE: Final = 4.685  # 95 % efficient for normal errors, textbook value
_MAD_TO_SIGMA: Final = 1.4826
_ROUNDS: Final = 30
_LEAST_PIXELS: Final = 50
_DIAGONALS: Final = np.array([[1, 0, 1], [0, 0, 0], [1, 0, 1]]) / 4  # in no row or column whose stripe it shares


@dataclass(frozen=True)
class PairFit:
    """A straight line through a bare and a covered picture of one scene.

    Attributes
    ----------
    transmittance : float
        Slope of covered over bare radiance.
    uncertainty : float
        Standard uncertainty of the slope.
    intercept : float
        What the film adds [W m-2 sr-1], with any change of the camera's offset between the two.
    pixels : int
        Number of pixels that weighed.
    contrast : float
        Range of the bare radiance over them, 1st to 99th percentile [W m-2 sr-1].
    residual : float
        Robust standard deviation of the covered radiance about the line [W m-2 sr-1].
    """

    transmittance: float
    uncertainty: float
    intercept: float
    pixels: int
    contrast: float
    residual: float


def pair_transmittance(
    bare: Array,
    covered: Array,
    *,
    noise: float = 0.0,
    position_uncertainty: float = 0.1,
    change: float = 0.005,
    steepest: float = 0.1,
    blocks: tuple[int, ...] = (8, 16, 32, 64),
    floor: float = 0.002,
) -> PairFit:
    """Return the robust line of covered over bare radiance, and how well its slope is known.

    Pixels weigh by their noise and by what a small error of position or a small change of the scene would do to them.
    The steepest are left out, and so is, by Tukey's bisquare, whatever changed much between the recordings. The
    sensor's fixed pattern is noise in the bare picture too and would flatten the line, so the mean of a pixel's
    diagonal neighbours serves as its instrument. Neighbouring residuals are alike (a part that warmed, a crease), so
    the uncertainty comes from sums over blocks of pixels (Liang and Zeger, Biometrika 73 (1986) 13; from memory), not
    from a count of pixels.

    Parameters
    ----------
    bare, covered : (ny, nx) array
        Mean radiance at the camera [W m-2 sr-1], aligned; NaN where a pixel is masked.
    noise : float
        Standard deviation of the noise of either mean [W m-2 sr-1].
    position_uncertainty : float
        What may be left of a misalignment [pixel].
    change : float
        Share of its rise by which a part may have changed between the recordings.
    steepest : float
        Share of pixels with the largest gradient that is left out.
    blocks : tuple of int
        Sides of the blocks [pixel]; the one that gives the largest uncertainty counts.
    floor : float
        Uncertainty that no number of pixels undercuts: the film is not even, nor grey.

    Returns
    -------
    PairFit
        All NaN and 0 where fewer than 50 pixels can be used.
    """
    gradient, around = _gradient(bare), ndimage.convolve(bare.astype(np.float64), _DIAGONALS, mode="nearest")
    usable = np.isfinite(covered) & np.isfinite(bare) & np.isfinite(around) & np.isfinite(gradient)
    if usable.any():
        usable &= gradient <= np.quantile(gradient[usable], 1 - steepest)
    if np.count_nonzero(usable) < _LEAST_PIXELS:
        return PairFit(np.nan, np.nan, np.nan, 0, 0.0, np.nan)
    x, y, z = (picture[usable].astype(np.float64) for picture in (bare, covered, around))
    lift = z - np.quantile(z, 0.05)
    place = 1 / (max(noise, 1e-6) ** 2 + (position_uncertainty * gradient[usable]) ** 2 + (change * lift) ** 2)
    slope, intercept, weight, scale = _bisquare_line(x, y, instrument=z, weight=place)
    scores, denominator = _slope_scores(x, y - slope * x - intercept, instrument=z, weight=weight)
    spread = max(_block_sum(scores, _block_labels(bare.shape, block=side)[usable]) for side in blocks)
    kept = weight > 0
    return PairFit(
        transmittance=slope,
        uncertainty=math.hypot(spread / denominator, floor),
        intercept=intercept,
        pixels=int(np.count_nonzero(kept)),
        contrast=float(np.quantile(z[kept], 0.99) - np.quantile(z[kept], 0.01)),
        residual=scale,
    )


def without_warming(slope: npt.ArrayLike, *, reflectance: float, share: float) -> Array:
    """Return the transmittance behind the slope of a film that is warmer over hotter places.

    A film that takes up ``share`` of the rise below it emits ``share (1 - tau - rho)`` of that radiance: a straight
    line cannot tell this from what it passes, so that ``slope = tau + share (1 - tau - rho)``. Where transmittance and
    reflectance leave no absorptance, the slope is the transmittance.

    Parameters
    ----------
    slope : array
        Of covered over bare radiance; NaN stays NaN.
    reflectance : float
        In-band reflectance of the film.
    share : float
        Rise of the film's radiance per rise of the scene's, below 1.

    Examples
    --------
    >>> float(without_warming(0.8952, reflectance=0.08, share=0.2).round(4))
    0.889
    >>> float(without_warming(0.94, reflectance=0.08, share=0.2))
    0.94
    """
    values = np.asarray(slope, dtype=np.float64)
    behind = (values - share * (1 - reflectance)) / (1 - share)
    return np.asarray(np.where(values + reflectance < 1, behind, values))


def picture_shift(reference: Array, moving: Array) -> tuple[float, float]:
    """Return how far the content of one picture lies from another's, ``(rows, columns)`` to be added to align it.

    Cross-correlation of the two gradients' sizes, which a film's factor and offset do not touch, to 1/20 of a pixel
    (Guizar-Sicairos et al., Opt. Lett. 33 (2008) 156). A pixel that is NaN in either counts as flat.

    Parameters
    ----------
    reference, moving : (ny, nx) array
        The two pictures.
    """
    hole = ~(np.isfinite(reference) & np.isfinite(moving))
    hole = ndimage.binary_dilation(hole, iterations=3)
    window = np.outer(np.hanning(reference.shape[0] + 2)[1:-1], np.hanning(reference.shape[1] + 2)[1:-1])
    edges = [np.where(hole, 0.0, _gradient(picture)) for picture in (reference, moving)]
    outlines = [window * (edge - edge.mean()) for edge in edges]
    shift = phase_cross_correlation(*outlines, upsample_factor=20, normalization=None)[0]
    return float(shift[0]), float(shift[1])


def move_picture(picture: Array, shift: tuple[float, float]) -> Array:
    """Return a picture moved by ``(rows, columns)`` pixels; NaN where nothing comes in and next to NaN."""
    hole = ~np.isfinite(picture)
    filled = np.where(hole, np.nanmean(picture), picture)
    moved = ndimage.shift(filled, shift, order=3, mode="constant", cval=np.nan)
    reach = ndimage.shift(hole.astype(np.float64), shift, order=1, mode="constant", cval=1.0)
    return np.asarray(np.where(reach > 1e-6, np.nan, moved))


def _gradient(picture: Array) -> Array:
    """Return the size of the gradient [unit of the picture per pixel]; NaN next to NaN."""
    across = np.gradient(picture.astype(np.float64))
    return np.asarray(np.hypot(*across))


def _bisquare_line(x: Array, y: Array, *, instrument: Array, weight: Array) -> tuple[float, float, Array, float]:
    """Return slope, intercept, final weights and robust residual spread of a line by reweighting."""
    robust = np.ones_like(x)
    slope = intercept = 0.0
    for _ in range(_ROUNDS):
        previous = slope
        slope, intercept = _weighted_line(x, y, instrument=instrument, weight=weight * robust)
        scaled = (y - slope * x - intercept) * np.sqrt(weight)
        spread = _MAD_TO_SIGMA * float(np.median(np.abs(scaled))) + 1e-12
        robust = np.square(np.clip(1 - np.square(scaled / (_BISQUARE * spread)), 0, None))
        if abs(slope - previous) < 1e-7:
            break
    scale = _MAD_TO_SIGMA * float(np.median(np.abs(y - slope * x - intercept)))
    return slope, intercept, weight * robust, scale


def _weighted_line(x: Array, y: Array, *, instrument: Array, weight: Array) -> tuple[float, float]:
    total = weight.sum()
    x_mean, y_mean = (weight @ x) / total, (weight @ y) / total
    lever = weight * (instrument - (weight @ instrument) / total)
    slope = (lever @ y) / (lever @ x)
    return float(slope), float(y_mean - slope * x_mean)


def _slope_scores(x: Array, residual: Array, *, instrument: Array, weight: Array) -> tuple[Array, float]:
    """Return each pixel's pull on the slope, and the lever that they pull at."""
    lever = weight * (instrument - (weight @ instrument) / weight.sum())
    return lever * residual, abs(float(lever @ x))


def _block_labels(shape: tuple[int, ...], *, block: int) -> npt.NDArray[np.intp]:
    rows, columns = (np.arange(size, dtype=np.intp) // block for size in shape)
    return np.asarray(rows[:, None] * shape[1] + columns[None, :])


def _block_sum(scores: Array, labels: npt.NDArray[np.intp]) -> float:
    """Return the root of the summed squares of the blocks' sums, for the two parameters that were fitted."""
    sums = np.bincount(labels, weights=scores)
    blocks = int(np.count_nonzero(np.bincount(labels)))
    return math.sqrt(blocks / max(blocks - 2, 1) * float(sums @ sums))
