"""Alignment against shifts made outside: real pictures whose spectrum is turned in phase, and two reference libraries.

Pictures are those that come inside scikit-image's package (skimage.data: camera, coins, brick, grass, gravel, moon).
A shift by phase is exact for a periodic picture (shift theorem); what wraps round is cropped off.
"""

import cv2
import numpy as np
import pytest
from scipy import ndimage
from skimage import data
from skimage.registration import phase_cross_correlation

from heatwake.kernels.pose_search import align
from heatwake.kernels.reference_picture import contrast_of

PICTURES = ("camera", "coins", "brick", "grass", "gravel", "moon")
SHIFTS = ((0.5, -0.25), (0.13, 0.37), (-2.71, 1.64))
ROWS, COLUMNS, RIM = 240, 280, 12
DEPTH = 20.0  # [K] that a picture's 8 bits are spread over
NOISE = 0.05  # [K]


def picture_of(name):
    """A part of a picture with a rim to crop, as temperatures [degC], smoothed as optics do."""
    whole = getattr(data, name)().astype(np.float64)
    part = whole[: ROWS + 2 * RIM, : COLUMNS + 2 * RIM]
    return 20 + DEPTH / 255 * ndimage.gaussian_filter(part, 0.8)


def cropped(picture):
    return picture[RIM:-RIM, RIM:-RIM].astype(np.float32)


def shifted(picture, right, down):
    return np.fft.ifftn(ndimage.fourier_shift(np.fft.fftn(picture), (down, right))).real


def aligned(moved, still):
    found = align(contrast_of(moved), contrast_of(still))
    return np.array([found.shift_x, found.shift_y])


def by_ecc(moved, still):
    """OpenCV's enhanced correlation coefficient, translation only, from a whole pixel near."""
    (right, down), _ = cv2.phaseCorrelate(still, moved, cv2.createHanningWindow(still.shape[::-1], cv2.CV_32F))
    start = np.array([[1, 0, round(right)], [0, 1, round(down)]], dtype=np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-8)
    return cv2.findTransformECC(still, moved, start, cv2.MOTION_TRANSLATION, criteria, None, 3)[1][:, 2]


def by_phase(moved, still):
    """scikit-image's phase correlation by an upsampled Fourier transform, windowed."""
    window = np.outer(np.hanning(still.shape[0]), np.hanning(still.shape[1]))
    one, other = ((picture - picture.mean()) * window for picture in (still, moved))
    down, right = -phase_cross_correlation(one, other, upsample_factor=100, normalization=None)[0]
    return np.array([right, down])


@pytest.mark.parametrize("name", PICTURES)
def test_shifts_of_real_pictures_are_found_to_a_fiftieth_of_a_pixel(name):
    picture = picture_of(name)
    found = np.array([aligned(cropped(shifted(picture, *shift)), cropped(picture)) for shift in SHIFTS])
    np.testing.assert_allclose(found, SHIFTS, atol=0.02)


@pytest.mark.parametrize("name", PICTURES)
def test_shifts_are_found_in_noise_as_well_as_by_reference_libraries(name):
    rng = np.random.default_rng(4)
    picture = picture_of(name)
    errors = {aligned: [], by_ecc: [], by_phase: []}
    for shift in SHIFTS:
        still, moved = (
            (cropped(one) + NOISE * rng.standard_normal((ROWS, COLUMNS))).astype(np.float32)
            for one in (picture, shifted(picture, *shift))
        )
        for find, all_errors in errors.items():
            all_errors.append(np.hypot(*(find(moved, still) - shift)))
    ours, ecc, phase = (max(one) for one in errors.values())
    assert ours < 0.025
    # cubic interpolation errs by 0.01 px at quarters of a pixel, so on fine grain the best of both is that much better
    assert ours < min(ecc, phase) + 0.015


@pytest.mark.parametrize("name", ["camera", "coins", "gravel"])
@pytest.mark.parametrize("degrees", [0.35, -0.9])
def test_turns_of_real_pictures_are_found(name, degrees):
    # scipy's spline of fifth order turns; its positive angle turns rows towards columns, as seen counter-clockwise
    picture = picture_of(name)
    turned = ndimage.rotate(picture, degrees, reshape=False, order=5, mode="mirror")
    found = align(contrast_of(cropped(turned)), contrast_of(cropped(picture)))
    assert found.rotation == pytest.approx(degrees, abs=0.005)
    assert np.hypot(found.shift_x, found.shift_y) < 0.02
