"""The uncertainty budget of a temperature and of its rise over ambient, term by term.

First order, JCGM 100:2008 (GUM): each term is a sensitivity times the standard uncertainty of an input, and their
squares add. The terms are kept apart because two runs with one camera and one film share most of them.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import Film, camera_radiance, leaving_radiance, sensitivities

Array = npt.NDArray[np.floating[Any]]

NETD_REFERENCE: Final = 30.0  # [degC] at which makers state the noise; it is even in radiance, so smaller in K when hot
MEDIAN_EFFICIENCY: Final = 2 / np.pi  # of a median against a mean, for white noise and many values

SHARED_TERMS: Final = ("camera", "emissivity", "reflected", "transmittance", "film_temperature", "film_reflectance")
"""Terms whose error two runs share that have one camera, film and board: it scales a difference, never shifts it."""
OWN_TERMS: Final = ("ambient", "drift", "noise")
"""Terms whose error is a run's own."""


@dataclass(frozen=True)
class InputErrors:
    """Standard uncertainties of what a temperature is computed from, and the camera's statements.

    Attributes
    ----------
    transmittance, film_reflectance, emissivity : float
        [1]
    reflected, film_temperature, ambient : float
        [K]
    drift : float
        Of the camera's offset since its shutter or the cold stretch, and of the air against its reading [K].
    accuracy, accuracy_percent : float
        Half-widths of the camera's statement [K] and [% of the reading in degC]; the larger counts.
    netd : float
        Noise of one frame [K].
    """

    transmittance: float = 0.0
    film_reflectance: float = 0.0
    emissivity: float = 0.0
    reflected: float = 0.0
    film_temperature: float = 0.0
    ambient: float = 0.0
    drift: float = 0.0
    accuracy: float = 0.0
    accuracy_percent: float = 0.0
    netd: float = 0.0


def temperature_uncertainty_terms(
    temperature: npt.ArrayLike,
    ambient: npt.ArrayLike,
    *,
    table: BandTable,
    emissivity: npt.ArrayLike,
    reflected: npt.ArrayLike,
    film: Film,
    film_temperature: npt.ArrayLike,
    errors: InputErrors,
    cold_ambient: npt.ArrayLike = np.nan,
    frames: npt.ArrayLike = 1,
    cold_frames: npt.ArrayLike = np.inf,
) -> dict[str, Array]:
    """Return the terms of the standard uncertainty of a surface temperature, by name [K].

    Where the recording was zeroed on the cold board (``cold_ambient`` is finite):

    * the camera's offset is gone; what stays of its statement is a gain error, taken as the percent half applied to
      what the camera saw the temperature rise by (common practice, no source);
    * a wrong ambient shifts the zero, and the temperature with it;
    * a wrong transmittance or emissivity still scales the rise, for board, film and room were alike when cold;
    * reflected and film temperature keep their full uncertainty: they were known when cold and are not when hot.

    Parameters
    ----------
    temperature, ambient : array
        Of the surface and of the air [degC].
    table, emissivity, reflected, film, film_temperature
        As in :func:`sensitivities`; the camera side is at ambient.
    errors : InputErrors
        Uncertainties of the inputs.
    cold_ambient : array
        Ambient when the board was cold [degC]; NaN where the recording was not zeroed.
    frames, cold_frames : array
        Number of frames averaged, and behind the cold median. For the mean of a region, both times its pixels.

    Returns
    -------
    dict
        Those of :data:`SHARED_TERMS` and of :data:`OWN_TERMS`; none is negative. ``noise`` is NaN without frames.
    """
    by = sensitivities(
        temperature,
        table=table,
        emissivity=emissivity,
        reflected=reflected,
        film=film,
        film_temperature=film_temperature,
        camera_side=ambient,
    )
    leaving = leaving_radiance(temperature, table=table, emissivity=emissivity, reflected=reflected)
    received = camera_radiance(leaving, table=table, film=film, film_temperature=film_temperature, camera_side=ambient)
    zeroed = np.isfinite(cold_ambient)
    zero = np.where(zeroed, cold_ambient, ambient)
    zero_slope, reading = table.slope(zero), table.temperature(received)
    half_width = _reading_half_width(reading, zero=zero, zeroed=zeroed, errors=errors)
    per_radiance = by["camera_radiance"]
    per_leaving = per_radiance * film.transmittance * np.asarray(emissivity)
    return {
        "camera": per_radiance * table.slope(reading) * half_width / math.sqrt(3),
        "emissivity": np.abs(by["emissivity"]) * errors.emissivity,
        "reflected": np.abs(by["reflected"]) * errors.reflected,
        "transmittance": np.abs(by["transmittance"]) * errors.transmittance,
        "film_temperature": np.abs(by["film_temperature"]) * errors.film_temperature,
        "film_reflectance": np.abs(by["film_reflectance"]) * errors.film_reflectance,
        "ambient": np.where(zeroed, zero_slope * per_leaving, 0) * errors.ambient,
        "drift": per_radiance * zero_slope * errors.drift,
        "noise": per_radiance
        * radiance_noise(
            table,
            errors.netd,
            frames=frames,
            cold_frames=np.where(zeroed, cold_frames, np.inf),
        ),
    }


