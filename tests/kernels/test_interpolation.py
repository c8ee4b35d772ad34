"""Cubic convolution, against a reference library and against what it must be exact for."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage
from skimage.transform import ProjectiveTransform, warp

from heatwake.kernels.interpolation import resample

PLACE = np.array([[0.7, 0.03, 10.2], [-0.02, 0.65, 9.7], [1e-4, 2e-4, 1.0]])


def test_a_homography_gives_what_scikit_image_gives():
    picture = ndimage.gaussian_filter(np.random.default_rng(1).standard_normal((120, 150)), 2).astype(np.float32)
    theirs = warp(picture, ProjectiveTransform(PLACE), output_shape=(100, 130), order=3, clip=False)
    ours = resample(picture, PLACE, shape=(100, 130))
    inside = np.s_[5:-5, 5:-5]
    np.testing.assert_allclose(ours[inside], theirs[inside], atol=2e-6)  # values of 0.1: float32


@given(st.floats(0, 1), st.floats(0, 1))
def test_a_parabola_is_followed_exactly(right, down):
    # Keys (1981): reproduces polynomials of second degree
    rows, columns = np.mgrid[0:9, 0:11]
    shift = np.array([[1, 0, 4 + right], [0, 1, 3 + down], [0, 0, 1.0]])
    found = resample(0.3 * columns**2 - columns * 0.5 + 0.2 * rows**2, shift, shape=(1, 1))[0, 0]
    column, row = 4 + right, 3 + down
    assert found == pytest.approx(0.3 * column**2 - column * 0.5 + 0.2 * row**2, abs=1e-4)


def test_outside_is_nan_and_the_rim_itself_is_not():
    picture = np.ones((4, 5))
    shift = np.array([[1, 0, -1.0], [0, 1, 0], [0, 0, 1]])
    assert np.isnan(resample(picture, shift, shape=(4, 7))).any(axis=0).tolist() == [True, *[False] * 5, True]


def test_a_masked_pixel_far_enough_leaves_no_trace():
    picture = np.ones((9, 9))
    picture[4, 4] = np.nan
    moved = resample(picture, np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]]), shape=(8, 8))
    assert np.isnan(moved).sum() == 4
    np.testing.assert_allclose(moved[np.isfinite(moved)], 1, atol=1e-6)
