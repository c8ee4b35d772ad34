"""A film as a lid: what it lets through, how warm it gets, how near it may come, how far it bulges."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.constants import Stefan_Boltzmann

AIR_CONDUCTIVITY: Final = 0.027  # [W/m/K] at 45 degC and 1 atm (Cengel's property table: 0.02699)
LEAST_CLEARANCE: Final = (
    5.0  # [mm] below which a film over a hot part is warned of (our own choice: it lags by a second)
)
FILM_LIMIT: Final = 60.0  # [degC] well below where polyethylene and PVC films soften or shrink (our own choice)
KELVIN: Final = 273.15


@dataclass(frozen=True)
class Material:
    """A film's infrared constants, as if the same over the band.

    Attributes
    ----------
    index, extinction : float
        Refractive index and extinction coefficient.
    density, heat_capacity : float
        [kg/m3] and [J/kg/K]
    source : str
    """

    index: float
    extinction: float
    density: float
    heat_capacity: float
    source: str


MATERIALS: Final = {
    "polyethylene": Material(
        *(1.542, 0.00187, 920.0, 2300.0),
        "n of David et al., Opt. Mater. Express 12 (2022) 2168; k so that a slab absorbs what their spectrum does",
    ),
    "PVC": Material(
        *(1.527, 0.0171, 1380.0, 1000.0),
        "n of Zhang et al., JQSRT 252 (2020) 107063; k so that a slab of 8 to 20 um absorbs what their spectrum does",
    ),
}
BAND_UM: Final = 10.0  # wavelength that stands for the band


def slab(material: Material, *, thickness: float) -> tuple[float, float]:
    """Return transmittance and reflectance of a film seen square on.

    Incoherent slab with reflections to and fro (Siegel and Howell, Thermal Radiation Heat Transfer: from memory):
    ``tau = (1 - R)^2 a / (1 - R^2 a^2)``, ``rho = R (1 + tau a)``, with R of one face and a of one passage.

    Parameters
    ----------
    material : Material
    thickness : float
        [um]

    Examples
    --------
    >>> tuple(round(share, 3) for share in slab(MATERIALS["polyethylene"], thickness=10.0))
    (0.892, 0.085)
    """
    face = ((material.index - 1) / (material.index + 1)) ** 2
    passed = float(np.exp(-4 * np.pi * material.extinction * thickness / BAND_UM))
    transmittance = (1 - face) ** 2 * passed / (1 - face**2 * passed**2)
    return transmittance, face * (1 + transmittance * passed)


def radiosity_excess(surface: float, *, room: float, emissivity: float = 0.9) -> float:
    """Return what a surface radiates more than the room [W/m2], over all wavelengths; temperatures in degC.

    >>> round(radiosity_excess(60.0, room=25.0))
    225
    """
    return float(emissivity * Stefan_Boltzmann * ((surface + KELVIN) ** 4 - (room + KELVIN) ** 4))


def film_temperature(
    *, inside: float, room: float, inner: float, outer: float, absorptance: float = 0.0, excess: float = 0.0
) -> float:
    """Return the temperature at which a film gives away what it takes [degC].

    ``T = T_room + (h_in (T_in - T_room) + alpha G) / (h_in + h_out)``: the balance of a sheet that is thin enough to be
    of one temperature; what it emits is of second order (textbook balance).

    Parameters
    ----------
    inside, room : float
        Air below, room above [degC].
    inner, outer : float
        Heat exchange on its two sides [W/m2/K].
    absorptance, excess : float
        Of the film [1]; what comes up more than from a room [W/m2].
    """
    taken = inner * (inside - room) + absorptance * excess
    return room + taken / (inner + outer)


def still_exchange(clearance: float) -> float:
    """Return the heat exchange through still air over a hot part: ``k / g`` [W/m2/K], clearance in mm."""
    return AIR_CONDUCTIVITY / (clearance * 1e-3)


def least_clearance(
    part: float, *, room: float, outer: float, limit: float = FILM_LIMIT, absorptance: float = 0.0, excess: float = 0.0
) -> float:
    """Return how far a film must stay from a part in still air to keep below a limit [mm].

    :func:`film_temperature` with ``h_in = k / g``, solved for g.

    Parameters
    ----------
    part, room, limit : float
        [degC]
    outer : float
        [W/m2/K]
    absorptance, excess : float
        As in :func:`film_temperature`.

    Returns
    -------
    float
        0 where the part is no warmer than the limit; infinite where radiation alone takes the film there.
    """
    if part <= limit:
        return 0.0
    carried = outer * (limit - room) - absorptance * excess
    return AIR_CONDUCTIVITY * (part - limit) / carried * 1e3 if carried > 0 else float("inf")


def time_constant(material: Material, *, thickness: float, exchange: float) -> float:
    """Return how fast a film follows its surroundings [s]: ``rho c s / h``, h summed over both sides [W/m2/K].

    >>> round(time_constant(MATERIALS["polyethylene"], thickness=10.0, exchange=20.0), 2)
    1.06
    """
    return material.density * material.heat_capacity * thickness * 1e-6 / exchange


def bulge(pressure: float, *, sides: tuple[float, float], tension: float) -> float:
    """Return how far the middle of a taut rectangular film moves [mm].

    Series for a membrane under even pressure (Timoshenko and Goodier, Theory of Elasticity, membrane analogy: from
    memory); ``0.0737 p a^2 / N`` for a square.

    Parameters
    ----------
    pressure : float
        Difference between inside and room [Pa].
    sides : (float, float)
        Between the lines where it is held [mm].
    tension : float
        [N per metre of width]
    """
    short, long = (side * 1e-3 for side in sorted(sides))
    odd = np.arange(1, 40, 2)
    signs = np.where(odd % 4 == 1, 1.0, -1.0)
    decay = np.exp(-odd * np.pi * long / (2 * short))
    series = float((signs / odd**3 * (1 - 2 * decay / (1 + decay**2))).sum())  # 1 - 1 / cosh
    return 4 * pressure * short**2 / (np.pi**3 * tension) * series * 1e3