def rise_uncertainty_terms(
    temperature: npt.ArrayLike,
    ambient: npt.ArrayLike,
    *,
    table: BandTable,
    emissivity: npt.ArrayLike,
    reflected: npt.ArrayLike,
    film: Film,
    film_temperature: npt.ArrayLike,
    errors: InputErrors,
    cold_ambient: npt.ArrayLike = np.nan,
    frames: npt.ArrayLike = 1,
    cold_frames: npt.ArrayLike = np.inf,
) -> dict[str, Array]:
    """Return the terms of the standard uncertainty of the rise over ambient, by name [K].

    As :func:`temperature_uncertainty_terms`, with its parameters, but for the ambient: one wrong sensor shifts the
    zero and what is subtracted alike, so a zeroed rise keeps only ``1 - L'(cold)/L'(T)`` of its error. A sum over
    :data:`OWN_TERMS` alone is what a difference between two runs needs.
    """
    terms = temperature_uncertainty_terms(
        temperature,
        ambient,
        table=table,
        emissivity=emissivity,
        reflected=reflected,
        film=film,
        film_temperature=film_temperature,
        errors=errors,
        cold_ambient=cold_ambient,
        frames=frames,
        cold_frames=cold_frames,
    )
    return terms | {"ambient": np.abs(terms["ambient"] - errors.ambient)}


def radiance_noise(
    table: BandTable, netd: float, *, frames: npt.ArrayLike, cold_frames: npt.ArrayLike = np.inf
) -> Array:
    """Return what white noise leaves on a mean of frames at the camera [W m-2 sr-1].

    Parameters
    ----------
    table : BandTable
        The camera's band.
    netd : float
        Noise of one frame [K] at 30 degC on a blackbody without film. It is even in radiance: a hot surface has less of
        it in K, one under film or of low emissivity more.
    frames : array
        Number of frames averaged; NaN where it is 0.
    cold_frames : array
        Number of frames behind the median that was taken off; infinite where none was.

    Returns
    -------
    array
        float32
    """
    count = np.asarray(frames, dtype=np.float32)
    mean = 1 / np.where(count > 0, count, np.float32(np.nan))
    median = np.float32(1 / MEDIAN_EFFICIENCY) / np.asarray(cold_frames, dtype=np.float32)
    return np.asarray(netd * float(table.slope(NETD_REFERENCE)) * np.sqrt(mean + median))


def combine(terms: dict[str, Array], names: Iterable[str] = (*SHARED_TERMS, *OWN_TERMS)) -> Array:
    """Return the root of the sum of squares of the named terms [K].

    Examples
    --------
    >>> float(combine({"drift": np.array(3.0), "noise": np.array(4.0)}, ("drift", "noise")))
    5.0
    """
    return np.asarray(np.sqrt(sum(np.square(terms[name]) for name in names)))


def _reading_half_width(reading: Array, *, zero: Array, zeroed: npt.NDArray[np.bool_], errors: InputErrors) -> Array:
    """Return the half-width of the camera's error in its own reading [K]."""
    percent = errors.accuracy_percent / 100
    stated = np.maximum(errors.accuracy, percent * np.abs(reading))
    return np.where(zeroed, percent * np.abs(reading - zero), stated)
