"""The temperature stage: radiance on the board to temperature, rise and what is known of them."""

import dask.array as da
import numpy as np
import pytest
import xarray as xr

from heatwake.kernels.radiometry import leaving_radiance
from heatwake.schema.variables import VARIABLES, label, require
from heatwake.stages.temperature import STAGE, measure_temperature
from heatwake.stages.uncertainty import TemperatureSettings, rise_uncertainty
from stages.film_sessions import SCALARS, TABLE, warm_board

SETTINGS = TemperatureSettings()
AMBIENT = 24.0
PART = {"part_x": 16.0, "part_y": 12.0, "part_width": 12.0, "part_height": 8.0, "part_emissivity": 0.6}


def mapped(truth, *, emissivity=0.95, cold=True, error=0.0, ambient=AMBIENT, chunk=2, **scalars):
    """Return a session as it comes to the stage: radiance of surface temperatures (time, y, x), plus an error."""
    values = SCALARS | {"transmittance": 1.0, "transmittance_uncertainty": 0.0, "cold_ambient": np.nan}
    values |= {"film_absorptance": 0.0, "film_reflectance": 0.0, "film_present": 0} | scalars
    seen = leaving_radiance(truth, table=TABLE, emissivity=emissivity, reflected=ambient) + error
    room = leaving_radiance(AMBIENT, table=TABLE, emissivity=emissivity, reflected=AMBIENT) + error
    made = xr.Dataset({name: ((), value) for name, value in values.items()})
    radiance = seen.astype(np.float32)
    stored = radiance if chunk is None else da.from_array(radiance, chunks=(chunk, -1, -1))
    made["board_radiance"] = (("time", "y", "x"), stored)
    made["frames_used"] = ("time", np.full(len(truth), 4))
    cold_radiance = np.broadcast_to(room if cold else np.nan, truth.shape[1:]).astype(np.float32)
    made["cold_radiance"] = (("y", "x"), cold_radiance, {"frames": 80})
    if cold:
        made["cold_ambient"] = ((), AMBIENT)
    made["ambient"] = ("time", np.full(len(truth), ambient))
    rows, columns = truth.shape[1:]
    coordinates = {"y": np.arange(rows)[::-1] + 0.5, "x": np.arange(columns) + 0.5}
    return label(made.assign_coords(coordinates))


def test_the_cameras_steps_widen_what_is_known_after_them():
    truth = warm_board()
    session = mapped(truth)
    still = eager(session)
    none = eager(session.assign(step_uncertainty=("time", np.zeros(len(truth)))))
    xr.testing.assert_identical(still["temperature_uncertainty"], none["temperature_uncertainty"])
    steps = np.where(np.arange(len(truth)) < 2, 0.0, 0.4)
    made = eager(session.assign(step_uncertainty=("time", steps)))
    xr.testing.assert_identical(made["temperature"], still["temperature"])
    added = np.sqrt(made["temperature_uncertainty"] ** 2 - still["temperature_uncertainty"] ** 2).to_numpy()
    assert (added[:2] == 0).all()
    # a step in the reading at ambient is less in a hotter surface, by the slopes of radiance, and more by emissivity
    expected = 0.4 * TABLE.slope(AMBIENT) / TABLE.slope(truth[2:]) / 0.95
    assert added[2:] == pytest.approx(expected, rel=2e-3)


def test_edges_of_a_colour_video_widen_what_is_known_there_alone():
    truth = warm_board()
    session = mapped(truth, transmittance=0.8)
    plain = eager(session)
    edges = np.zeros(truth.shape[1:])
    edges[3, 2] = 1.5
    made = eager(session.assign(edge_uncertainty=(("y", "x"), edges)))
    xr.testing.assert_identical(made["temperature"], plain["temperature"])
    added = np.sqrt(made["temperature_uncertainty"] ** 2 - plain["temperature_uncertainty"] ** 2).to_numpy()
    assert (added[:, edges == 0] == 0).all()
    # of what the surface radiates the camera sees emissivity times transmittance
    assert added[:, 3, 2] == pytest.approx(1.5 / (0.95 * 0.8), rel=1e-3)
    assert made["temperature_uncertainty"].dtype == np.float32


def with_parts(session, *parts):
    names = [f"P{number}" for number in range(len(parts))]
    columns = {key: ("part", [part[key] for part in parts]) for key in PART}
    return session.assign(columns).assign_coords(part=names)


def eager(session):
    return measure_temperature(session, SETTINGS).compute()


@pytest.mark.parametrize("cold", [True, False])
def test_temperature_and_rise_are_those_of_the_surface(cold):
    truth = warm_board()
    made = eager(mapped(truth, cold=cold))
    assert made["temperature"].to_numpy() == pytest.approx(truth, abs=2e-3)
    assert made["temperature_rise"].to_numpy() == pytest.approx(truth - AMBIENT, abs=2e-3)
    assert (made["valid"] == 1).all()


