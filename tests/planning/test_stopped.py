"""What is foreseen of a stopped fan: true on simulated boards that set nothing, and said where it belongs."""

import math

import numpy as np
import pandas as pd
import pytest

from drawn_plans import PARTWAY, board, heating, plan_of, settled
from heatwake.planning.sheet import plan_test
from planned import small_plan, small_test

BOARDS = range(20, 28)  # those before set how unevenly parts gain


@pytest.fixture(scope="module")
def foreseen():
    """Of each board what is true and what the plan says, without limits."""
    made = {}
    for number in BOARDS:
        scene = board(number)
        on, off = settled(scene), settled(scene.with_fan("off"))
        none = np.full(on.size, np.nan)
        made[number] = on, off, plan_of(scene, on, constants=np.full(on.size, 60.0), limits=none).stop
    return made


def test_settled_rises_without_the_fan_lie_in_their_range(foreseen):
    inside = [
        part.low <= true <= part.high
        for _, off, stop in foreseen.values()
        for part, true in zip(stop.parts, off, strict=True)
    ]
    # 95 % of trials: of some 55 parts on 8 boards, parts of a board going together
    assert len(inside) > 45
    assert np.mean(inside) >= 0.92


def test_the_range_says_something(foreseen):
    for on, off, stop in foreseen.values():
        low, high = (np.array([getattr(part, name) for part in stop.parts]) for name in ("low", "high"))
        assert (low >= on).all()
        assert np.mean(high / off) < 2.0
        assert np.mean(low / off) > 0.4


@pytest.mark.parametrize("number", [20, 23, 27])
def test_no_limit_is_reached_sooner_than_said(number):
    scene = board(number)
    truth = heating(scene), heating(scene.with_fan("off"))
    on, off = (one["part_rise_mean"].to_numpy() for one in truth)
    limits = on[:, -1] + PARTWAY * (off[:, -1] - on[:, -1])
    test = plan_of(scene, on[:, -1], constants=truth[0]["part_time_constant"].to_numpy(), limits=limits)
    assert len(test.stop.passing) == on.shape[0]  # all truly pass, none is said to stay below
    elapsed = truth[1]["elapsed"].to_numpy()
    for part, curve in zip(test.stop.parts, off, strict=True):
        if part.of != part.name:
            continue  # the film over it comes first
        reached = np.interp(part.limit, curve, elapsed)
        assert part.cold <= reached
        assert part.cold > 0.2 * reached  # and not so soon that nobody can use it


def table(limit):
    columns = ["name", "x_mm", "y_mm", "width_mm", "height_mm", "emissivity", "emissivity_uncertainty", "limit_degC"]
    rows = [["Q1", 25, 20, 12, 10, np.nan, np.nan, limit], ["U1", 50, 40, 8, 8, np.nan, np.nan, 500.0]]
    return pd.DataFrame(rows, columns=columns)


def planned(limit, changes=None):
    stated = [
        {"name": "Q1", "rise_K": 40.0, "power_W": 3.0, "time_constant_s": 60.0, "tall_mm": 5.0},
        {"name": "U1", "rise_K": 25.0, "power_W": 1.0, "time_constant_s": 60.0, "tall_mm": 2.0},
    ]
    return plan_test(small_plan({"parts": stated, "film.height_mm": 60.0} | (changes or {})), table(limit))


def test_verdicts_go_by_the_range():
    part = planned(100.0).stop.parts[0]
    between = 24.0 + (part.low + part.high) / 2
    for limit, verdict in (
        (24.0 + part.high + 1, "stays below"),
        (between, "may pass"),
        (24.0 + part.low - 1, "passes"),
    ):
        stop = planned(limit).stop
        assert stop.parts[0].verdict == verdict
        assert (stop.parts[0].limit, stop.parts[0].of) == (pytest.approx(limit - 24.0), "Q1")
    assert planned(24.0 + part.high + 1).stop.cold == math.inf
    assert "all limits hold" in planned(24.0 + part.high + 1).stop.words
    assert "the limits that are known hold" in small_test().stop.words  # the film's alone
    stop = planned(24.0 + 60.0).stop
    assert (stop.cold, stop.settled) == pytest.approx((60 / 40 * 60 / 1.2, 20 / 40 * 60 / 1.2))
    assert "no sooner than 75 s after a cold power-on" in stop.words


