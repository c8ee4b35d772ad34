"""Parts too small to measure: how much of what a pixel sees is the part, and what that costs.

Optics and detector smear a point over a spot. It is taken as a Gaussian of a stated full width at half maximum, which
holds the detector's own square too. What lies under the spot mixes in radiance, never in degrees.
"""

from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from heatwake.kernels.planck import BandTable

Array = npt.NDArray[np.floating[Any]]
Size = Literal["measured", "small", "too small"]

SMALL_PX: Final = 10.0  # wanted on the target (Pusnik and Gersak, Sensors 21, 2021, 607)
LEAST_PX: Final = 3.0  # common practice, no source; below 4 x 4 readings are much too low (Budzier and Gerlach, 2021)
LEAST_SHARE: Final = 0.05  # of the part in what is seen, for a bias to be told
_SIGMAS_IN_WIDTH: Final = 2 * np.sqrt(2 * np.log(2))


def size_of(pixels: float) -> Size:
    """Return whether so many pixels of the recording across a part's smaller side are enough.

    >>> size_of(12.0), size_of(9.9), size_of(2.9)
    ('measured', 'small', 'too small')
    """
    if not pixels >= LEAST_PX:
        return "too small"
    return "small" if pixels < SMALL_PX else "measured"


def share_of_part(positions: npt.ArrayLike, *, half_width: float, spot: float) -> float:
    """Return the part's share in what is seen, along one axis, as a mean over positions.

    A rectangle's share is the product of that along its two sides.

    Parameters
    ----------
    positions : (n,) array
        Where it is looked at, from the part's middle, in pixels of the recording.
    half_width : float
        Half the part's size along the axis [px].
    spot : float
        Full width at half maximum of the spot [px]; 0 for none.

    Examples
    --------
    >>> share_of_part([0.0], half_width=2.0, spot=2.0).__round__(3)  # four pixels across
    0.981
    """
    places = np.asarray(positions, dtype=np.float64)
    if spot <= 0:
        return float((np.abs(places) < half_width).mean() + 0.5 * (np.abs(places) == half_width).mean())
    sigma = spot / _SIGMAS_IN_WIDTH
    return float((ndtr((half_width - places) / sigma) - ndtr((-half_width - places) / sigma)).mean())


def rim_width(spot: float, *, share: float) -> int:
    """Return how many pixels along a straight edge see more than a share of what lies over it.

    Parameters
    ----------
    spot : float
        Full width at half maximum of the spot [px].
    share : float
        Below a half.

    Examples
    --------
    >>> [rim_width(spot, share=0.05) for spot in (0.0, 0.5, 2.0, 4.0)]  # 1.645 deviations: 0, 0.35, 1.4, 2.8 px
    [0, 0, 1, 3]
    """
    reach = -float(ndtri(share)) * spot / _SIGMAS_IN_WIDTH  # from the edge to the first pixel centre that may stay
    return max(int(np.ceil(reach - 0.5)), 0)


def mixed_temperature(part: npt.ArrayLike, around: npt.ArrayLike, *, share: npt.ArrayLike, table: BandTable) -> Array:
    """Return the temperature [degC] that is read where a share of what is seen is the part, the rest its surroundings.

    Examples
    --------
    >>> table = BandTable.for_band(7.5, 14.0)
    >>> float(mixed_temperature(100.0, 40.0, share=0.5, table=table).round(2))  # 70 were it linear
    73.09
    """
    of_part = np.asarray(share)
    return table.temperature(of_part * table.radiance(part) + (1 - of_part) * table.radiance(around))


def spot_bias(read: npt.ArrayLike, around: npt.ArrayLike, *, share: npt.ArrayLike, table: BandTable) -> Array:
    """Return by how much a part reads too near to its surroundings [K]: positive where it reads too low.

    Parameters
    ----------
    read, around : array
        Temperature read of the part, and of the ring around it [degC].
    share : array
        Of the part in what is seen.
    table : BandTable
        The camera's band.

    Returns
    -------
    array
        NaN where less than :data:`LEAST_SHARE` is the part.
    """
    of_part = np.asarray(share, dtype=np.float64)
    of_part = np.where(of_part >= LEAST_SHARE, of_part, np.nan)
    excess = np.asarray(table.radiance(read), dtype=np.float64) - np.asarray(table.radiance(around), dtype=np.float64)
    whole = table.temperature(table.radiance(around) + excess / of_part)
    return np.asarray(whole - np.asarray(read))