def test_a_cold_board_takes_off_the_cameras_offset_and_pattern():
    truth = warm_board()
    error = 1.5 + np.random.default_rng(2).normal(0, 0.3, truth.shape[1:])
    made = eager(mapped(truth, error=error))
    assert made["temperature"].to_numpy() == pytest.approx(truth, abs=2e-3)
    uncorrected = eager(mapped(truth, error=error, cold=False))
    # some 1.5 / (0.95 x 0.9..1.3) K
    assert 1.0 < float((uncorrected["temperature"] - made["temperature"]).mean()) < 2.0


def test_only_pixels_that_were_seen_cold_are_zeroed():
    session = mapped(warm_board(), error=1.0)
    session["cold_radiance"][3, 4] = np.nan
    made = eager(session)
    off = made["temperature"].to_numpy() - warm_board()
    assert off[:, 3, 4] == pytest.approx(1.0 / (0.95 * TABLE.slope(warm_board()[:, 3, 4])), rel=0.02)
    off[:, 3, 4] = 0
    assert off == pytest.approx(0, abs=2e-3)


def test_ambient_that_drifts_moves_the_reflection_and_the_rise():
    truth = warm_board()
    made = eager(mapped(truth, ambient=26.0))
    assert made["temperature"].to_numpy() == pytest.approx(truth, abs=2e-3)
    assert made["temperature_rise"].to_numpy() == pytest.approx(truth - 26.0, abs=2e-3)


def test_a_given_reflected_temperature_counts_instead_of_ambient():
    # apparent 60 degC, emissivity 0.60, surroundings 25 degC: 78.957 degC, worked with an independent integral
    session = mapped(np.full((1, 4, 4), 60.0), emissivity=1.0, cold=False, chunk=None)
    session = session.assign(surface_emissivity=((), 0.6), surface_reflected=((), 25.0))
    assert eager(session)["temperature"].to_numpy() == pytest.approx(78.957, abs=2e-3)


def test_each_part_has_its_own_emissivity_and_a_small_one_lies_on_top():
    session = mapped(warm_board())
    small = PART | {"part_width": 4.0, "part_height": 4.0, "part_emissivity": 0.3}
    unknown = PART | {"part_x": 4.0, "part_emissivity": np.nan}
    no_size = PART | {"part_x": 28.0, "part_width": np.nan}
    emissivity = eager(with_parts(session, small, PART, unknown, no_size))["emissivity"]
    assert emissivity.sel(x=16, y=12, method="nearest") == np.float32(0.3)
    assert emissivity.sel(x=11.5, y=12.5) == np.float32(0.6)
    assert int((emissivity == np.float32(0.6)).sum()) == 12 * 8 - 4 * 4
    assert emissivity.sel(x=4.5, y=12.5) == emissivity.sel(x=28.5, y=12.5) == np.float32(0.95)
    assert emissivity.sel(x=16.5, y=16.5) == np.float32(0.95)


def test_a_part_of_low_emissivity_is_no_cooler_for_it():
    truth, emissivity = warm_board(), np.full((24, 32), 0.95)
    emissivity[8:16, 10:22] = 0.6
    session = with_parts(mapped(truth, emissivity=emissivity), PART)
    assert eager(session)["temperature"].to_numpy() == pytest.approx(truth, abs=3e-3)


def test_noise_is_what_trials_show():
    """Two frames of 50 mK behind tau 0.89, zeroed on a median of 81 cold frames."""
    rng, tau = np.random.default_rng(4), 0.89
    step = 0.05 * float(TABLE.slope(30.0)) / tau
    truth = np.full((400, 10, 10), 60.0)
    session = mapped(truth, chunk=None, transmittance=tau, film_present=1)
    session["board_radiance"] += rng.normal(0, step / np.sqrt(2), truth.shape).astype(np.float32)
    session["frames_used"][:] = 2
    session["cold_radiance"].attrs["frames"] = 81
    median = np.median(rng.normal(0, step, (10, 10, 81)), axis=2)
    session["cold_radiance"] += median.astype(np.float32)
    made = eager(session)
    scores = (made["temperature"] - 60.0) / made["rise_noise"]
    # 4e4 readings, but only 100 medians, whose share of the variance is 4 %
    assert float(np.sqrt((scores**2).mean())) == pytest.approx(1.0, abs=0.02)


def test_without_a_zero_the_cameras_statement_rules():
    unzeroed = eager(mapped(warm_board(), cold=False))["temperature_uncertainty"]
    zeroed = eager(mapped(warm_board()))["temperature_uncertainty"]
    assert (unzeroed > 2 / np.sqrt(3)).all()
    assert (zeroed < unzeroed).all()
    assert float(zeroed[0, 0, 0]) < 0.4


