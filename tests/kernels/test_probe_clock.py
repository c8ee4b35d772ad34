"""The difference of two clocks, from a transient that both saw."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from heatwake.kernels.probe_clock import clock_offset, readings_at

TAUS, RISES = np.array([8.0, 25.0, 60.0]), np.array([40.0, 25.0, 12.0])
STEP = 1.0  # [s] of the log


def warming(times, *, onset=20.0):
    """Temperatures (probe, time) of three parts that warm from an onset on, each with its time constant."""
    since = np.maximum(times - onset, 0)
    return 24 + RISES[:, None] * (1 - np.exp(-since / TAUS[:, None]))


def averaged(times, width, **onset):
    """Means over stretches, by the closed integral of the warming."""

    def integral(at):
        since = np.maximum(at - onset.get("onset", 20.0), 0)
        return 24 * at + RISES[:, None] * (since - TAUS[:, None] * (1 - np.exp(-since / TAUS[:, None])))

    return (integral(times + width / 2) - integral(times - width / 2)) / width


def fit(clock, *, gain=1.0, level=0.0, noise=0.0, seed=1, rows=200, largest=60.0):
    rng = np.random.default_rng(seed)
    elapsed = np.arange(120) + 0.5
    camera = level + gain * averaged(elapsed, 1.0) + rng.normal(0, noise, (3, 120))
    logged = np.arange(-40, rows - 40, STEP) + 0.3
    log = warming(logged) + rng.normal(0, noise, (3, len(logged)))
    width = np.ones(120)
    return clock_offset(elapsed, camera, width=width, log_elapsed=logged - clock, log=log, largest=largest)


def test_readings_are_means_over_the_stretch():
    # closed form: the mean of t^2 about t over a width w is t^2 + w^2/12; a fine log's chords add a thousandth
    times = np.linspace(0, 10, 1001)
    found = readings_at(times, times**2, at=np.array([2.0, 5.0]), width=2.0)
    assert found == pytest.approx([4 + 1 / 3, 25 + 1 / 3], abs=1e-4)


def test_readings_are_not_made_up_across_gaps_nor_beyond_the_log():
    times = np.concatenate([np.arange(0, 10.0), np.arange(30, 40.0)])
    found = readings_at(times, times, at=np.array([-1.0, 5.5, 9.5, 20.0, 35.0, 39.5]), width=0.0)
    assert np.isnan(found).tolist() == [True, False, True, True, False, True]


def test_an_empty_cell_of_the_log_is_bridged():
    values = np.array([0.0, 1.0, np.nan, 3.0])
    assert readings_at(np.arange(4.0), values, at=np.array([2.0])) == pytest.approx([2.0])
    assert np.isnan(readings_at(np.arange(4.0), values * np.nan, at=np.array([2.0]))).all()


@given(clock=st.floats(-30, 30), gain=st.floats(0.8, 1.2), level=st.floats(-5, 5))
@settings(max_examples=8, deadline=None)
def test_the_shift_is_found_whatever_factor_and_offset_the_camera_has(clock, gain, level):
    found = fit(clock, gain=gain, level=level)
    # the log's chords between its samples miss the onset's corner by up to a few hundredths of a step
    assert found.offset == pytest.approx(clock, abs=0.05)
    assert found.uncertainty < 0.2
    assert not found.at_edge


def test_the_shift_is_found_within_its_uncertainty_through_noise():
    errors, stated = [], []
    for seed in range(8):
        found = fit(7.3, noise=0.1, seed=seed, largest=20.0)
        errors.append(found.offset - 7.3)
        stated.append(found.uncertainty)
    assert np.abs(errors).max() < 0.2
    assert np.sqrt(np.mean(np.square(errors))) < np.median(stated)


def test_what_merely_settles_tells_no_shift():
    """A single exponential is its own shift but for a factor: any shift fits."""
    elapsed, logged = np.arange(30.0, 120.0), np.arange(25.0, 140.0)
    camera, log = warming(elapsed)[:1], warming(logged)[:1]
    rng = np.random.default_rng(2)
    camera = camera + rng.normal(0, 0.05, camera.shape)
    found = clock_offset(elapsed, camera, width=np.zeros(90), log_elapsed=logged, log=log, largest=30.0)
    assert found.uncertainty > 1.0


def test_no_readings_in_common_are_no_fit():
    found = fit(500.0)
    assert np.isnan(found.offset)
    assert found.uncertainty == np.inf


def test_noise_alone_is_not_one_change():
    rng = np.random.default_rng(3)
    times = np.arange(100.0)
    camera, log = rng.normal(40, 0.1, (2, 100)), rng.normal(40, 0.1, (2, 100))
    found = clock_offset(times, camera, width=np.zeros(100), log_elapsed=times, log=log, largest=20.0)
    assert found.unexplained > 0.5
