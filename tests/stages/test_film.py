"""The film stage: what the camera and the film did is undone."""

import logging

import numpy as np
import pytest
import xarray as xr
from scipy import ndimage

from heatwake.errors import InputError
from heatwake.kernels.radiometry import Film, camera_radiance, leaving_radiance
from heatwake.scene import Camera, Handling, charger, record, settle, uncovered
from heatwake.schema.variables import VARIABLES, require
from heatwake.stages.film import STAGE, FilmSettings, correct_film, surface_radiance
from stages.film_sessions import TABLE, recorded, warm_board

CLING = Film(0.89, 0.08)
SETTINGS = FilmSettings()


def radiance(made):
    """Radiance that leaves the surface, frame by frame."""
    indicated = TABLE.radiance(made["indicated_temperature"].to_numpy())
    leaving = surface_radiance(made, indicated, added=made["film_added"].to_numpy()[:, None, None])
    return made["indicated_temperature"].copy(data=leaving)


def with_pair(session, *, film=CLING, frames=8, contrast=1.0, shift=0.0, seed=3):
    """Add a bare and a covered recording of a hot scene [degC], with the noise of a 50 mK camera."""
    rng = np.random.default_rng(seed)
    scene = warm_board(frames, 64, 80)
    scene[:, 30:48, 40:64] = 55.0
    scene = 24 + contrast * (ndimage.gaussian_filter(scene, (0, 1.5, 1.5)) - 24)
    bare = leaving_radiance(scene, table=TABLE, emissivity=0.95, reflected=24.0)
    covered = camera_radiance(bare, table=TABLE, film=film, film_temperature=27.0, camera_side=24.0)
    covered = ndimage.shift(covered, (0, 0, shift), order=3, mode="nearest")
    for name, received in (("bare", bare), ("covered", covered)):
        read = TABLE.temperature(received + 0.05 * float(TABLE.slope(30.0)) * rng.standard_normal(bare.shape))
        session[f"{name}_temperature"] = ((f"{name}_frame", "row", "column"), read.astype(np.float32))
    return session


def paired(**options):
    session = recorded(warm_board(2, 64, 80), film=CLING)
    return with_pair(session, **options)


def test_a_given_transmittance_brings_the_radiance_back():
    truth = warm_board()
    session = recorded(truth, film=CLING, film_transmittance_given=0.89)
    made = correct_film(session, SETTINGS)
    leaving = leaving_radiance(truth, table=TABLE, emissivity=0.95, reflected=24.0)
    assert radiance(made).to_numpy() == pytest.approx(leaving, abs=1e-3)  # 1 mK
    assert float(made["transmittance"]) == 0.89
    assert float(made["transmittance_uncertainty"]) == 0.01
    assert float(made["film_reflectance"]) == 0.08
    assert float(made["film_absorptance"]) == pytest.approx(0.03)


def test_the_cameras_own_settings_are_undone():
    truth = warm_board()
    plain = correct_film(recorded(truth, film=CLING, film_transmittance_given=0.89), SETTINGS)
    assumed = {"emissivity_setting": 0.95, "reflected_setting": 22.0, "film_transmittance_given": 0.89}
    undone = correct_film(recorded(truth, film=CLING, **assumed), SETTINGS)
    assert radiance(undone).to_numpy() == pytest.approx(radiance(plain).to_numpy(), abs=1e-3)


def test_without_a_film_only_the_camera_is_undone():
    truth = warm_board()
    made = correct_film(recorded(truth, film_transmittance_given=0.5), SETTINGS)
    leaving = leaving_radiance(truth, table=TABLE, emissivity=0.95, reflected=24.0)
    assert radiance(made).to_numpy() == pytest.approx(leaving, abs=1e-3)
    assert float(made["transmittance"]) == 1.0
    nothing = ("transmittance_uncertainty", "film_absorptance", "film_reflectance")
    assert [float(made[name]) for name in nothing] == [0.0, 0.0, 0.0]
    assert made["transmittance"].attrs["comment"] == "no film"


