import numpy as np
import pytest

from heatwake.kernels.onset import find_onset

TIME = np.arange(0.0, 120.0, 0.5)


def series(onset, noise=0.02):
    clean = np.where(onset < TIME, 5 * (1 - np.exp(-(TIME - onset) / 30)), 0)
    return clean + np.random.default_rng(2).normal(0, noise, len(TIME))


def test_power_on_is_found_within_a_second():
    # 6 sd of 20 mK are passed 0.8 s after the start of a 0.17 K/s rise.
    assert find_onset(series(20.0), elapsed=TIME, quiet_s=10) == pytest.approx(20.0, abs=1.0)


def test_without_a_rise_there_is_no_power_on():
    assert np.isnan(find_onset(series(999.0), elapsed=TIME, quiet_s=10))


def test_without_a_quiet_stretch_there_is_no_power_on():
    assert np.isnan(find_onset(series(-5.0)[::40], elapsed=TIME[::40], quiet_s=10))


def test_missing_frames_do_not_hide_it():
    values = series(20.0)
    values[[5, 60, 61]] = np.nan
    assert find_onset(values, elapsed=TIME, quiet_s=10) == pytest.approx(20.0, abs=1.0)
