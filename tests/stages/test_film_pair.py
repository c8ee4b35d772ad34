"""A film measured from a pair of recordings: which frames count, what places tell, what speaks against it."""

import logging

import numpy as np
import pytest
import xarray as xr
from scipy import ndimage

from heatwake.errors import InputError
from heatwake.scene import Ambient, Camera, Handling, charger, record, settle, uncovered
from heatwake.scene.model import Film as SceneFilm
from heatwake.schema.variables import FILM_MODEL, FILM_TRUST, VARIABLES
from heatwake.stages.film import FilmSettings, correct_film, surface_radiance
from stages.film_sessions import TABLE, recorded, warm_board

SETTINGS = FilmSettings()
POLYETHYLENE, PVC = (0.89, 0.03), (0.733, 0.197)
INTERVAL = 0.5


def hot_scene():
    """Rises over 24 degC of some parts on a board."""
    scene = np.tile(np.linspace(0, 6, 80), (64, 1))
    scene[30:48, 40:64] += 34
    scene[10:22, 8:20] += 46
    return ndimage.gaussian_filter(scene, 1.5)


def pair_of(rises, *, film=POLYETHYLENE, warms=0.0, steps=0.0, rng=None):
    """Readings [degC] of rises (frame, row, column) through a film that warms by ``warms`` [K] within seconds.

    ``steps`` (frame) are the camera's [W m-2 sr-1].
    """
    rng = np.random.default_rng(3) if rng is None else rng
    tau, absorptance = film
    elapsed = np.arange(len(rises)) * INTERVAL
    warm = 24.0 + warms * (1 - np.exp(-elapsed / 1.06))
    added = absorptance * TABLE.radiance(warm) + (1 - tau - absorptance) * TABLE.radiance(24.0)
    received = tau * TABLE.radiance(24.0 + rises) + added[:, None, None]
    noise = 0.05 * float(TABLE.slope(30.0)) * rng.standard_normal(rises.shape)
    return TABLE.temperature(received + noise + np.reshape(steps, (-1, 1, 1))).astype(np.float32)


def session_of(bare, covered):
    session = recorded(warm_board(2, 64, 80), film=None, film_present=1, film_reflectance_given=0.08)
    for name, frames in (("bare", bare), ("covered", covered)):
        session[f"{name}_temperature"] = ((f"{name}_frame", "row", "column"), frames)
    return session


def still(count):
    return np.repeat(hot_scene()[None], count, axis=0)


def bare_of(count=12, **options):
    return pair_of(still(count), film=(1.0, 0.0), rng=np.random.default_rng(4), **options)


def measured(bare, covered, settings=SETTINGS):
    made = correct_film(session_of(bare, covered), settings)
    return made, float(made["transmittance"])


def uniform(transmittance, *, share=SETTINGS.warming_share, reflectance=0.08):
    """Return what a film of one temperature seems to pass, for the stage expects it warmer over hotter places."""
    return (transmittance - share * (1 - reflectance)) / (1 - share)


def test_frames_long_after_the_film_was_laid_on_do_not_count():
    """Parts lose a quarter of their rise within a minute: the first five seconds give the film, the whole does not."""
    elapsed = np.arange(120) * INTERVAL
    cooling = hot_scene() * (1 - 0.25 * (1 - np.exp(-elapsed / 30)))[:, None, None]
    made, tau = measured(bare_of(), pair_of(cooling))
    assert tau == pytest.approx(uniform(0.89 * (1 - 0.25 * 2.5 / 30)), abs=0.004)  # 2.5 s on average
    assert (
        "bare frames 1 to 11 (11 of 12), covered frames 0 to 10 (11 of 120)" in made["transmittance"].attrs["comment"]
    )
    whole, late = measured(bare_of(), pair_of(cooling), FilmSettings(pair_s=60.0))
    assert late < tau - 0.05
    assert "(120 of 120)" in whole["transmittance"].attrs["comment"]


def test_repeated_frames_and_shutter_events_are_left_out():
    covered = pair_of(still(20), steps=np.where(np.arange(20) >= 8, 0.4, 0.0))
    covered[3] = covered[2]
    bare = bare_of(20, steps=np.where(np.arange(20) >= 13, -0.3, 0.0))
    made, tau = measured(bare, covered)
    comment = made["transmittance"].attrs["comment"]
    assert "bare frames 13 to 19 (7 of 20), covered frames 0 to 7 (7 of 20)" in comment
    assert tau == pytest.approx(uniform(0.89), abs=0.002)


