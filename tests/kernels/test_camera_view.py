"""What a camera will see, by geometry worked out apart from it."""

import cv2
import numpy as np
import pytest

from heatwake.kernels.camera_view import (
    MOST_TILT,
    Sight,
    depth_of_field,
    half_field,
    least_tilt,
    millimetres_per_pixel,
    resolved,
)


@pytest.mark.parametrize(
    ("pitch", "focal", "distance", "expected"),
    [(12, 13, 300, 0.265), (12, 9.1, 300, 0.384), (12, 25, 300, 0.132), (17, 13, 500, 0.637)],
)
def test_millimetres_a_pixel(pitch, focal, distance, expected):
    # p (d - f) / f worked out by hand, to its last digit
    assert millimetres_per_pixel(distance, pitch=pitch, focal=focal) == pytest.approx(expected, abs=5e-4)


def test_a_chip_of_2_by_1_25_mm_is_indicative_at_arms_length():
    # 7.5 x 4.7 pixels at 0.265 mm
    per_pixel = float(millimetres_per_pixel(300.0, pitch=12.0, focal=13.0))
    assert (2.0 / per_pixel, 1.25 / per_pixel) == pytest.approx((7.5, 4.7), abs=0.05)
    assert resolved(1.25 / per_pixel) == "indicative"


@pytest.mark.parametrize(("pitch", "distance", "expected", "within"), [(12, 300, 12.8, 0.05), (17, 500, 50.0, 0.5)])
def test_depth_of_field_at_full_aperture(pitch, distance, expected, within):
    assert depth_of_field(distance, f_number=1.0, pitch=pitch, focal=13.0) == pytest.approx(expected, abs=within)


@pytest.mark.parametrize(("half", "expected"), [(9.5, 13.3), (12.5, 16.3), (22.0, 25.8)])
def test_tilt_that_hides_a_camera_of_80_mm_at_300_mm(half, expected):
    # H + atan(80 / 1200), atan being 3.81 degrees
    assert least_tilt(half, body=80.0, distance=300.0) == pytest.approx(expected, abs=0.05)


def test_a_camera_image_in_a_mirror_is_where_the_tilt_formula_says():
    # The camera mirrored in the plane z = 0 and seen from itself, tilted by a little more and a little less.
    tilt = np.radians(least_tilt(9.5, body=80.0, distance=300.0))
    camera = np.array([-300 * np.sin(tilt), 300 * np.cos(tilt)])  # not along the normal: the film is 300 cos(t) away
    image = camera * [1, -1]
    axis = -camera / np.hypot(*camera)
    edge = image + np.array([40.0, 0]) - camera  # the image's edge that is nearer to the axis
    angle = np.degrees(np.arccos(axis @ edge / np.hypot(*edge)))
    # the film is nearer than along the axis by the tilt's cosine, 3 %: so much of the image's 3.8 degrees
    assert angle == pytest.approx(9.5, abs=0.15)


def test_a_tilt_of_13_degrees_costs_3_percent_and_23_mm():
    sight = Sight(640, 480, 12.0, 13.0, 400.0, 13.3, 100.0, 100.0)
    assert float(sight.depth(100.0) - sight.depth(0.0)) == pytest.approx(23.0, abs=0.05)  # 100 sin 13.3
    columns, _ = sight.pixels(np.array([0.0, 100.0]), np.array([50.0, 50.0]))
    up = np.diff(sight.pixels(np.array([50.0, 50.0]), np.array([49.0, 51.0]))[1])
    assert abs(up[0]) / (abs(columns[1] - columns[0]) / 50) == pytest.approx(0.973, abs=0.002)


def test_places_are_those_of_opencv():
    sight = Sight(320, 240, 12.0, 13.0, 600.0, 7.0, 160.0, 100.0)
    points = np.array([[0, 0, 0], [160, 100, 0], [24, 24, 5], [133, 83, 22.0]])
    focal = 13.0 * 600 / 587 / 0.012
    # board y up and z towards the camera; the camera's y down and z away from it
    centred = (points - [80, 50, 0]) * [1, -1, -1]
    turned, _ = cv2.projectPoints(
        centred, np.array([-np.radians(7.0), 0, 0]), np.array([0, 0, 600.0]), np.diag([focal, focal, 1.0]), None
    )
    columns, rows = sight.pixels(points[:, 0], points[:, 1], above=points[:, 2])
    np.testing.assert_allclose(np.stack([columns, rows], axis=1), turned[:, 0], atol=1e-9)


def test_a_board_fills_the_picture_as_its_field_says():
    half = half_field(321, pitch=12.0, focal=13.0, distance=600.0)
    across = 2 * 600 * np.tan(np.radians(half))
    assert Sight(321, 961, 12.0, 13.0, 600.0, 0.0, across, 10.0).filled == pytest.approx(321 / 320)


@pytest.mark.parametrize(
    ("pixels", "word"), [(3.99, "not resolved"), (4.0, "indicative"), (9.9, "indicative"), (10.0, "measured")]
)
def test_words_for_pixels(pixels, word):
    assert resolved(pixels) == word


def test_up_to_the_largest_tilt_a_film_hardly_changes():
    # Fresnel, n = 1.52: 0.918 square on, 0.916 at 30 degrees, 0.910 at 40 (by an independent thin-film library)
    assert 25.0 < MOST_TILT < 40.0
