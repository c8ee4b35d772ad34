"""What a plan comes to: figures by hand, warnings where they belong and nowhere else."""

import math

import numpy as np
import pytest

from heatwake.errors import InputError
from heatwake.planning.runs import planned_runs
from planned import small_plan, small_test


def said(test, word):
    return [text for text in (*test.warnings, *test.questions) if word in text]


@pytest.fixture(scope="module")
def sound():
    return small_test()


def test_a_sound_plan_has_nothing_to_mend():
    test = small_test()
    assert test.warnings == ()
    assert [text.split(":")[0].split(" (")[0] for text in test.questions] == [
        "The film's transmittance is its material's",
        "How far runs of one set-up lie apart",
    ]


def test_the_view_by_hand():
    view = small_test().view
    assert view.mm_per_px == pytest.approx(0.012 * (430 - 9.1) / 9.1)
    assert view.field == pytest.approx((160 * view.mm_per_px, 120 * view.mm_per_px))
    # board half angle atan(30 / 430) = 3.99 degrees, the camera's image atan(30 / (4 x 405)) = 1.06
    assert view.tilt_for_board == pytest.approx(3.99 + 1.06, abs=0.01)
    assert view.tilt == 6.0
    assert view.hides_camera
    # 2 N p d^2 / f^2
    assert view.depth_of_field == pytest.approx(2 * 0.012 * (430 / 9.1) ** 2)


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"camera.distance_mm": 180.0}, "does not fit"),
        ({"parts.1.width_mm": 1.0}, "Not resolved: U1"),
        ({"parts.1.width_mm": 2.5}, "Indicative only: U1"),
        ({"camera.f_number": 0.3, "parts.0.tall_mm": 19.0}, "Out of focus: Q1"),
        ({"camera.body_mm": 900.0}, "more than the 30° that a film bears"),
        ({"camera.tilt_deg": 3.0}, "The camera sees itself"),
        ({"parts.0.tall_mm": 24.0}, "Q1 has 1 mm to the film"),
        ({"parts.0.tall_mm": 26.0}, "Q1 touches the film"),
        ({"film.tension_N_m": 1.0}, "bulges by"),
        ({"film.material": "PVC"}, "PVC swallows"),
        ({"film.transmittance": 0.95}, "cannot let more than 0.92"),
        ({"air.flow_L_s": 0.04}, "keep it below 60 °C"),
        ({"surface.emissivity": 0.3}, "Mostly reflection: Q1, U1"),
        ({"parts.0.rise_K": 120.0, "surface.emissivity": 0.95}, "film"),
        ({"runs.smallest_difference_K": 0.3}, "0.3 K matter"),
        ({"camera.frame_rate_Hz": 1.0}, "1 frames a second"),
        ({"factors": []}, "Nothing is changed on purpose"),
        ({"factors": [], "runs.replicates": 1}, "One run of one set-up"),
        ({"parts.0.rise_K": None}, "No rise is expected of Q1"),
        ({"parts.0.power_W": None}, "No power is stated of Q1"),
        ({"parts.0.time_constant_s": None}, "Time constants of Q1 are taken as 10 min"),
        ({"parts.0.tall_mm": None}, "Heights of Q1"),
        ({"air": {}}, "No flow is stated"),
        ({"factors.0.opening": None}, "What fan acts on is not stated"),
        ({"film": None}, "No film is planned"),
        ({"recording.warm_s": 100.0}, "100 s under power are too short: Q1 has 0.5 K to come only after 263 s"),
        ({"factors.0.levels": ["out", "off"]}, "Rises and length are those with the fan on"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_is_amiss_is_said(sound, changes, word):
    if word != "film":
        assert not said(sound, word)
    assert said(small_test(changes), word)


def test_limits_are_judged_at_the_highest_ambient(tmp_path):
    import pandas as pd

    from heatwake.planning.sheet import plan_test

    columns = ["name", "x_mm", "y_mm", "width_mm", "height_mm", "emissivity", "emissivity_uncertainty", "limit_degC"]
    table = pd.DataFrame([["Q1", 25, 20, 12, 10, 0.9, np.nan, 84.0], ["U1", 50, 40, 8, 8, np.nan, np.nan, 71.0]],
                         columns=columns)  # fmt: skip
    plan = small_plan({"parts": [{"name": "Q1", "rise_K": 40.0, "power_W": 3.0}, {"name": "U1", "rise_K": 25.0}]})
    test = plan_test(plan, table)
    assert [one.margin for one in test.certainties] == [-1.0, 1.0]  # 84 - 45 - 40; 71 - 45 - 25
    assert said(test, "Expected over its limit at 45 °C: Q1")
    assert said(test, "margin within the uncertainty (2 u): U1")


@pytest.mark.parametrize(("thickness", "drop"), [(8, 4.34), (10, 4.51), (12, 4.68), (15, 4.93)])
def test_the_film_takes_what_polyethylene_takes_of_73_75_degrees(thickness, drop):
    # forward model by an independent thin-film library, room and film at 25 degC; an absorbing film warms by 0.3 K
    test = small_test(
        {"film.thickness_um": thickness, "ambient.degC": 25.0, "parts.0.rise_K": 48.75, "surface.emissivity": 1.0}
        | {"air.flow_L_s": 1000.0}
    )
    assert test.lid.parts[0].drop == pytest.approx(drop, abs=0.12)


def test_the_film_takes_in_proportion_to_the_rise_not_a_constant():
    # tau 0.89, room 25 degC, in-band Planck: 30 reads 29.461 and 90 reads 84.162
    changes = {"film.transmittance": 0.89, "film.reflectance": 0.11, "ambient.degC": 25.0, "surface.emissivity": 1.0}
    changes |= {"parts.0.rise_K": 65.0, "parts.1.rise_K": 5.0}
    hot, cool = small_test(changes).lid.parts
    assert hot.reading == pytest.approx(84.162, abs=2e-3)
    assert cool.reading == pytest.approx(29.461, abs=2e-3)


def test_air_and_film_by_hand():
    test = small_test()
    # 4 W in 0.8 L/s of air at 24 degC: 1.188 kg/m3 and 1007 J/kg/K
    assert test.airflow.exhaust_blown == pytest.approx(4.0 / (1.188 * 1007 * 0.8e-3), rel=1e-3)
    assert test.airflow.exhaust_drawn > test.airflow.exhaust_blown
    assert small_test({"air.fan_power_W": 2.0}).airflow.exhaust_blown == pytest.approx(1.5 * test.airflow.exhaust_blown)


def test_sensors_stand_outside_their_openings():
    fan, vent, *others = small_test().airflow.sensors
    assert (fan.x, fan.y, vent.x, vent.y) == (80 + 30, 30, -60, 30)  # one and a half times 20 and 40 mm
    assert [one.name for one in others] == ["camera side of the film", "camera body"]


def test_covering_a_vent_is_forecast_from_the_openings():
    vents = [
        {"name": "a", "kind": "vent", "from_mm": [0, 10], "to_mm": [0, 30]},
        {"name": "b", "kind": "vent", "from_mm": [10, 60], "to_mm": [30, 60]},
    ]
    factor = {"name": "a", "levels": ["open", "covered"], "opening": "a"}
    (found,) = small_test({"openings": vents, "factors": [factor]}).airflow.factors
    # half the vents, which are half of the resistance: rises x 1.16 to 1.27 (by hand), of 40 K
    assert (found.low, found.high) == pytest.approx((0.16 * 40, 0.27 * 40), abs=0.2)
    factor["levels"] = [1.0, 0.8]
    (load,) = small_test({"factors": [{"name": "load", "levels": [1.0, 0.8], "acts_on": "load"}]}).airflow.factors
    assert (load.low, load.high) == pytest.approx((8.0, 8.0))


def test_uncertainty_is_the_budget_s_and_runs_share_most_of_it():
    test = small_test()
    hot, cool = test.certainties
    assert 0.8 < hot.uncertainty < 1.4  # 0.8 to 1.0 K for parts like these in the sample's summary.csv
    assert hot.shared > 3 * hot.own
    assert hot.uncertainty == pytest.approx(math.hypot(hot.shared, hot.own))
    assert cool.uncertainty < hot.uncertainty
    # 0.2^2 + 3 x 0.1^2 and 40 K x 0.5 % / sqrt 3
    assert hot.run_spread == pytest.approx(math.hypot(math.sqrt(0.07), 40 * 0.005 / math.sqrt(3)))
    refitted = small_test({"film.refitted": True}).certainties[0].run_spread
    assert refitted == pytest.approx(math.hypot(hot.run_spread, 0.37), abs=0.03)  # 0.46 K at 50 K


def test_two_set_ups_go_a_b_b_a_and_more_in_seeded_blocks():
    runs, how, seed = planned_runs(small_plan())
    assert [run.name for run in runs] == ["01_fan_out", "02_fan_in", "03_fan_in", "04_fan_out"]
    assert [run.replicate for run in runs] == [1, 1, 2, 2]
    assert how.startswith("A-B-B-A")
    assert seed is None
    text = '[[factors]]\nname = "load"\nlevels = [1.0, 0.5]\nacts_on = "load"\n'
    plan = small_plan({"runs.blocks": 2, "runs.seed": 9}, text=text)
    runs, how, seed = planned_runs(plan)
    assert (len(runs), seed, how) == (16, 9, "at random, each round holding every set-up once")
    assert runs == planned_runs(plan)[0]
    for first in range(0, 16, 4):
        assert len({run.name.split("_", 1)[1] for run in runs[first : first + 4]}) == 4
    assert [run.block for run in runs] == [1] * 8 + [2] * 8


def test_what_the_runs_can_show():
    (fan,) = small_test().runs.factors
    spread = small_test().certainties[0].run_spread
    assert (fan.takes, fan.freedom) == (2, 2)
    assert fan.shown == pytest.approx(5.65 * spread, rel=0.005)  # Student's table for two and two
    assert fan.shown_if_known == pytest.approx(2.80 * spread, rel=0.005)
    assert "can show 2.5 K" in fan.verdict
    cannot = small_test({"runs.smallest_difference_K": 0.5}).runs.factors[0]
    assert "4 runs cannot show 0.5 K" in cannot.verdict
    known = small_test({"runs.repeatability_K": 0.2, "runs.repeatability_freedom": 20}).runs
    assert known.factors[0].freedom == 22
    assert known.spread == 0.2
    (stated,) = small_test({"factors.0.expected_K": 1.0}).runs.factors
    assert stated.verdict.endswith("the effect expected, 1.0 K, will not show")
    (once,) = small_test({"runs.replicates": 1}).runs.factors
    assert math.isnan(once.shown)
    assert "nothing shows unless" in once.verdict


def test_length_by_hand():
    length = small_test().length
    assert length.slowest == "Q1"
    assert length.wait == pytest.approx(60 * math.log(40 / 0.5))
    assert length.total == 330.0  # 60 cold and 263 warm, to the half minute
    assert length.full_megabytes == pytest.approx(160 * 120 * 2 * 9 * 330 / 1e6)
    assert length.thinned_megabytes == pytest.approx(160 * 120 * 2 * (9 * 120 + 210) / 1e6)
    assert length.bench_hours == pytest.approx((4 * 330 + 3 * length.wait) / 3600)
    slow = small_test({"parts.0.time_constant_s": None, "parts.0.heat_capacity_J_K": 3.0})
    assert slow.parts[0].constant == pytest.approx(3.0 * 40 / 3)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"parts": []}, r"parts is empty, must be \[\[parts\]\]"),
        ({"parts.0.x_mm": 200.0}, "parts: Q1 is at 200, 20 mm, must lie on the board of 80 x 60 mm"),
        ({"parts": [{"name": "Q1"}]}, "parts: Q1 is in no placement file"),
    ],
)
def test_wrong_parts_get_one_line(changes, message):
    with pytest.raises(InputError, match=message):
        small_test(changes)


def test_the_safety_list_defers_and_certifies_nothing():
    safety = small_test().safety
    assert "certifies nothing" in safety[0]
    assert "Local rules" in safety[0]
    assert any("Q1 above 60 °C" in text for text in safety)
    assert not any("film" in text.lower() for text in small_test({"film": None}).safety)
