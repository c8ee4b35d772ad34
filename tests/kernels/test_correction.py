"""The compiled correction of whole pictures against the measurement equation, its budget and direct integration."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from heatwake.kernels.budget import InputErrors, combine, contributions, temperature_budget
from heatwake.kernels.correction import (
    View,
    correct_frame,
    correct_frame_with_uncertainty,
    surface_temperatures,
    temperatures_with_uncertainty,
)
from heatwake.kernels.planck import BandTable, spectral_radiance
from heatwake.kernels.radiometry import Film, Lid, camera_radiance, leaving_radiance
from usual_errors import USUAL

BUMPS = ([7.0, 7.4, 8.0, 8.6, 9.3, 10.0, 12.0, 13.2, 15.0], [0.0, 0.3, 0.85, 0.7, 1.0, 0.93, 0.8, 0.5, 0.0])
TABLES = {
    "7.5-14": BandTable.for_band(7.5, 14.0),
    "8-14": BandTable.for_band(8.0, 14.0),
    "3-5": BandTable.for_band(3.0, 5.0),
    "bumps": BandTable.for_response(*BUMPS),
}
TABLE = TABLES["7.5-14"]
ERRORS = replace(USUAL, air_transmittance=0.004)


def scene(shape=(30, 41), *, low=20.0, high=120.0, seed=3):
    """Return temperatures, emissivities and transmittances of a picture, all different."""
    rng = np.random.default_rng(seed)
    return rng.uniform(low, high, shape), rng.uniform(0.3, 1.0, shape), rng.uniform(0.75, 0.92, shape)


def leaves(true, emissivity, tau, view, *, table=TABLE):
    lid = Lid(Film(tau, view.film_reflectance), view.film_temperature) if view.mirrors_board else None
    return leaving_radiance(true, table=table, emissivity=emissivity, reflected=view.reflected, lid=lid)


def received(true, emissivity, tau, view, *, table=TABLE):
    return camera_radiance(
        leaves(true, emissivity, tau, view, table=table),
        table=table,
        film=Film(tau, view.film_reflectance),
        film_temperature=view.film_temperature,
        camera_side=view.camera_side,
        air_transmittance=view.air_transmittance,
        air_temperature=view.air_temperature,
    )


def written(true, emissivity, tau, view, *, table=TABLE):
    """Return what a camera with the view's settings writes [degC]."""
    setting = (1 - view.emissivity_setting) * table.radiance(view.reflected_setting)
    at_camera = received(true, emissivity, tau, view, table=table)
    return table.temperature((at_camera - setting) / view.emissivity_setting)


VIEWS = {
    "plain": View(24.0, 28.0, 23.0, film_reflectance=0.06),
    "air": View(24.0, 28.0, 23.0, film_reflectance=0.06, air_transmittance=0.97, air_temperature=26.0),
    "settings": View(24.0, 28.0, 23.0, film_reflectance=0.06, emissivity_setting=0.9, reflected_setting=31.0),
    "mirrors": View(24.0, 28.0, 23.0, film_reflectance=0.06, air_transmittance=0.98, mirrors_board=True),
}


@pytest.mark.parametrize("name", VIEWS)
def test_a_frame_as_written_becomes_the_surface(name):
    true, emissivity, tau = scene()
    made = correct_frame(
        written(true, emissivity, tau, VIEWS[name]).astype(np.float32),
        table=TABLE,
        view=VIEWS[name],
        emissivity=emissivity,
        transmittance=tau,
    )
    assert made.dtype == np.float32
    # 4 uK of what the camera wrote in float32 and the tables' 0.03 mK, six times that behind emissivity 0.3 and film
    assert made == pytest.approx(true, abs=1e-3)


