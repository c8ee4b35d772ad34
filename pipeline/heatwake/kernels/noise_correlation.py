"""How far the noise of one pixel is shared by its neighbours, from the recording itself."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import fft

Array = npt.NDArray[Any]

REACH: Final = 6  # [px] correlation farther away is no longer noise of pixels
LEAST_CORRELATION: Final = 0.05  # what is less cannot be told from chance
LEAST_PIXELS: Final = 64


def correlation_area(maps: Array) -> float:
    """Return over how many pixels noise is shared: the sum of its spatial autocorrelation.

    What two successive maps of a thing that hardly changes differ by is noise. White noise gives 1; resampling and the
    jitter of poses give more. The mean of n pixels then is as good as that of n / area independent ones.

    Parameters
    ----------
    maps : (n, ny, nx) array
        Successive maps [K]; NaN is not seen. What they differ by as a whole is taken off.

    Returns
    -------
    float
        [px], 1 or more; NaN where there are fewer than two maps or too few pixels.

    Notes
    -----
    The integral of the correlation function, as of time series (Priestley, Spectral Analysis and Time Series, 1981,
    5.3.2, from memory), in two dimensions; by the Wiener-Khinchin theorem, with the share of pairs seen taken out.
    """
    differences = np.diff(np.asarray(maps, dtype=np.float64), axis=0)
    seen = np.isfinite(differences)
    if not len(differences) or seen.sum(axis=(1, 2)).max(initial=0) < LEAST_PIXELS:
        return float("nan")
    pairs, products = (sum(parts) for parts in zip(*map(_autocovariance, differences, seen), strict=True))
    covariance = np.where(pairs > 0.5, products / np.maximum(pairs, 0.5), 0.0)
    if not covariance[0, 0] > 0:
        return float("nan")
    near = _near(covariance / covariance[0, 0])
    return float(max(near[near >= LEAST_CORRELATION].sum(), 1.0))


def _autocovariance(difference: Array, seen: Array) -> tuple[Array, Array]:
    """Return the number of pairs of pixels, and the sum of their products, at each shift."""
    centred = np.where(seen, difference - np.median(difference[seen]), 0.0) if seen.any() else np.zeros(seen.shape)
    limit = 4 * 1.4826 * np.median(np.abs(centred[seen])) if seen.any() else 0.0  # edges that jitter are not noise
    centred = np.where(np.abs(centred) <= limit, centred, 0.0)
    shape = [fft.next_fast_len(size + REACH, real=True) for size in seen.shape]
    spectra = [fft.rfft2(values, shape) for values in (seen.astype(np.float64), centred)]
    pairs, products = (np.asarray(fft.irfft2(np.abs(values) ** 2, shape)) for values in spectra)
    return pairs, products


def _near(correlation: Array) -> Array:
    """Return the correlation at shifts of up to :data:`REACH` pixels along either axis."""
    shifts = np.arange(-REACH, REACH + 1)
    return np.asarray(correlation[np.ix_(shifts % correlation.shape[0], shifts % correlation.shape[1])])
