"""Where a film's transmittance differs: creases, double layers, sag, and places that tell nothing.

The line of covered over bare radiance crosses equality at one radiance, what the film adds for each part that it does
not pass; a scene of this radiance looks the same with any film. Over it, transmittance is a ratio of two contrasts,
place by place. A lamp that the film mirrors adds radiance where a crease takes a share: the first shows as more than
any plain film could pass.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from skimage.filters import apply_hysteresis_threshold

from heatwake.kernels.transmittance import FRESNEL_CEILING, PairFit

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

TRUSTED: Final = 0
LITTLE_CONTRAST: Final = 1
CREASE: Final = 2
LAMP: Final = 3
CHANGED: Final = 4
NOT_SEEN: Final = 5

_FINE: Final = 1.0  # [pixel] standard deviation of the smoothing that creases and lamps are sought with
_WHITE_LEFT: Final = 0.283  # of white noise's standard deviation after it: 1/(2 sqrt(pi))
_LEAST_LIFT: Final = 3.0  # [W m-2 sr-1] of contrast: a fold's own radiance may be the film's or the room's, 3 K apart
_LEFT: Final = 0.7  # of what a fold of two or three pixels shows, after the fine smoothing
_SURE: Final = 5.0  # standard deviations from which a place departs from the line
_LIKELY: Final = 2.5  # and its surroundings with it
_LEAST_FALL: Final = 0.03  # of transmittance at a crease: half of a second layer's
_FOLDED: Final = 0.5  # six layers; what seems to pass less has changed
_MARGIN: Final = 0.01  # over the ceiling
_LEAST_LIGHT: Final = 0.3  # [W m-2 sr-1] a third of a kelvin: less is no matter, and sag may make as much
_GREY: Final = 0.03  # a film that keeps back less has no radiance of its own to speak of
_LEAST_TELLING: Final = 200
_SHARES: Final = (0.25, 3.0)
_MAD_TO_SIGMA: Final = 1.4826


@dataclass(frozen=True)
class TransmittanceMap:
    """Transmittance place by place.

    Attributes
    ----------
    transmittance, uncertainty : (ny, nx) array
        Local slope and its standard uncertainty; NaN where nothing tells it.
    flags : (ny, nx) array of int8
        ``TRUSTED``, ``LITTLE_CONTRAST``, ``CREASE`` (or more than one layer), ``LAMP`` (mirrored in the film),
        ``CHANGED`` (colder than a film makes it), ``NOT_SEEN``.
    """

    transmittance: Array
    uncertainty: Array
    flags: npt.NDArray[np.int8]


def map_transmittance(
    bare: Array,
    covered: Array,
    fit: PairFit,
    *,
    noise: float,
    level: float = 0.0,
    scale: float = 4.0,
    position_uncertainty: float = 0.1,
    change: float = 0.005,
    trusted: float = 0.01,
) -> TransmittanceMap:
    """Return the local transmittance of a film, smoothed, with what is not to be trusted.

    Parameters
    ----------
    bare, covered : (ny, nx) array
        Mean radiance at the camera [W m-2 sr-1], aligned; NaN where a pixel is masked.
    fit : PairFit
        Their line.
    noise : float
        Standard deviation of the noise of either mean [W m-2 sr-1].
    level : float
        Standard uncertainty of the whole film's transmittance; the line's own where that is more.
    scale : float
        Standard deviation of the Gaussian that it is smoothed with [pixel]. Places that are flagged are smoothed among
        themselves, so that a crease stays out of what lies beside it.
    position_uncertainty, change
        As in :func:`pair_transmittance`.
    trusted : float
        Largest standard uncertainty of a place that is trusted.
    """
    seen = np.isfinite(bare) & np.isfinite(covered)
    if fit.pixels == 0 or not seen.any():
        nothing = np.full(bare.shape, np.nan)
        return TransmittanceMap(nothing, nothing, np.full(bare.shape, NOT_SEEN, dtype=np.int8))
    crossing = _crossing(bare[seen], fit)
    contrast = np.where(seen, bare - crossing, 0.0)
    passed = np.where(seen, covered - crossing, 0.0)
    white = noise * np.hypot(1.0, fit.transmittance)
    shared = _shared_error(np.where(seen, bare, np.nan), position_uncertainty=position_uncertainty, change=change)
    excess = passed - fit.transmittance * contrast
    shared *= _found_share(excess[seen], white=white, shared=shared[seen])
    flags = _flags(contrast, excess, fit, seen=seen, white=white, shared=shared)
    weight = np.where(seen, 1 / (white**2 + shared**2), 0.0)
    sound = (flags == TRUSTED) | (flags == LITTLE_CONTRAST)
    tau, spread = _smoothed(contrast, passed, weight, sound, scale=scale, white=white, shared=shared)
    lever = max(float(np.mean(contrast[seen])), 0.0)
    near = np.maximum(_gaussian(np.abs(contrast), scale), 1e-9)
    spread = np.hypot(spread, max(level, fit.uncertainty) * np.maximum(lever / near, 1.0))
    flags[(flags == TRUSTED) & ~(spread <= trusted)] = LITTLE_CONTRAST
    return TransmittanceMap(tau, spread, flags)


def _crossing(bare: Array, fit: PairFit) -> float:
    """Return the radiance that the film leaves as it is [W m-2 sr-1]."""
    if 1 - fit.transmittance < _GREY:
        return float(np.quantile(bare, 0.05))
    return fit.intercept / (1 - fit.transmittance)


def _shared_error(bare: Array, *, position_uncertainty: float, change: float) -> Array:
    """Return what a small error of position or change of the scene does to each pixel; neighbours err alike."""
    filled = np.where(np.isfinite(bare), bare, np.nanmedian(bare)).astype(np.float64)
    gradient = np.hypot(*np.gradient(filled))
    lift = np.abs(filled - np.quantile(filled, 0.05))
    return np.asarray(np.hypot(position_uncertainty * gradient, change * lift))


def _found_share(excess: Array, *, white: float, shared: Array) -> float:
    """Return how much of the error that pixels may share with their neighbours is there, from what strays at most."""
    telling = shared > white
    if np.count_nonzero(telling) < _LEAST_TELLING:
        return 1.0
    score = np.abs(excess[telling]) / np.hypot(white, shared[telling])
    return float(np.clip(_MAD_TO_SIGMA * np.median(score), *_SHARES))


def _flags(
    contrast: Array, excess: Array, fit: PairFit, *, seen: Mask, white: float, shared: Array
) -> npt.NDArray[np.int8]:
    """Return what speaks against a place, from what it shows above the line."""
    share = np.maximum(_gaussian(seen.astype(np.float64), _FINE), 1e-6)
    over, lift = _gaussian(excess, _FINE) / share, _gaussian(contrast, _FINE) / share
    error = np.hypot(_WHITE_LEFT * white, ndimage.maximum_filter(shared, 3))
    score = over / error
    brightest = np.maximum(FRESNEL_CEILING + _MARGIN - fit.transmittance, 0.0) * np.abs(lift)
    lamp = _connected(np.where(over > np.maximum(brightest, _LEAST_LIGHT), score, 0.0))
    local = fit.transmittance + over / np.where(np.abs(lift) > 1e-9, lift, np.inf)
    falls = (lift > 0) & (local < fit.transmittance - _LEAST_FALL) & (local >= _FOLDED)
    crease = _connected(np.where(falls, -score, 0.0))
    changed = _connected(np.where((over < -_LEAST_LIGHT) & ((lift <= 0) | (local < _FOLDED)), -score, 0.0))
    hidden = np.abs(lift) < _LEAST_LIFT
    hidden |= _SURE * error > _LEFT * (1 - fit.transmittance) * np.abs(lift)  # a second layer would not show
    flags = np.where(hidden, LITTLE_CONTRAST, TRUSTED).astype(np.int8)
    for mask, flag in ((crease, CREASE), (changed, CHANGED), (lamp, LAMP)):
        flags[ndimage.binary_dilation(mask, iterations=1)] = flag
    flags[~seen] = NOT_SEEN
    return flags


def _connected(score: Array) -> Mask:
    return np.asarray(apply_hysteresis_threshold(score, _LIKELY, _SURE), dtype=np.bool_)


def _smoothed(
    contrast: Array, passed: Array, weight: Array, sound: Mask, *, scale: float, white: float, shared: Array
) -> tuple[Array, Array]:
    """Return slope through the crossing and its standard uncertainty; sound places and others each for themselves."""
    tau, spread = (np.full(contrast.shape, np.nan) for _ in range(2))
    for group in (sound, ~sound):
        pull = np.where(group, weight, 0.0)
        lever = _gaussian(pull * contrast**2, scale)
        told = group & (lever > 1e-6)
        safe = np.where(told, lever, 1.0)
        own = _gaussian(np.square(pull * contrast * white), scale / np.sqrt(2)) / (4 * np.pi * scale**2)
        alike = _gaussian(pull * np.abs(contrast) * shared, scale)
        tau[told] = (_gaussian(pull * contrast * passed, scale) / safe)[told]
        spread[told] = (np.sqrt(np.maximum(own, 0.0) + alike**2) / safe)[told]
    return tau, spread


def _gaussian(picture: Array, width: float) -> Array:
    return np.asarray(ndimage.gaussian_filter(picture, width, mode="constant", truncate=3.0))