@pytest.mark.parametrize("band", TABLES)
def test_radiance_by_direct_integration_comes_back_within_a_millikelvin(band):
    table, true = TABLES[band], np.linspace(-40.0, 400.0, 23)
    samples, response = BUMPS if band == "bumps" else ([table.low, table.high], [1.0, 1.0])

    def weighted(wavelength, temperature):
        return float(spectral_radiance(wavelength, temperature=temperature)) * np.interp(wavelength, samples, response)

    exact = [sum(quad(weighted, *piece, args=(one,), epsrel=1e-11)[0] for piece in pairwise(samples)) for one in true]
    made = surface_temperatures(
        np.array([exact]), table=table, view=View(20.0, 20.0, 20.0), emissivity=np.ones((1, len(true)))
    )
    assert made[0] == pytest.approx(true, abs=1e-3)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-40, 400), st.floats(0.5, 1.0), st.floats(0.6, 0.9), st.floats(0, 0.1), st.sampled_from(sorted(TABLES))
)
def test_forth_and_back_is_the_temperature(true, emissivity, tau, rho, band):
    view = View(20.0, 30.0, 22.0, film_reflectance=rho)
    planes = [np.full((1, 1), value) for value in (true, emissivity, tau)]
    made = surface_temperatures(
        leaves(*planes, view, table=TABLES[band]), table=TABLES[band], view=view, emissivity=planes[1]
    )
    # in 3 to 5 um what a room of 20 degC mirrors drowns a colder surface: float32 then holds fewer of its digits
    share = float(TABLES[band].radiance(true) / leaves(true, emissivity, tau, view, table=TABLES[band]))
    assert float(made[0, 0]) == pytest.approx(true, abs=1e-3 / min(share, 1.0))


@given(st.floats(30, 200), st.floats(1e-3, 1.0))
def test_what_is_written_hotter_is_hotter(indicated, step):
    pair = np.array([[indicated, indicated + step]])
    maps = {"emissivity": np.full((1, 2), 0.9), "transmittance": np.full((1, 2), 0.89)}
    made = correct_frame(pair, table=TABLE, view=VIEWS["plain"], **maps)
    assert made[0, 1] > made[0, 0]


@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize("zeroed", ["all", "some", "none"])
def test_uncertainty_is_that_of_the_budget(name, zeroed):
    true, emissivity, tau = scene(seed=8)
    view, cold, frames, cold_frames = VIEWS[name], 22.5, 6.0, 80.0
    zero = np.random.default_rng(2).normal(0, 0.5, true.shape)
    if zeroed != "all":
        zero[:, :: 3 if zeroed == "some" else 1] = np.nan
    made = temperatures_with_uncertainty(
        leaves(true, emissivity, tau, view) + np.nan_to_num(zero),
        table=TABLE,
        view=view,
        errors=ERRORS,
        ambient=view.camera_side,
        emissivity=emissivity,
        transmittance=tau,
        zero=zero,
        cold_ambient=cold,
        cold_reflected=31.0,
        frames=frames,
        cold_frames=cold_frames,
    )
    lines = temperature_budget(
        true,
        view.camera_side,
        table=TABLE,
        emissivity=emissivity,
        reflected=view.reflected,
        film=Film(tau, view.film_reflectance),
        film_temperature=view.film_temperature,
        errors=ERRORS,
        cold_ambient=np.where(np.isnan(zero), np.nan, cold),
        cold_reflected=31.0,
        frames=frames,
        cold_frames=cold_frames,
        air_transmittance=view.air_transmittance,
        air_temperature=view.air_temperature,
        mirrors_board=view.mirrors_board,
    )
    terms = contributions(lines)
    assert made[0] == pytest.approx(true, abs=1e-3)
    assert made[1] == pytest.approx(combine(terms), rel=1e-4)
    assert made[2] == pytest.approx(np.broadcast_to(terms["noise"], true.shape), rel=1e-4)


