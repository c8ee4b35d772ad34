"""The measurement equation through a film, its inverse and its sensitivities.

The camera model of Minkina and Dudzik, Infrared Thermography: Errors and Uncertainties (Wiley 2009; equation from
memory), with one more layer for the film::

    surface leaves   L_o   = eps L(T) + (1 - eps) L(T_reflected)
    after the film   L_f   = tau L_o + alpha L(T_film) + rho L(T_camera_side)        tau + alpha + rho = 1
    after the air    L_cam = tau_air L_f + (1 - tau_air) L(T_air)

Temperatures are in degC, radiances in W m-2 sr-1. All arguments broadcast; NaN in gives NaN out.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.planck import BandTable

Array = npt.NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Film:
    """In-band optics of a film; the absorptance is what transmittance and reflectance leave."""

    transmittance: float = 1.0
    reflectance: float = 0.0

    @property
    def absorptance(self) -> float:
        """Absorptance, which is also the film's emissivity (Kirchhoff)."""
        return max(0.0, 1.0 - self.transmittance - self.reflectance)

    def added_radiance(self, table: BandTable, *, film_temperature: npt.ArrayLike, camera_side: npt.ArrayLike) -> Array:
        """Return what the film emits and mirrors towards the camera [W m-2 sr-1]."""
        emitted = self.absorptance * table.radiance(film_temperature)
        return np.asarray(emitted + self.reflectance * table.radiance(camera_side))


NO_FILM: Final = Film()


def leaving_radiance(
    temperature: npt.ArrayLike, *, table: BandTable, emissivity: npt.ArrayLike, reflected: npt.ArrayLike
) -> Array:
    """Return the radiance that leaves a grey surface, emitted and reflected.

    With the emissivity and reflected temperature that a camera assumed, this also undoes that assumption: it returns
    the radiance which the camera turned into the temperature that it wrote.

    Parameters
    ----------
    temperature : array
        Surface temperature [degC].
    table : BandTable
        The camera's band.
    emissivity : array
        In-band emissivity, 0 to 1.
    reflected : array
        Temperature that the surface mirrors [degC].
    """
    eps = np.asarray(emissivity)
    return np.asarray(eps * table.radiance(temperature) + (1 - eps) * table.radiance(reflected))


def surface_temperature(
    leaving: npt.ArrayLike, *, table: BandTable, emissivity: npt.ArrayLike, reflected: npt.ArrayLike
) -> Array:
    """Return the surface temperature [degC] of a leaving radiance: the inverse of :func:`leaving_radiance`.

    NaN where what is left after the reflection is not positive.
    """
    eps = np.asarray(emissivity)
    return table.temperature((np.asarray(leaving) - (1 - eps) * table.radiance(reflected)) / eps)


def camera_radiance(
    leaving: npt.ArrayLike,
    *,
    table: BandTable,
    film: Film,
    film_temperature: npt.ArrayLike,
    camera_side: npt.ArrayLike,
    air_transmittance: float = 1.0,
    air_temperature: npt.ArrayLike = 20.0,
) -> Array:
    """Return the radiance that reaches the camera through film and air.

    Parameters
    ----------
    leaving : array
        Radiance that leaves the surface [W m-2 sr-1].
    table : BandTable
        The camera's band.
    film : Film
        Optics of the film.
    film_temperature, camera_side : array
        Temperature of the film and of what it mirrors to the camera [degC].
    air_transmittance : float
        1 for paths of less than about a metre.
    air_temperature : array
        [degC], of no account while ``air_transmittance`` is 1.
    """
    added = film.added_radiance(table, film_temperature=film_temperature, camera_side=camera_side)
    after_film = film.transmittance * np.asarray(leaving) + added
    if air_transmittance == 1.0:
        return np.asarray(after_film)
    return np.asarray(air_transmittance * after_film + (1 - air_transmittance) * table.radiance(air_temperature))


