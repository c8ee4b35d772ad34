"""The ambient that a part feels, against closed forms of a first-order part."""

import numpy as np
import pytest

from heatwake.kernels.ambient_lag import lagged


def test_behind_a_ramp_a_part_stays_by_rate_times_time_constant():
    # r t - r tau (1 - e^(-t / tau)), the response of any first-order system to a ramp; 1 K/h at tau 20 min is 0.33 K
    elapsed = np.sort(np.random.default_rng(1).uniform(0, 14400, 300))
    rate, constants = 1 / 3600, np.array([60.0, 1200.0])
    felt = lagged(24 + rate * elapsed, elapsed=elapsed, constants=constants)
    since = elapsed - elapsed[0]
    tau = constants[:, None]
    assert felt == pytest.approx(24 + rate * elapsed - rate * tau * -np.expm1(-since / tau), abs=1e-9)
    assert rate * 1200 == pytest.approx(0.333, abs=4e-4)


def test_a_slow_swing_comes_through_late_and_a_fast_one_hardly():
    # sin(w t): gain 1 / sqrt(1 + (w tau)^2), phase -atan(w tau) (any textbook of first-order systems)
    tau, turn = 300.0, 2 * np.pi / 1800
    elapsed = np.arange(0.0, 9000.0, 5.0)
    late = elapsed > 10 * tau
    felt = lagged(np.sin(turn * elapsed), elapsed=elapsed, constants=np.array([tau]))[0]
    expected = np.sin(turn * elapsed - np.arctan(turn * tau)) / np.hypot(1, turn * tau)
    assert felt[late] == pytest.approx(expected[late], abs=2e-4)


def test_a_constant_ambient_is_felt_as_it_is():
    assert (lagged(np.full(9, 23.4), elapsed=np.arange(9.0), constants=np.array([5.0])) == 23.4).all()
