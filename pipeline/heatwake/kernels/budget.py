"""The uncertainty budget of a temperature and of its rise over ambient, line by line.

First order, JCGM 100:2008 (GUM): each line is a sensitivity times the standard uncertainty of an input, and the squares
of the lines add. They are kept apart because two runs with one camera and one film share most of them.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import Film, Lid, camera_radiance, leaving_radiance, sensitivities

Array = npt.NDArray[np.floating[Any]]
Number = float | Array
Distribution = Literal["normal", "rectangular"]

NETD_REFERENCE: Final = 30.0  # [degC] at which makers state the noise; it is even in radiance, so smaller in K when hot
MEDIAN_EFFICIENCY: Final = 2 / np.pi  # of a median against a mean, for white noise and many values

SHARED_TERMS: Final = (
    *("camera", "emissivity", "reflected", "transmittance", "film_temperature", "film_reflectance"),
    *("air_transmittance", "spot_size"),
)
"""Terms whose error two runs share that have one camera, film and board: it scales a difference, never shifts it."""
OWN_TERMS: Final = ("ambient", "drift", "offset_steps", "noise")
"""Terms whose error is a run's own."""
RECTANGULAR: Final = {"camera": math.sqrt(3), "spot_size": math.sqrt(3)}
"""Inputs that are known by bounds alone, with the divisor from half-width to standard uncertainty (GUM 4.3.7)."""


def distribution(term: str) -> Distribution:
    """Return the distribution of a term's input.

    >>> distribution("camera"), distribution("noise")
    ('rectangular', 'normal')
    """
    return "rectangular" if term in RECTANGULAR else "normal"


@dataclass(frozen=True)
class InputErrors:
    """Standard uncertainties of what a temperature is computed from, and the camera's statements; numbers or maps.

    Attributes
    ----------
    transmittance, film_reflectance, emissivity, air_transmittance : float or array
        [1]
    reflected, film_temperature, ambient : float or array
        [K]
    drift : float
        Of the camera's offset since its shutter or the cold stretch, and of the air against its reading [K].
    offset_steps : float or array
        Of the steps of the camera's offset that were taken off since then [K].
    accuracy, accuracy_percent : float
        Half-widths of the camera's statement [K] and [% of the reading in degC]; the larger counts.
    netd : float
        Noise of one frame [K].
    spot_bias : float or array
        What the part is expected to read too near to its surroundings for being small [K]. It is not corrected: the
        error lies anywhere between none and this, one-sided, so that its root mean square is this over root 3, as of
        a rectangular distribution of this half-width.
    """

    transmittance: Number = 0.0
    film_reflectance: Number = 0.0
    emissivity: Number = 0.0
    reflected: Number = 0.0
    film_temperature: Number = 0.0
    ambient: Number = 0.0
    drift: float = 0.0
    offset_steps: Number = 0.0
    accuracy: float = 0.0
    accuracy_percent: float = 0.0
    netd: float = 0.0
    air_transmittance: Number = 0.0
    spot_bias: Number = 0.0


@dataclass(frozen=True, eq=False)
class Line:
    """One input of a budget.

    Attributes
    ----------
    sensitivity : array
        Of the result by the input [K per unit of the input].
    uncertainty : array
        Standard uncertainty of the input [its unit].
    """

    sensitivity: Array
    uncertainty: Array

    @property
    def contribution(self) -> Array:
        """Standard uncertainty that the input brings to the result [K], not negative."""
        return np.asarray(np.abs(self.sensitivity) * self.uncertainty)


