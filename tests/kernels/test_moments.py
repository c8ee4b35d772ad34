"""Footprints against closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.measure import regionprops

from heatwake.kernels.moments import centroid, footprint, gaussian_share

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


@pytest.mark.parametrize(
    ("x", "y", "major", "minor", "degrees"), [(10, 50, 12, 5, 0), (2.5, 50, 12, 5, 90), (6, 6, 9, 7, 45)]
)
def test_a_cut_gaussian_is_filled_in(x, y, major, minor, degrees):
    # 4 %: pixels on the rim of the half count for more the more is missing.
    found = measure(gaussian(x=x, y=y, major=major, minor=minor, degrees=degrees), near=(max(x, 4), y))
    assert found.cut
    assert 0.02 < found.missing < 0.5
    assert (found.major, found.minor) == pytest.approx((major, minor), rel=0.04)
    assert (found.x, found.y) == pytest.approx((x, y), abs=0.7)


def test_a_hole_in_a_gaussian_is_filled_in():
    rise = gaussian(x=70, y=40, major=8, minor=6, degrees=20)
    rise[50:58, 74:80] = np.nan
    found = measure(rise, near=(70, 40))
    assert (found.major, found.minor, found.x, found.y) == pytest.approx((8, 6, 70, 40), rel=0.01)


def test_a_footprint_of_which_the_larger_part_is_missing_is_withheld():
    found = measure(gaussian(x=-3, y=50, major=12, minor=5, degrees=0), near=(4, 50))
    assert found.cut
    assert found.missing == 1.0
    assert np.isnan([found.x, found.major, found.minor, found.area]).all()


def test_moments_of_a_level_shape_are_those_of_an_outside_reference():
    # A disc of level height keeps its weight above half of it; skimage.measure.regionprops gives its moments as axis
    # lengths, four standard deviations each. Ours carry the top to a whole Gaussian: divided by the root of its share.
    rise = np.where(gaussian(x=80, y=50, major=12, minor=7, degrees=30) > 5, 1.0, 0.0)
    (other,) = regionprops((rise > 0).astype(int), spacing=(1, 1))
    found = measure(rise, near=(80, 50))
    lengths = np.array([other.axis_major_length, other.axis_minor_length]) / 4 / np.sqrt(gaussian_share(0.5))
    # regionprops counts each pixel as a square with a variance of its own, 1/12
    assert (found.major, found.minor) == pytest.approx(tuple(lengths), rel=0.01)
    assert found.area == pytest.approx(other.area)
    down, across = other.centroid
    assert (found.x, found.y) == pytest.approx((across + 0.5, 99.5 - down))
    # its angle is between the rows and the long axis, in rows that run down
    assert found.orientation == pytest.approx((np.degrees(other.orientation) + 90) % 180, abs=0.1)


def test_noise_of_a_footprint_is_that_of_repeated_draws():
    rng = np.random.default_rng(0)
    rise = gaussian(x=80, y=50, major=9, minor=6, degrees=30)
    window = (slice(45, 55), slice(75, 85))
    draws = [
        footprint(rise + rng.normal(0, 0.1, rise.shape), x=X, y=Y, core=window, background=0.0, noise=0.1)
        for _ in range(40)
    ]
    for value, said in (("major", "major_noise"), ("minor", "minor_noise"), ("orientation", "orientation_noise"),
                        ("x", "centroid_noise"), ("area", "area_noise")):  # fmt: skip
        seen = np.std([getattr(each, value) for each in draws])
        # a map's pixels stray in pairs, these do not: up to twice the draws' own
        assert 0.9 < np.median([getattr(each, said) for each in draws]) / seen < 2.5, value


@pytest.mark.parametrize("rows", [1, 2])
def test_a_row_of_pixels_at_an_edge_has_no_extent_to_fill_in(rows):
    rise = np.full((20, 20), np.nan)
    rise[:rows] = 0.0
    rise[0, 8:12] = 5.0
    core = (slice(0, 1), slice(8, 12))
    with np.errstate(all="raise"):
        found = footprint(rise, x=np.arange(20.0), y=np.arange(20.0)[::-1], core=core, background=0.0)
    assert np.isnan(found.missing) or found.missing > 0
