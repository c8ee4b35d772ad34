"""The uncertainty budget against a worked one, Monte Carlo and what must cancel."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from heatwake.kernels.budget import (
    OWN_TERMS,
    SHARED_TERMS,
    InputErrors,
    combine,
    contributions,
    distribution,
    noise_kelvin,
    rise_budget,
    temperature_budget,
)
from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import NO_FILM, Film, leaving_radiance, remove_film, surface_temperature, zero_offset
from usual_errors import USUAL as ERRORS

TABLE = BandTable.for_band(7.5, 14.0)
# JCGM 100:2008 (GUM) applied to: reading 69.25 (u 1.0), tau 0.89 (0.01), film 27 (3), eps 0.95 (0.02), reflected
# 30 (3); worked with an independent integral of Planck's law, and by Monte Carlo of 10^6 trials: mean 75.597, sd 1.497.
WORKED_INPUT = {"film": Film(0.89), "film_temperature": 27.0, "reflected": 30.0}
WORKED_ERRORS = InputErrors(
    transmittance=0.01,
    emissivity=0.02,
    reflected=3.0,
    film_temperature=3.0,
    accuracy=np.sqrt(3.0),  # a rectangular error of this half-width is 1.0 K
)
WORKED_TERMS = {
    "camera": 1.133,
    "emissivity": 0.813,
    "transmittance": 0.458,
    "film_temperature": 0.264,
    "reflected": 0.110,
}


def invert(reading, *, tau=0.89, film=27.0, emissivity=0.95, reflected=30.0):
    leaving = remove_film(TABLE.radiance(reading), table=TABLE, film=Film(tau), film_temperature=film, camera_side=film)
    return surface_temperature(leaving, table=TABLE, emissivity=emissivity, reflected=reflected)


def terms_of(temperature, *, rise=False, **changed):
    given_ = {
        "table": TABLE,
        "emissivity": 0.95,
        "reflected": 24.0,
        "film": Film(0.891, 0.085),
        "film_temperature": 24.0,
        "errors": ERRORS,
    }
    ambient = changed.pop("ambient", 24.0)
    lines = temperature_budget(temperature, ambient, **(given_ | changed))
    return contributions(rise_budget(lines) if rise else lines)


def test_budget_is_the_worked_one():
    temperature = invert(69.25)
    terms = terms_of(temperature, ambient=27.0, errors=WORKED_ERRORS, **WORKED_INPUT)
    assert float(temperature) == pytest.approx(75.580, abs=1e-3)
    assert {name: float(terms[name]) for name in WORKED_TERMS} == pytest.approx(WORKED_TERMS, abs=6e-4)
    assert float(combine(terms)) == pytest.approx(1.495, abs=1e-3)


def test_budget_is_that_of_trials():
    # JCGM 101:2008; 2e5 trials know a standard deviation to 0.16 %, the first order is off by another 0.15 %
    rng, count = np.random.default_rng(11), 200_000
    drawn = invert(
        69.25 + rng.normal(0, 1.0, count),
        tau=0.89,
        film=27 + rng.normal(0, 3, count),
        emissivity=0.95 + rng.normal(0, 0.02, count),
        reflected=30 + rng.normal(0, 3, count),
    )
    terms = terms_of(invert(69.25), ambient=27.0, errors=WORKED_ERRORS, **WORKED_INPUT)
    expected = combine(terms, [name for name in terms if name != "transmittance"])
    assert drawn.std() == pytest.approx(float(expected), rel=0.008)


def test_errors_that_two_readings_share_nearly_cancel():
    # readings 64.25 and 69.25: 5.671 K apart, sd 0.10 K with the same errors, 2.12 K if they were independent
    low, high = (terms_of(invert(t), ambient=27.0, errors=WORKED_ERRORS, **WORKED_INPUT) for t in (64.25, 69.25))
    assert float(invert(69.25) - invert(64.25)) == pytest.approx(5.671, abs=1e-3)
    shared = np.sqrt(sum((float(high[name]) - float(low[name])) ** 2 for name in WORKED_TERMS))
    assert shared == pytest.approx(0.10, abs=6e-3)
    assert np.sqrt(2) * float(combine(high)) == pytest.approx(2.12, abs=0.01)


@pytest.mark.parametrize("film", [NO_FILM, Film(0.891, 0.085)])
def test_a_zeroed_rise_follows_trials_of_what_was_wrong(film):
    """Offset, ambient sensor, gain, emissivity and transmittance drawn; zeroed and inverted with nominal values."""
    rng, count, ambient, true = np.random.default_rng(2), 100_000, 24.0, 75.0
    errors = InputErrors(emissivity=0.02, transmittance=0.01, ambient=0.2)
    emissivity = 0.95 + rng.normal(0, 0.02, count)
    tau = film.transmittance + rng.normal(0, 0.01, count)
    sensor = ambient + rng.normal(0, 0.2, count)
    offset = rng.uniform(-2, 2, count)  # additive in radiance, the same cold and hot

    def seen(temperature):
        leaving = leaving_radiance(temperature, table=TABLE, emissivity=emissivity, reflected=ambient)
        room = float(TABLE.radiance(ambient))
        received = tau * leaving + (1 - tau) * room + offset
        return (received - (1 - film.transmittance) * room) / film.transmittance

    zero = zero_offset(seen(ambient), table=TABLE, emissivity=0.95, ambient=sensor, reflected=sensor)
    read = surface_temperature(seen(true) - zero, table=TABLE, emissivity=0.95, reflected=sensor)
    view = {"film": film, "errors": errors, "cold_ambient": ambient}
    rise = terms_of(true, rise=True, **view)
    temperature = terms_of(true, **view)
    # 1e5 trials: 0.25 %; second order of a 2 % emissivity error: 0.5 %
    assert (read - sensor).std() == pytest.approx(float(combine(rise)), rel=0.015)
    assert read.std() == pytest.approx(float(combine(temperature)), rel=0.015)
    assert (read - sensor).mean() == pytest.approx(true - ambient, abs=0.05)


def test_zeroing_replaces_the_offset_by_a_gain_on_the_rise():
    plain, zeroed = terms_of(24.0), terms_of(24.0, cold_ambient=24.0)
    assert float(plain["camera"]) > 1.1  # 2 K, rectangular, and more through the film
    assert float(zeroed["camera"]) == pytest.approx(0, abs=1e-3)
    hot = terms_of(75.0, cold_ambient=24.0, film=NO_FILM, emissivity=1.0)
    assert float(hot["camera"]) == pytest.approx(0.02 * 51 / np.sqrt(3), rel=1e-3)


def test_percent_counts_where_it_is_the_larger():
    terms = terms_of(150.0, film=NO_FILM, emissivity=1.0)
    assert float(terms["camera"]) == pytest.approx(3.0 / np.sqrt(3), rel=1e-3)


def test_ambient_sensor_nearly_cancels_in_a_small_zeroed_rise():
    rise = terms_of(np.array([24.0, 75.0]), rise=True, cold_ambient=24.0)["ambient"]
    assert rise[0] == pytest.approx(0.0, abs=1e-6)
    ratio = TABLE.slope(24.0) / TABLE.slope(75.0)
    assert rise[1] == pytest.approx(0.2 * (1 - ratio), rel=1e-6)
    assert float(terms_of(75.0, rise=True)["ambient"]) == pytest.approx(0.2)


def test_without_a_film_it_brings_no_uncertainty():
    errors = InputErrors(film_temperature=3.0, film_reflectance=0.0, emissivity=0.02)
    terms = terms_of(75.0, film=NO_FILM, errors=errors)
    assert float(terms["film_temperature"]) == float(terms["film_reflectance"]) == float(terms["transmittance"]) == 0


def test_maps_of_film_and_emissivity_are_as_good_as_numbers():
    tau, eps = np.array([0.89, 0.80]), np.array([0.95, 0.5])
    spread = {
        "transmittance": np.array([0.01, 0.03]),
        "emissivity": np.array([0.02, 0.1]),
        "spot_bias": np.array([0, 2.0]),
    }
    whole = terms_of(75.0, film=Film(tau, 0.085), emissivity=eps, errors=replace(ERRORS, **spread))
    for place in (0, 1):
        errors = replace(ERRORS, **{name: float(values[place]) for name, values in spread.items()})
        one = terms_of(75.0, film=Film(float(tau[place]), 0.085), emissivity=eps[place], errors=errors)
        for name, values in whole.items():
            assert float(np.broadcast_to(values, 2)[place]) == pytest.approx(float(one[name]), rel=1e-9), name


def test_what_is_known_by_bounds_is_rectangular():
    assert {name for name in terms_of(75.0) if distribution(name) == "rectangular"} == {"camera", "spot_size"}
    spot = terms_of(75.0, errors=InputErrors(spot_bias=-1.5))["spot_size"]
    # the root mean square of what lies anywhere from none to 1.5 K
    assert float(spot) == pytest.approx(np.sqrt(np.mean(np.linspace(0, 1.5, 100_001) ** 2)), rel=1e-4)


def test_air_counts_by_what_it_hides():
    # a surface at air temperature looks the same through any air; a hotter one by its excess
    errors = InputErrors(air_transmittance=0.01)
    view = {"film": NO_FILM, "emissivity": 1.0, "reflected": 24.0, "errors": errors, "air_temperature": 24.0}
    still, hot = (float(terms_of(level, air_transmittance=0.98, **view)["air_transmittance"]) for level in (24.0, 80.0))
    assert still == pytest.approx(0, abs=1e-6)
    lost = 0.01 * (float(TABLE.radiance(80.0)) - float(TABLE.radiance(24.0))) / 0.98
    assert hot == pytest.approx(lost / float(TABLE.slope(80.0)), rel=1e-6)


def test_every_term_is_shared_or_own():
    assert set(terms_of(75.0)) == {*SHARED_TERMS, *OWN_TERMS}
    assert not set(SHARED_TERMS) & set(OWN_TERMS)


def test_noise_of_a_black_surface_at_the_makers_temperature_is_the_stated_one():
    noise = terms_of(30.0, film=NO_FILM, emissivity=1.0, frames=100)["noise"]
    assert float(noise) == pytest.approx(0.005, rel=1e-4)  # 50 mK over 100 frames


def test_noise_is_that_of_trials_with_a_cold_median():
    rng, frames, cold, temperature = np.random.default_rng(8), 4, 101, 60.0
    level, step = TABLE.radiance(temperature), 0.05 * float(TABLE.slope(30.0))
    means = rng.normal(0, step, (20_000, frames)).mean(axis=1)
    medians = np.median(rng.normal(0, step, (20_000, cold)), axis=1)
    read = TABLE.temperature(level + (means - medians) / 0.9)
    view = {"emissivity": 1.0, "film": Film(0.9), "cold_ambient": 24.0}
    made = terms_of(temperature, **view, frames=frames, cold_frames=cold)["noise"]
    # 2e4 trials: 0.5 % standard deviation of the estimate, three of them
    assert read.std() == pytest.approx(float(made), rel=0.015)


def test_noise_without_frames_is_nan():
    noise = noise_kelvin(0.05, frames=[0, 1])
    assert np.isnan(noise).tolist() == [True, False]


@given(st.floats(24, 150), st.floats(0.3, 1.0), st.floats(0.5, 1.0), st.booleans())
def test_no_term_is_negative(temperature, emissivity, tau, zeroed):
    terms = terms_of(
        temperature,
        rise=True,
        emissivity=emissivity,
        film=Film(tau, 0.5 * (1 - tau)),
        cold_ambient=24.0 if zeroed else np.nan,
    )
    assert all(float(value) >= 0 for value in terms.values())
    assert float(combine(terms)) >= float(combine(terms, OWN_TERMS)) > 0