def test_a_pair_is_measured():
    made = correct_film(paired(), SETTINGS)
    tau, uncertainty = float(made["transmittance"]), float(made["transmittance_uncertainty"])
    assert tau == pytest.approx(0.89, abs=3 * uncertainty)
    assert 0.002 <= uncertainty < 0.006
    assert "measured" in made["transmittance"].attrs["comment"]


def test_a_pair_counts_before_a_number():
    session = paired().assign(film_transmittance_given=((), 0.5))
    assert float(correct_film(session, SETTINGS)["transmittance"]) == pytest.approx(0.89, abs=0.01)


def test_a_covered_recording_that_moved_is_aligned():
    made = correct_film(paired(shift=1.6), SETTINGS)
    assert float(made["transmittance"]) == pytest.approx(0.89, abs=3 * float(made["transmittance_uncertainty"]))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"contrast": 0.05}, "contrast of .* K, must be 5 K or more"),
        ({"shift": 12.0}, "pixels apart, must show one view"),
    ],
)
def test_a_pair_that_cannot_be_measured_is_refused(options, message):
    session = paired(**options)
    with pytest.raises(InputError, match=message):
        correct_film(session, SETTINGS)


def test_a_swapped_pair_is_refused():
    session = paired()
    names = {"bare_temperature": "covered_temperature", "covered_temperature": "bare_temperature"}
    swapped = session.rename(names).rename(bare_frame="covered_frame", covered_frame="bare_frame")
    with pytest.raises(InputError, match=r"film\.transmittance is 1\.1.* must lie in \(0, 1\]"):
        correct_film(swapped, SETTINGS)


def test_a_masked_pair_is_refused():
    session = paired()
    session["covered_temperature"] = (session["covered_temperature"] * np.float32(np.nan)).chunk(covered_frame=3)
    with pytest.raises(InputError, match=r"film\.covered is without a sound frame in its first seconds"):
        correct_film(session, SETTINGS)


def test_a_lazy_pair_with_masked_pixels_is_measured_as_at_once():
    session = paired()
    session["bare_temperature"][:, 10:14, 5:9] = np.nan
    lazy = session.chunk(bare_frame=3, covered_frame=3)
    one, other = (float(correct_film(each, SETTINGS)["transmittance"]) for each in (session, lazy))
    assert one == pytest.approx(other, abs=1e-6)  # sums in another order
    assert one == pytest.approx(0.89, abs=0.01)


def test_a_film_without_a_transmittance_is_refused():
    session = recorded(warm_board(), film=CLING)
    with pytest.raises(InputError, match=r"film\.transmittance is missing, give a number, a bare/covered pair"):
        correct_film(session, SETTINGS)


@pytest.mark.parametrize("given", [0.0, -0.1, 1.3])
def test_an_impossible_transmittance_is_refused(given):
    session = recorded(warm_board(), film=CLING, film_transmittance_given=given)
    with pytest.raises(InputError, match=r"must lie in \(0, 1\]"):
        correct_film(session, SETTINGS)


def test_a_reflectance_beyond_what_the_transmittance_leaves_is_refused():
    session = recorded(warm_board(), film=CLING, film_transmittance_given=0.9, film_reflectance_given=0.2)
    with pytest.raises(InputError, match=r"film\.reflectance is 0\.2, must not exceed 1 - transmittance = 0\.1"):
        correct_film(session, SETTINGS)


@pytest.mark.parametrize(("given", "doubt"), [(0.95, "implausible"), (0.7, "PVC"), (0.89, "")])
def test_a_doubtful_transmittance_is_used_and_said(given, doubt, caplog):
    session = recorded(warm_board(), film=CLING, film_transmittance_given=given)
    with caplog.at_level(logging.WARNING):
        made = correct_film(session, SETTINGS)
    assert float(made["transmittance"]) == given
    assert doubt in made["transmittance"].attrs["comment"]
    assert len(caplog.records) == bool(doubt)


def test_the_default_reflectance_leaves_the_absorptance_no_less_than_zero():
    made = correct_film(recorded(warm_board(), film=Film(0.95), film_transmittance_given=0.95), SETTINGS)
    assert float(made["film_reflectance"]) == pytest.approx(0.05)
    assert float(made["film_absorptance"]) == pytest.approx(0.0, abs=1e-12)


