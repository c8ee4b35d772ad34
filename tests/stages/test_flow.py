"""The flow stage on a board whose wind is known."""

import dask.array as da
import numpy as np
import pytest
import xarray as xr

from heatwake.schema.variables import VARIABLES
from heatwake.stages.flow import STAGE, FlowSettings, compare_flow, estimate_flow
from heatwake.stages.flow_pair import near_fan
from kernels import age_integral
from kernels import channel_board as channel

SETTINGS = FlowSettings()
IDENTIFIED, WEAK, NOT_IDENTIFIABLE, NOT_ATTEMPTED = range(4)
UNCHANGED, TURNED, REVERSED, UNTOLD = range(4)
ELAPSED = np.array([0.0, *(5.0 + np.array(channel.TIMES))])


def session(flow, *, seed=0, openings=True, block=1):
    """Return the session of a board in a channel: y downward along the rows, power on at 5 s."""
    rise = np.concatenate([np.zeros((1, channel.ROWS, channel.COLUMNS)), channel.rises(flow, seed=seed)])[:, ::-1]
    rise = rise.reshape(6, channel.ROWS // block, block, channel.COLUMNS // block, block).mean(axis=(2, 4))
    along_x, along_y = (1e3 * axis.reshape(-1, block).mean(axis=1) for axis in (channel.X, channel.Y))
    x, y, width, height = 1e3 * channel.PARTS.T
    made = dataset(rise, elapsed=ELAPSED, x=along_x, y=along_y[::-1], power_on=5.0)
    made = made.assign_coords(region=["A", "B", "C", "D", "E"])
    for name, values in {"x": x, "y": y, "width": width, "height": height}.items():
        made[f"region_{name}"] = ("region", values)
    made["board_thickness"] = 1.6
    if not openings:
        return made
    made = made.assign_coords(opening=["fan", "vent"])
    made["opening_kind"] = ("opening", np.array([0, 1], dtype=np.int8))
    ends = {"from_x": [128.0, 0.0], "from_y": [0.0, 0.0], "to_x": [128.0, 0.0], "to_y": [80.0, 80.0]}
    return made.assign({f"opening_{name}": ("opening", values) for name, values in ends.items()})


def dataset(rise, *, elapsed, x, y, power_on, unit="mm"):
    board = ("time", "y", "x")
    clock = np.datetime64("2026-03-04T09:30:00", "ns") + (elapsed * 1e9).astype("timedelta64[ns]")
    made = xr.Dataset(
        {
            "temperature_rise": (board, rise.astype(np.float32)),
            "rise_noise": (board, np.full(rise.shape, 0.02, np.float32)),
            "power_on": power_on,
        },
        coords={"time": ("time", clock), "elapsed": ("time", elapsed), "y": y, "x": x},
    )
    for name in ("x", "y"):
        made[name].attrs["units"] = unit
    return made


@pytest.fixture(scope="module")
def drawn():
    return estimate_flow(session(0.2), SETTINGS)


def turn(found, truth):
    return (np.asarray(found) - truth + 180.0) % 360.0 - 180.0


def test_wind_to_the_right_is_identified_everywhere(drawn):
    assert (drawn["board_flow_status"] == IDENTIFIED).all()
    assert drawn["board_flow_direction"].values == pytest.approx(0.0, abs=0.5)
    assert np.abs(turn(drawn["flow_direction"], 0.0)).max() < 1.0
    assert drawn["region_flow_direction"].values == pytest.approx(0.0, abs=1.0)
    # Even wind: as fast at every part as over the board, so that the calibrated uncertainty is the same for all.
    expected = np.hypot(SETTINGS.part_floor, np.degrees(SETTINGS.stray_speed))
    assert drawn["region_flow_direction_uncertainty"].values == pytest.approx(expected, abs=0.5)
    assert (drawn["flow_source"] == 1).all()


def test_drift_is_the_air_over_the_board_s_heat_capacity(drawn):
    # 0.2 W/K over 80 mm of width and 3300 J/m2/K: 0.76 mm/s; the fit knows the flow within a factor of some 2 only.
    assert 0.3 < float(drawn["drift_speed"].median()) < 1.9


def test_windows_stand_at_the_times_of_their_maps(drawn):
    assert drawn["elapsed"].values == pytest.approx([15.0, 25.0, 45.0, 85.0, 405.0])
    assert drawn["time"].dtype.kind == "M"


def test_openings_have_their_roles_and_the_inlet_is_cooler(drawn):
    assert drawn["opening_role"].sel(opening="fan") == 1  # outlet
    assert drawn["opening_role"].sel(opening="vent") == 0
    assert drawn["opening_rise"].sel(opening="fan") > drawn["opening_rise"].sel(opening="vent")


def test_everything_has_its_dimensions_and_attributes(drawn):
    for name in STAGE.makes:
        assert set(drawn[name].dims) == set(VARIABLES[name].dims)
        assert drawn[name].attrs["long_name"] == VARIABLES[name].long_name
    assert drawn["drift_speed"].attrs["units"] == "mm s-1"


def test_still_air_gives_no_arrow():
    found = estimate_flow(session(0.0), SETTINGS)
    assert (found["board_flow_status"] == NOT_IDENTIFIABLE).all()
    assert np.isnan(found["board_flow_direction"]).all()
    assert np.isnan(found["flow_direction"]).all()
    assert np.isnan(found["region_flow_direction"]).all()
    assert (found["opening_role"] == 2).all()
    assert (found["opening_role_probability"] < 0.6).all()


def test_a_reversed_pair_is_reversed_and_the_input_is_left_alone():
    one, two = session(-0.2, block=2), session(0.2, seed=1, block=2)
    before = one.copy(deep=True)
    found = compare_flow(one, two, SETTINGS, relation=(1, -1))
    xr.testing.assert_identical(one, before)
    assert (found["joint_flow_status"] == IDENTIFIED).all()
    assert turn(found["joint_flow_direction"], [180.0, 0.0]) == pytest.approx(0.0, abs=1.0)
    assert abs(float(found["board_flow_direction_change"])) == pytest.approx(180.0, abs=1.0)
    assert int(found["board_flow_change"]) == REVERSED
    # The fan is as wide as the board is high: C, D and E lie within its width, where blown air is not trusted.
    assert found["region_flow_change"].values.tolist() == [REVERSED, REVERSED, UNTOLD, UNTOLD, UNTOLD]


def test_a_second_run_of_the_same_set_up_is_unchanged():
    # Cells of 6 mm are half as many as usual, and evidence grows with their number.
    settings = FlowSettings(still_evidence=12.0, opposite_evidence=6.0)
    found = compare_flow(session(0.2, seed=2, block=2), session(0.2, seed=3, block=2), settings, relation=(1, 1))
    assert int(found["board_flow_change"]) == UNCHANGED
    assert float(found["board_flow_direction_change"]) == pytest.approx(0.0, abs=1.0)


def test_a_pair_without_openings_is_not_attempted():
    found = compare_flow(session(0.2, openings=False), session(0.2, openings=False), SETTINGS)
    assert (found["joint_flow_status"] == NOT_ATTEMPTED).all()
    assert np.isnan(found["board_flow_direction_change"])


def drifting(angle, *, unit="pixel", noise=0.017):
    times = np.arange(1.0, 76.0)
    drift = 0.3 * np.cos(np.radians(angle)), 0.3 * np.sin(np.radians(angle))
    maps = 7.0 * age_integral.rise(times, sources=[(32.0, 38.0, 30.0), (58.0, 28.0, 20.0)], drift=drift)
    maps += np.random.default_rng(0).normal(0.0, noise, maps.shape)
    y, x = maps.shape[1:]
    return dataset(maps, elapsed=times, x=np.arange(x) + 0.5, y=np.arange(y)[::-1] + 0.5, power_on=0.0, unit=unit)


def test_without_a_scale_the_local_drift_is_weak_at_most_and_turns_with_the_scene():
    found = estimate_flow(drifting(40.0), SETTINGS)
    said = (found["flow_status"] == WEAK).values[0]
    assert said.mean() > 0.3
    assert set(np.unique(found["flow_status"])) <= {WEAK, NOT_IDENTIFIABLE}
    assert np.median(np.abs(turn(found["flow_direction"].values[0][said], 40.0))) < 3.0
    assert (found["flow_direction_uncertainty"].values[0][said] >= 50.0).all()
    assert found["drift_speed"].attrs["units"] == "pixel s-1"
    assert np.isnan(found["flow_direction"].values[0][~said]).all()


def test_lazy_equals_eager():
    eager = drifting(40.0)
    lazy = eager.copy()
    lazy["temperature_rise"] = eager["temperature_rise"].copy(
        data=da.from_array(eager["temperature_rise"].values, chunks=(8, -1, -1))
    )
    xr.testing.assert_identical(estimate_flow(lazy, SETTINGS), estimate_flow(eager, SETTINGS))


def test_without_a_scale_and_power_on_nothing_is_attempted():
    found = estimate_flow(drifting(40.0).assign(power_on=np.nan), SETTINGS)
    assert (found["flow_status"] == NOT_ATTEMPTED).all()
    assert np.isnan(found["flow_direction"]).all()


@pytest.mark.parametrize("frames", [slice(0, 0), slice(0, 1)])
def test_next_to_no_frames_give_no_claim(frames):
    found = estimate_flow(session(0.2).isel(time=frames), SETTINGS)
    assert np.isnan(found["flow_direction"]).all()
    assert (found["flow_status"] >= NOT_IDENTIFIABLE).all()


def test_nothing_seen_gives_no_claim():
    blind = session(0.2)
    blind["temperature_rise"] = blind["temperature_rise"].where(False)
    found = estimate_flow(blind, SETTINGS)
    assert (found["board_flow_status"] >= NOT_IDENTIFIABLE).all()
    assert np.isnan(found["flow_direction"]).all()


def test_a_flat_board_gives_no_claim():
    flat = session(0.2)
    flat["temperature_rise"] = 0.0 * flat["temperature_rise"] + 50.0  # as a saturated camera shows it
    found = estimate_flow(flat, SETTINGS)
    assert (found["board_flow_status"] >= NOT_IDENTIFIABLE).all()


def test_a_recording_with_the_fan_standing_settles_the_other_and_has_no_direction_itself():
    found = compare_flow(session(0.0, block=2), session(0.2, seed=1, block=2), SETTINGS, relation=(0, 1))
    assert found["joint_flow_status"].values.tolist() == [NOT_IDENTIFIABLE, IDENTIFIED]
    assert np.isnan(found["joint_flow_direction"][0])
    assert turn(found["joint_flow_direction"][1], 0.0) == pytest.approx(0.0, abs=1.0)
    assert (found["region_flow_change"] == UNTOLD).all()


def test_parts_within_a_fan_s_width_are_near_it():
    made = session(0.2)
    made["opening_from_y"], made["opening_to_y"] = ("opening", [30.0, 0.0]), ("opening", [60.0, 80.0])
    # The fan lies at x = 128 mm from y = 30 to 60 mm; E, at (104, 60), is 24 mm from it, D, at (92, 18), is 38 mm.
    assert made["region"].values[near_fan(made)].tolist() == ["E"]
