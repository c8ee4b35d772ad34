"""Exact solutions of the transport equation: what the simulator reproduces, and what the local drift makes of them.

Numbers by closed forms of Carslaw and Jaeger, Conduction of Heat in Solids (1959), sections 10.3 and 10.7, and of Ogata
and Banks (1961, US Geological Survey Professional Paper 411-A), from memory; each was checked by quadrature.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import erfc, exp1, k0

from heatwake.kernels.local_drift import Form, Reason, choose_form
from heatwake.kernels.moments import centroid
from heatwake.kernels.transport import heating_transport, off_source_transport
from kernels import single_layer as layer
from kernels.age_integral import rise

A, B = 4.0, 0.01  # diffusivity [px2/s], loss [1/s]


def plume(x, y, *, speed, power=10.0):
    """Return the settled rise of a point source in a drift to the right."""
    rate = np.sqrt(speed**2 / (4 * A**2) + B / A)
    return power / (2 * np.pi * A) * np.exp(speed * x / (2 * A)) * k0(rate * np.hypot(x, y))


def test_simulated_pulse_moves_spreads_and_fades_as_it_must():
    # Mass M exp(-bt), centre u t, variance s0^2 + 2 a t for any pulse; s0 = 3, t = 25, u = (0.5, -0.2): 77.880078 % of
    # the mass, (12.5, -5), 209. The optics add 0.36; 3.4 standard deviations of it lie on the board.
    shape = (104, 130)
    sheet = layer.Sheet(
        np.hypot(0.5, 0.2) * layer.uniform(np.degrees(np.arctan2(-0.2, 0.5)), shape=shape), np.zeros((0, 5))
    )
    x, y = np.arange(shape[1]) + 0.5, (np.arange(shape[0]) + 0.5)[::-1]
    fine_x, fine_y = np.arange(2 * shape[1]) / 2 + 0.25, (np.arange(2 * shape[0]) / 2 + 0.25)[::-1]
    start = np.outer(np.exp(-((fine_y - 57.0) ** 2) / 18.0), np.exp(-((fine_x - 58.5) ** 2) / 18.0)) / (18.0 * np.pi)
    late = layer.warm_up(sheet, length=25.0, step=1.0, start=start).spline(25.0)
    total = late.sum()
    assert total == pytest.approx(0.77880078, rel=2e-3)
    assert centroid(late, x=x, y=y) == pytest.approx((71.0, 52.0), abs=0.05)
    assert np.sum(late.sum(axis=0) * (x - 71.0) ** 2) / total == pytest.approx(209.36, rel=0.02)
    assert np.sum(late.sum(axis=1) * (y - 52.0) ** 2) / total == pytest.approx(209.36, rel=0.02)


def test_plume_of_a_point_source_has_the_known_values_and_moments():
    assert plume(10.0, 0.0, speed=0.2) == pytest.approx(0.425838915, rel=1e-8)
    assert plume(-10.0, 0.0, speed=0.2) == pytest.approx(0.258284358, rel=1e-8)
    assert plume(0.0, 10.0, speed=0.2) == pytest.approx(0.331643681, rel=1e-8)
    # total q/b, centre u/b; ages are exponential
    x, y = np.arange(-320.0, 481.0, 2.0) + 0.7, np.arange(-300.0, 301.0, 2.0)[::-1] + 0.7
    field = plume(x[None, :], y[:, None], speed=0.2)
    assert 4.0 * field.sum() == pytest.approx(1000.0, rel=3e-3)
    assert centroid(field, x=x, y=y) == pytest.approx((20.0, 0.0), abs=0.1)


def test_plume_at_power_on_grows_with_the_same_ratio_downstream_to_upstream():
    # A source of width 0.5: u s^2 / a / r and like terms leave 0.2 %.
    early = rise([30.0], sources=[(40.0, 30.0, 10.0)], drift=(0.2, 0.0), width=0.5, shape=(61, 81))[0]
    assert early[30, 50] == pytest.approx(0.255500553, rel=2e-3)
    assert early[30, 30] == pytest.approx(0.154968918, rel=2e-3)
    assert early[30, 50] / early[30, 30] == pytest.approx(1.64872127, rel=2e-3)
    still = rise([30.0], sources=[(40.0, 30.0, 10.0)], drift=(0.0, 0.0), loss=0.0, width=0.5, shape=(61, 81))[0]
    assert 10.0 / (4 * np.pi * A) * exp1(100.0 / (4 * A * 30.0)) == pytest.approx(0.236616898, rel=1e-8)
    assert still[30, 50] == pytest.approx(0.236616898, rel=2e-3)


def test_decay_lengths_downstream_and_upstream_follow_from_the_estimate():
    # 1 / L = sqrt(u^2 / 4 a^2 + b / a) -+ u / 2a; u = 0.2: 32.3607 down, 12.3607 up; their product is a / b = 400.
    times = np.arange(1.0, 76.0)
    maps = rise(times, sources=[(32.0, 38.0, 30.0), (58.0, 28.0, 20.0)], drift=(0.2, 0.0))
    found = heating_transport(maps, elapsed=times, spacing=1.0)
    over, length = np.hypot(*found.drift[:, 30, 45]), found.healing_length
    both = [1.0 / (np.hypot(over / 2, 1.0 / length) + sign * over / 2) for sign in (-1.0, 1.0)]
    assert both == pytest.approx([32.3607, 12.3607], rel=0.05)
    assert both[0] * both[1] == pytest.approx(400.0, rel=0.1)


def front(x, time, *, speed=2.0, loss=0.0):
    """Return the rise behind a front that comes in with 1 at x = 0."""
    rate, width = np.sqrt(speed**2 + 4 * A * loss), 2 * np.sqrt(A * time)
    one = np.exp((speed - rate) * x / (2 * A)) * erfc((x - rate * time) / width)
    return 0.5 * (one + np.exp((speed + rate) * x / (2 * A)) * erfc((x + rate * time) / width))


def test_a_plane_front_tells_its_drift_along_the_gradient_alone():
    assert front(40.0, 20.0) == pytest.approx(0.561606970, rel=1e-8)
    assert front(40.0, 20.0, loss=B) == pytest.approx(0.480617570, rel=1e-8)
    times = np.arange(1.0, 61.0)
    line = np.array([front(np.arange(88) + 1.0, time, speed=0.5, loss=B) for time in times])
    maps = 10.0 * np.repeat(line[:, None], 64, axis=1)
    maps = maps + np.random.default_rng(0).normal(0.0, 0.01, maps.shape)
    found = choose_form(heating_transport(maps, elapsed=times, spacing=1.0), None, seen=np.ones((64, 88), dtype=bool))
    assert np.mean(found.form != Form.NONE) < 0.02
    assert (found.reason[24:40, 24:64] == Reason.ONE_WAY).mean() > 0.9


def test_conductivity_that_grows_looks_like_a_drift_the_other_way():
    # div(a grad T) = a lap T + grad a . grad T: an estimate of u - grad a; only its sign is exact in a window.
    shape = (64, 96)
    grown = 3.0 + 0.0125 * np.arange(2 * shape[1]) / 2 + np.zeros((2 * shape[0], 1))
    sheet = layer.Sheet(
        0.0 * layer.uniform(0.0, shape=shape), np.array([[30, 28, 8, 8, 12.0], [58, 26, 8, 8, 12.0]]), grown
    )
    rise_of = layer.warm_up(sheet, length=60.0, step=1.0).spline
    times = np.arange(1.0, 61.0)
    found = heating_transport(rise_of(times), elapsed=times, spacing=1.0)
    assert (found.drift[0, 24:40, 30:66] < 0.0).mean() > 0.9


SMALL = st.tuples(st.floats(0.0, 360.0), st.integers(0, 1000))


def small_maps(angle, draw):
    """Return noisy maps of two sources in a drift."""
    times = np.arange(1.0, 41.0)
    drift = 0.3 * np.cos(np.radians(angle)), 0.3 * np.sin(np.radians(angle))
    maps = rise(times, sources=[(24.0, 26.0, 90.0), (40.0, 22.0, 60.0)], drift=drift, shape=(48, 62))
    return times, maps + np.random.default_rng(draw).normal(0.0, 0.01, maps.shape)


def turned_by(found, other):
    told = found.identifiable & other.identifiable
    return ((found.direction - other.direction + 180.0) % 360.0 - 180.0)[told]


@settings(max_examples=4, deadline=None)
@given(SMALL, st.integers(1, 3))
def test_a_scene_that_is_turned_turns_its_drift(case, quarters):
    times, maps = small_maps(*case)
    one = heating_transport(maps, elapsed=times, spacing=1.0)
    two = heating_transport(np.rot90(maps, quarters, axes=(1, 2)), elapsed=times, spacing=1.0)
    turned = np.rot90(one.direction, quarters) + 90.0 * quarters
    told = np.rot90(one.identifiable, quarters)
    assert told.any()
    assert np.array_equal(told, two.identifiable)
    apart = (two.direction - turned + 180.0) % 360.0 - 180.0
    assert apart[told] == pytest.approx(np.zeros(told.sum()), abs=1e-5)


@settings(max_examples=4, deadline=None)
@given(SMALL)
def test_a_scene_in_a_mirror_mirrors_its_drift(case):
    times, maps = small_maps(*case)
    sources = maps[2] > 0.08 * maps[2].max()
    one = off_source_transport(maps, elapsed=times, spacing=1.0, sources=sources)
    two = off_source_transport(maps[:, :, ::-1], elapsed=times, spacing=1.0, sources=sources[:, ::-1])
    apart = (180.0 - one.direction[:, ::-1] - two.direction + 180.0) % 360.0 - 180.0
    told = one.identifiable[:, ::-1]
    assert np.array_equal(told, two.identifiable)
    assert apart[told] == pytest.approx(np.zeros(told.sum()), abs=1e-5)


@settings(max_examples=3, deadline=None)
@given(SMALL, st.floats(0.1, 10.0))
def test_twice_the_power_drifts_the_same_way(case, factor):
    times, maps = small_maps(*case)
    one, two = (heating_transport(scale * maps, elapsed=times, spacing=1.0) for scale in (1.0, factor))
    assert turned_by(one, two) == pytest.approx(np.zeros_like(turned_by(one, two)), abs=1e-5)
