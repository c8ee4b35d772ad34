"""Movements that are known because they were made: shifts by the Fourier theorem, turns by resampling."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from skimage import data
from skimage.registration import phase_cross_correlation

from heatwake.kernels.alignment import (
    compose,
    gradient_magnitude,
    invert,
    matrix_pose,
    normalise_contrast,
    pose_matrix,
    resample,
)
from heatwake.kernels.pose_search import align

PICTURES = ("brick", "grass", "gravel", "camera")
NOISE = 0.05  # of the picture's standard deviation
pose = st.tuples(st.floats(-20, 20), st.floats(-20, 20), st.floats(-60, 60)).map(np.array)


def picture(name):
    blurred = ndimage.gaussian_filter(getattr(data, name)().astype(float), 1.0)
    return (blurred - blurred.mean()) / blurred.std()


def shifted(image, right, down):
    """Shift theorem: exact for a band-limited periodic picture; the rim that wraps round is cut off afterwards."""
    return np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(image), (down, right))).real


def view(image, rng):
    return image[100:260, 120:340] + NOISE * rng.standard_normal((160, 220))


@pytest.mark.parametrize("name", PICTURES)
@pytest.mark.parametrize(("right", "down"), [(0.37, -0.61), (4.5, 2.25), (-7.8, 6.1)])
def test_a_known_shift_is_found_to_a_tenth_of_a_pixel(name, right, down):
    rng = np.random.default_rng(3)
    still, moved = picture(name), shifted(picture(name), right, down)
    found = align(normalise_contrast(view(moved, rng)), normalise_contrast(view(still, rng)))
    np.testing.assert_allclose([found.shift_x, found.shift_y], [right, down], atol=0.1)
    assert abs(found.rotation) < 0.05  # 0.05 deg moves the corners of this picture by 0.1 px
    assert found.quality > 0.9


@pytest.mark.parametrize("name", PICTURES)
def test_agrees_with_upsampled_phase_correlation_of_scikit_image(name):
    rng = np.random.default_rng(4)
    still, moved = (image + NOISE * rng.standard_normal(image.shape) for image in halves(picture(name)))
    shift, *_ = phase_cross_correlation(still, moved, upsample_factor=50, normalization=None)
    found = align(normalise_contrast(moved), normalise_contrast(still))
    # scikit-image gives the shift that takes the second picture back to the first, in steps of 1/50 px
    np.testing.assert_allclose([found.shift_y, found.shift_x], -shift, atol=0.05)


def halves(image):
    """A picture and the same, shifted; both whole: rims that don't match draw a plain cross-correlation."""
    coarse = ndimage.gaussian_filter(image, 1.5, mode="wrap")[::2, ::2]
    return coarse / coarse.std(), shifted(coarse, 2.3, -1.4) / coarse.std()


@pytest.mark.parametrize("turn", [-1.3, 0.4, 2.0])
def test_a_known_turn_is_found_and_counts_counter_clockwise(turn):
    rng = np.random.default_rng(5)
    still = picture("gravel")
    # scipy turns its array from the row towards the column axis, which is counter-clockwise as seen
    moved = ndimage.rotate(still, turn, reshape=False, order=3, mode="reflect")
    images = [whole[96:416, 96:416] + NOISE * rng.standard_normal((320, 320)) for whole in (still, moved)]
    found = align(normalise_contrast(images[1]), normalise_contrast(images[0]))
    assert found.rotation == pytest.approx(turn, abs=0.03)
    np.testing.assert_allclose([found.shift_x, found.shift_y], 0, atol=0.1)


def test_gain_offset_and_a_slow_gradient_change_nothing():
    rng = np.random.default_rng(6)
    still = view(picture("grass"), rng)
    down, right = np.mgrid[0:160, 0:220]
    heated = 3 * still * (1 + right / 220) + 20 + down / 10
    found = align(normalise_contrast(heated), normalise_contrast(still))
    np.testing.assert_allclose(found.pose, 0, atol=0.03)


