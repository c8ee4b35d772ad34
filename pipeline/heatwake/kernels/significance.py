"""Which differences are more than noise."""

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.special import ndtr

Array = npt.NDArray[Any]


def significant(difference: Array, uncertainty: Array, *, rate: float, least_cluster: int = 1) -> Array:
    """Tell which differences are not zero, at a false discovery rate.

    Two-sided normal p-values, Benjamini-Hochberg 1995 (J. R. Stat. Soc. B 57:289); what is left in clusters of fewer
    than ``least_cluster`` pixels (joined by edges) is dropped.

    Parameters
    ----------
    difference, uncertainty : arrays of one shape
        Values and standard uncertainties; NaN is never significant.
    rate : float
        Expected share of false ones among those found.
    least_cluster : int
        Least size of a cluster; two-dimensional arrays only.

    Returns
    -------
    bool array
    """
    flags = np.zeros(difference.shape, dtype=bool)
    seen = np.isfinite(difference) & np.isfinite(uncertainty) & (uncertainty > 0)
    if not seen.any():
        return flags
    from scipy.stats import false_discovery_control  # slow to import

    p_values = 2 * ndtr(-np.abs(difference[seen]) / uncertainty[seen])
    flags[seen] = false_discovery_control(p_values, method="bh") <= rate
    if least_cluster > 1:
        clusters, _ = ndimage.label(flags)
        sizes = np.bincount(clusters.ravel())
        sizes[0] = 0
        flags &= sizes[clusters] >= least_cluster
    return flags


def gradient_uncertainty(rise: Array, *, placement: float) -> Array:
    """Return the uncertainty of a map's values from that of their place: its slope times ``placement`` [px].

    Parameters
    ----------
    rise : (ny, nx) array
        [K].
    placement : float
        Standard uncertainty of the place of a pixel, along any direction [px].
    """
    down, across = np.gradient(rise)
    return np.asarray(placement * np.hypot(down, across))
