"""What the film does to the picture, undone: from temperatures as written to radiance that leaves the surface."""

import logging
import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import Field, NonNegativeFloat, PositiveFloat

from heatwake.errors import InputError
from heatwake.kernels.radiometry import NO_FILM, Film, leaving_radiance
from heatwake.kernels.reference_line import reference_line
from heatwake.kernels.transmittance import FRESNEL_CEILING, SINGLE_LAYER_LEAST
from heatwake.schema.variables import label
from heatwake.stages.band import band_table
from heatwake.stages.film_pair import NOISE_REFERENCE, PairMeasurement, PairSettings, measure_pair
from heatwake.stages.film_temperature import film_model, midway_temperature
from heatwake.stages.stage import Stage

Array = npt.NDArray[Any]

logger = logging.getLogger(__name__)

CLEAR_CREEP: Final = 3.0  # standard uncertainties that a creep must exceed to be one


class FilmSettings(PairSettings):
    """How the film's optics are found where the session file leaves them open."""

    transmittance_uncertainty: NonNegativeFloat = 0.01  # of a transmittance that was given as a number
    reflectance: float = Field(default=0.08, ge=0, lt=1)  # two faces of polyethylene, n 1.52: 0.08
    creeping_K: PositiveFloat = 0.6  # [K] at 30 degC: polyethylene that warms by 15 K makes 0.4, PVC 3


def correct_film(session: xr.Dataset, settings: FilmSettings) -> xr.Dataset:
    """Add the film's ``transmittance`` with its uncertainty, and the radiance ``film_added`` to each frame.

    What a film adds is its emission at film temperature and what it mirrors from the camera's side at ambient;
    :func:`surface_radiance` takes it off. A transmittance is measured where there is a bare/covered pair or readings
    of references, else taken as given; ``film_absorptance`` and ``film_reflectance`` complete it. Its comment says how
    it was found, and its attribute ``doubt`` what speaks against it, empty where nothing does. Without a film it is 1,
    exactly. A pair also gives ``pair_transmittance`` place by place, what to trust of it, and ``film_creep``.

    A film that nobody gave a temperature is at ambient, but for the share ``film_warming`` of the rise below it where a
    pair was recorded: it warmed so while the pair was, and that part of the pair's slope is taken out of the
    transmittance; over the same board it warms so again.

    Raises
    ------
    InputError
        A film without a transmittance; a transmittance, or one with the reflectance, beyond (0, 1]; a pair or
        references without contrast; a pair of two views.
    """
    made = session.copy()
    found = find_film(session, settings)
    if found.doubt:
        logger.warning("film transmittance is %.3f, %s", found.film.transmittance, found.comment)
    made["transmittance"] = ((), found.film.transmittance, {"comment": found.comment, "doubt": found.doubt})
    made["transmittance_uncertainty"] = ((), found.uncertainty)
    made["film_absorptance"] = ((), found.film.absorptance)
    made["film_reflectance"] = ((), found.film.reflectance)
    made["film_creep"] = ((), found.creep)
    warming = settings.warming_share if found.pair is not None and film_model(session) == "ambient" else 0.0
    made["film_warming"] = ((), warming)
    if found.pair is not None:
        places, picture = found.pair.places, ("row", "column")
        scale = {"smoothing_px": settings.map_scale_px}  # standard deviation of the Gaussian
        made["pair_transmittance"] = (picture, places.transmittance.astype(np.float32), scale)
        made["pair_transmittance_uncertainty"] = (picture, places.uncertainty.astype(np.float32))
        made["pair_trust"] = (picture, places.flags)
        made["pair_view_row"], made["pair_view_column"] = (((), shift) for shift in found.pair.view)
    seen = Film(effective_transmittance(made), found.film.reflectance)
    return label(made.assign(_radiance_added(session, seen)))


@dataclass(frozen=True)
class FoundFilm:
    """A film's optics, and how they were found."""

    film: Film
    uncertainty: float  # standard, of the transmittance
    comment: str
    doubt: str = ""
    creep: float = np.nan
    pair: PairMeasurement | None = None


