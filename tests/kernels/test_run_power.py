"""How many runs, in which order: against tables and trials."""

import math

import numpy as np
import pytest

from heatwake.kernels.repeats import takes_needed
from heatwake.kernels.run_power import (
    drift_in_difference,
    half_width,
    least_difference,
    mirrored_order,
    random_blocks,
    run_spread,
    takes_for,
)

TAKES = (2, 3, 4, 5, 6, 8, 10)


@pytest.mark.parametrize(("power", "refitted", "expected"), [(0.01, 0.0, 0.39), (0.002, 0.0, 0.27), (0.01, 0.46, 0.60)])
def test_spread_of_a_run_at_50_kelvin(power, refitted, expected):
    # sqrt(0.2^2 + 3 x 0.1^2 + (50 u_P)^2 / 3 + refit^2), by hand
    assert run_spread(50.0, power=power, refitted=refitted) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(("takes", "expected"), list(zip(TAKES, (5.7, 3.1, 2.4, 2.0, 1.8, 1.5, 1.3), strict=True)))
def test_least_difference_with_the_spread_of_the_same_runs(takes, expected):
    # Student's two-sample test, 80 % power, 5 % two-sided, in units of the spread: any text on sample size
    found = least_difference(takes, spread=1.0, freedom=2 * (takes - 1))
    assert found == pytest.approx(expected, abs=0.051)


@pytest.mark.parametrize(("takes", "expected"), list(zip(TAKES, (2.8, 2.3, 2.0, 1.8, 1.6, 1.4, 1.25), strict=True)))
def test_least_difference_with_a_known_spread(takes, expected):
    # (1.960 + 0.8416) sqrt(2 / n)
    found = least_difference(takes, spread=1.0, freedom=math.inf)
    assert found == pytest.approx(expected, abs=0.051)
    assert found == pytest.approx((1.959964 + 0.841621) * math.sqrt(2 / takes), abs=1e-4)


@pytest.mark.parametrize(("takes", "expected"), list(zip(TAKES, (4.3, 2.3, 1.7, 1.5, 1.3, 1.1, 0.94), strict=True)))
def test_half_width_of_the_interval(takes, expected):
    # t(0.975; 2n - 2) sqrt(2 / n)
    assert half_width(takes, spread=1.0, freedom=2 * (takes - 1)) == pytest.approx(expected, abs=0.051)


def test_what_two_and_two_runs_show():
    # with 0.39 K: 2.2 K, 1.1 K if that is known, and 0.93 K with four and four
    assert least_difference(2, spread=0.39, freedom=2) == pytest.approx(2.2, abs=0.05)
    assert least_difference(2, spread=0.39, freedom=math.inf) == pytest.approx(1.1, abs=0.05)
    assert least_difference(4, spread=0.39, freedom=6) == pytest.approx(0.93, abs=0.005)


@pytest.mark.parametrize("ratio", [0.9, 1.4, 2.2, 3.0])
def test_takes_are_those_that_a_comparison_states(ratio):
    # which are those of statsmodels, by a test of theirs
    assert takes_for(ratio, spread=1.0) == takes_needed(ratio, spread=1.0)


def test_earlier_runs_count_as_degrees_of_freedom():
    rng, difference = np.random.default_rng(5), least_difference(2, spread=1.0, freedom=8)
    # two and two runs and six degrees from before: 40,000 tests by trial
    runs = rng.standard_normal((40000, 2, 2)) + np.array([0.0, difference])[:, None]
    squares = runs.var(axis=2, ddof=1).sum(axis=1) + rng.chisquare(6, 40000)
    seen = abs(np.diff(runs.mean(axis=2), axis=1)[:, 0]) > 2.306 * np.sqrt(squares / 8)  # t(0.975; 8)
    assert seen.mean() == pytest.approx(0.80, abs=0.01)  # 0.002 of chance
    assert takes_for(1.0, spread=0.2, beforehand=6) == 1
    assert math.isnan(least_difference(1, spread=1.0, freedom=0))


def test_a_difference_that_no_sensible_number_shows():
    assert takes_for(0.01, spread=1.0) is None


@pytest.mark.parametrize("takes", [2, 4, 6])
def test_a_steady_drift_drops_out_of_a_mirrored_order(takes):
    order = mirrored_order(takes)
    assert sorted(order) == [0] * takes + [1] * takes
    time = np.arange(len(order))
    assert drift_in_difference(order, 0.37 * time) == pytest.approx(0.0, abs=1e-12)
    if takes == 4:
        assert drift_in_difference(order, 0.1 * time**2) == pytest.approx(0.0, abs=1e-12)
    alternating = [0, 1] * takes
    assert drift_in_difference(alternating, 0.37 * time) == pytest.approx(0.37)


def test_blocks_hold_every_set_up_once_and_a_seed_gives_the_same():
    made = random_blocks(4, blocks=3, rng=np.random.default_rng(7))
    assert [sorted(block) for block in made] == [[0, 1, 2, 3]] * 3
    assert made == random_blocks(4, blocks=3, rng=np.random.default_rng(7))
    assert len({tuple(block) for block in random_blocks(4, blocks=20, rng=np.random.default_rng(1))}) > 5