def test_a_region_of_few_shared_errors_is_the_maps_uncertainty():
    """For the rise at ambient's own reading, total and own differ by the shared terms alone."""
    session = measure_temperature(mapped(warm_board()), SETTINGS)
    temperature = session["temperature"].isel(y=12, x=[0, 15]).rename(x="region").drop_vars(["region", "y"])
    emissivity = xr.DataArray(np.array([0.95, 0.95], np.float32), dims="region")
    total, own = rise_uncertainty(session, temperature=temperature, emissivity=emissivity, settings=SETTINGS)
    assert total.dims == own.dims == ("time", "region")
    assert (own < total).all()
    whole = session["temperature_uncertainty"].isel(y=12, x=15)
    sensor = SETTINGS.ambient_uncertainty_K
    ratio = TABLE.slope(AMBIENT) / TABLE.slope(70.0)
    # the map's budget has the zero's shift in it, the rise's only what does not cancel
    expected = np.sqrt(whole**2 + sensor**2 * ((1 - ratio) ** 2 - ratio**2))
    np.testing.assert_allclose(total.isel(region=1), expected, rtol=1e-4)


def test_the_uncertainty_of_a_mean_map_keeps_what_averaging_does_not_lessen():
    session = measure_temperature(mapped(warm_board(), error=0.5), SETTINGS)
    with xr.set_options(keep_attrs=True):
        mean = session.mean("time").assign(frames_used=session["frames_used"].sum())
    total, own = rise_uncertainty(
        mean, temperature=mean["temperature"], emissivity=mean["emissivity"], settings=SETTINGS
    )
    assert total.dims == own.dims == ("y", "x")
    ratio = float(TABLE.slope(AMBIENT) / TABLE.slope(70.0))
    stays = np.hypot(SETTINGS.drift_uncertainty_K * ratio / 0.95, SETTINGS.ambient_uncertainty_K * (1 - ratio))
    assert stays < float(own[12, 15]) < 1.01 * stays  # 20 frames of 50 mK, zeroed on 80, add half a percent


def test_more_pixels_have_less_noise():
    session = mapped(warm_board())
    quiet = TemperatureSettings(drift_uncertainty_K=0, ambient_uncertainty_K=0)
    level = xr.DataArray(np.full((1, 5), 60.0), dims=("region", "time"))
    emissivity = xr.DataArray([0.95], dims="region")
    one, many = (
        rise_uncertainty(session, temperature=level, emissivity=emissivity, settings=quiet, pixels=pixels)[1]
        for pixels in (1, 100)
    )
    np.testing.assert_allclose(one / many, 10.0, rtol=1e-4)


def test_an_ambient_that_the_camera_read_is_as_good_as_the_camera():
    session = mapped(warm_board())
    known = session.assign(frame_ambient=("frame", [24.0]))
    unknown = session.assign(frame_ambient=("frame", [np.nan]))
    first, second = (eager(one)["temperature_uncertainty"].to_numpy()[0, 0, 0] for one in (known, unknown))
    assert np.sqrt(second**2 - first**2) == pytest.approx(np.sqrt(4 / 3 - 0.04), rel=0.01)


def test_lazy_is_eager():
    truth = warm_board()
    lazy = measure_temperature(mapped(truth), SETTINGS)
    at_once = measure_temperature(mapped(truth, chunk=None), SETTINGS)
    for name in ("temperature", "temperature_rise", "temperature_uncertainty", "rise_noise", "valid"):
        assert lazy[name].chunks == ((2, 2, 1), (24,), (32,))
        assert lazy[name].dtype == at_once[name].dtype == (np.int8 if name == "valid" else np.float32)
        np.testing.assert_array_equal(lazy[name].to_numpy(), at_once[name].to_numpy())


def test_the_input_is_not_changed():
    session = with_parts(mapped(warm_board()), PART)
    before = session.copy(deep=True)
    measure_temperature(session, SETTINGS)
    xr.testing.assert_identical(session.compute(), before.compute())


@pytest.mark.parametrize("frames", [0, 1])
def test_few_maps_or_none(frames):
    made = eager(mapped(warm_board(frames), chunk=None))
    assert made["temperature"].shape == (frames, 24, 32)


def test_a_map_without_a_reading_stays_without():
    session = mapped(warm_board(), chunk=None)
    session["board_radiance"][1] = np.nan
    session["frames_used"][1] = 0
    session["board_radiance"][2, 0, 0] = 1e5  # saturated, beyond any temperature of the table
    made = eager(session)
    seen = made["valid"].to_numpy() == 1
    assert seen.any(axis=(1, 2)).tolist() == [True, False, True, True, True]
    assert not seen[2, 0, 0]
    for name in ("temperature", "temperature_rise", "temperature_uncertainty", "rise_noise"):
        np.testing.assert_array_equal(np.isfinite(made[name].to_numpy()), seen)


def test_what_it_makes_is_as_the_data_model_says():
    session = mapped(warm_board())
    require(session, STAGE.needs)
    made = measure_temperature(session, SETTINGS)
    require(made, STAGE.makes)
    assert {name: made[name].attrs["units"] for name in STAGE.makes} == {n: VARIABLES[n].units for n in STAGE.makes}
    assert all(set(made[name].attrs) == set(VARIABLES[name].attributes) for name in STAGE.makes)