def test_a_hand_over_part_of_the_picture_does_not_draw_the_pose():
    rng = np.random.default_rng(7)
    still, moved = view(picture("gravel"), rng), view(shifted(picture("gravel"), 1.2, 0.8), rng)
    moved[70:, 60:110] = 2 + ndimage.gaussian_filter(rng.standard_normal((90, 50)), 3)
    found = align(normalise_contrast(moved), normalise_contrast(still))
    np.testing.assert_allclose(found.pose, [1.2, 0.8, 0], atol=0.1)
    assert found.share < 0.95


def test_masked_pixels_are_left_out_even_if_the_mask_stands_still():
    rng = np.random.default_rng(8)
    still, moved = view(picture("gravel"), rng), view(shifted(picture("gravel"), 2.6, -1.7), rng)
    still[:, :60] = moved[:, :60] = np.nan
    known, seen = np.isfinite(still), np.isfinite(moved)
    one, other = (
        np.where(there, normalise_contrast(image), np.nan) for image, there in ((moved, seen), (still, known))
    )
    found = align(one, other)
    np.testing.assert_allclose(found.pose, [2.6, -1.7, 0], atol=0.1)


def test_the_size_of_the_gradient_aligns_a_picture_with_its_negative():
    rng = np.random.default_rng(9)
    still, moved = view(picture("brick"), rng), view(-shifted(picture("brick"), 0.7, 0.4), rng)
    found = align(normalise_contrast(gradient_magnitude(moved)), normalise_contrast(gradient_magnitude(still)))
    np.testing.assert_allclose(found.pose, [0.7, 0.4, 0], atol=0.1)


def test_pictures_that_have_nothing_in_common_have_a_low_quality():
    rng = np.random.default_rng(10)
    one, other = rng.standard_normal((2, 120, 160))
    assert align(normalise_contrast(one), normalise_contrast(other)).quality < 0.3


@pytest.mark.parametrize("image", [np.full((40, 50), 7.0), np.full((40, 50), np.nan), np.ones((3, 4))])
def test_a_picture_without_structure_keeps_the_guess_with_quality_zero(image):
    level = normalise_contrast(image)
    found = align(level, level, guess=(1.0, 2.0, 0.5))
    np.testing.assert_array_equal(found.pose, [1.0, 2.0, 0.5])
    assert found.quality == 0


def test_rounding_of_a_level_picture_is_not_structure():
    rng = np.random.default_rng(11)
    level = (300 * (1 + 1e-8 * rng.standard_normal((40, 50)))).astype(np.float32)
    assert not normalise_contrast(level).any()


def test_resampling_undoes_a_pose_between_pixels_of_a_smooth_picture():
    down, right = np.mgrid[0:60, 0:80].astype(float)
    place = np.stack([right, down, np.ones_like(right)])
    truth = np.array([3.4, -2.2, 2.0])

    def scene(at):
        return np.sin(at[0] / 9) + np.cos(at[1] / 7)

    back = np.einsum("ij,jrc->irc", pose_matrix(*invert(truth), shape=(60, 80)), place)
    found = resample(scene(back), truth)
    inside = np.isfinite(found)
    # linear interpolation errs by h^2/8 of the second derivative, 1/49 + 1/81 at most; cv2 keeps 1/32 px
    np.testing.assert_allclose(found[inside], scene(place)[inside], atol=0.01)
    assert inside.mean() > 0.8


@given(pose, pose)
@settings(max_examples=30, deadline=None)
def test_composed_poses_move_points_one_after_the_other(outer, inner):
    shape, point = (120, 160), np.array([17.0, 90.0, 1.0])
    once = np.array([*(pose_matrix(*inner, shape=shape) @ point), 1.0])
    twice = pose_matrix(*outer, shape=shape) @ once
    np.testing.assert_allclose(pose_matrix(*compose(outer, inner), shape=shape) @ point, twice, atol=1e-9)


@given(pose)
@settings(max_examples=30, deadline=None)
def test_a_pose_comes_back_from_its_matrix_and_its_inverse_undoes_it(one):
    np.testing.assert_allclose(matrix_pose(pose_matrix(*one, shape=(33, 48)), shape=(33, 48)), one, atol=1e-9)
    np.testing.assert_allclose(compose(one, invert(one)), 0, atol=1e-9)
