"""Settling criteria against the remainder that each leaves by a closed form."""

import numpy as np
import pytest

from heatwake.kernels.steadiness import CRITERIA, UNCHANGED, change_at_end, left_by_criterion, left_by_rate


@pytest.mark.parametrize(
    ("name", "minutes", "left"),
    [  # just met, time constants 5, 10, 20 and 60 min: d e^(-w/tau) / (1 - e^(-w/tau)), recomputed
        ("1 K in 5 min, three readings", (5, 10, 20, 60), (0.582, 1.541, 3.521, 11.507)),
        ("1 K in 15 min", (5, 10, 20, 60), (0.052, 0.287, 0.895, 3.521)),
        ("3 K in 30 min", (5, 10, 20, 60), (0.0075, 0.157, 0.862, 4.625)),
        ("2 K in 1 h", (5, 10, 20, 60), (0.000, 0.005, 0.105, 1.164)),
    ],
)
def test_a_limit_of_the_rate_is_none_of_the_error(name, minutes, left):
    criterion = CRITERIA[name]
    found = [left_by_rate(criterion.limit, window=criterion.window, time_constant=60 * tau) for tau in minutes]
    assert found == pytest.approx(left, abs=6e-4)  # printed to three places, 4.6245 rounded up


def test_the_change_is_that_of_the_last_window():
    elapsed = np.arange(0.0, 3600.0, 5.0)
    rise = 40 * (1 - np.exp(-elapsed / 600.0))
    change = change_at_end(rise, elapsed=elapsed, start=0.0, criterion=CRITERIA["1 K in 15 min"], average=5.0)
    assert change == pytest.approx(rise[-1] - rise[-181])
    assert left_by_rate(change, window=900.0, time_constant=600.0) == pytest.approx(40 - rise[-1], rel=1e-6)


def test_three_readings_count_the_widest_pair():
    elapsed = np.arange(0.0, 601.0)
    rise = np.where(np.abs(elapsed - 300) < 30, 2.0, 0.0)
    change = change_at_end(
        rise, elapsed=elapsed, start=-9.0, criterion=CRITERIA["1 K in 5 min, three readings"], average=1.0
    )
    assert change == 2.0


def test_a_record_shorter_than_the_criterion_meets_it_not():
    elapsed = np.arange(0.0, 600.0)
    flat = np.zeros(600)
    assert np.isnan(change_at_end(flat, elapsed=elapsed, start=0.0, criterion=CRITERIA["2 K in 1 h"], average=30.0))


def test_two_successive_half_hours_are_each_held_to_the_rate():
    # 2 K/h as 1 K in each of two half hours: 0.9 K and 0.9 K meet it though they are 1.8 K together.
    elapsed = np.arange(0.0, 7200.0, 10.0)
    ramp = elapsed * 0.9 / 1800
    criterion = CRITERIA["2 K/h over two half hours"]
    change = change_at_end(ramp, elapsed=elapsed, start=0.0, criterion=criterion, average=10.0)
    assert change == pytest.approx(0.9)
    late = np.where(elapsed < 7190 - 1800, 0.0, ramp)  # nothing in the first, more than it may in between
    assert change_at_end(late, elapsed=elapsed, start=0.0, criterion=criterion, average=10.0) > criterion.limit


@pytest.mark.parametrize(("hours", "apart"), [(0.5, 300.0), (2.0, 720.0)])
def test_readings_at_a_tenth_of_the_time_are_no_closer_than_5_min(hours, apart):
    criterion = CRITERIA["no change in three readings at 10 % of the time"]
    elapsed = np.arange(0.0, 3600 * hours + 1)
    assert criterion.interval(elapsed[-1]) == apart
    change = change_at_end(elapsed / 3600, elapsed=elapsed, start=0.0, criterion=criterion, average=1.0)
    assert change == pytest.approx(2 * apart / 3600)
    assert criterion.limit == UNCHANGED


def test_what_each_criterion_leaves_is_that_of_its_rate():
    # 1 K in half an hour with a time constant of 10 min leaves 0.052 K: the rate at the end is less than that.
    left = left_by_criterion("2 K/h over two half hours", elapsed=7200.0, time_constant=600.0)
    assert left == pytest.approx(np.exp(-3) / (1 - np.exp(-3)))
    late = left_by_criterion("no change in three readings at 10 % of the time", elapsed=36000.0, time_constant=600.0)
    assert late == pytest.approx(0.5 * np.exp(-6) / (1 - np.exp(-6)))
    assert np.isnan(left_by_criterion("remaining rise", elapsed=7200.0, time_constant=600.0))
    assert np.isnan(left_by_criterion("2 K in 1 h", elapsed=7200.0, time_constant=np.nan))


def test_every_criterion_has_a_source():
    assert all(criterion.source for criterion in CRITERIA.values())
    assert all(np.isfinite(left_by_criterion(name, elapsed=3600.0, time_constant=300.0)) for name in CRITERIA)
