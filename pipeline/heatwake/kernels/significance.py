"""Which differences are more than noise."""

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.special import ndtr, stdtr

Array = npt.NDArray[Any]


def p_values(difference: Array, uncertainty: Array, *, freedom: Array | float = np.inf) -> Array:
    """Return two-sided p-values of differences that are zero by hypothesis; NaN where nothing is known.

    Parameters
    ----------
    difference, uncertainty : arrays of one shape
        Values and standard uncertainties.
    freedom : float or array
        Degrees of freedom of the uncertainties: Student's distribution; infinite where they are known.
    """
    known = np.isfinite(difference) & np.isfinite(uncertainty) & (uncertainty > 0)
    ratio = np.abs(np.where(known, difference, 0.0) / np.where(known, uncertainty, 1.0))
    counted = np.isfinite(freedom)
    tail = np.where(counted, stdtr(np.where(counted, freedom, 1.0), -ratio), ndtr(-ratio))
    return np.where(known, 2 * tail, np.nan)


def significant(
    difference: Array, uncertainty: Array, *, rate: float, least_cluster: int = 1, freedom: Array | float = np.inf
) -> Array:
    """Tell which differences are not zero, at a false discovery rate.

    Two-sided p-values, Benjamini-Hochberg 1995 (J. R. Stat. Soc. B 57:289), which also holds where errors go together
    (Benjamini and Yekutieli 2001, Ann. Stat. 29:1165, from memory: positive regression dependence); what is left in
    clusters of fewer than ``least_cluster`` pixels (joined by edges) is dropped.

    Parameters
    ----------
    difference, uncertainty : arrays of one shape
        Values and standard uncertainties; NaN is never significant.
    rate : float
        Expected share of false ones among those found.
    least_cluster : int
        Least size of a cluster; two-dimensional arrays only.
    freedom : float or array
        Degrees of freedom of the uncertainties.

    Returns
    -------
    bool array
    """
    flags = np.zeros(difference.shape, dtype=bool)
    chances = p_values(difference, uncertainty, freedom=freedom)
    seen = np.isfinite(chances)
    if not seen.any():
        return flags
    from scipy.stats import false_discovery_control  # slow to import

    flags[seen] = false_discovery_control(chances[seen], method="bh") <= rate
    return without_small(flags, least=least_cluster) if least_cluster > 1 else flags


def without_small(flags: Array, *, least: int) -> Array:
    """Return the flags (rows, columns) without clusters of fewer than ``least`` pixels, joined by edges."""
    clusters, _ = ndimage.label(flags)
    sizes = np.bincount(clusters.ravel())
    sizes[0] = 0
    return np.asarray(flags & (sizes[clusters] >= least))


def cluster_floor(area: float, *, least: int) -> int:
    """Return the least size of a cluster that counts [px]: as set, and three times what shares one piece of noise.

    Chance peaks of correlated noise cover about one correlation area; three of them side by side are rare.

    >>> cluster_floor(1.0, least=9), cluster_floor(6.2, least=9)
    (9, 19)
    """
    return max(least, int(np.ceil(3 * area))) if np.isfinite(area) else least


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
