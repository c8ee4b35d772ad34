"""Hot spots: where a rise map has peaks that stand out of noise and background."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from skimage.morphology import reconstruction
from skimage.segmentation import watershed

Array = npt.NDArray[Any]

TINY: Final = 1e-6


@dataclass(frozen=True)
class HotSpot:
    """One peak of a map.

    Attributes
    ----------
    row, column : int
        The peak's pixel.
    height : float
        Rise at the peak [K].
    prominence : float
        Height over the highest saddle towards a higher peak [K], as far as it was followed.
    mask : (ny, nx) bool array
        Pixels of the peak's own basin above half of its prominence.
    """

    row: int
    column: int
    height: float
    prominence: float
    mask: Array


def find_hot_spots(rise: Array, *, least: float, blur: float = 1.0, most: int = 40) -> list[HotSpot]:
    """Return peaks at least ``least`` [K] above the saddles round them, highest prominence first.

    Peaks are found by morphological reconstruction (dome extraction; Vincent 1993, IEEE Trans. Image Process. 2:176)
    and kept apart by a watershed. A peak on the rim of what is seen does not count.

    Parameters
    ----------
    rise : (ny, nx) array
        Temperature rise [K]; NaN where masked.
    least : float
        Least prominence of a peak [K].
    blur : float
        Gaussian smoothing before the search [px].
    most : int
        At most so many are returned.
    """
    seen = np.isfinite(rise)
    if not seen.any():
        return []
    floor = float(rise[seen].min())
    filled = np.where(seen, rise, floor)
    smooth = _masked_blur(filled, seen, blur=blur)
    # what a flood from `least` below every pixel leaves dry, in one piece a peak
    flooded = reconstruction(smooth - least, smooth, method="dilation")
    domes, count = ndimage.label((smooth > flooded + TINY * least) & seen)
    heights = ndimage.maximum(smooth - flooded, domes, index=np.arange(1, count + 1))
    peaks = np.isin(domes, 1 + np.flatnonzero(np.atleast_1d(heights) >= least * (1 - TINY))) * domes
    if not count:
        return []
    basins = watershed(-smooth, markers=peaks, mask=seen)
    found = [_measure(smooth, basins == number, seen) for number in np.unique(peaks[peaks > 0])]
    # a peak on the rim is the upper end of a slope, or of something that is not in the picture
    inner = ndimage.binary_erosion(seen, border_value=0)
    found = [spot for spot in found if spot.prominence >= least and inner[spot.row, spot.column]]
    return sorted(found, key=lambda spot: -spot.prominence)[:most]


def _masked_blur(values: Array, seen: Array, *, blur: float) -> Array:
    weight = ndimage.gaussian_filter(seen.astype(float), blur)
    return np.where(seen, ndimage.gaussian_filter(values * seen, blur) / np.maximum(weight, 1e-6), values)


def _measure(smooth: Array, basin: Array, seen: Array) -> HotSpot:
    row, column = np.unravel_index(np.argmax(np.where(basin, smooth, -np.inf)), smooth.shape)
    height = float(smooth[row, column])
    rim = basin & ndimage.binary_dilation(seen & ~basin)
    saddle = float(smooth[rim].max()) if rim.any() else float(smooth[basin].min())
    prominence = height - saddle
    base = float(smooth[basin].min())
    above, _ = ndimage.label(basin & (smooth >= (height + max(saddle, base)) / 2))
    return HotSpot(int(row), int(column), height, prominence, above == above[row, column])
