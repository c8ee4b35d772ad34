"""What a fan's air does, for a plan: how warm it leaves, what turning the fan or covering a vent may change."""

from typing import Final

import numpy as np

KELVIN: Final = 273.15
CUBIC_FEET_PER_MINUTE: Final = 4.719474e-4  # [m3/s]
AIR_HEAT: Final = 1007.0  # [J/kg/K] of air at 20 to 60 degC (Cengel's property table)
GAS: Final = 101325.0 / 287.058  # [kg K/m3] of dry air at 1 atm
WORKING_POINT: Final = 0.6  # share of the free flow that a fan moves in its box (common practice, no source)
RISE_POWERS: Final = (-0.5, -0.8)  # of the flow that a surface's rise over its air goes with: laminar, turbulent
RATED_POWER: Final = 1.5  # times the life of a fan for 10 K less (one maker's rule)


def air_density(temperature: float) -> float:
    """Return the density of dry air at 1 atm [kg/m3].

    >>> round(air_density(25.0), 3)
    1.184
    """
    return GAS / (temperature + KELVIN)


def exhaust_rise(power: float, *, flow: float, ambient: float) -> float:
    """Return how much warmer the mixed air leaves [K]: ``P / (rho c Q)`` with the density of the air that enters.

    Parameters
    ----------
    power : float
        [W]
    flow : float
        [L/s]
    ambient : float
        [degC]
    """
    return power / (air_density(ambient) * AIR_HEAT * flow * 1e-3)


def flow_needed(power: float, *, rise: float, ambient: float) -> float:
    """Return the flow that carries a power away at a rise of the air [L/s].

    >>> round(flow_needed(20.0, rise=10.0, ambient=25.0), 2)
    1.68
    """
    return power / (air_density(ambient) * AIR_HEAT * rise) * 1e3


def thinner_air(warmer: float, *, ambient: float) -> float:
    """Return the mass that a fan moves in air so much warmer [K], over that in air at ambient: ideal gas.

    >>> round(thinner_air(10.0, ambient=25.0), 3), round(thinner_air(20.0, ambient=25.0), 3)
    (0.968, 0.937)
    """
    return (ambient + KELVIN) / (ambient + warmer + KELVIN)


def fan_life(warmer: float, *, per_ten_kelvin: float = RATED_POWER) -> float:
    """Return a fan's life in air so much warmer [K], over that at ambient.

    >>> round(fan_life(10.0), 2), round(fan_life(20.0), 2), fan_life(20.0, per_ten_kelvin=2.0)
    (0.67, 0.44, 0.25)
    """
    return float(per_ten_kelvin ** (-warmer / 10))


def covered_flow(share: float, *, vents: float, start: float = WORKING_POINT) -> float:
    """Return the flow with a share of the vents covered, over that with all open.

    A fan of straight curve ``p = 1 - q`` against ``p = K q^2`` (turbulent resistance), of which the vents carry a share
    in series with the rest; covering leaves them ``1 - share`` of their area, whose resistance goes with its inverse
    square.

    Parameters
    ----------
    share : float
        Covered, of the vents' area: 0 to 1.
    vents : float
        Share of the whole resistance that is the vents': 0 to 1.
    start : float
        Flow with all open, of the free flow.

    Returns
    -------
    float
        0 where all is covered.

    Examples
    --------
    >>> round(covered_flow(0.5, vents=0.5), 2)
    0.74
    """
    if share >= 1:
        return 0.0
    open_box = (1 - start) / start**2
    closed = open_box * ((1 - vents) + vents / (1 - share) ** 2)
    flow = (np.sqrt(1 + 4 * closed) - 1) / (2 * closed)
    return float(flow / start)


def rise_factors(flow_ratio: float) -> tuple[float, float]:
    """Return what rises of surfaces over their air are multiplied by when the flow is, laminar and turbulent.

    >>> [round(factor, 2) for factor in rise_factors(0.744)]
    [1.16, 1.27]
    """
    low, high = sorted(flow_ratio**power for power in RISE_POWERS)
    return low, high
