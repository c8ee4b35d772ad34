"""Footprints against closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from heatwake.kernels.moments import centroid, footprint

X, Y = np.arange(160) + 0.5, (np.arange(100) + 0.5)[::-1]


def gaussian(*, x, y, major, minor, degrees, peak=10.0):
    grid_x, grid_y = np.meshgrid(X, Y)
    turn = np.radians(degrees)
    along = (grid_x - x) * np.cos(turn) + (grid_y - y) * np.sin(turn)
    across = -(grid_x - x) * np.sin(turn) + (grid_y - y) * np.cos(turn)
    return peak * np.exp(-0.5 * (along / major) ** 2 - 0.5 * (across / minor) ** 2)


def test_centroid_of_a_gaussian_is_its_centre():
    rise = gaussian(x=70, y=40, major=6, minor=4, degrees=20)
    assert centroid(rise, x=X, y=Y) == pytest.approx((70, 40), abs=1e-3)


def test_centroid_of_nothing_is_nan():
    assert np.isnan(centroid(np.full((100, 160), -1.0), x=X, y=Y)).all()


def measure(rise, *, near, background=0.0):
    core = (slice(int(100 - near[1]) - 4, int(100 - near[1]) + 4), slice(int(near[0]) - 4, int(near[0]) + 4))
    return footprint(rise, x=X, y=Y, core=core, background=background)


@given(degrees=st.floats(0, 179), ratio=st.floats(1.3, 3))
def test_a_gaussian_footprint_has_its_own_axes_at_any_angle(degrees, ratio):
    # Closed form of the Gaussian's top; 2 % and 1 degree are the pixel grid's share at 5 px.
    found = measure(gaussian(x=80, y=50, major=5 * ratio, minor=5, degrees=degrees), near=(80, 50))
    assert (found.major, found.minor) == pytest.approx((5 * ratio, 5), rel=0.02)
    assert abs((found.orientation - degrees + 90) % 180 - 90) < 1.0


def test_the_anisotropic_gaussian_of_a_known_covariance():
    # sx 12, sy 5 at 30 degrees: covariance [[114.25, 51.5285], [., 54.75]] (linear algebra, by hand).
    found = measure(gaussian(x=80, y=50, major=12, minor=5, degrees=30), near=(80, 50))
    turn = np.radians(found.orientation)
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    covariance = axes @ np.diag([found.major**2, found.minor**2]) @ axes.T
    assert covariance == pytest.approx(np.array([[114.25, 51.5285], [51.5285, 54.75]]), rel=0.02)
    assert found.orientation == pytest.approx(30.0, abs=0.2)
    assert found.area == pytest.approx(2 * np.pi * np.log(2) * 60, rel=0.01)
    assert not found.cut


def test_a_footprint_cut_by_the_edge_is_flagged():
    assert measure(gaussian(x=4, y=50, major=12, minor=5, degrees=0), near=(4, 50)).cut


def test_a_footprint_cut_by_a_neighbour_that_is_left_out_is_flagged():
    rise = gaussian(x=70, y=40, major=8, minor=6, degrees=0)
    rise[50:58, 76:90] = np.nan
    assert measure(rise, near=(70, 40)).cut


def test_another_spot_does_not_enter():
    rise = gaussian(x=70, y=40, major=8, minor=6, degrees=0) + gaussian(x=120, y=60, major=9, minor=9, degrees=0)
    found = measure(rise, near=(70, 40))
    assert (found.x, found.y, found.major) == pytest.approx((70, 40, 8), rel=0.01)


def test_a_level_background_is_taken_off():
    found = measure(3.0 + gaussian(x=70, y=40, major=8, minor=6, degrees=0), near=(70, 40), background=3.0)
    assert (found.major, found.minor) == pytest.approx((8, 6), rel=0.01)


def test_a_spot_that_moves_moves_its_footprint():
    found = measure(gaussian(x=72.3, y=38.8, major=8, minor=6, degrees=0), near=(70, 40))
    assert (found.x, found.y) == pytest.approx((72.3, 38.8), abs=0.05)


def test_no_footprint_in_a_flat_map_or_a_dip():
    assert np.isnan(measure(np.zeros((100, 160)), near=(80, 50)).major)
    assert np.isnan(measure(-gaussian(x=80, y=50, major=8, minor=6, degrees=0), near=(80, 50)).major)


def test_a_turn_by_90_degrees_turns_the_footprint():
    square = gaussian(x=50, y=50, major=9, minor=5, degrees=25)[:, :100]
    window = (slice(45, 55), slice(45, 55))
    first = footprint(square, x=X[:100], y=Y, core=window, background=0.0)
    turned = footprint(np.rot90(square), x=X[:100], y=Y, core=window, background=0.0)
    assert abs((turned.orientation - first.orientation - 90 + 90) % 180 - 90) < 0.01
    assert turned.major == pytest.approx(first.major, rel=1e-6)
