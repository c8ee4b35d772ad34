"""Thinner air at altitude: by how much a fan-cooled rise grows."""

from typing import Final

HIGHEST: Final = 11000.0  # [m] of the layer in which temperature falls evenly
LOWEST: Final = -500.0
_LAPSE: Final = 0.0065 / 288.15  # [1/m] of the International Standard Atmosphere, per kelvin at sea level
_EXPONENT: Final = 9.80665 / (287.05287 * 0.0065) - 1.0


def density_ratio(altitude: float) -> float:
    """Return the density of the standard atmosphere over that at sea level (ISO 2533:1975).

    Parameters
    ----------
    altitude : float
        Geopotential altitude [m], -500 to 11000.

    Raises
    ------
    ValueError
        The altitude is beyond.

    >>> round(density_ratio(1500.0), 4)
    0.8637
    """
    if not LOWEST <= altitude <= HIGHEST:
        raise ValueError(f"{altitude:g} m: must lie between {LOWEST:g} and {HIGHEST:g} m")
    return float((1.0 - _LAPSE * altitude) ** _EXPONENT)


def rise_factor(altitude: float, *, tested: float = 0.0) -> float:
    """Return what a rise at ``tested`` [m] is multiplied by at ``altitude`` [m]; never less than 1.

    A fan of the same speed moves the same volume, so the air's own rise goes with the inverse of its density. This is
    the larger of the published choices for fan cooling of parts of high power (*Electronics Cooling*, September 1999,
    from memory: 1.16 at 1500 m and 1.35 at 3000 m); laminar films alone would give the square root of it.
    """
    return max(density_ratio(tested) / density_ratio(altitude), 1.0)
