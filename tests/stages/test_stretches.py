"""Recordings that events split, and ambients that drift: regions' final values against the closed forms put in."""

import numpy as np
import pytest

from heatwake.report.transients import transient_rows
from heatwake.schema.variables import STEADY_STATUS, VARIABLES
from heatwake.stages.regions import STAGE, RegionsSettings, measure_regions
from heatwake.stages.temperature import measure_temperature
from stages.test_temperature import mapped

SIDE, STEP, AMBIENT, POWER, POWER_ON, FAN_ON = 20, 4.0, 24.0, 20.0, 8.0, 600.0
# name, x, y [mm = px], rise before [K], after [K], time constant before and after [s]
PARTS = (("near", 5.0, 15.0, 40.0, 25.0, 90.0, 60.0), ("far", 15.0, 5.0, 20.0, 24.0, 110.0, 70.0))


def maps(*, ambient=None, events=((FAN_ON, "fan on"),), steps=250):
    """Return measured maps of parts that warm up, and go elsewhere when the fan comes on."""
    elapsed = np.arange(steps) * STEP
    air = np.full(steps, AMBIENT) if ambient is None else ambient(elapsed)
    truth = np.repeat(air, SIDE * SIDE).reshape(steps, SIDE, SIDE)
    centres = np.arange(SIDE) + 0.5
    for _, x, y, first, second, tau, after in PARTS:
        rise = first * -np.expm1(-np.maximum(elapsed - POWER_ON, 0) / tau)
        reached = first * -np.expm1(-(FAN_ON - POWER_ON) / tau)
        later = second + (reached - second) * np.exp(-np.maximum(elapsed - FAN_ON, 0) / after)
        rise = np.where((elapsed > FAN_ON) & bool(events), later, rise)
        if ambient is not None:
            rise = rise + behind(air, elapsed, tau)
        window = np.ix_(np.abs(centres[::-1] - y) < 4, np.abs(centres - x) < 4)
        truth[(slice(None), *window)] += rise[:, None, None]
    truth = truth + np.random.default_rng(6).normal(0, 0.05, truth.shape)
    session = mapped(truth, board_scale=1.0, power_on=POWER_ON, power=POWER, chunk=None, surface_reflected=AMBIENT)
    session = session.assign(part_limit=("part", [60.0, 60.0]), part_emissivity=("part", [0.95, 0.95]))
    session = session.assign({f"part_{axis}": ("part", [row[1 + at] for row in PARTS]) for at, axis in enumerate("xy")})
    session = session.assign({f"part_{side}": ("part", [8.0] * 2) for side in ("width", "height")})
    session = session.assign(ambient=("time", air))
    session = session.assign_coords(part=[row[0] for row in PARTS], elapsed=("time", elapsed))
    if events:
        session = session.assign(event_elapsed=("event", [time for time, _ in events]))
        session = session.assign_coords(event=[text for _, text in events])
    return measure_temperature(session, RegionsSettings().uncertainty).compute()


def behind(air, elapsed, tau):
    """What a first-order part lags a ramp by, on top of the air."""
    rate = (air[-1] - air[0]) / (elapsed[-1] - elapsed[0])
    return -rate * tau * -np.expm1(-elapsed / tau)


@pytest.fixture(scope="module")
def switched():
    return maps(events=((POWER_ON, "power on"), (300.0, "film pressed on"), (FAN_ON, "fan on")))


@pytest.fixture(scope="module")
def regions(switched):
    return measure_regions(switched, RegionsSettings())


def test_each_stretch_has_its_own_final_value(regions):
    assert regions["stretch"].to_numpy().tolist() == ["power on", "fan on"]
    assert regions["stretch_start"].to_numpy().tolist() == [POWER_ON, FAN_ON]
    assert regions["stretch_end"].to_numpy().tolist() == [FAN_ON, 249 * STEP]
    for name, number, tau in (("near", 0, 60.0), ("far", 1, 70.0)):
        found = regions.sel(region=name)
        assert found["stretch_rise"].to_numpy() == pytest.approx([PARTS[number][3], PARTS[number][4]], abs=0.1)
        assert found["stretch_time_constant"].to_numpy() == pytest.approx([PARTS[number][5], tau], rel=0.05)
        assert (found["stretch_rise_own"] < found["stretch_rise_uncertainty"]).all()
    assert regions["stretch_steady"].to_numpy().tolist() == [[1, 1], [1, 1]]


