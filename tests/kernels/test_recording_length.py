"""How long to record: closed forms, published arithmetic, and fits of noisy curves."""

import numpy as np
import pytest
from scipy.optimize import curve_fit

from heatwake.kernels.recording_length import (
    fit_window,
    forecast_gain,
    frame_rate,
    lumped_constant,
    megabytes,
    two_term_bias,
    wait_for,
)


@pytest.mark.parametrize(("left", "constants"), [(0.5, 4.6), (0.2, 5.5), (0.1, 6.2)])
def test_wait_until_little_of_50_kelvin_is_left(left, constants):
    assert wait_for(50.0, constant=1.0, remainder=left) == pytest.approx(constants, abs=0.05)
    assert 50 * np.exp(-wait_for(50.0, constant=3.0, remainder=left) / 3.0) == pytest.approx(left)


@pytest.mark.parametrize(("window", "gain"), [(0.5, 108), (1, 27.5), (1.5, 12.6), (2, 7.4), (3, 3.7), (5, 2.0)])
def test_gain_of_a_fit_of_one_exponential(window, gain):
    # Cramer and Rao worked out apart; to its last digit
    assert forecast_gain(window) == pytest.approx(gain, abs=0.5 if gain > 100 else 0.05)


@pytest.mark.parametrize(("window", "gain"), [(6, 122), (10, 22), (15, 7.2), (20, 3.8)])
def test_gain_of_a_fit_of_two(window, gain):
    within = 0.5 if gain > 10 else 0.05
    assert forecast_gain(window, shares=(0.7, 0.3), ratios=(1.0, 5.0)) == pytest.approx(gain, abs=within)


def test_the_gain_is_what_fits_of_noisy_curves_scatter_by():
    rng, time = np.random.default_rng(3), np.linspace(0, 3, 300)

    def curve(at, start, size, constant):
        return start + size * (1 - np.exp(-at / constant))

    noisy = curve(time, 0.0, 1.0, 1.0) + 0.01 * rng.standard_normal((150, 300))
    ends = [sum(curve_fit(curve, time, one, p0=(0.0, 1.0, 1.0))[0][:2]) for one in noisy]
    # of 150 fits: 6 % (a standard error), and two of them
    assert np.std(ends) == pytest.approx(0.01 * forecast_gain(3.0) / np.sqrt(300), rel=0.13)


@pytest.mark.parametrize(
    ("window", "forecast", "reading"),
    [(2, -15, -30), (4, -12, -15), (6, -9.8, -9.2), (10, -6.5, -4.1), (15, -4.1, -1.5), (20, -2.8, -0.6)],
)
def test_one_exponential_through_two(window, forecast, reading):
    # truth 0.7 at one and 0.3 at five time constants; to the last digit printed
    found = two_term_bias(window)
    assert 100 * found[0] == pytest.approx(forecast, abs=0.5 if window < 5 else 0.06)
    assert 100 * found[1] == pytest.approx(reading, abs=0.5 if window < 5 else 0.06)


def test_beyond_some_six_time_constants_a_reading_is_nearer_than_a_fit_of_one():
    assert abs(two_term_bias(4)[0]) < abs(two_term_bias(4)[1])
    assert abs(two_term_bias(7)[0]) > abs(two_term_bias(7)[1])


def test_a_second_term_takes_longer_and_less_noise_less_long():
    usual = fit_window(noise=0.05, wanted=0.25, per_constant=60)
    assert fit_window(noise=0.05, wanted=0.25, per_constant=60, two_terms=True) > 3 * usual
    assert fit_window(noise=0.5, wanted=0.25, per_constant=60) > usual


def test_a_tenth_of_a_kilogram_of_aluminium():
    # C 90 J/K (0.1 kg at 900 J/kg/K), hA 1 W/K
    assert lumped_constant(90.0, rise=35.0, power=35.0) == pytest.approx(90.0)


def test_five_frames_inside_what_is_fast():
    assert frame_rate(1.0, available=9.0) == 5.0
    assert frame_rate(0.2, available=9.0) == 9.0


@pytest.mark.parametrize(
    ("columns", "rows", "rate", "gigabytes"),
    [(640, 512, 9, 21.2), (640, 512, 1, 2.4), (640, 512, 30, 70.8), (320, 240, 9, 5.0), (160, 120, 9, 1.2)],
)
def test_gigabytes_an_hour(columns, rows, rate, gigabytes):
    # W H 2 bytes f 3600 s
    found = megabytes(3600.0, columns=columns, rows=rows, rate=rate) / 1e3
    assert found == pytest.approx(gigabytes, abs=0.05)