def test_a_warm_film_that_is_given_adds_less_than_one_at_ambient_would():
    session = recorded(warm_board(), film=CLING, film_transmittance_given=0.89)
    warm = correct_film(session.assign(film_temperature_given=((), 40.0)), SETTINGS)
    cold = correct_film(session, SETTINGS)
    added = 0.03 * float(TABLE.radiance(40.0) - TABLE.radiance(24.0)) / 0.89
    assert (radiance(cold) - radiance(warm)).to_numpy() == pytest.approx(added, abs=1e-3)


def test_where_ambient_is_not_given_the_reflected_temperature_stands_in(caplog):
    truth = warm_board()
    session = recorded(truth, film=CLING, film_transmittance_given=0.89, reflected_setting=24.0)
    session["frame_ambient"] = session["frame_ambient"] * np.nan
    with caplog.at_level(logging.WARNING):
        made = correct_film(session, SETTINGS)
    leaving = leaving_radiance(truth, table=TABLE, emissivity=0.95, reflected=24.0)
    assert radiance(made).to_numpy() == pytest.approx(leaving, abs=1e-3)
    assert "ambient is not given" in caplog.text


def test_lazy_is_eager_and_no_frame_is_read_before_it_is_asked_for():
    truth = warm_board()
    lazy = correct_film(recorded(truth, film=CLING, film_transmittance_given=0.89), SETTINGS)
    eager = correct_film(recorded(truth, film=CLING, film_transmittance_given=0.89, chunk=None), SETTINGS)
    assert lazy["indicated_temperature"].chunks == ((2, 2, 1), (24,), (32,))
    np.testing.assert_array_equal(radiance(lazy).to_numpy(), radiance(eager).to_numpy())


def test_the_input_is_not_changed():
    session = paired()
    before = session.copy(deep=True)
    correct_film(session, SETTINGS)
    xr.testing.assert_identical(session.compute(), before.compute())


@pytest.mark.parametrize("frames", [0, 1])
def test_few_frames_or_none(frames):
    session = recorded(warm_board(frames), film=CLING, film_transmittance_given=0.89, chunk=None)
    made = correct_film(session, SETTINGS)
    assert radiance(made).shape == (frames, 24, 32)


def test_a_frame_without_a_reading_and_a_saturated_one_stay_without():
    session = recorded(warm_board(), film=CLING, film_transmittance_given=0.89, chunk=None)
    session["indicated_temperature"][1] = np.nan
    session["indicated_temperature"][2] = 2000.0  # beyond any table of this camera
    made = correct_film(session, SETTINGS)
    readings = radiance(made).notnull().any(("row", "column"))
    assert readings.to_numpy().tolist() == [True, False, False, True, True]


def test_what_it_makes_is_as_the_data_model_says():
    session = recorded(warm_board(), film=CLING, film_transmittance_given=0.89)
    require(session, STAGE.needs)
    made = correct_film(session, SETTINGS)
    require(made, STAGE.makes)
    assert {name: made[name].attrs["units"] for name in STAGE.makes} == {n: VARIABLES[n].units for n in STAGE.makes}


def test_the_pair_of_an_independent_simulation_gives_its_films_transmittance():
    """Truth from the scene, which shares no code with the stage: warm film, camera offset, pattern and noise."""
    truth, camera, rng = settle(charger(cell=4.0)), Camera(), np.random.default_rng(12)
    session = recorded(warm_board(2, camera.rows, camera.columns), film=CLING)
    for name, seen in (("bare", uncovered(truth)), ("covered", truth)):
        still = seen.isel(time=[0] * 12).assign_coords(elapsed=("time", np.arange(12) * 0.5))
        numbers = np.stack(list(record(still, camera, Handling(), rng=rng).frames()))
        read = (numbers * camera.scale + camera.zero).astype(np.float32)
        session[f"{name}_temperature"] = ((f"{name}_frame", "row", "column"), read)
    made = correct_film(session, SETTINGS)
    error = float(made["transmittance"]) - float(truth["film_transmittance"])
    assert abs(error) < 2 * float(made["transmittance_uncertainty"])
    assert float(made["transmittance_uncertainty"]) < 0.006
