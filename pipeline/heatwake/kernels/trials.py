"""Whether the first order is enough: the measurement equation put through trials (JCGM 101:2008).

Each trial draws the inputs from their distributions and solves the measurement equation anew with what was drawn. Where
the spread of the results is that of the first-order budget, the budget holds (JCGM 101:2008, clause 8); a surface of
low emissivity is where it does not.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.budget import InputErrors, noise_kelvin, reading_half_width
from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import (
    Film,
    Lid,
    camera_radiance,
    leaving_radiance,
    remove_film,
    surface_temperature,
)

Array = npt.NDArray[np.floating[Any]]

TRIALS: Final = 20_000  # know a standard deviation to half a percent
INTERVAL: Final = (0.025, 0.975)
_SEED: Final = 101


@dataclass(frozen=True)
class Spread:
    """What trials give of a rise over ambient.

    Attributes
    ----------
    bias, standard_deviation : float
        Mean of the trials less the value itself, and their standard deviation [K].
    low, high : float
        Ends of the interval that holds 95 % of them, as differences from the value [K].
    lost : float
        Share of trials without a solution.
    """

    bias: float
    standard_deviation: float
    low: float
    high: float
    lost: float


NO_SPREAD: Final = Spread(np.nan, np.nan, np.nan, np.nan, np.nan)


@dataclass(frozen=True)
class Place:
    """One surface and what lies before it, as the budget has it; temperatures in degC.

    Attributes
    ----------
    temperature, ambient, reflected, film_temperature, cold_ambient, air_temperature : float
        ``cold_ambient`` is NaN where the recording was not zeroed.
    emissivity, air_transmittance : float
    film : Film
    frames, cold_frames : float
    mirrors_board : bool
    """

    temperature: float
    ambient: float
    reflected: float
    film_temperature: float
    emissivity: float
    film: Film
    cold_ambient: float = np.nan
    air_transmittance: float = 1.0
    air_temperature: float = 20.0
    frames: float = 1.0
    cold_frames: float = np.inf
    mirrors_board: bool = False

    @property
    def zeroed(self) -> bool:
        """Whether the recording was zeroed on the cold board."""
        return bool(np.isfinite(self.cold_ambient))

    def when_cold(self) -> "Place":
        """Return the same surface on the cold board: the film, and all else that was at ambient, is at that of then."""

        def then(degrees: float) -> float:
            return self.cold_ambient if degrees == self.ambient else degrees

        return Place(
            self.cold_ambient,
            self.cold_ambient,
            then(self.reflected),
            self.cold_ambient,
            self.emissivity,
            self.film,
            air_transmittance=self.air_transmittance,
            air_temperature=then(self.air_temperature),
            mirrors_board=self.mirrors_board,
        )


@dataclass(frozen=True, eq=False)
class _Drawn:
    """Inputs of a trial each, as they are taken to be."""

    emissivity: Array
    film: Film
    reflected: Array
    film_temperature: Array
    ambient_error: Array
    air_transmittance: Array


def rise_spread(
    place: Place, *, table: BandTable, errors: InputErrors, settling: float = 0.0, trials: int = TRIALS
) -> Spread:
    """Return the spread of a rise over ambient by trials.

    Inputs are normal, but for the camera's statement and the spot's bias, which are rectangular (the latter one-sided,
    taken with both signs as in the budget). The same call gives the same numbers.

    Parameters
    ----------
    place : Place
        The surface as it was measured.
    table : BandTable
        The camera's band.
    errors : InputErrors
        Uncertainties of the inputs, numbers all.
    settling : float
        Standard uncertainty of a final value by its fit [K].
    trials : int
    """
    if not np.isfinite([place.temperature, place.emissivity, place.ambient]).all():
        return NO_SPREAD
    rng = np.random.default_rng(_SEED)
    drawn = _draw(place, errors, rng=rng, trials=trials)
    seen = _received(place, table)
    read = seen + _camera_error(place, seen, table, errors=errors, rng=rng, trials=trials)
    leaving = _surface(read, place, drawn, table=table)
    if place.zeroed:
        leaving = leaving - _zero(place, drawn, table=table)
    with np.errstate(invalid="ignore", divide="ignore"):
        lid = Lid(drawn.film, drawn.film_temperature) if place.mirrors_board else None
        temperature = surface_temperature(
            leaving, table=table, emissivity=drawn.emissivity, reflected=drawn.reflected, lid=lid
        )
    spot = float(np.abs(errors.spot_bias)) * rng.uniform(-1, 1, trials)
    beside = spot + settling * rng.standard_normal(trials)
    error = temperature - place.temperature - drawn.ambient_error + beside
    known = error[np.isfinite(error)]
    if known.size < 0.5 * trials:
        return Spread(np.nan, np.nan, np.nan, np.nan, 1 - known.size / trials)
    low, high = np.quantile(known, INTERVAL)
    return Spread(float(known.mean()), float(known.std()), float(low), float(high), 1 - known.size / trials)


def first_order_holds(spread: Spread, uncertainty: float, *, tolerance: float) -> bool:
    """Tell whether trials agree with a first-order standard uncertainty.

    Parameters
    ----------
    spread : Spread
    uncertainty : float
        Of the first order [K].
    tolerance : float
        Of the standard deviation against it, and of the bias against none, together; as a share of the uncertainty.
    """
    if not np.isfinite([spread.standard_deviation, uncertainty]).all() or spread.lost > 0:
        return False
    apart = abs(spread.standard_deviation - uncertainty) + abs(spread.bias)
    return bool(apart <= tolerance * uncertainty)


def _draw(place: Place, errors: InputErrors, *, rng: np.random.Generator, trials: int) -> _Drawn:
    def around(value: Any, spread: Any) -> Array:
        return np.asarray(float(value) + float(spread) * rng.standard_normal(trials))

    transmittance = around(place.film.transmittance, errors.transmittance)
    reflectance = np.minimum(around(place.film.reflectance, errors.film_reflectance), 1 - transmittance)
    return _Drawn(
        around(place.emissivity, errors.emissivity),
        Film(transmittance, reflectance),
        around(place.reflected, errors.reflected),
        around(place.film_temperature, errors.film_temperature),
        around(0.0, errors.ambient),
        around(place.air_transmittance, errors.air_transmittance),
    )


def _received(place: Place, table: BandTable) -> float:
    """Return the radiance at the camera when all is as it is taken to be."""
    lid = Lid(place.film, place.film_temperature) if place.mirrors_board else None
    leaving = leaving_radiance(
        place.temperature, table=table, emissivity=place.emissivity, reflected=place.reflected, lid=lid
    )
    received = camera_radiance(
        leaving,
        table=table,
        film=place.film,
        film_temperature=place.film_temperature,
        camera_side=place.ambient,
        air_transmittance=place.air_transmittance,
        air_temperature=place.air_temperature,
    )
    return float(received)


def _camera_error(
    place: Place, nominal: float, table: BandTable, *, errors: InputErrors, rng: np.random.Generator, trials: int
) -> Array:
    """Return the camera's error, drift and noise in radiance."""
    zero = place.cold_ambient if place.zeroed else place.ambient
    reading = table.temperature(nominal)
    half = float(reading_half_width(reading, zero=zero, zeroed=place.zeroed, errors=errors))
    stated = table.radiance(reading + half * rng.uniform(-1, 1, trials)) - nominal
    cold_frames = place.cold_frames if place.zeroed else np.inf
    noise = float(noise_kelvin(errors.netd, frames=place.frames, cold_frames=cold_frames)) * float(table.slope(30.0))
    drift = float(np.hypot(errors.drift, errors.offset_steps)) * float(table.slope(zero))
    return np.asarray(stated + np.hypot(noise, drift) * rng.standard_normal(trials))


