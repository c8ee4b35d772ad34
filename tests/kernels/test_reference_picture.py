"""A reference from pictures that moved, and frames found on it."""

import numpy as np
from scipy import ndimage
from skimage import data

from heatwake.kernels.reference_picture import Reference, build_reference, locate

SHIFTS = ((0.0, 0.0), (1.3, -0.4), (-0.8, 0.9), (2.1, 1.7), (0.4, -1.6), (-1.5, -0.7))


def moved(right, down, *, warmth=1.0, seed=0):
    """A textured picture shifted by the Fourier theorem and cut out, with 0.05 K of noise."""
    rng = np.random.default_rng(seed)
    blurred = ndimage.gaussian_filter(data.gravel().astype(float), 1.0)
    print_on_board = (blurred - blurred.mean()) / blurred.std()
    whole = np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(print_on_board), (down, right))).real
    return (25 + warmth * whole[200:320, 180:340] + 0.05 * rng.standard_normal((120, 160))).astype(np.float32)


def sample():
    pictures = [moved(*shift, seed=seed) for seed, shift in enumerate(SHIFTS)]
    pictures[4][60:, 40:70] = 33  # a hand in one of them
    return pictures


def test_frames_are_found_on_a_reference_made_of_moved_pictures():
    reference = Reference.of(build_reference(sample()))
    first, *others = [locate(moved(*shift, seed=20), reference, guess=np.zeros(3), good=0.65).pose for shift in SHIFTS]
    np.testing.assert_allclose([(pose - first)[:2] for pose in others], SHIFTS[1:], atol=0.1)


def test_pictures_that_show_little_stay_out_of_the_reference():
    cold = [moved(0, 0, warmth=0.0, seed=seed) for seed in range(30, 36)]
    np.testing.assert_array_equal(build_reference(cold + sample()), build_reference(sample()))


def test_a_negative_is_found_by_the_size_of_its_gradient():
    reference = Reference.of(build_reference([moved(0, 0, seed=seed) for seed in range(4)]))
    found = locate(moved(0.6, 0.3, warmth=-1.0, seed=9), reference, guess=np.zeros(3), good=0.65)
    np.testing.assert_allclose(found.pose, [0.6, 0.3, 0], atol=0.1)


def test_where_nothing_is_found_the_guess_is_held():
    reference = Reference.of(build_reference(sample()))
    found = locate(np.full((120, 160), 40.0, np.float32), reference, guess=np.array([1.0, 2.0, 0.1]), good=0.65)
    np.testing.assert_array_equal(found.pose, [1.0, 2.0, 0.1])
    assert found.quality == 0