def test_the_interval_of_the_pair_is_the_given_one():
    session = session_of(bare_of(), pair_of(still(20))).assign(pair_interval=((), 1.0))
    assert "covered frames 0 to 5 (6 of 20)" in correct_film(session, SETTINGS)["transmittance"].attrs["comment"]


def test_the_places_tell_a_second_layer():
    tau = np.full((64, 80), 0.89)
    tau[32:46, 50:80] = 0.80
    covered = still(12)
    added = (1 - tau) * TABLE.radiance(24.0)
    noise = 0.05 * np.random.default_rng(8).standard_normal(covered.shape)
    read = TABLE.temperature(tau * TABLE.radiance(24.0 + covered) + added + noise).astype(np.float32)
    made, _ = measured(bare_of(), read)
    trust, places = made["pair_trust"].to_numpy(), made["pair_transmittance"].to_numpy()
    doubled = np.zeros(tau.shape, dtype=bool)
    doubled[34:44, 53:60] = True
    assert (trust[doubled] == FILM_TRUST.index("crease or more than one layer")).all()
    assert np.median(places[doubled]) == pytest.approx(uniform(0.80), abs=0.006)
    assert made["pair_transmittance"].attrs["smoothing_px"] == SETTINGS.map_scale_px
    assert (trust[:4, :4] == FILM_TRUST.index("too little contrast")).all()


@pytest.mark.parametrize("parts", [0.0, -0.25])
def test_an_absorbing_film_creeps_and_is_told(parts, caplog):
    elapsed = np.arange(80) * INTERVAL
    rises = hot_scene() * (1 + parts * (1 - np.exp(-elapsed / 150)))[:, None, None]
    with caplog.at_level(logging.WARNING):
        made, _ = measured(bare_of(), pair_of(rises, film=PVC, warms=15.0))
    creep = 0.197 * float(TABLE.radiance(39.0) - TABLE.radiance(24.0)) / float(TABLE.slope(30.0))
    assert float(made["film_creep"]) == pytest.approx(creep, rel=0.05)
    assert "creeping: an absorbing film" in made["transmittance"].attrs["doubt"]
    assert "PVC" in made["transmittance"].attrs["doubt"]
    assert "creeping" in caplog.text


@pytest.mark.parametrize("parts", [0.3, 0.0, -0.25])
def test_a_film_of_polyethylene_over_warming_parts_is_not_doubted(parts):
    elapsed = np.arange(80) * INTERVAL
    rises = hot_scene() * (1 + parts * (1 - np.exp(-elapsed / 150)))[:, None, None]
    made, _ = measured(bare_of(), pair_of(rises, warms=10.0))
    assert made["transmittance"].attrs["doubt"] == ""
    own = 0.03 * float(TABLE.radiance(34.0) - TABLE.radiance(24.0)) / float(TABLE.slope(30.0))
    assert float(made["film_creep"]) == pytest.approx(own, abs=0.15)


def test_a_pair_of_three_seconds_does_not_tell_a_creep():
    made, _ = measured(bare_of(), pair_of(still(3)))
    assert np.isnan(float(made["film_creep"]))


@pytest.mark.parametrize("seed", range(3))
def test_the_scenes_films_are_measured_within_0_005(seed):
    """Truth from the scene: films of polyethylene that the air warms, rooms and fans at random."""
    rng = np.random.default_rng(seed)
    camera, tau, reflectance = Camera(), rng.uniform(0.865, 0.905), rng.uniform(0.08, 0.09)
    film = SceneFilm(tau, 1 - tau - reflectance, reflectance)
    item = charger(cell=4.0, fan=rng.choice(["in", "out"]), film=film, ambient=Ambient(start=rng.uniform(18, 32)))
    truth = settle(item)
    session = recorded(warm_board(2, camera.rows, camera.columns), film_present=1)
    for name, seen in (("bare", uncovered(truth)), ("covered", truth)):
        moment = seen.isel(time=[0] * 8).assign_coords(elapsed=("time", np.arange(8) * 0.5))
        numbers = np.stack(list(record(moment, camera, Handling(), rng=rng).frames()))
        read = (numbers * camera.scale + camera.zero).astype(np.float32)
        session[f"{name}_temperature"] = ((f"{name}_frame", "row", "column"), read)
    made = correct_film(session, SETTINGS)
    assert float(made["transmittance"]) == pytest.approx(tau, abs=0.005)
    trusted = made["pair_trust"].to_numpy() == 0
    error = made["pair_transmittance"].to_numpy()[trusted] - tau
    assert trusted.mean() > 0.2
    assert np.sqrt(np.mean(np.square(error))) < 0.01


