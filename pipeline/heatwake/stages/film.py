"""What the film does to the picture, undone: from temperatures as written to radiance that leaves the surface."""

import logging
import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import Field, NonNegativeFloat, PositiveFloat

from heatwake.errors import InputError
from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import NO_FILM, Film, leaving_radiance
from heatwake.kernels.slicewise import slicewise
from heatwake.kernels.transmittance import (
    FRESNEL_CEILING,
    SINGLE_LAYER_LEAST,
    PairFit,
    move_picture,
    pair_transmittance,
    picture_shift,
)
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label
from heatwake.stages.band import band_table
from heatwake.stages.stage import Stage

Array = npt.NDArray[Any]

logger = logging.getLogger(__name__)

NOISE_REFERENCE: Final = 30.0  # [degC] at which makers state the noise
SAME_VIEW_PX: Final = 0.05  # a smaller movement is not undone: it would only smooth


class FilmSettings(Settings):
    """How the film's optics are found where the session file leaves them open."""

    transmittance_uncertainty: NonNegativeFloat = 0.01  # of a transmittance that was given as a number
    transmittance_floor: NonNegativeFloat = 0.002  # no pair of recordings gives less
    warming_share: NonNegativeFloat = 0.15  # of the rise below it, by which the film itself may warm
    reflectance: float = Field(default=0.08, ge=0, lt=1)  # two faces of polyethylene, n 1.52: 0.08
    least_contrast_K: PositiveFloat = 5.0  # a pair of less contrast is refused
    largest_shift_px: PositiveFloat = 8.0  # a pair that moved farther is refused


def correct_film(session: xr.Dataset, settings: FilmSettings) -> xr.Dataset:
    """Add the film's ``transmittance`` with its uncertainty, and the radiance ``film_added`` to each frame.

    What a film adds is its emission at film temperature and what it mirrors from the camera's side at ambient;
    :func:`surface_radiance` takes it off. A transmittance is measured where there is a bare/covered pair, else
    taken as given; ``film_absorptance`` and ``film_reflectance`` complete it. Without a film it is 1, exactly.

    Raises
    ------
    InputError
        A film without a transmittance; a transmittance, or one with the reflectance, beyond (0, 1]; a pair without
        contrast or of two views.
    """
    made = session.copy()
    film, uncertainty, comment = _film(session, settings)
    made["film_added"] = _added(session, film)
    made["transmittance"] = ((), film.transmittance, {"comment": comment})
    made["transmittance_uncertainty"] = ((), uncertainty)
    made["film_absorptance"] = ((), film.absorptance)
    made["film_reflectance"] = ((), film.reflectance)
    return label(made)


def _film(session: xr.Dataset, settings: FilmSettings) -> tuple[Film, float, str]:
    """Return the film, the standard uncertainty of its transmittance and how it was found."""
    if not bool(session["film_present"]):
        return NO_FILM, 0.0, "no film"
    given = float(session["film_transmittance_given"])
    pair = "bare_temperature" in session and "covered_temperature" in session
    if pair:
        fit = _measure_pair(session, settings)
        tau, uncertainty = fit.transmittance, fit.uncertainty
        comment = f"measured from a bare and a covered recording over {fit.pixels} pixels"
    elif np.isfinite(given):
        tau, uncertainty, comment = given, settings.transmittance_uncertainty, "as given"
    else:
        raise InputError("session.toml: film.transmittance", "missing", "give a number or a bare/covered pair")
    if not 0 < tau <= 1:
        raise InputError("session.toml: film.transmittance", f"{tau:.4g}, {comment}", "must lie in (0, 1]")
    film = Film(tau, _reflectance(session, settings, tau))
    if pair:
        # A film that warms with the parts below it adds to the slope: a pair cannot tell this from transmittance.
        uncertainty = math.hypot(uncertainty, film.absorptance * settings.warming_share)
    doubt = _doubt(tau)
    if doubt:
        logger.warning("film transmittance is %.3f, %s: %s", tau, comment, doubt)
        comment = f"{comment}; {doubt}"
    return film, uncertainty, comment


def _doubt(transmittance: float) -> str:
    if transmittance > FRESNEL_CEILING:
        return f"implausible: no plain polyethylene film passes more than {FRESNEL_CEILING}"
    if transmittance < SINGLE_LAYER_LEAST:
        return "doubtful: so little speaks for a PVC film or for two layers"
    return ""


def _reflectance(session: xr.Dataset, settings: FilmSettings, transmittance: float) -> float:
    """Return the film's reflectance: as given, else the default, as far as the transmittance leaves room for it."""
    given = float(session["film_reflectance_given"])
    room = 1.0 - transmittance
    if not np.isfinite(given):
        return min(settings.reflectance, room)
    known = np.isfinite(session["film_transmittance_given"]) and "bare_temperature" not in session
    if known and given > room + 1e-9:
        wanted = f"must not exceed 1 - transmittance = {room:.3g}"
        raise InputError("session.toml: film.reflectance", f"{given:g}", wanted)
    return min(given, room)


