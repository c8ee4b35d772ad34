"""The budget against Monte Carlo (JCGM 101:2008): an evaluation of its own here, and the package's own trials."""

from dataclasses import replace

import numpy as np
import pytest

from heatwake.kernels.budget import InputErrors, Line, combine, contributions, rise_budget, temperature_budget
from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import Film
from heatwake.kernels.trials import Place, first_order_holds, rise_spread
from kernels.planck_integral import Band

BAND, TABLE = Band(), BandTable.for_band(7.5, 14.0)
TRIALS = 250_000  # know a standard deviation to 0.14 % where it is normal
WORKED = Place(75.580, 27.0, 30.0, 27.0, 0.95, Film(0.89))
WORKED_ERRORS = InputErrors(transmittance=0.01, emissivity=0.02, reflected=3.0, film_temperature=3.0)


def see(place, temperature=None, **changed):
    """Return the radiance at the camera: the measurement equation, written out anew."""
    now = replace(place, **changed)
    degrees = now.temperature if temperature is None else temperature
    tau, rho = now.film.transmittance, now.film.reflectance
    leaves = now.emissivity * BAND.radiance(degrees) + (1 - now.emissivity) * BAND.radiance(now.reflected)
    film = tau * leaves + (1 - tau - rho) * BAND.radiance(now.film_temperature) + rho * BAND.radiance(now.ambient)
    return now.air_transmittance * film + (1 - now.air_transmittance) * BAND.radiance(now.air_temperature)


def solve(received, place, drawn):
    """Return the surface temperature from a radiance at the camera with inputs as drawn; the equation backwards."""
    air, tau, rho = drawn["air_transmittance"], drawn["transmittance"], drawn["film_reflectance"]
    film = (received - (1 - air) * BAND.radiance(place.air_temperature)) / air
    added = (1 - tau - rho) * BAND.radiance(drawn["film_temperature"]) + rho * BAND.radiance(place.ambient)
    leaves = (film - added) / tau
    own = leaves - drawn.get("zero", 0.0) - (1 - drawn["emissivity"]) * BAND.radiance(drawn["reflected"])
    return BAND.temperature(own / drawn["emissivity"])


def draw(place, errors, rng, count):
    """Return the inputs from their distributions: all normal here, but what the camera states."""
    values = {
        "emissivity": place.emissivity, "reflected": place.reflected, "film_temperature": place.film_temperature,
        "transmittance": place.film.transmittance, "film_reflectance": place.film.reflectance,
        "air_transmittance": place.air_transmittance,
    }  # fmt: skip
    drawn = {name: value + getattr(errors, name) * rng.standard_normal(count) for name, value in values.items()}
    return drawn | {"ambient": errors.ambient * rng.standard_normal(count)}


def camera(place, errors, rng, count):
    """Return the camera's error in its reading, drift and noise, as radiance."""
    received = see(place)
    reading = float(BAND.temperature(received))
    zeroed = np.isfinite(place.cold_ambient)
    half = errors.accuracy_percent / 100 * abs(reading - place.cold_ambient) if zeroed else max(
        errors.accuracy, errors.accuracy_percent / 100 * abs(reading)
    )  # fmt: skip
    stated = BAND.radiance(reading + half * rng.uniform(-1, 1, count)) - received
    slope = BAND.radiance.derivative()
    drift = (
        np.hypot(errors.drift, errors.offset_steps)
        * slope(place.cold_ambient if zeroed else place.ambient)
        * rng.standard_normal(count)
    )
    noise = errors.netd * slope(30.0) / np.sqrt(place.frames) * rng.standard_normal(count)
    if zeroed:  # the median of a stretch of cold frames, white noise: its variance is pi/2 that of a mean
        noise += errors.netd * slope(30.0) * np.sqrt(np.pi / 2 / place.cold_frames) * rng.standard_normal(count)
    return received, stated + drift + noise


def monte_carlo(place, errors, *, seed):
    """Return temperatures and rises of the trials."""
    rng = np.random.default_rng(seed)
    drawn = draw(place, errors, rng, TRIALS)
    received, error = camera(place, errors, rng, TRIALS)
    if np.isfinite(place.cold_ambient):
        drawn["zero"] = cold_zero(place, drawn)
    spot = errors.spot_bias * rng.uniform(-1, 1, TRIALS)
    temperature = solve(received + error, place, drawn) + spot
    return temperature, temperature - place.ambient - drawn["ambient"]


def cold_zero(place, drawn):
    """Return what the cold board reads too high with inputs as drawn, its film at ambient."""
    cold = place.cold_ambient
    mirrored = cold if place.reflected == place.ambient else place.reflected
    at_ambient = dict.fromkeys(("temperature", "ambient", "film_temperature", "air_temperature"), cold)
    as_then = replace(place, reflected=mirrored, **at_ambient)
    known = drawn | {"reflected": cold, "film_temperature": cold, "emissivity": 1.0}
    leaves = BAND.radiance(solve(see(as_then), as_then, known))
    sensed = BAND.radiance(cold + drawn["ambient"])
    return leaves - drawn["emissivity"] * sensed - (1 - drawn["emissivity"]) * BAND.radiance(mirrored)