def find_film(session: xr.Dataset, settings: FilmSettings) -> FoundFilm:
    """Return a session's film; raises what :func:`correct_film` does."""
    if not bool(session["film_present"]):
        return FoundFilm(NO_FILM, 0.0, "no film")
    given = float(session["film_transmittance_given"])
    reflectance = float(session["film_reflectance_given"].fillna(settings.reflectance))
    pair, creep, creeps = None, np.nan, False
    if "bare_temperature" in session and "covered_temperature" in session:
        pair = measure_pair(session, settings, reflectance=reflectance)
        tau, uncertainty = pair.transmittance, pair.uncertainty
        comment = f"measured from a bare and a covered recording over {pair.pixels} pixels, {pair.frames}"
        creep, creeps = _creep(session, pair, settings)
    elif "reference_bare" in session:
        tau, uncertainty = _from_references(session, settings)
        absorptance = max(0.0, 1 - tau - reflectance)  # a film that warms over the hotter one adds to the slope
        uncertainty = math.hypot(uncertainty, absorptance * settings.warming_uncertainty)
        comment = f"measured from {session.sizes['film_reference']} references without and with the film"
    elif np.isfinite(given):
        tau, uncertainty, comment = given, settings.transmittance_uncertainty, "as given"
    else:
        wanted = "give a number, a bare/covered pair or references"
        raise InputError("session.toml: film.transmittance", "missing", wanted)
    if not 0 < tau <= 1:
        raise InputError("session.toml: film.transmittance", f"{tau:.4g}, {comment}", "must lie in (0, 1]")
    film = Film(tau, _reflectance(session, settings, tau))
    doubt = film_doubt(tau, creep=creep if creeps else np.nan)
    if doubt:
        comment = f"{comment}; {doubt}"
    return FoundFilm(film, uncertainty, comment, doubt, creep, pair)


def film_doubt(transmittance: float, *, creep: float = np.nan) -> str:
    """Return what speaks against a film's transmittance; empty where nothing does.

    Parameters
    ----------
    transmittance : float
        In the camera's band.
    creep : float
        How far the reading crept up after the film was laid on [K]; NaN where it did not.

    Examples
    --------
    >>> film_doubt(0.89)
    ''
    >>> film_doubt(0.95)
    'implausible: no plain polyethylene film passes more than 0.92'
    """
    doubts = []
    if transmittance > FRESNEL_CEILING:
        doubts.append(f"implausible: no plain polyethylene film passes more than {FRESNEL_CEILING}")
    if transmittance < SINGLE_LAYER_LEAST:
        doubts.append("doubtful: so little speaks for a PVC film or for two layers")
    if np.isfinite(creep):
        doubts.append(f"creeping: an absorbing film, whose own radiance rose by {creep:.1f} K after it was laid on")
    return "; ".join(doubts)


def _creep(session: xr.Dataset, pair: PairMeasurement, settings: FilmSettings) -> tuple[float, bool]:
    """Return how far the reading crept up [K at 30 degC], and whether that marks an absorbing film."""
    rise, spread = pair.creep.rise, pair.creep.uncertainty
    creep = rise / float(band_table(session).slope(NOISE_REFERENCE))
    return creep, creep > settings.creeping_K and rise > CLEAR_CREEP * spread


def _from_references(session: xr.Dataset, settings: FilmSettings) -> tuple[float, float]:
    """Return the slope of covered over bare radiance of the references, and its standard uncertainty."""
    table, emissivity = band_table(session), float(session["emissivity_setting"])
    reflected = float(session["reflected_setting"])
    readings = [session[f"reference_{name}"].to_numpy().astype(np.float64) for name in ("bare", "covered")]
    contrast = float(np.ptp(readings[0]))
    if not contrast >= settings.least_contrast_K:
        wanted = f"must differ by {settings.least_contrast_K:g} K or more"
        raise InputError("session.toml: film.references", f"bare_degC within {contrast:.1f} K", wanted)
    bare, covered = (
        leaving_radiance(reading, table=table, emissivity=emissivity, reflected=reflected) for reading in readings
    )
    error = session["reference_uncertainty"].to_numpy()
    spreads = [emissivity * table.slope(reading) * error for reading in readings]
    return reference_line(bare, covered, bare_uncertainty=spreads[0], covered_uncertainty=spreads[1])


def _reflectance(session: xr.Dataset, settings: FilmSettings, transmittance: float) -> float:
    """Return the film's reflectance: as given, else the default, as far as the transmittance leaves room for it."""
    given = float(session["film_reflectance_given"])
    room = 1.0 - transmittance
    if not np.isfinite(given):
        return min(settings.reflectance, room)
    measured = "bare_temperature" in session or "reference_bare" in session
    known = np.isfinite(session["film_transmittance_given"]) and not measured
    if known and given > room + 1e-9:
        wanted = f"must not exceed 1 - transmittance = {room:.3g}"
        raise InputError("session.toml: film.reflectance", f"{given:g}", wanted)
    return min(given, room)


