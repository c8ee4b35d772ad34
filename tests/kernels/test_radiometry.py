"""The measurement equation and its inverse against worked values, limits and properties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import (
    NO_FILM,
    Film,
    Lid,
    camera_radiance,
    leaving_radiance,
    remove_film,
    sensitivities,
    surface_temperature,
    zero_offset,
)

TABLE = BandTable.for_band(7.5, 14.0)

# Camera model of Minkina and Dudzik (2009) with a film layer, evaluated with an independent integral of Planck's law:
# eps, T, T_refl, tau, rho, T_film, T_side, radiance at the camera, apparent temperature, the same with air 0.99 at 23.
WORKED = [
    (0.95, 80, 25, 0.90, 0.04, 35, 25, 112.7940, 73.726, 73.305),
    (0.85, 80, 30, 0.88, 0.05, 35, 23, 106.5816, 69.070, 68.683),
    (0.95, 60, 25, 0.90, 0.04, 30, 23, 89.8299, 55.684, 55.398),
    (0.30, 60, 25, 0.90, 0.04, 30, 23, 67.9267, 35.749, 35.628),
]
# film 25 degC: tau, apparent, in-band correction, and what the T^4 law and plain degrees would give
CORRECTED = [
    (0.90, 69.25, 73.350, 73.223, 74.167),
    (0.90, 100.0, 106.425, 105.995, 108.333),
    (0.80, 69.25, 78.320, 78.005, 80.313),
    (0.80, 100.0, 114.154, 113.109, 118.750),
    (0.70, 100.0, 123.659, 121.715, 132.143),
]


def through(
    temperature,
    *,
    emissivity=0.95,
    reflected=25.0,
    film=NO_FILM,
    film_temperature=25.0,
    side=25.0,
    air=1.0,
    air_temperature=23.0,
    mirrors=False,
):
    lid = Lid(film, film_temperature) if mirrors else None
    leaving = leaving_radiance(temperature, table=TABLE, emissivity=emissivity, reflected=reflected, lid=lid)
    return camera_radiance(
        leaving,
        table=TABLE,
        film=film,
        film_temperature=film_temperature,
        camera_side=side,
        air_transmittance=air,
        air_temperature=air_temperature,
    )


def back(
    received,
    *,
    emissivity=0.95,
    reflected=25.0,
    film=NO_FILM,
    film_temperature=25.0,
    side=25.0,
    air=1.0,
    air_temperature=23.0,
    mirrors=False,
):
    leaving = remove_film(
        received,
        table=TABLE,
        film=film,
        film_temperature=film_temperature,
        camera_side=side,
        air_transmittance=air,
        air_temperature=air_temperature,
    )
    lid = Lid(film, film_temperature) if mirrors else None
    return surface_temperature(leaving, table=TABLE, emissivity=emissivity, reflected=reflected, lid=lid)


@pytest.mark.parametrize("row", WORKED)
def test_forward_and_inverse_are_the_worked_values(row):
    emissivity, true, reflected, tau, rho, film_temperature, side, radiance, apparent, in_air = row
    view = {"emissivity": emissivity, "reflected": reflected, "film": Film(tau, rho)}
    view |= {"film_temperature": film_temperature, "side": side}
    received = through(true, **view)
    assert float(received) == pytest.approx(radiance, abs=1e-4)
    # half of the last printed digit, and the table's interpolation
    assert float(TABLE.temperature(received)) == pytest.approx(apparent, abs=6e-4)
    assert float(TABLE.temperature(through(true, **view, air=0.99))) == pytest.approx(in_air, abs=6e-4)
    assert float(back(received, **view)) == pytest.approx(true, abs=1e-3)
    assert float(back(through(true, **view, air=0.99), **view, air=0.99)) == pytest.approx(true, abs=1e-3)


@pytest.mark.parametrize(("tau", "apparent", "in_band", "fourth_power", "linear"), CORRECTED)
def test_film_correction_is_in_band_and_neither_shortcut(tau, apparent, in_band, fourth_power, linear):
    corrected = float(back(TABLE.radiance(apparent), emissivity=1.0, film=Film(tau)))
    assert corrected == pytest.approx(in_band, abs=6e-4)
    assert abs(corrected - linear) > abs(corrected - fourth_power) > 0.1


@pytest.mark.parametrize(("emissivity", "true"), [(0.95, 61.593), (0.85, 65.270), (0.60, 78.957), (0.30, 118.368)])
def test_emissivity_correction_of_an_apparent_60_degrees(emissivity, true):
    corrected = surface_temperature(TABLE.radiance(60.0), table=TABLE, emissivity=emissivity, reflected=25.0)
    assert float(corrected) == pytest.approx(true, abs=1e-3)


def test_a_part_at_74_degrees_reads_4_to_5_kelvin_less_through_cling_film():
    # Common practice, no source: single polyethylene film, film at room temperature. Optics of an 8 to 15 um film from
    # the measured n, k of polyethylene (David et al., Opt. Mater. Express 12 (2022) 2168).
    for true in (73.5, 73.75, 74.0):
        for film in (Film(0.895, 0.085), Film(0.891, 0.085), Film(0.881, 0.084)):
            reading = TABLE.temperature(through(true, emissivity=1.0, film=film))
            assert 4.0 < true - float(reading) < 5.1


@pytest.mark.parametrize(
    ("true", "reading"), [(25, 25.0), (30, 29.461), (50, 47.499), (73.75, 69.201), (100, 93.4), (120, 111.924)]
)
def test_the_films_drop_grows_with_the_rise(true, reading):
    # tau 0.89, everything else at 25 degC; worked with an independent integral
    assert float(TABLE.temperature(through(true, emissivity=1.0, film=Film(0.89)))) == pytest.approx(reading, abs=1e-3)


@pytest.mark.parametrize(("tau", "film_temperature", "bias"), [(0.9, 30, 0.38), (0.9, 50, 2.08), (0.8, 40, 2.68)])
def test_a_warm_absorbing_film_taken_as_cold_biases_high(tau, film_temperature, bias):
    received = through(73.75, emissivity=1.0, film=Film(tau), film_temperature=film_temperature)
    assert float(back(received, emissivity=1.0, film=Film(tau))) - 73.75 == pytest.approx(bias, abs=6e-3)


def test_film_shares_make_one():
    film = Film(0.891, 0.085)
    assert film.transmittance + film.reflectance + film.absorptance == pytest.approx(1.0)
    assert Film(0.95, 0.08).absorptance == 0.0


temperatures = st.floats(0, 200)
emissivities = st.floats(0.2, 1.0)
shares = st.floats(0.3, 1.0)


@given(temperatures, emissivities, shares, st.floats(0, 1), st.tuples(st.floats(5, 60), st.floats(5, 60)))
def test_forth_and_back_is_the_temperature(true, emissivity, tau, mirrored, around):
    film = Film(tau, mirrored * (1 - tau))
    view = {"emissivity": emissivity, "film": film, "film_temperature": around[0], "side": around[1]}
    # 0.1 mK of the table, magnified where little of the surface's own radiance arrives
    assert float(back(through(true, **view), **view)) == pytest.approx(true, abs=5e-3)


@given(temperatures)
def test_no_film_and_a_black_surface_change_nothing(true):
    assert float(through(true, emissivity=1.0)) == float(TABLE.radiance(true))
    assert float(back(TABLE.radiance(true), emissivity=1.0)) == pytest.approx(true, abs=1e-3)


@given(temperatures, emissivities, shares)
def test_a_scene_all_at_one_temperature_reads_that(true, emissivity, tau):
    film = Film(tau, 0.5 * (1 - tau))
    received = through(true, emissivity=emissivity, reflected=true, film=film, film_temperature=true, side=true)
    assert float(TABLE.temperature(received)) == pytest.approx(true, abs=1e-3)


@given(st.floats(30, 150), st.floats(0.5, 0.95))
def test_correcting_for_more_film_gives_a_hotter_surface(apparent, tau):
    received = TABLE.radiance(apparent)
    assert back(received, film=Film(tau - 0.01)) > back(received, film=Film(tau))


@pytest.mark.parametrize("mirrors", [False, True])
@pytest.mark.parametrize(("emissivity", "air"), [(0.9, 1.0), (0.9, 0.97), (0.25, 0.97)])
def test_sensitivities_are_the_derivatives_of_the_inverse(emissivity, air, mirrors):
    state = {"emissivity": emissivity, "reflected": 30.0, "film_temperature": 33.0, "side": 22.0}
    state |= {"film": Film(0.89, 0.06), "air": air, "air_temperature": 26.0, "mirrors": mirrors}
    received = float(through(75.0, **state))
    analytic = sensitivities(
        75.0,
        table=TABLE,
        emissivity=emissivity,
        reflected=30.0,
        film=state["film"],
        film_temperature=33.0,
        camera_side=22.0,
        air_transmittance=air,
        air_temperature=26.0,
        mirrors_board=mirrors,
    )

    def slope(step, change):
        ends = [float(back(received, **state | change(sign * step))) for sign in (1, -1)]
        return (ends[0] - ends[1]) / (2 * step)

    differences = {
        "camera_radiance": (float(back(received + 0.5, **state)) - float(back(received - 0.5, **state))) / 1.0,
        "transmittance": slope(0.002, lambda d: {"film": Film(0.89 + d, 0.06)}),
        "film_reflectance": slope(0.01, lambda d: {"film": Film(0.89, 0.06 + d)}),
        "emissivity": slope(0.002, lambda d: {"emissivity": emissivity + d}),
        "reflected": slope(1.0, lambda d: {"reflected": 30.0 + d}),
        "film_temperature": slope(1.0, lambda d: {"film_temperature": 33.0 + d}),
        "camera_side": slope(1.0, lambda d: {"side": 22.0 + d}),
        "air_transmittance": slope(0.002, lambda d: {"air": air + d}),
        "air_temperature": slope(1.0, lambda d: {"air_temperature": 26.0 + d}),
    }
    # the steps leave an error of third order, some 1e-4; the table's 0.02 mK over a step of 2 K the rest
    assert {name: float(value) for name, value in analytic.items()} == pytest.approx(differences, rel=1e-3, abs=2e-5)


@pytest.mark.parametrize(("emissivity", "change"), [(0.95, 0.17), (0.80, 0.62), (0.30, 1.14)])
def test_a_film_that_mirrors_the_board_brightens_bare_metal(emissivity, change):
    # Minkina and Dudzik's surface with the sum of all reflections between it and the film; worked with an independent
    # integral: surface 70, room 23, film 35 degC
    view = {"table": TABLE, "emissivity": emissivity, "reflected": 23.0}
    lid = Lid(Film(0.891, 0.085), 35.0)
    once, mirrored = leaving_radiance(70.0, **view), leaving_radiance(70.0, **view, lid=lid)
    assert float(TABLE.temperature(mirrored) - TABLE.temperature(once)) == pytest.approx(change, abs=5e-3)
    assert float(surface_temperature(mirrored, **view, lid=lid)) == pytest.approx(70.0, abs=1e-3)


def test_reflections_between_board_and_film_add_up_to_the_closed_form():
    # bounce by bounce: each turn keeps (1 - eps) rho of what left
    eps, film = 0.3, Film(0.891, 0.085)
    room, warm, own = (float(TABLE.radiance(one)) for one in (23.0, 35.0, 70.0))
    from_outside = film.transmittance * room + film.absorptance * warm
    leaving = 0.0
    for _ in range(30):
        leaving = eps * own + (1 - eps) * (from_outside + film.reflectance * leaving)
    closed = leaving_radiance(70.0, table=TABLE, emissivity=eps, reflected=23.0, lid=Lid(film, 35.0))
    assert float(closed) == pytest.approx(leaving, rel=1e-12)


@given(temperatures, emissivities)
def test_a_lid_of_no_film_mirrors_nothing(true, emissivity):
    view = {"table": TABLE, "emissivity": emissivity, "reflected": 25.0}
    assert float(leaving_radiance(true, **view, lid=Lid(NO_FILM, 40.0))) == float(leaving_radiance(true, **view))


@given(temperatures, shares)
def test_a_mirrored_scene_all_at_one_temperature_is_a_black_body(true, tau):
    view = {"film": Film(tau, 0.5 * (1 - tau)), "film_temperature": true, "side": true, "reflected": true}
    received = through(true, emissivity=0.2, mirrors=True, **view)
    assert float(TABLE.temperature(received)) == pytest.approx(true, abs=1e-3)


@given(st.floats(30, 150), st.floats(0.2, 0.99), st.floats(0.9, 0.999))
def test_correcting_for_less_emissivity_or_more_air_gives_a_hotter_surface(apparent, emissivity, air):
    received = TABLE.radiance(apparent)
    plain = back(received, emissivity=emissivity, air=air)
    assert back(received, emissivity=emissivity - 0.01, air=air) > plain
    assert back(received, emissivity=emissivity, air=air - 0.01) > plain


@given(st.floats(26, 200), st.floats(1e-4, 1e-2))
def test_the_limits_of_a_black_surface_and_of_no_film_are_reached_smoothly(true, little):
    # both corrections vanish with what is missing to 1: at 200 degC less than 300 K a unit
    received = TABLE.radiance(true)
    almost = back(received, emissivity=1.0 - little, film=Film(1.0 - little))
    assert 0 <= float(almost) - true + 1e-3 < 300 * little + 2e-3


def test_zeroing_on_a_cold_board_takes_off_offset_and_pattern():
    rng = np.random.default_rng(5)
    emissivity = rng.uniform(0.3, 0.98, (6, 8))
    error = rng.normal(0, 1.5, (6, 8))
    cold = leaving_radiance(24.0, table=TABLE, emissivity=emissivity, reflected=24.0) + error
    offset = zero_offset(cold, table=TABLE, emissivity=emissivity, ambient=24.0, reflected=24.0)
    assert offset == pytest.approx(error, abs=1e-9)


def test_a_pixel_without_a_cold_reading_is_not_zeroed():
    offset = zero_offset([np.nan, 60.0], table=TABLE, emissivity=0.95, ambient=24.0, reflected=24.0)
    assert offset[0] == 0
    assert offset[1] == pytest.approx(60.0 - float(TABLE.radiance(24.0)))


def test_a_masked_pixel_stays_masked():
    assert np.isnan(back(through(np.array([np.nan, 30.0]), film=Film(0.9)), film=Film(0.9))).tolist() == [True, False]