def first_order(place, errors):
    """Return the budget's standard uncertainties of temperature and of rise [K]."""
    lines = temperature_budget(
        place.temperature,
        place.ambient,
        table=TABLE,
        emissivity=place.emissivity,
        reflected=place.reflected,
        film=place.film,
        film_temperature=place.film_temperature,
        errors=errors,
        cold_ambient=place.cold_ambient,
        cold_reflected=np.nan if place.reflected == place.ambient else place.reflected,
        frames=place.frames,
        cold_frames=place.cold_frames,
        air_transmittance=place.air_transmittance,
        air_temperature=place.air_temperature,
    )
    return tuple(float(combine(contributions(one))) for one in (lines, rise_budget(lines)))


ALL = InputErrors(
    transmittance=0.01, film_reflectance=0.01, emissivity=0.02, reflected=3.0, film_temperature=3.0, ambient=0.2,
    drift=0.1, offset_steps=0.3, accuracy=2.0, accuracy_percent=2.0, netd=0.05, air_transmittance=0.003, spot_bias=0.8,
)  # fmt: skip
FILM = Film(0.87, 0.06)
SETTINGS = {
    "worked": (WORKED, WORKED_ERRORS),
    "all inputs": (Place(80.0, 24.0, 26.0, 33.0, 0.93, FILM, air_transmittance=0.98, air_temperature=24.0), ALL),
    "hot, by percent": (Place(150.0, 24.0, 24.0, 30.0, 0.95, FILM), ALL),
    "no film, one frame": (
        Place(40.0, 24.0, 24.0, 24.0, 0.95, Film()),
        replace(ALL, transmittance=0.0, film_reflectance=0.0, netd=0.4, accuracy=0.2, accuracy_percent=0.0),
    ),
    "zeroed": (
        Place(75.0, 24.0, 24.0, 24.0, 0.94, FILM, cold_ambient=23.5, frames=4, cold_frames=80),
        replace(ALL, film_reflectance=0.0),
    ),
    "zeroed, film warmer": (
        Place(75.0, 24.0, 24.0, 36.0, 0.94, FILM, cold_ambient=24.0, frames=4, cold_frames=80),
        ALL,
    ),
    "zeroed, mirrors a warm wall": (
        Place(75.0, 24.0, 38.0, 24.0, 0.8, FILM, cold_ambient=24.0, frames=4, cold_frames=80),
        ALL,
    ),
    "zeroed, long": (Place(110.0, 25.0, 25.0, 25.0, 0.9, FILM, cold_ambient=25.0, frames=90, cold_frames=80), ALL),
}


@pytest.mark.parametrize("name", SETTINGS)
def test_first_order_is_what_trials_show_within_two_percent(name):
    place, errors = SETTINGS[name]
    temperature, rise = monte_carlo(place, errors, seed=3)
    expected = first_order(place, errors)
    assert temperature.std() == pytest.approx(expected[0], rel=0.02)
    assert rise.std() == pytest.approx(expected[1], rel=0.02)


@pytest.mark.parametrize("name", SETTINGS)
def test_the_packages_trials_are_those_written_here(name):
    place, errors = SETTINGS[name]
    _, rise = monte_carlo(place, errors, seed=4)
    own = rise_spread(place, table=TABLE, errors=errors, trials=100_000)
    error = rise - (place.temperature - place.ambient)
    assert own.standard_deviation == pytest.approx(error.std(), rel=0.01)
    assert own.bias == pytest.approx(error.mean(), abs=0.015 * error.std())
    # an end of the interval is known to 1.2 % of the standard deviation by 1e5 trials
    assert [own.low, own.high] == pytest.approx(np.quantile(error, [0.025, 0.975]), abs=0.04 * error.std())


def test_worked_budget_of_a_part_behind_a_film():
    """Reading 69.25 (u 1.0), tau .89 (.01), film 27 (3), eps .95 (.02), reflected 30 (3): 75.597, sd 1.497 by 10^6."""
    rng = np.random.default_rng(8)
    drawn = draw(WORKED, WORKED_ERRORS, rng, TRIALS)
    temperature = solve(BAND.radiance(69.25 + rng.standard_normal(TRIALS)), WORKED, drawn)
    assert temperature.mean() == pytest.approx(75.597, abs=0.012)  # 1.5 K over the root of the trials, four times
    assert temperature.std() == pytest.approx(1.497, rel=0.006)
    assert np.quantile(temperature, [0.025, 0.975]) == pytest.approx([72.72, 78.58], abs=0.04)
    normal = replace(WORKED_ERRORS, accuracy=np.sqrt(3.0))
    assert first_order(WORKED, normal)[0] == pytest.approx(1.495, abs=1e-3)
    assert first_order(WORKED, normal)[0] == pytest.approx(temperature.std(), rel=0.01)