def test_the_regions_values_are_those_of_the_last_stretch(regions):
    assert regions["steady_rise"].to_numpy() == pytest.approx(regions["stretch_rise"].to_numpy()[:, -1])
    assert regions["steady_rise_max"].to_numpy() == pytest.approx([25, 24], abs=0.2)
    assert regions["time_constant"].to_numpy() == pytest.approx([60, 70], rel=0.05)
    assert regions["exponential_rise"].to_numpy()[0, 0] == pytest.approx(-15, rel=0.02)  # it falls
    assert regions["exponential_rise"].to_numpy()[1, 0] == pytest.approx(4, rel=0.05)


def test_resistance_is_that_of_the_heating_after_power_on(regions):
    assert regions["thermal_resistance"].to_numpy() == pytest.approx([40 / POWER, 20 / POWER], rel=0.01)
    network = (regions["foster_resistance"] * -np.expm1(-90.0 / regions["foster_time"])).sum("foster_term")
    assert network.to_numpy()[0] == pytest.approx(40 / POWER * -np.expm1(-1), rel=0.01)


def test_every_pixel_has_a_final_value(regions):
    x, y = regions["x"].to_numpy(), regions["y"].to_numpy()
    for _, at_x, at_y, _, final, _, tau in PARTS:
        window = np.ix_(np.abs(y - at_y) < 4, np.abs(x - at_x) < 4)
        level, spread = (regions[name].to_numpy()[window] for name in ("final_rise", "final_rise_uncertainty"))
        assert np.median(level) == pytest.approx(final, abs=0.05)
        assert (np.abs(level - final) < 4 * spread).all()
        assert np.median(regions["rise_time_constant"].to_numpy()[window]) == pytest.approx(tau, rel=0.1)
    board = regions["final_rise"].to_numpy()[-3:, :3]
    assert board == pytest.approx(0, abs=0.1)
    assert (regions["final_rise_status"].to_numpy()[-3:, :3] == STEADY_STATUS.index("last reading")).all()


def test_which_stretch_counts_is_the_users_choice(switched):
    first = measure_regions(switched, RegionsSettings(final_of="first stretch"))
    assert first["steady_rise"].to_numpy() == pytest.approx([40, 20], abs=0.1)
    whole = measure_regions(switched, RegionsSettings(final_of="whole recording"))
    assert whole.sizes["stretch"] == 1


def test_a_criterion_counts_from_the_event_on(switched):
    # 249 * 4 - 600 = 396 s since the fan came on: shorter than 15 min, longer than 10 min of readings before it.
    found = measure_regions(switched, RegionsSettings(settling="1 K in 15 min"))
    assert found["stretch_steady"].to_numpy().tolist() == [[0, 0], [0, 0]]


def test_every_name_is_in_the_data_model(regions):
    for name in STAGE.makes:
        assert regions[name].dims == VARIABLES[name].dims


def test_rows_have_each_stretch(switched, regions):
    rows = transient_rows(regions.assign(power=switched["power"]), criterion="1 K in 15 min")
    assert [(row["region"], row["stretch"]) for row in rows] == [
        ("near", "power on"),
        ("near", "fan on"),
        ("far", "power on"),
        ("far", "fan on"),
    ]
    assert rows[1]["final_rise_K"] == pytest.approx(25, abs=0.1)
    assert rows[0]["stretch_end_s"] == rows[1]["stretch_start_s"] == FAN_ON
    tau = rows[1]["time_constant_s"]
    assert rows[1]["left_by_criterion_K"] == pytest.approx(1 / np.expm1(900 / tau))
    assert len({tuple(row) for row in rows}) == 1


def test_a_part_that_lags_a_drifting_ambient_is_taken_over_what_it_feels():
    # 4 K/h: near lags by 4 / 3600 * 90 = 0.1 K, far by 0.122 K; at once, rises would be read so much too low.
    drifting = maps(ambient=lambda elapsed: 24 + elapsed * 4 / 3600, events=())
    found = measure_regions(drifting, RegionsSettings())
    lag = np.array([4 / 3600 * 90, 4 / 3600 * 110])
    assert found["ambient_lag_correction"].to_numpy() == pytest.approx(lag, rel=0.02)
    last = found["rise_mean"].to_numpy()[:, -25:].mean(axis=1)
    assert last == pytest.approx(np.array([40, 20]) - lag, abs=0.02)
    assert found["steady_rise"].to_numpy() == pytest.approx([40, 20], abs=0.02)


def test_a_constant_ambient_corrects_nothing(regions):
    assert (regions["ambient_lag_correction"] == 0).all()


def test_without_power_on_there_is_no_time_constant_to_lag_by():
    still = maps(ambient=lambda elapsed: 24 + elapsed * 4 / 3600, events=()).assign(power_on=np.nan)
    found = measure_regions(still, RegionsSettings())
    assert np.isnan(found["ambient_lag_correction"]).all()
    words = {STEADY_STATUS[int(flag)] for flag in found["steady_status"]}
    assert words == {"last reading"}
