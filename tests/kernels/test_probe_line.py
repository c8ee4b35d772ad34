"""The line of what was seen over what should have been."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from heatwake.kernels.probe_line import fit_line

LEVELS = np.array([60.0, 75.0, 90.0, 110.0])
EXPECTED = LEVELS[:, None] + np.linspace(-5, 5, 30)
ERROR = np.full_like(EXPECTED, 0.5)


@given(slope=st.floats(0.3, 1.5), level=st.floats(-20, 20))
def test_a_line_is_found_as_it_is(slope, level):
    found = fit_line(EXPECTED, level + slope * EXPECTED, error=ERROR)
    assert (found.slope, found.level) == pytest.approx((slope, level), abs=1e-7)


def test_a_thermocouple_that_came_off_weighs_nothing():
    seen = 0.9 * EXPECTED
    fallen = EXPECTED.copy()
    fallen[3] = 57.0  # it reads the room's air
    found = fit_line(fallen, seen, error=ERROR)
    assert found.slope == pytest.approx(0.9, abs=1e-6)
    assert found.places == 3


def test_errors_that_all_times_share_do_not_average_down():
    """Over 400 trials; what is stated is the larger of stated errors and scatter, so somewhat more on average."""
    rng = np.random.default_rng(7)
    trials = []
    for _ in range(400):
        found = fit_line(EXPECTED + rng.normal(0, 0.5, (4, 1)), 0.9 * EXPECTED, error=ERROR)
        trials.append((found.slope, found.level, found.slope_uncertainty, found.level_uncertainty))
    slope, level, slope_stated, level_stated = np.array(trials).T
    assert np.std(slope) == pytest.approx(np.sqrt(np.mean(slope_stated**2)), rel=0.25)
    assert np.std(level) == pytest.approx(np.sqrt(np.mean(level_stated**2)), rel=0.25)
    # a hundred times as many readings of the same thermocouples know it no better
    many = fit_line(np.repeat(EXPECTED, 100, 1), np.repeat(0.9 * EXPECTED, 100, 1), error=np.repeat(ERROR, 100, 1))
    assert many.slope_uncertainty == pytest.approx(fit_line(EXPECTED, 0.9 * EXPECTED, error=ERROR).slope_uncertainty)


def test_levers_carry_further_errors_over():
    found = fit_line(EXPECTED, 0.9 * EXPECTED + 2, error=ERROR)
    moved = fit_line(EXPECTED, 0.9 * EXPECTED + 2 + 0.01 * (EXPECTED - 50), error=ERROR)
    change = (found.slope_lever * 0.01 * (EXPECTED - 50)).sum(), (found.level_lever * 0.01 * (EXPECTED - 50)).sum()
    assert (moved.slope - found.slope, moved.level - found.level) == pytest.approx(change, abs=1e-6)


def test_with_a_given_slope_the_level_is_a_weighted_mean():
    error = np.repeat([[0.5], [0.5], [1.0], [1.0]], 30, axis=1)
    offsets = np.array([[1.0], [1.2], [1.4], [1.6]])
    found = fit_line(EXPECTED, 0.9 * EXPECTED + 0.1 * offsets, error=error, slope=0.9)
    weighted = np.average(0.1 * offsets[:, 0], weights=[4, 4, 1, 1])
    assert found.level == pytest.approx(weighted, abs=2e-3)  # the bisquare weights are not quite even
    assert found.slope == 0.9


def test_without_readings_nothing_is_known():
    assert np.isnan(fit_line(EXPECTED * np.nan, EXPECTED, error=ERROR).level)
    assert np.isnan(fit_line(np.full((2, 5), 60.0), np.full((2, 5), 50.0), error=np.ones((2, 5))).slope)
