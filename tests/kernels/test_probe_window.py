"""Level and slopes of a map at one place."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from heatwake.kernels.probe_window import level_and_slopes

RIGHT, UP = (grid.ravel() for grid in np.meshgrid([-1.4, -0.4, 0.6, 1.6], [1.3, 0.3, -0.7]))
SIZE = st.floats(-50, 50)


@given(level=SIZE, right=SIZE, up=SIZE)
def test_a_plane_is_read_as_it_is_though_the_place_lies_between_pixels(level, right, up):
    found = level_and_slopes(level + right * RIGHT + up * UP, right=RIGHT, up=UP)
    assert np.array(found) == pytest.approx([level, right, up], abs=1e-9)


def test_one_bright_pixel_moves_the_level_by_less_than_a_mean():
    values = np.full(12, 20.0)
    values[5] += 12.0
    level, _, _ = level_and_slopes(values, right=RIGHT, up=UP)
    assert abs(float(level) - 20) < 0.6  # a mean would be 1 off; what is left comes through the plane


def test_pixels_that_were_not_seen_are_left_out():
    values = 30 + 2 * RIGHT - UP
    values[[0, 7]] = np.nan
    found = level_and_slopes(values, right=RIGHT, up=UP)
    assert np.array(found) == pytest.approx([30, 2, -1])


def test_nothing_seen_is_nothing_known_and_one_pixel_tells_no_slope():
    values = np.full((2, 12), np.nan)
    values[1, 4] = 7.0
    level, right, up = level_and_slopes(values, right=RIGHT, up=UP)
    assert np.isnan([level[0], right[0], up[0]]).all()
    assert (level[1], right[1], up[1]) == (7, 0, 0)