def surface_radiance(session: xr.Dataset, indicated: Array, *, added: npt.ArrayLike) -> Array:
    """Return the radiance that leaves the surface [W m-2 sr-1], float32: the camera's settings and the film undone.

    Parameters
    ----------
    session : Dataset
        With the camera's settings and what :func:`correct_film` makes.
    indicated : (..., rows, columns) array
        Blackbody radiance of the temperatures that the camera wrote, or its mean over frames [W m-2 sr-1].
    added : array
        What film and air added, likewise [W m-2 sr-1].
    """
    emissivity = float(session["emissivity_setting"])
    room = (1 - emissivity) * float(band_table(session).radiance(float(session["reflected_setting"])))
    transmittance = effective_transmittance(session) * air_transmittance(session)
    gain, level = np.float32(emissivity / transmittance), (room - np.asarray(added)) / transmittance
    return np.asarray(gain * indicated.astype(np.float32) + level.astype(np.float32))


def effective_transmittance(session: xr.Dataset) -> float:
    """Return what of the surface's radiance comes out of the film: what passes, and what the film emits as it warms.

    ``tau L_o + alpha ((1 - w) L_ambient + w L_o)`` is ``(tau + alpha w) L_o`` beside what the film adds at ambient.
    """
    warming = float(session["film_warming"]) if "film_warming" in session else 0.0
    emitted = float(session["film_absorptance"]) * warming if warming else 0.0
    return float(session["transmittance"]) + emitted


def air_transmittance(session: xr.Dataset) -> float:
    """Return the transmittance of the air before the camera; 1 where the session says nothing."""
    return float(session["air_transmittance"]) if "air_transmittance" in session else 1.0


def air_temperature(session: xr.Dataset, ambient: xr.DataArray) -> xr.DataArray:
    """Return the temperature of that air [degC]: as given, else ambient."""
    given = float(session["air_temperature"]) if "air_temperature" in session else np.nan
    return ambient if np.isnan(given) else xr.full_like(ambient, given)


def _radiance_added(session: xr.Dataset, film: Film) -> dict[str, tuple[tuple[str], Array]]:
    """Return what film and air add to each frame at the camera [W m-2 sr-1], and the film's temperature for it."""
    side, air = _camera_side(session), air_transmittance(session)
    model = film_model(session) if bool(session["film_present"]) else "ambient"
    warm = side
    told: dict[str, Array] = {"frame_film_temperature": session["frame_ambient"].to_numpy()}
    if model == "given":
        warm = xr.full_like(side, float(session["film_temperature_given"]))
        told = {"frame_film_temperature": warm.to_numpy()}
    elif model == "midway":
        estimate, spread = midway_temperature(
            session,
            side=side.to_numpy().astype(np.float64),
            added=_added(session, film, side=side, warm=side),
            transmittance=float(film.transmittance) * air,
        )
        warm = side.copy(data=estimate.astype(np.float32))
        told = {"frame_film_temperature": estimate, "frame_film_uncertainty": spread}
    told["film_added"] = _added(session, film, side=side, warm=warm)
    return {name: (("frame",), values) for name, values in told.items()}


def _added(session: xr.Dataset, film: Film, *, side: xr.DataArray, warm: xr.DataArray) -> Array:
    table, air = band_table(session), air_transmittance(session)
    added = film.added_radiance(table, film_temperature=warm, camera_side=side).astype(np.float64)
    if air < 1.0:
        added = air * added + (1.0 - air) * table.radiance(air_temperature(session, side)).astype(np.float64)
    return np.asarray(added)


def _camera_side(session: xr.Dataset) -> xr.DataArray:
    """Return ambient (frame) [degC] as float32; where it is not given, the reflected temperature that is."""
    surface = float(session["surface_reflected"])
    fallback = surface if np.isfinite(surface) else float(session["reflected_setting"])
    side = session["frame_ambient"]
    if bool(session["film_present"]) and bool(side.isnull().any()):
        logger.warning("ambient is not given: film and room are taken as %.1f degC", fallback)
    return side.fillna(fallback).astype(np.float32)


STAGE: Final = Stage(
    name="film",
    settings=FilmSettings,
    apply=correct_film,
    needs=("frame_ambient", "film_present", "emissivity_setting", "reflected_setting"),
    makes=(
        "film_added",
        "transmittance",
        "transmittance_uncertainty",
        "film_absorptance",
        "film_reflectance",
        "film_creep",
        "film_warming",
        "frame_film_temperature",
    ),
    version=6,
)
