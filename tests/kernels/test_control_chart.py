"""Individuals charts, against the e-Handbook's published example."""

import numpy as np
import pytest

from heatwake.kernels.control_chart import control_chart

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: flow rates of ten batches
FLOW_RATES = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])


def test_the_handbook_s_example():
    chart = control_chart(FLOW_RATES)
    assert chart.centre == pytest.approx(50.81)
    assert chart.range_mean == pytest.approx(1.8778, abs=5e-5)
    assert (chart.low, chart.high) == pytest.approx((45.8159, 55.8041), abs=5e-5)
    assert not chart.signals.any()  # as the handbook says


def test_a_value_beyond_its_limit_signals():
    chart = control_chart(np.append(np.tile([20.0, 20.2], 10), 23.0))
    assert np.flatnonzero(chart.outside).tolist() == [20]
    # nineteen ranges of 0.2 and one of 2.8
    assert chart.high - chart.centre == pytest.approx(3 * (19 * 0.2 + 2.8) / 20 / 1.128)


def test_eight_in_a_row_on_one_side_signal_and_seven_do_not():
    def after(count: int) -> list[int]:
        values = np.concatenate([np.tile([-1.0, 1.0], 12), np.full(count, 0.3), np.tile([-1.0, 1.0], 12)])
        return np.flatnonzero(control_chart(values - values.mean() + 0.05).in_run).tolist()

    # the last of the 24 before lies on the same side
    assert after(6) == []
    assert after(7) == [30]


def test_a_slow_drift_that_a_standard_deviation_would_take_in_is_told():
    rng = np.random.default_rng(4)
    drifting = 30 + 0.05 * np.arange(30) + 0.05 * rng.standard_normal(30)
    assert np.abs(drifting - drifting.mean()).max() < 3 * drifting.std()
    assert control_chart(drifting).signals.any()


def test_false_alarms_are_as_rare_as_limits_of_three_standard_deviations_allow():
    # a normal value lies beyond three with 0.27 %; limits from 60 values scatter, so somewhat more often (Montgomery,
    # Introduction to Statistical Quality Control, on limits from few values; from memory)
    rng = np.random.default_rng(5)
    beyond = np.mean([control_chart(rng.standard_normal(60)).outside.mean() for _ in range(400)])
    assert 0.001 < beyond < 0.006
