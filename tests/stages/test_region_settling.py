"""Heating curves of regions: forecasts, criteria, time to the limit and impedance, against the closed forms put in."""

import re

import numpy as np
import pytest

from heatwake.report.parts import part_rows
from heatwake.report.transients import transient_rows
from heatwake.schema.variables import STEADY_STATUS, VARIABLES, require
from heatwake.stages.region_settling import settled_by_rate
from heatwake.stages.regions import STAGE, RegionsSettings, measure_regions
from heatwake.stages.temperature import measure_temperature
from stages.test_temperature import mapped

SIDE, STEP, AMBIENT, POWER = 24, 4.0, 24.0, 20.0
# name, x, y [mm = px], rise [K], time constant [s], limit [degC]
PARTS = (
    ("quick", 6.0, 18.0, 40.0, 60.0, 60.0),
    ("slow", 18.0, 18.0, 30.0, 300.0, 50.0),
    ("slowest", 12.0, 6.0, 30.0, 2e3, 90.0),
)


def heating(*, steps=120, power=POWER, power_on=8.0):
    """Return measured maps of a board whose parts warm up from power-on."""
    elapsed = np.arange(steps) * STEP
    truth = np.full((steps, SIDE, SIDE), AMBIENT)
    centres = np.arange(SIDE) + 0.5
    for _, x, y, rise, tau, _ in PARTS:
        window = np.ix_(np.abs(centres[::-1] - y) < 4, np.abs(centres - x) < 4)
        warmed = rise * -np.expm1(-np.maximum(elapsed - power_on, 0) / tau)
        truth[(slice(None), *window)] += warmed[:, None, None]
    truth = truth + np.random.default_rng(6).normal(0, 0.05, truth.shape)
    session = mapped(truth, ambient=AMBIENT, board_scale=1.0, power_on=power_on, power=power, chunk=None)
    columns = {"part_x": 1, "part_y": 2, "part_limit": 5}
    session = session.assign({key: ("part", [row[at] for row in PARTS]) for key, at in columns.items()})
    session = session.assign({f"part_{side}": ("part", [8.0] * 3) for side in ("width", "height")})
    session = session.assign(part_emissivity=("part", [0.95] * 3))
    session = session.assign_coords(part=[row[0] for row in PARTS], elapsed=("time", elapsed))
    return measure_temperature(session, RegionsSettings().uncertainty).compute()


@pytest.fixture(scope="module")
def maps():
    return heating()


@pytest.fixture(scope="module")
def regions(maps):
    return measure_regions(maps, RegionsSettings())


def test_final_values_delays_and_reasons(regions):
    quick, slow, slowest = (regions.isel(region=number) for number in range(3))
    assert float(quick["steady_rise"]) == pytest.approx(40, abs=0.1)
    assert float(slow["steady_rise"]) == pytest.approx(30, rel=0.02)
    assert float(slow["time_constant"]) == pytest.approx(300, rel=0.05)
    words = [STEADY_STATUS[int(flag)] for flag in regions["steady_status"]]
    assert words == ["forecast", "forecast", "window too short"]
    assert np.isnan(slowest["steady_rise"])
    assert np.isnan(slowest["remaining_rise"])


def test_the_remainder_is_that_of_the_closed_form(regions):
    slow = regions.isel(region=1)
    since = np.arange(120) * STEP - 8
    left = 30 * np.exp(-since[since > 0.95 * since[-1]] / 300).mean()  # after the last twentieth of the readings
    assert float(slow["remaining_rise"]) == pytest.approx(left, abs=0.5)
    assert float(slow["remaining_rise_uncertainty"]) == pytest.approx(left / 4, rel=0.1)  # a board has many constants
    assert float(slow["steady_rise_own"]) < float(slow["steady_rise_uncertainty"])


def test_a_limit_is_reached_when_the_closed_form_does(maps, regions):
    # slow: 30 K over 24 degC reaches 50 degC at tau ln(30 / 4); the record ends at 468 s after power-on.
    found = regions.isel(region=1)
    expected = 300 * np.log(30 / 4) - (119 * STEP - 8)
    early, late = float(found["time_to_limit_early"]), float(found["time_to_limit_late"])
    assert early < expected < late or (early < expected and np.isnan(late))
    assert float(found["time_to_limit"]) == pytest.approx(expected, rel=0.25)
    assert float(regions["time_to_limit"][0]) == 0  # quick is over it by now
    assert np.isnan(regions["time_to_limit"][2])