def test_at_the_share_of_power_named_all_limits_hold():
    stop = planned(84.0).stop
    assert 0 < stop.share < 1
    less = [
        {"name": name, "rise_K": stop.share * rise, "power_W": stop.share * power, "time_constant_s": 60.0}
        for name, rise, power in (("Q1", 40.0, 3.0), ("U1", 25.0, 1.0))
    ]
    assert not planned(84.0, {"parts": less}).stop.passing


def test_planned_runs_with_the_fan_off_are_warned_of_and_others_not():
    off = {"factors.0.levels": ["out", "off"]}
    [warning] = [text for text in planned(84.0, off).warnings if "Fan off" in text]
    assert "Q1 may pass a limit, no sooner than 75 s after a cold power-on" in warning
    assert "% of the power" in warning
    stop = planned(84.0, off).stop
    slower = [f"{(40.0 + gain) / 40.0:.1f}" for gain in stop.gain]  # of tau = C R / P
    assert [text for text in planned(84.0, off).questions if f"Q1 settles {slower[0]} to {slower[1]} times" in text]
    assert not [text for text in planned(84.0).warnings if "Fan off" in text]
    [line] = [text for text in planned(84.0).safety if "Fan stopped" in text]
    assert "on purpose or not: a limit may be passed, no sooner than 75 s" in line
    short = off | {"recording.warm_s": 70.0, "recording.remainder_K": 30.0}
    assert not [text for text in planned(84.0, short).warnings if "Fan off" in text]


def test_what_a_factor_that_stops_the_fan_does_is_foreseen():
    test = planned(84.0, {"factors.0.levels": ["out", "off"]})
    [fan], part = test.airflow.factors, test.stop.parts[0]
    assert (fan.low, fan.high) == pytest.approx((part.low - 40.0, part.high - 40.0))
    assert "will show" in test.runs.factors[0].verdict
    [stated] = planned(84.0, {"factors.0.levels": ["out", "off"], "factors.0.expected_K": 30.0}).airflow.factors
    assert (stated.low, stated.source) == (30.0, "as the plan states")
    [both] = planned(84.0, {"factors.0.levels": ["out", "in", "off"]}).airflow.factors
    assert (both.low, len(both.signs)) == (pytest.approx(fan.low), 3)
    assert math.isnan(planned(84.0).airflow.factors[0].low)


def test_the_film_s_limit_counts_where_it_comes_first():
    # k / g of 0.027 W/m/K over 3 mm: 9 W/m2/K from the part, 10 to the room, so that the film takes 0.47 of its rise
    stop = planned(500.0, {"film.height_mm": 8.0}).stop
    part = stop.parts[0]
    assert part.of == "the film"
    assert part.limit == pytest.approx((60 - 24) / 0.474, abs=4.0)  # less, for it absorbs some of what is radiated
    assert part.film_high > part.film_low > 24.0
    assert "the film over Q1" in stop.words
    without = planned(84.0, {"film": None})
    assert math.isnan(without.stop.parts[0].film_high)
    assert without.stop.parts[0].of == "Q1"


def test_what_cannot_be_foreseen_is_said():
    off = {"factors.0.levels": ["out", "off"]}
    lacking = small_test({"parts.0.power_W": None} | off)
    assert lacking.stop.words == "not foreseen, for the plan does not state the power of Q1"
    assert [text for text in lacking.questions if "not state the power of Q1" in text]
    assert small_test({"openings": [], "factors": []}).stop is None
    stated = [{"name": "Q1", "rise_K": 40.0, "power_W": 3.0}, {"name": "U1", "rise_K": 25.0, "power_W": 1.0}]
    untimed = planned(84.0, {"parts": stated} | off)
    assert math.isnan(untimed.stop.cold)
    assert [text for text in untimed.warnings if "state time_constant_s of Q1" in text]
    nothing = small_test({"film": None, "parts.0.tall_mm": 5.0})
    assert "no limit is known" in nothing.stop.words
