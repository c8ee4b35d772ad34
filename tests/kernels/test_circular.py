"""Directions' statistics against a textbook's example and two libraries."""

import astropy.units as u
import numpy as np
import pytest
from astropy.stats import circmean as astropy_mean
from astropy.stats import circvar as astropy_variance
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import circmean, circstd

from heatwake.kernels.circular import angle_deviation, deviation, resultant

# Mardia and Jupp, Directional Statistics (2000), example 1.1: stops of a roulette wheel; the book gives a mean of 51
# degrees and a mean resultant length of 0.711.
ROULETTE = np.array([43, 45, 52, 61, 75, 88, 88, 279, 357], dtype=float)


def test_the_roulette_wheel_of_the_textbook():
    mean, length = resultant(ROULETTE)
    assert mean == pytest.approx(51.0501771, abs=1e-6)
    assert length == pytest.approx(0.710990999, abs=1e-9)
    assert round(mean) == 51
    assert round(length, 3) == 0.711
    assert float(deviation(np.array(length))) == pytest.approx(47.32337, abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(arrays(float, st.integers(2, 40), elements=st.floats(-360, 360)))
def test_mean_and_deviation_are_those_of_two_libraries(angles):
    mean, length = resultant(angles)
    assert length == pytest.approx(1.0 - astropy_variance(angles * u.deg).value, abs=1e-9)
    if length < 1e-3:
        return  # no direction to speak of
    for theirs in (circmean(angles, high=360), astropy_mean(angles * u.deg).to_value(u.deg)):
        assert (mean - theirs + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-5)
    if length < 1.0 - 1e-9:
        assert float(deviation(np.array(length))) == pytest.approx(circstd(angles, high=360), rel=1e-5)


def test_axes_are_directions_of_doubled_angles():
    # 10 and 190 degrees are one axis (Mardia and Jupp, section 1.1)
    mean, length = resultant(2.0 * np.array([10.0, 190.0, 10.0]))
    assert 0.5 * mean == pytest.approx(10.0)
    assert length == pytest.approx(1.0)


def test_weights_count_a_direction_as_often():
    assert resultant(np.array([0.0, 90.0]), np.array([3.0, 1.0])) == pytest.approx(
        resultant(np.array([0.0, 0.0, 0.0, 90.0]))
    )


def test_a_vector_s_angle_has_the_variance_across_it_over_its_square():
    # n' S n / |u|^4 with n = (-4, 3): 1.21 / 625, by hand
    found = angle_deviation(np.array([3.0, 4.0]), np.array([[0.04, 0.01], [0.01, 0.09]]))
    assert float(found) == pytest.approx(2.521014, abs=1e-6)
    draws = np.random.default_rng(0).multivariate_normal([3.0, 4.0], [[0.04, 0.01], [0.01, 0.09]], 20_000)
    assert float(found) == pytest.approx(np.degrees(np.arctan2(draws[:, 1], draws[:, 0])).std(), rel=0.03)


def test_a_vector_of_no_length_has_no_angle():
    assert np.isnan(angle_deviation(np.zeros(2), np.eye(2)))