@pytest.mark.parametrize(
    ("name", "steady"),
    [("remaining rise", [1, 0, 0]), ("1 K in 5 min, three readings", [0, 0, 0]), ("2 K in 1 h", [0, 0, 0])],
)
def test_a_region_is_settled_by_the_criterion_chosen(maps, name, steady):
    found = measure_regions(maps, RegionsSettings(settling=name))
    assert found["is_steady"].to_numpy().tolist() == steady


def test_a_longer_record_meets_a_limit_of_the_rate():
    # slow: 30 K (e^(-1092 / 300) - e^(-1988 / 300)) = 0.75 K in the last 15 min; slowest changes by 6.4 K.
    found = measure_regions(heating(steps=500), RegionsSettings(settling="1 K in 15 min"))
    assert found["is_steady"].to_numpy().tolist() == [1, 1, 0]
    assert float(found["remaining_rise"][1]) < 0.2


@pytest.mark.parametrize(("seconds", "by_part", "of_item"), [(4e3, [1, 0, 0], [0, 0, 0]), (12e3, [1] * 3, [1] * 3)])
def test_a_criterion_on_the_slowest_part_is_met_by_all_or_by_none(seconds, by_part, of_item):
    # In the last hour of 4000 s slow changes by 8 K, in that of 12000 s slowest by 0.4 K.
    elapsed = np.arange(0.0, seconds, 10.0)
    rise = np.array([row[3] * -np.expm1(-elapsed / row[4]) for row in PARTS])
    found = [
        settled_by_rate(rise, elapsed=elapsed, start=0.0, name=name, average=10.0).tolist()
        for name in ("2 K in 1 h", "2 K/h on the slowest part")
    ]
    assert found == [by_part, of_item]


def test_resistance_is_per_watt_of_the_whole_item(regions):
    assert float(regions["thermal_resistance"][1]) == pytest.approx(30 / POWER, rel=0.02)
    level, time = (regions[f"foster_{name}"].isel(region=0).to_numpy() for name in ("resistance", "time"))
    at = np.array([20.0, 60.0, 300.0])
    seen = np.isfinite(level)
    network = (level[seen] * -np.expm1(-at[:, None] / time[seen])).sum(axis=1)
    assert network == pytest.approx(40 / POWER * -np.expm1(-at / 60), rel=0.01)


def test_without_power_there_is_no_resistance():
    found = measure_regions(heating(power=np.nan), RegionsSettings())
    assert np.isnan(found["thermal_resistance"]).all()
    assert np.isnan(found["foster_resistance"]).all()


def test_what_it_makes_is_as_the_data_model_says(regions):
    require(regions, STAGE.makes)
    for name in ("exponential_rise", "foster_time", "time_to_limit_late", "heating_delay"):
        assert regions[name].dims == VARIABLES[name].dims


def test_rows_say_units_and_reasons(maps, regions):
    rows = transient_rows(regions.assign(power=maps["power"]), criterion="remaining rise")
    assert [row["refused_because"] for row in rows] == ["", "", "window too short"]
    assert [row["settled"] for row in rows] == [1, 0, 0]
    assert rows[1]["final_rise_from"] == "forecast"
    assert rows[1]["item_power_W"] == POWER
    parts = rows[1]["final_rise_own_K"], rows[1]["final_rise_shared_K"]
    assert np.hypot(*parts) == pytest.approx(rows[1]["final_rise_uncertainty_K"])
    assert min(parts) > 0
    relative = rows[1]["thermal_resistance_uncertainty_K_per_W"] / rows[1]["thermal_resistance_of_item_power_K_per_W"]
    assert relative == pytest.approx(rows[1]["final_rise_uncertainty_K"] / rows[1]["final_rise_K"])
    assert rows[1]["thermal_resistance_of_item_power_K_per_W"] == pytest.approx(rows[1]["final_rise_K"] / POWER)
    words = ("region", "stretch", "final_rise_from", "refused_because", "settled_by")
    numbers = [key for key in rows[0] if key not in words]
    assert all(key.endswith(("_K", "_s", "_W", "_K_per_W")) or key in ("settled", "exponentials") for key in numbers)


def test_remarks_say_why_and_when(maps, regions):
    rows = part_rows(regions.assign(ambient=maps["ambient"], max_ambient=np.nan))
    assert "limit" not in rows[0].remark
    # 136 s by the closed form of the test above
    told = re.search(r"reaches its limit 2 min after the end by the fit \(95 %: (\d+) s to (\d+) min\)", rows[1].remark)
    assert told
    assert int(told[1]) < 136 < 60 * int(told[2])
    assert "seen for less than one time constant" in rows[2].remark