def _surface(received: Array | float, place: Place, drawn: _Drawn, *, table: BandTable) -> Array:
    """Return the radiance taken to leave the surface."""
    air = drawn.air_transmittance
    added_by_air = (1 - air) * float(table.radiance(place.air_temperature))
    return remove_film(
        (np.asarray(received) - added_by_air) / air,
        table=table,
        film=drawn.film,
        film_temperature=drawn.film_temperature,
        camera_side=place.ambient,
    )


def _zero(place: Place, drawn: _Drawn, *, table: BandTable) -> Array:
    """Return what is taken off for the cold board: known then were film and reflection, not the ambient sensor."""
    cold = place.when_cold()
    flat = np.zeros(drawn.emissivity.shape)
    then = _Drawn(
        drawn.emissivity,
        drawn.film,
        cold.reflected + flat,
        cold.film_temperature + flat,
        drawn.ambient_error,
        drawn.air_transmittance,
    )
    seen = _surface(_received(cold, table), cold, then, table=table)
    lid = Lid(then.film, then.film_temperature) if place.mirrors_board else None
    expected = leaving_radiance(
        cold.temperature, table=table, emissivity=then.emissivity, reflected=then.reflected, lid=lid
    )
    sensor = table.radiance(cold.temperature + drawn.ambient_error) - table.radiance(cold.temperature)
    return np.asarray(seen - expected - then.emissivity * sensor)