def _measure_pair(session: xr.Dataset, settings: FilmSettings) -> PairFit:
    """Return the line of covered over bare radiance, after the covered picture is moved onto the bare one."""
    table = band_table(session)
    bare, covered = (_mean_received(session, f"{name}_temperature") for name in ("bare", "covered"))
    where = "session.toml: film.bare, film.covered"
    contrast = _contrast(bare, covered) / float(table.slope(NOISE_REFERENCE))
    if not contrast >= settings.least_contrast_K:
        wanted = f"must be {settings.least_contrast_K:g} K or more: record a hotter scene, or give film.transmittance"
        raise InputError(where, f"a pair with a contrast of {contrast:.1f} K", wanted)
    shift = picture_shift(bare, covered)
    if np.hypot(*shift) > settings.largest_shift_px:
        wanted = f"must show one view, within {settings.largest_shift_px:g} pixels"
        raise InputError(where, f"a pair whose pictures lie {np.hypot(*shift):.1f} pixels apart", wanted)
    if max(map(abs, shift)) > SAME_VIEW_PX:
        logger.info("covered picture moved by %.2f rows, %.2f columns onto the bare one", *shift)
        covered = move_picture(covered, shift)
    frames = min(session.sizes["bare_frame"], session.sizes["covered_frame"])
    noise = float(session["netd"]) * 1e-3 * float(table.slope(NOISE_REFERENCE)) / np.sqrt(frames)
    fit = pair_transmittance(bare, covered, noise=noise, floor=settings.transmittance_floor)
    if fit.pixels == 0:
        raise InputError(where, "a pair with too few pixels in common", "must show one hot scene")
    return fit


def _contrast(bare: Array, covered: Array) -> float:
    seen = bare[np.isfinite(bare) & np.isfinite(covered)]
    return float(np.ptp(np.quantile(seen, [0.005, 0.995]))) if seen.size else np.nan


def _mean_received(session: xr.Dataset, name: str) -> Array:
    """Return the mean radiance that reached the camera [W m-2 sr-1]; a block of frames at a time."""
    recording = session[name]
    received = xr.apply_ufunc(
        _received,
        recording,
        kwargs=_camera_settings(session),
        dask="parallelized",
        output_dtypes=[np.float32],
    )
    return np.asarray(received.mean(recording.dims[0]).to_numpy(), dtype=np.float64)


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
    transmittance = float(session["transmittance"]) * air_transmittance(session)
    gain, level = np.float32(emissivity / transmittance), (room - np.asarray(added)) / transmittance
    return np.asarray(gain * indicated.astype(np.float32) + level.astype(np.float32))


def air_transmittance(session: xr.Dataset) -> float:
    """Return the transmittance of the air before the camera; 1 where the session says nothing."""
    return float(session["air_transmittance"]) if "air_transmittance" in session else 1.0


def air_temperature(session: xr.Dataset, ambient: xr.DataArray) -> xr.DataArray:
    """Return the temperature of that air [degC]: as given, else ambient."""
    given = float(session["air_temperature"]) if "air_temperature" in session else np.nan
    return ambient if np.isnan(given) else xr.full_like(ambient, given)


def _added(session: xr.Dataset, film: Film) -> xr.DataArray:
    """Return what film and air add to each frame at the camera [W m-2 sr-1]."""
    side, table, air = _camera_side(session), band_table(session), air_transmittance(session)
    given = float(session["film_temperature_given"])
    film_temperature = side if np.isnan(given) else xr.full_like(side, given)
    added = film.added_radiance(table, film_temperature=film_temperature, camera_side=side).astype(np.float64)
    if air < 1.0:
        added = air * added + (1.0 - air) * table.radiance(air_temperature(session, side)).astype(np.float64)
    return xr.DataArray(added, dims=side.dims)


def _received(indicated: Array, *, table: BandTable, emissivity: np.float32, reflected: np.float32) -> Array:
    """Return the radiance that reached the camera, from temperatures as written."""

    def undo(temperature: Array) -> tuple[Array]:
        return (leaving_radiance(temperature, table=table, emissivity=emissivity, reflected=reflected),)

    (received,) = slicewise(undo, indicated)
    return received.astype(np.float32, copy=False)


def _camera_side(session: xr.Dataset) -> xr.DataArray:
    """Return ambient (frame) [degC] as float32; where it is not given, the reflected temperature that is."""
    surface = float(session["surface_reflected"])
    fallback = surface if np.isfinite(surface) else float(session["reflected_setting"])
    side = session["frame_ambient"]
    if bool(session["film_present"]) and bool(side.isnull().any()):
        logger.warning("ambient is not given: film and room are taken as %.1f degC", fallback)
    return side.fillna(fallback).astype(np.float32)


def _camera_settings(session: xr.Dataset) -> dict[str, Any]:
    return {
        "table": band_table(session),
        "emissivity": np.float32(session["emissivity_setting"]),
        "reflected": np.float32(session["reflected_setting"]),
    }


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
    ),
    version=3,
)