def remove_film(
    received: npt.ArrayLike,
    *,
    table: BandTable,
    film: Film,
    film_temperature: npt.ArrayLike,
    camera_side: npt.ArrayLike,
    air_transmittance: float = 1.0,
    air_temperature: npt.ArrayLike = 20.0,
) -> Array:
    """Return the radiance that leaves the surface: the inverse of :func:`camera_radiance`, with its parameters."""
    after_film = np.asarray(received)
    if air_transmittance != 1.0:
        after_film = (after_film - (1 - air_transmittance) * table.radiance(air_temperature)) / air_transmittance
    added = film.added_radiance(table, film_temperature=film_temperature, camera_side=camera_side)
    return np.asarray((after_film - added) / film.transmittance)


def zero_offset(
    cold: npt.ArrayLike,
    *,
    table: BandTable,
    emissivity: npt.ArrayLike,
    ambient: npt.ArrayLike,
    reflected: npt.ArrayLike,
) -> Array:
    """Return the radiance by which each pixel of a cold board reads too high.

    A board that has stood unpowered is at ambient temperature, whatever its emissivity, and serves as a shutter does:
    the difference is additive in radiance, holds the camera's offset and the sensor's fixed pattern, and is taken off
    every later frame.

    Parameters
    ----------
    cold : array
        Radiance that leaves the unpowered board, as measured [W m-2 sr-1]; NaN where there is none.
    table : BandTable
        The camera's band.
    emissivity : array
        In-band emissivity.
    ambient, reflected : array
        Temperature of the air, and that which the surface mirrored, at that time [degC].

    Returns
    -------
    array
        [W m-2 sr-1]; 0 where ``cold`` is NaN.
    """
    expected = leaving_radiance(ambient, table=table, emissivity=emissivity, reflected=reflected)
    excess = np.asarray(cold) - expected
    return np.where(np.isfinite(excess), excess, np.zeros((), dtype=excess.dtype))


def sensitivities(
    temperature: npt.ArrayLike,
    *,
    table: BandTable,
    emissivity: npt.ArrayLike,
    reflected: npt.ArrayLike,
    film: Film,
    film_temperature: npt.ArrayLike,
    camera_side: npt.ArrayLike,
    air_transmittance: float = 1.0,
) -> dict[str, Array]:
    """Return the first derivatives of the measured surface temperature by what it was computed from.

    Parameters
    ----------
    temperature : array
        Surface temperature [degC] at which to take them.
    table, emissivity, reflected, film, film_temperature, camera_side, air_transmittance
        As in :func:`leaving_radiance` and :func:`camera_radiance`.

    Returns
    -------
    dict
        By ``camera_radiance`` [K / (W m-2 sr-1)]; ``transmittance``, ``film_reflectance``, ``emissivity`` [K]; the
        absorptance gives way to either of the first two; ``film_temperature``, ``camera_side``, ``reflected`` [K/K].
    """
    eps, tau = np.asarray(emissivity), film.transmittance
    mirrored, film_radiance = table.radiance(reflected), table.radiance(film_temperature)
    own = table.radiance(temperature)
    per_leaving = 1 / (eps * table.slope(temperature))
    per_film = per_leaving / tau
    leaving = eps * own + (1 - eps) * mirrored
    return {
        "camera_radiance": np.asarray(per_film / air_transmittance),
        "transmittance": np.asarray(per_film * (film_radiance - leaving)),
        "film_reflectance": np.asarray(per_film * (film_radiance - table.radiance(camera_side))),
        "film_temperature": np.asarray(-per_film * film.absorptance * table.slope(film_temperature)),
        "camera_side": np.asarray(-per_film * film.reflectance * table.slope(camera_side)),
        "emissivity": np.asarray(per_leaving * (mirrored - own)),
        "reflected": np.asarray(-per_leaving * (1 - eps) * table.slope(reflected)),
    }