def references(bare, covered, *, uncertainty=0.2, **scalars):
    session = recorded(warm_board(2), film_present=1, **scalars)
    dim = "film_reference"
    session["reference_bare"], session["reference_covered"] = (dim, np.array(bare)), (dim, np.array(covered))
    return session.assign(reference_uncertainty=(dim, np.full(len(bare), uncertainty)))


def test_two_references_give_the_transmittance_of_radiances():
    made = correct_film(references([40.0, 80.0], [39.0392, 75.7531]), SETTINGS)
    assert float(made["transmittance"]) == pytest.approx(0.9000, abs=1e-4)
    slopes = TABLE.slope([40.0, 80.0, 39.0392, 75.7531]) * [0.9, 0.9, 1, 1]
    reading = 0.2 * np.linalg.norm(slopes) / float(TABLE.radiance(80.0) - TABLE.radiance(40.0))
    warming = 0.02 * SETTINGS.warming_uncertainty  # absorptance 1 - 0.9 - 0.08
    assert float(made["transmittance_uncertainty"]) == pytest.approx(np.hypot(reading, warming), rel=1e-3)
    assert "2 references" in made["transmittance"].attrs["comment"]


def test_what_the_camera_assumed_is_undone_in_references_first():
    def assume(degrees):
        return TABLE.temperature((TABLE.radiance(degrees) - 0.05 * TABLE.radiance(22.0)) / 0.95)

    scalars = {"emissivity_setting": 0.95, "reflected_setting": 22.0}
    session = references(assume([40.0, 80.0]), assume([39.0392, 75.7531]), **scalars)
    assert float(correct_film(session, SETTINGS)["transmittance"]) == pytest.approx(0.9000, abs=1e-4)


def test_references_of_one_temperature_are_refused():
    session = references([40.0, 42.0], [39.0, 40.8])
    with pytest.raises(InputError, match=r"film\.references is bare_degC within 2\.0 K, must differ by 5 K or more"):
        correct_film(session, SETTINGS)


def test_units_are_the_data_models_and_the_input_stays():
    session = session_of(bare_of(), pair_of(still(12)))
    before = session.copy(deep=True)
    made = correct_film(session, SETTINGS)
    xr.testing.assert_identical(session.compute(), before.compute())
    for name in ("pair_transmittance", "pair_transmittance_uncertainty", "pair_trust", "film_creep"):
        assert made[name].attrs["long_name"] == VARIABLES[name].long_name
        assert made[name].dims == VARIABLES[name].dims


@pytest.mark.parametrize("share", [0.0, 0.125, 0.25])
@pytest.mark.parametrize("film", [POLYETHYLENE, PVC])
def test_surfaces_come_out_right_however_the_film_warms_over_them(film, share):
    # closed form: a film that exchanges heat alike with the room and with air that takes up a share of the rise below;
    # it does so while the pair is recorded and in the recording itself
    (tau, absorptance), room = film, float(TABLE.radiance(24.0))

    def under_film(frames):
        leaving = TABLE.radiance(24.0 + frames)
        warm = absorptance * (room + share * (leaving - room))
        return TABLE.temperature(tau * leaving + warm + (1 - tau - absorptance) * room).astype(np.float32)

    session = session_of(bare_of(), under_film(still(12)))
    session["film_reflectance_given"] = ((), 1 - tau - absorptance)
    made = correct_film(session, SETTINGS)
    seen = TABLE.radiance(under_film(still(2)).astype(np.float64))
    leaving = surface_radiance(made, seen, added=made["film_added"].to_numpy()[:2, None, None])
    assert TABLE.temperature(leaving) == pytest.approx(24.0 + still(2), abs=5e-3)
    told_cold = correct_film(session.assign(film_temperature_model=((), FILM_MODEL.index("given"))), SETTINGS)
    assert float(told_cold["film_warming"]) == 0  # a temperature that was given is taken at its word
