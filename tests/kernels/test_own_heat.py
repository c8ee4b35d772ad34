"""Sources told apart, against sums whose parts are known."""

import numpy as np
import pytest
from scipy.special import k0

from heatwake.kernels.moments import footprint
from heatwake.kernels.own_heat import block_means, separate_heat

X, Y = np.arange(160) + 0.5, (np.arange(100) + 0.5)[::-1]


def gaussian(x, y, major, minor, degrees=0.0, *, peak=10.0):
    turn = np.radians(degrees)
    east, north = X - x, (Y - y)[:, np.newaxis]
    along, across = east * np.cos(turn) + north * np.sin(turn), north * np.cos(turn) - east * np.sin(turn)
    return peak * np.exp(-0.5 * (along / major) ** 2 - 0.5 * (across / minor) ** 2)


def box(x, y, size=8.0):
    return np.array([x, y, size, size])


def measure(own, x, y):
    window = (slice(int(100 - y) - 4, int(100 - y) + 4), slice(int(x) - 4, int(x) + 4))
    return footprint(own, x=X, y=Y, core=window, background=0.0)


def test_two_gaussians_that_run_into_each_other_are_told_apart():
    # 22 mm apart, of 9 and 7 mm: without the other taken off the half of the peak holds both.
    one, two = gaussian(70, 50, 9, 9), gaussian(92, 50, 7, 7, peak=8.0)
    heat = separate_heat(one + two, x=X, y=Y, boxes=np.array([box(70, 50), box(92, 50)]))
    first, second = measure(heat.own(0), 70, 50), measure(heat.own(1), 92, 50)
    assert (first.major, first.minor, second.major, second.minor) == pytest.approx((9, 9, 7, 7), rel=0.05)
    assert (first.x, first.y, second.x, second.y) == pytest.approx((70, 50, 92, 50), abs=0.5)
    together = measure(one + two, 70, 50)
    assert together.major > 1.3 * 9


def test_a_turned_gaussian_keeps_its_axes_beside_others():
    parts = (gaussian(80, 50, 12, 6, 30), gaussian(50, 65, 8, 8), gaussian(112, 30, 8, 8))
    boxes = np.array([box(80, 50), box(50, 65), box(112, 30)])
    found = measure(separate_heat(sum(parts), x=X, y=Y, boxes=boxes).own(0), 80, 50)
    assert (found.major, found.minor) == pytest.approx((12, 6), rel=0.05)
    assert found.orientation == pytest.approx(30, abs=3)


@pytest.mark.parametrize("tilt", [0.0, 3.0])
def test_a_base_level_or_tilted_does_not_enter(tilt):
    base = 4 + tilt * X / 160 + 0.5 * tilt * (Y / 100)[:, np.newaxis]
    heat = separate_heat(base + gaussian(70, 50, 9, 6), x=X, y=Y, boxes=box(70, 50)[np.newaxis])
    found = measure(heat.own(0), 70, 50)
    assert (found.major, found.minor) == pytest.approx((9, 6), rel=0.05)
    inside = gaussian(70, 50, 9, 6) < 0.01  # where there is nothing but base
    assert np.abs(heat.base - base)[inside].max() < 0.6


def test_carried_heat_is_displaced_down_the_flow():
    # Moving point source: exp(u x / 2a) K0(k r); along the flow the displacement is u / 2a times the variance.
    a, b, u = 4.0, 0.02, 0.2
    east, north = X - 60, (Y - 50)[:, np.newaxis]
    r = np.maximum(np.hypot(east, north), 0.7)
    rise = 5 * np.exp(u * east / (2 * a)) * k0(np.sqrt((u / 2 / a) ** 2 + b / a) * r)
    heat = separate_heat(rise, x=X, y=Y, boxes=np.array([[60.0, 50.0, 2.0, 2.0]]))
    assert heat.displacement[0, 0] == pytest.approx(u / (2 * a), rel=0.25)
    assert abs(heat.displacement[0, 1]) < 0.1 * heat.displacement[0, 0]


def test_shares_and_base_add_up_to_the_map():
    rise = 2 + gaussian(70, 50, 9, 9) + gaussian(92, 50, 7, 7) + gaussian(20, 80, 3, 3)
    heat = separate_heat(rise, x=X, y=Y, boxes=np.array([box(70, 50), box(92, 50)]))
    models = heat.model(0) + heat.model(1) + heat.base + heat.residual
    assert models == pytest.approx(rise)
    warm = heat.model(0) + heat.model(1) > 0.1
    assert (heat.dominance(0) + heat.dominance(1))[warm] == pytest.approx(np.ones(warm.sum()), abs=1e-6)
    assert (heat.model(0) >= 0).all()
    assert (heat.base >= 0).all()


def test_twice_the_heat_is_twice_each_share():
    rise = 2 + gaussian(70, 50, 9, 9) + gaussian(92, 50, 7, 7)
    boxes = np.array([box(70, 50), box(92, 50)])
    once, twice = (separate_heat(factor * rise, x=X, y=Y, boxes=boxes).own(0) for factor in (1, 2))
    assert twice == pytest.approx(2 * once, abs=0.02)


def test_a_mirrored_map_gives_mirrored_shares():
    rise = gaussian(70, 40, 9, 6, 20) + gaussian(95, 55, 7, 7)
    boxes = np.array([box(70, 40), box(95, 55)])
    mirrored = boxes * [-1, 1, 1, 1] + [160, 0, 0, 0]
    there = separate_heat(rise, x=X, y=Y, boxes=boxes)
    back = separate_heat(rise[:, ::-1], x=X, y=Y, boxes=mirrored)
    assert back.own(0)[:, ::-1] == pytest.approx(there.own(0), abs=1e-3)
    assert back.displacement == pytest.approx(there.displacement * [-1, 1], abs=1e-5)


def test_pixels_that_are_not_seen_do_not_enter():
    rise = gaussian(70, 50, 9, 9) + gaussian(92, 50, 7, 7)
    holed = rise.copy()
    holed[40:60, 79:83] = np.nan
    boxes = np.array([box(70, 50), box(92, 50)])
    whole, other = (separate_heat(each, x=X, y=Y, boxes=boxes) for each in (rise, holed))
    assert other.model(0) == pytest.approx(whole.model(0), abs=0.3)
    assert np.isnan(other.own(0)[50, 80])


def test_nothing_to_tell_apart_is_refused():
    with pytest.raises(ValueError, match="no source"):
        separate_heat(np.zeros((100, 160)), x=X, y=Y, boxes=np.empty((0, 4)))
    with pytest.raises(ValueError, match="no pixel"):
        separate_heat(np.full((100, 160), np.nan), x=X, y=Y, boxes=box(70, 50)[np.newaxis])


def test_block_means_leave_out_what_is_not_seen():
    rise = np.array([[1.0, np.nan], [3.0, 5.0]])
    means, across, down = block_means(rise, np.array([0.5, 1.5]), np.array([1.5, 0.5]), size=2)
    assert (means.item(), across.item(), down.item()) == (3.0, 1.0, 1.0)
    assert np.isnan(block_means(np.full((2, 2), np.nan), np.arange(2.0), np.arange(2.0), size=2)[0]).all()