@pytest.mark.parametrize("term", ["transmittance", "film_reflectance", "emissivity", "reflected", "film_temperature"])
@pytest.mark.parametrize("mirrors", [False, True])
def test_each_input_alone_is_what_a_step_of_it_does(term, mirrors):
    # against finite differences of the correction itself, not of the budget
    step = {"transmittance": 2e-3, "film_reflectance": 5e-3, "emissivity": 2e-3, "reflected": 0.5}.get(term, 0.5)
    true, emissivity, tau = scene(seed=5, low=40.0)
    start = {"reflected": 24.0, "film_temperature": 28.0, "film_reflectance": 0.06}
    frame = written(true, emissivity, tau, View(**start, camera_side=23.0, mirrors_board=mirrors))
    ends = []
    for sign in (1, -1):
        moved = start | {key: value + sign * step * (key == term) for key, value in start.items()}
        maps = {"emissivity": emissivity + sign * step * (term == "emissivity")}
        maps["transmittance"] = tau + sign * step * (term == "transmittance")
        view = View(**moved, camera_side=23.0, mirrors_board=mirrors)
        ends.append(correct_frame(frame, table=TABLE, view=view, **maps).astype(float))
    made = correct_frame_with_uncertainty(
        frame,
        table=TABLE,
        view=View(**start, camera_side=23.0, mirrors_board=mirrors),
        errors=InputErrors(**{term: step}),
        ambient=23.0,
        emissivity=emissivity,
        transmittance=tau,
    )
    # the two ends err by some 0.05 mK each, and the step is not infinitely small
    assert made[1] == pytest.approx(np.abs(ends[0] - ends[1]) / 2, rel=1e-2, abs=3e-4)


@pytest.mark.parametrize("name", VIEWS)
def test_frames_and_their_uncertainty_agree_with_radiances(name):
    true, emissivity, tau = scene()
    view = VIEWS[name]
    maps = {"emissivity": emissivity, "transmittance": tau}
    frame = written(true, emissivity, tau, view)
    common = {"table": TABLE, "view": view, "errors": ERRORS, "ambient": 23.0, **maps}
    from_frame = correct_frame_with_uncertainty(frame, **common)
    from_radiance = temperatures_with_uncertainty(leaves(true, emissivity, tau, view), **common)
    assert from_frame[0] == pytest.approx(from_radiance[0], abs=1e-3)
    assert from_frame[1] == pytest.approx(from_radiance[1], rel=1e-4)
    # the same equation in another order of float32 operations
    assert from_frame[0] == pytest.approx(correct_frame(frame, table=TABLE, view=view, **maps), abs=2e-4)


def test_what_has_no_temperature_is_nan_and_its_neighbours_are_not():
    given = np.array([[np.nan, 50.0, -1.0, 0.0, 1e9, np.inf, 60.0]])
    maps = {"emissivity": np.ones_like(given), "transmittance": np.full_like(given, 0.9)}
    common = {"table": TABLE, "view": View(20.0, 20.0, 20.0), **maps}
    wanted = [True, False, True, True, True, True, False]
    assert np.isnan(surface_temperatures(given, **common))[0].tolist() == wanted
    made = temperatures_with_uncertainty(given, **common, errors=ERRORS, ambient=20.0)
    assert [np.isnan(one)[0].tolist() for one in made] == [wanted] * 3
    frame = np.array([[np.nan, 50.0, -300.0, 5000.0, np.inf, -np.inf, 60.0]])
    assert np.isnan(correct_frame(frame, **common))[0].tolist() == wanted


def test_inputs_stay_and_outputs_go_where_they_are_wanted():
    true, emissivity, tau = (one.astype(np.float32) for one in scene())
    kept = [one.copy() for one in (true, emissivity, tau)]
    for one in (true, emissivity, tau):
        one.flags.writeable = False
    out = np.empty_like(true)
    made = correct_frame(true, table=TABLE, view=VIEWS["plain"], emissivity=emissivity, transmittance=tau, out=out)
    assert made is out
    assert all(np.array_equal(a, b) for a, b in zip(kept, (true, emissivity, tau), strict=True))