def test_two_readings_with_the_same_errors_keep_their_difference():
    """64.25 and 69.25 are 5.671 K apart; sd 0.10 K with errors in common, 2.12 K were they independent."""
    rng = np.random.default_rng(9)
    drawn = draw(WORKED, WORKED_ERRORS, rng, TRIALS)
    offset = rng.standard_normal(TRIALS)
    low, high = (solve(BAND.radiance(level + offset), WORKED, drawn) for level in (64.25, 69.25))
    difference = high - low
    assert difference.mean() == pytest.approx(5.671, abs=5e-3)
    assert difference.std() == pytest.approx(0.10, abs=5e-3)
    other = solve(BAND.radiance(69.25 + rng.standard_normal(TRIALS)), WORKED, draw(WORKED, WORKED_ERRORS, rng, TRIALS))
    assert (high - other).std() == pytest.approx(2.12, abs=0.015)  # the root of 2 of the reading's own 1.497


def test_four_rectangular_inputs_make_two():
    """Four of unit standard deviation: u = 2.0, 95 % within 3.88 and not 3.92 (JCGM 101, 9.2.3)."""
    lines = {str(number): Line(np.ones(()), np.array(np.sqrt(3) / np.sqrt(3))) for number in range(4)}
    assert float(combine(contributions(lines), list(lines))) == pytest.approx(2.0)
    rng = np.random.default_rng(10)
    total = rng.uniform(-np.sqrt(3), np.sqrt(3), (4, TRIALS)).sum(axis=0)
    assert total.std() == pytest.approx(2.0, rel=0.005)
    exact = 2 * np.sqrt(3) * (2 - 0.6**0.25)
    assert exact == pytest.approx(3.88, abs=5e-3)
    assert np.quantile(np.abs(total), 0.95) == pytest.approx(exact, abs=0.015)


def test_bounds_of_camera_and_spot_make_a_triangle():
    """A black surface without film, two rectangular errors of 0.6 K alike: their sum is triangular, to +-1.2 K."""
    place = Place(60.0, 24.0, 24.0, 24.0, 1.0, Film())
    errors = InputErrors(accuracy=0.6, spot_bias=0.6)
    spread = rise_spread(place, table=TABLE, errors=errors, trials=100_000)
    assert spread.standard_deviation == pytest.approx(0.6 * np.sqrt(2 / 3), rel=0.01)
    assert [spread.low, spread.high] == pytest.approx(1.2 * (1 - np.sqrt(0.05)) * np.array([-1, 1]), abs=0.012)


def test_first_order_is_said_not_to_hold_for_bright_metal():
    errors = replace(ALL, emissivity=0.05, spot_bias=0.0)
    painted, metal = (Place(80.0, 24.0, 24.0, 24.0, eps, FILM) for eps in (0.95, 0.3))
    held = [
        first_order_holds(rise_spread(one, table=TABLE, errors=errors), first_order(one, errors)[1], tolerance=0.05)
        for one in (painted, metal)
    ]
    assert held == [True, False]
    _, rise = monte_carlo(metal, errors, seed=5)
    # trials of their own agree that it is not: wider by more than the tolerance, and lopsided
    assert np.nanstd(rise) > 1.05 * first_order(metal, errors)[1]
    known = draw(metal, InputErrors(), np.random.default_rng(0), 1)
    beside = [solve(see(metal), metal, known | {"emissivity": eps})[0] for eps in (0.25, 0.3, 0.35)]
    second_order = (beside[0] - 2 * beside[1] + beside[2]) / 2
    # the second order alone; third and higher add a tenth at one part in six of emissivity
    assert np.nanmean(rise) - 56.0 == pytest.approx(second_order, rel=0.15)


def test_trials_without_a_solution_are_told():
    place = Place(60.0, 24.0, 24.0, 24.0, 0.1, Film())
    spread = rise_spread(place, table=TABLE, errors=InputErrors(emissivity=0.08))
    assert spread.lost > 0.05
    assert not first_order_holds(spread, 1e6, tolerance=1.0)


def test_settling_adds_its_own():
    place = Place(60.0, 24.0, 24.0, 24.0, 1.0, Film())
    spread = rise_spread(place, table=TABLE, errors=InputErrors(), settling=0.3)
    assert spread.standard_deviation == pytest.approx(0.3, rel=0.02)


def test_the_same_call_gives_the_same_numbers():
    one, other = (rise_spread(WORKED, table=TABLE, errors=ALL) for _ in range(2))
    assert one == other


def test_an_unknown_temperature_has_no_spread():
    spread = rise_spread(replace(WORKED, temperature=np.nan), table=TABLE, errors=ALL)
    assert np.isnan(spread.standard_deviation)
    assert not first_order_holds(spread, np.nan, tolerance=0.05)