def temperature_budget(
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
    cold_reflected: npt.ArrayLike = np.nan,
    frames: npt.ArrayLike = 1,
    cold_frames: npt.ArrayLike = np.inf,
    air_transmittance: float = 1.0,
    air_temperature: npt.ArrayLike = 20.0,
    mirrors_board: bool = False,
) -> dict[str, Line]:
    """Return the lines of the budget of a surface temperature, by name.

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
    table, emissivity, reflected, film, film_temperature, air_transmittance, air_temperature, mirrors_board
        As in :func:`sensitivities`; the camera side is at ambient. Of the film maps will do.
    errors : InputErrors
        Uncertainties of the inputs.
    cold_ambient : array
        Ambient when the board was cold [degC]; NaN where the recording was not zeroed.
    cold_reflected : array
        What the surface mirrored then [degC]; NaN for ambient.
    frames, cold_frames : array
        Number of frames averaged, and behind the cold median. For the mean of a region, both times its pixels. Noise
        falls with their root; nothing else does.

    Returns
    -------
    dict
        Those of :data:`SHARED_TERMS` and of :data:`OWN_TERMS`. ``noise`` is NaN without frames.
    """
    by = sensitivities(
        temperature,
        table=table,
        emissivity=emissivity,
        reflected=reflected,
        film=film,
        film_temperature=film_temperature,
        camera_side=ambient,
        air_transmittance=air_transmittance,
        air_temperature=air_temperature,
        mirrors_board=mirrors_board,
    )
    lid = Lid(film, film_temperature) if mirrors_board else None
    leaving = leaving_radiance(temperature, table=table, emissivity=emissivity, reflected=reflected, lid=lid)
    received = camera_radiance(
        leaving,
        table=table,
        film=film,
        film_temperature=film_temperature,
        camera_side=ambient,
        air_transmittance=air_transmittance,
        air_temperature=air_temperature,
    )
    zeroed = np.isfinite(cold_ambient)
    zero = np.where(zeroed, cold_ambient, ambient)
    zero_slope, reading = table.slope(zero), table.temperature(received)
    half_width = reading_half_width(reading, zero=zero, zeroed=zeroed, errors=errors)
    per_radiance = by["camera_radiance"]
    noise = noise_kelvin(errors.netd, frames=frames, cold_frames=np.where(zeroed, cold_frames, np.inf))
    plain = ("emissivity", "reflected", "transmittance", "film_temperature", "film_reflectance", "air_transmittance")
    lines = {name: Line(by[name], np.asarray(getattr(errors, name))) for name in plain}
    # What was mirrored before power-on as well is in the zero: a wrong emissivity counts from the board's ambient on.
    beyond = np.where(np.isfinite(cold_reflected) & zeroed, table.radiance(zero) - table.radiance(cold_reflected), 0)
    at_zero = beyond / (np.asarray(emissivity) * table.slope(temperature))
    lines["emissivity"] = Line(by["emissivity"] + at_zero, np.asarray(errors.emissivity))
    return lines | {
        "camera": Line(per_radiance * table.slope(reading), half_width / RECTANGULAR["camera"]),
        "spot_size": Line(np.ones(()), np.abs(errors.spot_bias) / RECTANGULAR["spot_size"]),
        "ambient": Line(np.where(zeroed, zero_slope / table.slope(temperature), 0), np.asarray(errors.ambient)),
        "drift": Line(per_radiance * zero_slope, np.asarray(errors.drift)),
        "offset_steps": Line(per_radiance * zero_slope, np.asarray(errors.offset_steps)),
        "noise": Line(per_radiance * float(table.slope(NETD_REFERENCE)), noise),
    }


def rise_budget(temperature_lines: Mapping[str, Line]) -> dict[str, Line]:
    """Return the lines of the budget of a rise over ambient from those of its temperature.

    They differ by the ambient alone: one wrong sensor shifts the zero and what is subtracted alike, so a zeroed rise
    keeps only ``1 - L'(cold)/L'(T)`` of its error.
    """
    ambient = temperature_lines["ambient"]
    return {**temperature_lines, "ambient": Line(np.asarray(ambient.sensitivity - 1), ambient.uncertainty)}


def contributions(lines: Mapping[str, Line]) -> dict[str, Array]:
    """Return what each line brings to the standard uncertainty [K]; none is negative."""
    return {name: line.contribution for name, line in lines.items()}


def noise_kelvin(netd: float, *, frames: npt.ArrayLike, cold_frames: npt.ArrayLike = np.inf) -> Array:
    """Return what white noise leaves on a mean of frames [K] at 30 degC on a blackbody without film.

    Parameters
    ----------
    netd : float
        Noise of one frame [K], likewise. It is even in radiance: a hot surface has less of it in K, one under film or
        of low emissivity more.
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
    return np.asarray(np.float32(netd) * np.sqrt(mean + median))


def combine(terms: Mapping[str, Array], names: Iterable[str] = (*SHARED_TERMS, *OWN_TERMS)) -> Array:
    """Return the root of the sum of squares of the named terms [K].

    Examples
    --------
    >>> float(combine({"drift": np.array(3.0), "noise": np.array(4.0)}, ("drift", "noise")))
    5.0
    """
    return np.asarray(np.sqrt(sum(np.square(terms[name]) for name in names)))


def reading_half_width(
    reading: npt.ArrayLike, *, zero: npt.ArrayLike, zeroed: npt.ArrayLike, errors: InputErrors
) -> Array:
    """Return the half-width of the camera's error in its own reading [K]: the larger of its two statements.

    Parameters
    ----------
    reading : array
        What the camera would write for a blackbody of this radiance [degC].
    zero : array
        Temperature on which the recording was zeroed [degC], where it was.
    zeroed : bool array
    errors : InputErrors
    """
    percent = errors.accuracy_percent / 100
    stated = np.maximum(errors.accuracy, percent * np.abs(reading))
    return np.where(zeroed, percent * np.abs(np.asarray(reading) - zero), stated)
