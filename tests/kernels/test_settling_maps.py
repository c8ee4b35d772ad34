"""Fits of many pixels at once, against closed forms and against least squares by SciPy."""

import numpy as np
import pytest
from scipy.optimize import curve_fit

from heatwake.kernels.settling_maps import BINS, STATUS, Bins, fit_map, read_map

SLOW = 200.0


def one(time, final, tau):
    return final * -np.expm1(-time / tau)


def binned(time, values):
    """Return bins, and means and counts of values (time, pixel) in them."""
    bins = Bins.of(time)
    counts = np.stack([np.isfinite(values[bins.number == number]).sum(axis=0) for number in range(BINS)])
    means = np.stack(
        [np.where(np.isfinite(rows := values[bins.number == number]), rows, 0).sum(axis=0) for number in range(BINS)]
    )
    return bins, means / np.maximum(counts, 1), counts


def fitted(time, values, *, free=False, ambient=None):
    bins, means, counts = binned(time, values)
    return fit_map(means, counts, bins=bins, ambient=ambient, free=free)


def boards(count, *, windows, noise, seed=5):
    """Random pixels of one and, every second, of two time constants, seen for so many of the slowest."""
    random = np.random.default_rng(seed)
    two = np.arange(count) % 2 == 1
    fast = np.where(two, SLOW / random.uniform(2.5, 6, count), SLOW)
    share, final = np.where(two, random.uniform(0.4, 0.8, count), 1.0), random.uniform(15, 50, count)
    time = np.linspace(0, windows * SLOW, 301)[1:]
    clean = one(time[:, None], share * final, fast) + one(time[:, None], (1 - share) * final, SLOW)
    return time, clean + random.normal(0, noise, clean.shape), final, two


@pytest.mark.parametrize(("windows", "noise"), [(1.5, 0.1), (3.0, 0.3)])
def test_intervals_hold_with_one_time_constant_and_with_two(windows, noise):
    # Measured: 96 to 97 % where one of 1.5 windows is seen; a second time constant is mostly hidden by the noise there.
    time, values, final, two = boards(600, windows=windows, noise=noise)
    found = fitted(time, values)
    for pixels in (two, ~two):
        known = pixels & np.isfinite(found.final)
        assert known.sum() > 0.9 * pixels.sum()
        assert np.mean(np.abs(found.final - final)[known] < 1.96 * found.uncertainty[known]) > 0.93
        assert np.median(np.abs(found.final / final - 1)[known]) < 0.012


def test_one_time_constant_is_as_well_known_as_least_squares_tell():
    time, values, _, _ = boards(40, windows=6.0, noise=0.1)
    found = fitted(time, values)
    ratio = []
    for pixel in range(0, 40, 2):
        known, covariance = curve_fit(one, time, values[:, pixel], p0=(25, 150))
        assert found.final[pixel] == pytest.approx(known[0], abs=found.uncertainty[pixel])
        ratio.append(found.uncertainty[pixel] / np.sqrt(covariance[0, 0]))
    assert np.median(ratio) == pytest.approx(1, abs=0.1)
    assert min(ratio) > 0.55  # three deviations of a noise told by 22 bins; more where it looks like a second term


def test_a_change_from_anywhere_goes_up_or_down():
    time = np.linspace(0, 800, 301)[1:]
    ends, starts = np.array([10.0, 40.0, 25.0]), np.array([30.0, 20.0, 25.0])
    clean = starts + one(time[:, None], 1.0, SLOW) * (ends - starts)
    found = fitted(time, clean + np.random.default_rng(1).normal(0, 0.05, clean.shape), free=True)
    assert (np.abs(found.final - ends) < 3 * found.uncertainty).all()
    assert found.final == pytest.approx(ends, abs=0.3)
    assert found.time_constant[:2] == pytest.approx(SLOW, rel=0.05)
    assert STATUS[found.status[2]] == "last reading"  # it does not change


def test_pixels_seen_at_times_are_fitted_by_what_was_seen():
    time, values, final, _ = boards(40, windows=6.0, noise=0.05)
    values[100:130, ::2] = np.nan  # something in the way
    found = fitted(time, values)
    assert np.isfinite(found.final).all()
    assert np.mean(np.abs(found.final - final) < 2.6 * found.uncertainty) > 0.9


def test_what_cannot_be_told_says_why():
    time = np.linspace(0, 100, 101)[1:]
    columns = [np.full(100, np.nan), one(time, 30.0, 400.0), np.zeros(100), one(time, 30.0, 30.0)]
    found = fitted(time, np.stack(columns, axis=1) + np.random.default_rng(2).normal(0, 0.02, (100, 4)))
    assert [STATUS[flag] for flag in found.status] == [
        "too few readings",
        "window too short",
        "last reading",
        "forecast",
    ]
    assert np.isfinite(found.final).tolist() == [False, False, True, True]
    assert np.isnan(found.time_constant[:3]).all()


def test_pixels_follow_a_drifting_ambient_each_through_its_own_lag():
    # A first-order part in a ramp lags by rate times time constant (closed form): 4 K/h at 100 and 300 s.
    elapsed = np.arange(0.0, 2000.0, 4.0)
    rate, taus = 4 / 3600, np.array([100.0, 300.0])
    rise = one(elapsed[:, None], 30.0, taus) - rate * one(elapsed[:, None], 1.0, taus) * taus
    within = elapsed > 0
    ambient = (24 + rate * elapsed, elapsed, within)
    noise = np.random.default_rng(3).normal(0, 0.01, rise.shape)
    found = fitted(elapsed[within], (rise + noise)[within], ambient=ambient)
    assert found.final == pytest.approx([30, 30], abs=0.02)
    plain = fitted(elapsed[within], (rise + noise)[within])
    assert plain.final == pytest.approx(30 - rate * taus, abs=0.05)


def test_what_began_before_the_recording_is_read_off_with_its_drift():
    time = np.linspace(0, 800, 301)[1:]
    values = np.stack([np.full(300, 20.0), 20 + 0.002 * time], axis=1)
    bins, means, counts = binned(time, values + np.random.default_rng(4).normal(0, 0.02, values.shape))
    found = read_map(means, counts, bins=bins)
    assert found.final == pytest.approx([20, 21.4], abs=0.05)
    assert found.uncertainty[0] < 0.05
    assert found.uncertainty[1] == pytest.approx(0.4, rel=0.3)  # what it changed by in the last quarter
