"""The measurement equation through a film, its inverse and its sensitivities.

The camera model of Minkina and Dudzik, Infrared Thermography: Errors and Uncertainties (Wiley 2009; equation from
memory), with one more layer for the film::

    surface leaves   L_o   = eps L(T) + (1 - eps) L(T_reflected)
    after the film   L_f   = tau L_o + alpha L(T_film) + rho L(T_camera_side)        tau + alpha + rho = 1
    after the air    L_cam = tau_air L_f + (1 - tau_air) L(T_air)

A large film close above the surface also mirrors it and stands between it and the room; to second order (bare metal)
the surface then leaves, with the sum of all that goes to and fro between the two::

    L_o = [eps L(T) + (1 - eps) (tau L(T_room) + alpha L(T_film))] / [1 - (1 - eps) rho]

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
    """In-band optics of a film, numbers or maps; the absorptance is what transmittance and reflectance leave."""

    transmittance: float | Array = 1.0
    reflectance: float | Array = 0.0

    @property
    def absorptance(self) -> Any:
        """Absorptance, which is also the film's emissivity (Kirchhoff): a number or a map."""
        left = 1.0 - self.transmittance - self.reflectance
        return max(0.0, left) if isinstance(left, float) else np.maximum(left, left.dtype.type(0))

    def added_radiance(self, table: BandTable, *, film_temperature: npt.ArrayLike, camera_side: npt.ArrayLike) -> Array:
        """Return what the film emits and mirrors towards the camera [W m-2 sr-1]."""
        emitted = self.absorptance * table.radiance(film_temperature)
        return np.asarray(emitted + self.reflectance * table.radiance(camera_side))


NO_FILM: Final = Film()


@dataclass(frozen=True, eq=False)
class Lid:
    """A film close above the surface and parallel to it, which the surface mirrors and which mirrors the surface.

    Attributes
    ----------
    film : Film
        Its optics.
    temperature : array
        [degC]
    """

    film: Film
    temperature: npt.ArrayLike

    def surroundings(self, table: BandTable, *, room: npt.ArrayLike) -> Array:
        """Return what comes from the film's side, but for the surface's own mirror image [W m-2 sr-1]."""
        emitted = self.film.absorptance * table.radiance(self.temperature)
        return np.asarray(self.film.transmittance * table.radiance(room) + emitted)

    def kept(self, emissivity: npt.ArrayLike) -> Array:
        """Return ``1 - (1 - eps) rho``: what one turn between surface and film loses."""
        return np.asarray(1 - (1 - np.asarray(emissivity)) * self.film.reflectance)


def leaving_radiance(
    temperature: npt.ArrayLike,
    *,
    table: BandTable,
    emissivity: npt.ArrayLike,
    reflected: npt.ArrayLike,
    lid: Lid | None = None,
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
        Temperature that the surface mirrors [degC]; with a lid that of the room beyond it.
    lid : Lid, optional
        A film that mirrors the surface, to second order.
    """
    eps = np.asarray(emissivity)
    if lid is None:
        return np.asarray(eps * table.radiance(temperature) + (1 - eps) * table.radiance(reflected))
    around = lid.surroundings(table, room=reflected)
    return np.asarray((eps * table.radiance(temperature) + (1 - eps) * around) / lid.kept(eps))


def surface_temperature(
    leaving: npt.ArrayLike,
    *,
    table: BandTable,
    emissivity: npt.ArrayLike,
    reflected: npt.ArrayLike,
    lid: Lid | None = None,
) -> Array:
    """Return the surface temperature [degC] of a leaving radiance: the inverse of :func:`leaving_radiance`.

    NaN where what is left after the reflection is not positive.
    """
    eps = np.asarray(emissivity)
    if lid is None:
        return table.temperature((np.asarray(leaving) - (1 - eps) * table.radiance(reflected)) / eps)
    around = lid.surroundings(table, room=reflected)
    return table.temperature((np.asarray(leaving) * lid.kept(eps) - (1 - eps) * around) / eps)


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
    lid: Lid | None = None,
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
    lid : Lid, optional
        As in :func:`leaving_radiance`, at that time.

    Returns
    -------
    array
        [W m-2 sr-1]; 0 where ``cold`` is NaN.
    """
    expected = leaving_radiance(ambient, table=table, emissivity=emissivity, reflected=reflected, lid=lid)
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
    air_temperature: npt.ArrayLike = 20.0,
    mirrors_board: bool = False,
) -> dict[str, Array]:
    """Return the first derivatives of the measured surface temperature by what it was computed from.

    Parameters
    ----------
    temperature : array
        Surface temperature [degC] at which to take them.
    table, emissivity, reflected, film, film_temperature, camera_side, air_transmittance, air_temperature
        As in :func:`leaving_radiance` and :func:`camera_radiance`.
    mirrors_board : bool
        Whether the film also is a :class:`Lid` of the surface.

    Returns
    -------
    dict
        By ``camera_radiance`` [K / (W m-2 sr-1)]; ``transmittance``, ``film_reflectance``, ``emissivity``,
        ``air_transmittance`` [K]; the film's absorptance gives way to either of the first two; ``film_temperature``,
        ``camera_side``, ``reflected``, ``air_temperature`` [K/K].
    """
    eps, tau = np.asarray(emissivity), film.transmittance
    mirrored, film_radiance, side = (table.radiance(one) for one in (reflected, film_temperature, camera_side))
    own = table.radiance(temperature)
    lid = Lid(film, film_temperature) if mirrors_board else None
    leaving = leaving_radiance(temperature, table=table, emissivity=eps, reflected=reflected, lid=lid)
    per_own = 1 / (eps * table.slope(temperature))  # of eps times the surface's own radiance
    per_mirrored = per_own * (1 - eps)
    per_leaving = per_own
    by_emissivity = per_own * (mirrored - own)
    through: float | Array = 1.0
    emitted, bounced = 0.0, 0.0
    if lid is not None:
        per_leaving = per_own * lid.kept(eps)
        by_emissivity = per_own * (film.reflectance * leaving + lid.surroundings(table, room=reflected) - own)
        through, emitted, bounced = tau, film.absorptance, 1.0
    per_film = per_leaving / tau
    after_film = tau * leaving + film.absorptance * film_radiance + film.reflectance * side
    return {
        "camera_radiance": np.asarray(per_film / air_transmittance),
        "transmittance": np.asarray(
            per_film * (film_radiance - leaving) + bounced * per_mirrored * (film_radiance - mirrored)
        ),
        "film_reflectance": np.asarray(
            per_film * (film_radiance - side) + bounced * per_mirrored * (film_radiance - leaving)
        ),
        "film_temperature": np.asarray(
            -(per_film * film.absorptance + per_mirrored * emitted) * table.slope(film_temperature)
        ),
        "camera_side": np.asarray(-per_film * film.reflectance * table.slope(camera_side)),
        "emissivity": np.asarray(by_emissivity),
        "reflected": np.asarray(-per_mirrored * through * table.slope(reflected)),
        "air_transmittance": np.asarray(per_film / air_transmittance * (table.radiance(air_temperature) - after_film)),
        "air_temperature": np.asarray(
            -per_film * (1 - air_transmittance) / air_transmittance * table.slope(air_temperature)
        ),
    }
