"""Decay lengths and growth against closed forms."""

import numpy as np
import pytest
from scipy.special import k0

from heatwake.kernels.decay import decay_length, growth_rate

X, Y = np.arange(240) + 0.5, (np.arange(60) + 0.5)[::-1]
A, B = 4.0, 0.01  # diffusivity [mm2/s], loss [1/s]
LINE = np.array([100.0, 30.0, 4.0, 60.0])


def line_source(speed):
    """Rise round a heated line in a fin with a flow along x, and its two decay lengths."""
    root = np.sqrt(speed**2 / (4 * A**2) + B / A)
    down, up = 1 / (root - speed / (2 * A)), 1 / (root + speed / (2 * A))
    away = X - LINE[0]
    return np.tile(10 * np.exp(np.where(away > 0, -away / down, away / up)), (60, 1)), down, up


@pytest.mark.parametrize(
    ("speed", "down", "up"),
    # 1/L = sqrt(u^2/4a^2 + b/a) -+ u/2a (fin theory; Carslaw and Jaeger 1959, sec. 4.2 and 10.7), worked out by hand
    [(0.06, 23.2237, 17.2237), (0.2, 32.3607, 12.3607), (0.6, 66.0555, 6.05551)],
)
def test_decay_lengths_down_and_up_a_flow_are_those_of_the_fin(speed, down, up):
    rise, _, _ = line_source(speed)
    lengths = [decay_length(rise, x=X, y=Y, box=LINE, angle=angle).length for angle in (0.0, 180.0)]
    assert lengths == pytest.approx([down, up], rel=1e-5)
    assert np.prod(lengths) == pytest.approx(A / B, rel=1e-5)


def test_the_two_slopes_of_a_moving_point_source_differ_by_the_flow():
    # T = exp(u x / 2a) K0(k r) (Rosenthal 1946): the logarithms of both sides differ by u r / a at every r.
    speed = 0.2
    x, y = np.arange(201) - 100.0, (np.arange(41) - 20.0)[::-1]
    r = np.hypot(x, y[:, np.newaxis])
    rise = np.exp(speed * x / (2 * A)) * k0(np.sqrt(speed**2 / (4 * A**2) + B / A) * np.maximum(r, 0.5))
    box = np.array([0.0, 0.0, 3.0, 3.0])
    # one row alone: averaged over a strip, r is not x; as far out on both sides, for K0 is no exponential
    seen = np.where(np.abs(y[:, np.newaxis]) + 0 * x < 0.5, rise, np.nan)
    seen[:, np.abs(x) > 60] = np.nan
    down, up = (decay_length(seen[20:21], x=x, y=y[20:21], box=box, angle=angle).length for angle in (0.0, 180.0))
    assert 1 / up - 1 / down == pytest.approx(speed / A, rel=0.02)


def test_a_strip_heated_within_a_fin_has_the_fin_tail_beyond_its_rim():
    # a strip of half-width w at x > w: (s/b) sinh(w/l) exp(-x/l), l = sqrt(a/b) = 20 (fin theory)
    away = np.abs(X - 99.5)
    rise = np.where(away > 5, 50 * np.sinh(0.25) * np.exp(-away / 20), 50 * (1 - np.exp(-0.25) * np.cosh(away / 20)))
    assert rise.max() == pytest.approx(11.0599607)  # (s/b)(1 - exp(-w/l)) = 11.0599607
    box = np.array([99.5, 30.0, 10.0, 60.0])
    found = decay_length(np.tile(rise, (60, 1)), x=X, y=Y, box=box, angle=180.0)
    assert found.length == pytest.approx(20.0, rel=1e-6)


@pytest.mark.parametrize("angle", [0.0, 90.0, 180.0, -90.0])
def test_a_tail_is_measured_on_the_side_that_is_asked_for(angle):
    x, y = np.arange(120) + 0.5, (np.arange(120) + 0.5)[::-1]
    turn = np.radians(angle)
    along = (x - 60) * np.cos(turn) + (y[:, np.newaxis] - 60) * np.sin(turn)
    rise = 10 * np.exp(np.where(along > 0, -along / 25, along / 8))
    box = np.array([60.0, 60.0, 6.0, 6.0])
    assert decay_length(rise, x=x, y=y, box=box, angle=angle).length == pytest.approx(25, rel=1e-6)


def test_uncertainties_of_a_decay_length_cover_what_noise_does():
    rise, down, _ = line_source(0.2)
    rng = np.random.default_rng(4)
    ratios = []
    for _ in range(40):
        noisy = rise[20:30] + rng.normal(0, 0.3, rise[20:30].shape)
        found = decay_length(noisy, x=X, y=Y[20:30], box=LINE, angle=0.0, noise=0.3)
        ratios.append((found.length - down) / found.uncertainty)
    # Of 40 draws of a normal ratio the root mean square lies between 0.75 and 1.25 with 98 %; below it is cautious.
    assert 0.6 < np.sqrt(np.mean(np.square(ratios))) < 1.25


def test_an_unknown_level_widens_the_uncertainty_to_cover_it():
    rise, down, _ = line_source(0.2)
    found = decay_length(rise + 0.3, x=X, y=Y, box=LINE, angle=0.0, offset=0.3)
    assert abs(found.length - down) < 2 * found.uncertainty
    assert abs(found.length - down) > 0.5  # the level does matter


@pytest.mark.parametrize("case", ["level", "short", "noise", "masked", "rising"])
def test_where_there_is_no_tail_there_is_no_length(case):
    rise, _, _ = line_source(0.2)
    noise = 0.0
    if case == "level":
        rise = np.full_like(rise, 5.0)
    elif case == "short":
        rise[:, 107:] = np.nan
    elif case == "noise":
        noise = 20.0
    elif case == "masked":
        rise[:] = np.nan
    else:
        rise = np.tile(np.exp(X / 30), (60, 1))
    assert np.isnan(decay_length(rise, x=X, y=Y, box=LINE, angle=0.0, noise=noise).length)


def test_a_spreading_gaussian_grows_by_twice_the_diffusivity():
    # Instantaneous source: variance 2 a t an axis (Carslaw and Jaeger 1959, sec. 10.3); first Gaussian s0 = 3.
    elapsed = np.arange(0, 200, 20.0)
    rate, uncertainty = growth_rate(elapsed, 9 + 2 * A * elapsed)
    assert rate == pytest.approx(np.full(10, 8.0))
    assert uncertainty == pytest.approx(np.zeros(10), abs=1e-9)


def test_growth_is_not_told_where_footprints_are_missing():
    values = np.arange(12.0)
    values[6] = np.nan
    rate, _ = growth_rate(np.arange(12.0), values)
    assert np.isfinite(rate).tolist() == [True] * 4 + [False] * 5 + [True] * 3
    assert np.isnan(growth_rate(np.arange(3.0), np.arange(3.0))[0]).all()
