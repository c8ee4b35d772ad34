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


@given(degrees=st.floats(0, 179), ratio=st.floats(1.3, 3))
def test_a_gaussian_footprint_has_its_own_axes_at_any_angle(degrees, ratio):
    # Closed form: a Gaussian weighted by itself has half its covariance. 1 % is the pixel grid's share at minor = 5.
    rise = gaussian(x=80, y=50, major=5 * ratio, minor=5, degrees=degrees)
    found = footprint(rise, x=X, y=Y, start=(82, 52), size=6)
    assert (found.major, found.minor) == pytest.approx((5 * ratio, 5), rel=0.01)
    assert abs((found.orientation - degrees + 90) % 180 - 90) < 1.0


def test_the_anisotropic_gaussian_of_a_known_covariance():
    # sx 12, sy 5 at 30 degrees: covariance [[114.25, 51.5285], [., 54.75]] (linear algebra, by hand).
    found = footprint(gaussian(x=80, y=50, major=12, minor=5, degrees=30), x=X, y=Y, start=(80, 50), size=8)
    turn = np.radians(found.orientation)
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    covariance = axes @ np.diag([found.major**2, found.minor**2]) @ axes.T
    assert covariance == pytest.approx(np.array([[114.25, 51.5285], [51.5285, 54.75]]), rel=5e-3)
    assert found.orientation == pytest.approx(30.0, abs=0.05)


def test_a_footprint_cut_by_the_edge_is_flagged_and_not_narrowed_by_half():
    # Plain second moments of the same cut Gaussian are 44 % low along the cut; the filling leaves 10 % at most.
    found = footprint(gaussian(x=4, y=50, major=12, minor=5, degrees=0), x=X, y=Y, start=(6, 50), size=6)
    assert found.cut
    assert found.major == pytest.approx(12, rel=0.1)


def test_masked_pixels_do_not_move_a_footprint():
    rise = gaussian(x=70, y=40, major=8, minor=6, degrees=0)
    rise[50:58, 74:82] = np.nan
    found = footprint(rise, x=X, y=Y, start=(70, 40), size=6)
    assert (found.x, found.y, found.major) == pytest.approx((70, 40, 8), rel=5e-3)
    assert not found.cut


def test_no_footprint_in_a_flat_map():
    assert np.isnan(footprint(np.zeros((100, 160)), x=X, y=Y, start=(80, 50), size=6).major)


def test_a_turn_by_90_degrees_turns_the_footprint():
    square = gaussian(x=50, y=50, major=9, minor=5, degrees=25)[:, :100]
    x = X[:100]
    first = footprint(square, x=x, y=Y, start=(50, 50), size=6)
    turned = footprint(np.rot90(square), x=x, y=Y, start=(50, 50), size=6)
    assert abs((turned.orientation - first.orientation - 90 + 90) % 180 - 90) < 0.01
    assert turned.major == pytest.approx(first.major, rel=1e-6)
