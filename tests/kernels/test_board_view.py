"""The way from the board to the picture, through a lens, against OpenCV's."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from heatwake.kernels.alignment import pose_matrix
from heatwake.kernels.board_view import BoardView, GridView, Marks
from heatwake.kernels.interpolation import resample
from heatwake.kernels.lens import Lens
from heatwake.kernels.plausibility import judge_corners, judge_marks, odd_one, residuals

CORNERS = np.array([[22.0, 18.0], [301.0, 20.0], [300.0, 195.0], [21.0, 193.0]])
SHAPE = (240, 320)
COEFFICIENTS = [
    (-0.3, 0.1, 0.001, -0.002),
    (-0.3, 0.1, 0.001, -0.002, 0.02),
    (0.1, -0.05, 0.002, 0.001, 0.02, 0.3, 0.1, 0.01),
]
PIXELS = np.stack(np.meshgrid(np.arange(0, 320, 13.0), np.arange(0, 240, 11.0)), axis=-1)


def lens_of(coefficients):
    return Lens((700.0, 710.0), (161.0, 118.0), coefficients)


def seen(points, *, lens=None, camera=(20.0, -15.0, 8.0), focal=700.0):
    """Return pixels of board points [mm] seen by a pinhole camera turned by degrees about x, y and z, by OpenCV."""
    turn = cv2.Rodrigues(np.radians(np.array(camera)))[0]
    flat = np.stack([points[:, 0] - 80, 50 - points[:, 1], np.zeros(len(points))], axis=1)
    matrix = np.array([[focal, 0, 161.0], [0, focal + 10, 118.0], [0, 0, 1]])
    given_coefficients = np.zeros(5) if lens is None else np.array(lens.coefficients)
    placed = np.array([0.0, 0.0, 420.0])
    return cv2.projectPoints(flat, cv2.Rodrigues(turn)[0], placed, matrix, given_coefficients)[0][:, 0]


@pytest.mark.parametrize("coefficients", COEFFICIENTS)
def test_a_lens_bends_as_opencv_has_it(coefficients):
    # outside: cv2.projectPoints and cv2.undistortPoints, OpenCV's own implementation of its model
    lens = lens_of(coefficients)
    matrix = np.array([[700.0, 0, 161], [0, 710, 118], [0, 0, 1]])
    unit = (PIXELS.reshape(-1, 2) - [161, 118]) / [700, 710]
    flat = np.column_stack([unit, np.ones(len(unit))])
    bent = cv2.projectPoints(flat, np.zeros(3), np.zeros(3), matrix, np.array(coefficients))[0][:, 0]
    np.testing.assert_allclose(lens.distort(PIXELS).reshape(-1, 2), bent, atol=1e-9)
    straight = cv2.undistortPoints(PIXELS.reshape(-1, 1, 2), matrix, np.array(coefficients), P=matrix)[:, 0]
    np.testing.assert_allclose(lens.undistort(PIXELS).reshape(-1, 2), straight, atol=1e-4)


@settings(max_examples=50, deadline=None)
@given(
    k=st.tuples(*[st.floats(-0.3, 0.3)] * 2, *[st.floats(-0.005, 0.005)] * 2, st.floats(-0.1, 0.1)),
    column=st.floats(0, 319),
    row=st.floats(0, 239),
)
def test_there_and_back_is_where_it_was(k, column, row):
    lens = lens_of(k)
    np.testing.assert_allclose(lens.distort(lens.undistort([column, row])), [column, row], atol=1e-8)


def test_slopes_are_those_of_small_steps():
    lens, step = lens_of(COEFFICIENTS[2]), 1e-4
    view = BoardView.of_marks(Marks.of_corners(CORNERS, width=160, height=100), lens)
    place = np.array([150.0, 10.0])
    steps = [(view.pixels(place + move) - view.pixels(place - move)) / (2 * step) for move in step * np.eye(2)]
    np.testing.assert_allclose(view.slopes(place), np.stack(steps, axis=-1), rtol=1e-6)


def test_a_lens_that_folds_is_told_and_gives_no_place_beyond():
    # closed form: r (1 - 0.6 r^2) turns back at r = 1 / sqrt(1.8) = 0.745 focal lengths
    lens = Lens((100.0, 100.0), (80.0, 60.0), (-0.6, 0.0, 0.0, 0.0))
    assert lens.folds_within((120, 160))
    assert not lens_of(COEFFICIENTS[0]).folds_within(SHAPE)
    assert np.isfinite(lens.distort([80 + 74.0, 60.0])).all()
    assert np.isnan(lens.distort([80 + 75.0, 60.0])).all()


@pytest.mark.parametrize("coefficients", [None, COEFFICIENTS[1]])
def test_the_board_is_where_opencv_sees_it(coefficients):
    lens = None if coefficients is None else lens_of(coefficients)
    board = np.stack(np.meshgrid(np.linspace(0, 160, 7), np.linspace(0, 100, 5)), axis=-1).reshape(-1, 2)
    corners = seen(np.array([[0.0, 100], [160, 100], [160, 0], [0, 0]]), lens=lens)
    view = BoardView.of_marks(Marks.of_corners(corners, width=160, height=100), lens)
    np.testing.assert_allclose(view.pixels(board), seen(board, lens=lens), atol=1e-3)  # corners go in as float32
    np.testing.assert_allclose(view.board(view.pixels(board)), board, atol=1e-6)


def test_a_pixels_size_is_the_closed_form_of_a_tilted_plane():
    # Pinhole: area magnification of a plane at depth z, seen under angle a from its normal, is f^2 cos(a) / z^2 times
    # the obliquity of the pixel's own ray; at the optical axis just f^2 cos(a) / z^2.
    tilt, distance, focal = np.radians(30.0), 420.0, 700.0
    depth = np.array([-50 * np.sin(tilt), -50 * np.sin(tilt), 50 * np.sin(tilt), 50 * np.sin(tilt)]) + distance
    sides = np.array([[-80, -50.0], [80, -50], [80, 50], [-80, 50]]) * [1, np.cos(tilt)]
    corners = focal * sides / depth[:, None] + [160, 120]
    view = BoardView.of_marks(Marks.of_corners(corners, width=160, height=100))
    assert float(view.pixel_size([80.0, 50.0])) == pytest.approx(distance / focal / np.sqrt(np.cos(tilt)), rel=1e-4)


def test_without_coefficients_the_grid_is_the_homographys_to_the_bit():
    picture = np.random.default_rng(1).normal(size=SHAPE).astype(np.float32)
    view = BoardView.of_marks(Marks.of_corners(CORNERS, width=160, height=100))
    grid = view.grid(np.arange(160) + 0.5, 99.5 - np.arange(100))
    moved = pose_matrix(1.3, -0.7, 0.4, shape=SHAPE)
    plain = resample(picture, np.vstack([moved, [0, 0, 1]]) @ grid.homography, shape=(100, 160))
    np.testing.assert_array_equal(grid.sample(picture, moved), plain)


def test_a_lens_that_does_not_bend_gives_the_same_maps_and_flags():
    picture = np.random.default_rng(1).normal(size=SHAPE).astype(np.float32)
    flags = (picture > 0).astype(np.uint8)
    marks, moved = Marks.of_corners(CORNERS, width=160, height=100), pose_matrix(1.3, -0.7, 0.4, shape=SHAPE)
    x, y = np.arange(160) + 0.5, 99.5 - np.arange(100)
    straight = BoardView.of_marks(marks).grid(x, y)
    bent = BoardView.of_marks(marks, lens_of((0.0, 0.0, 0.0, 0.0))).grid(x, y)
    assert bent.homography is None
    np.testing.assert_allclose(bent.sample(picture, moved), straight.sample(picture, moved), atol=1e-3)
    same = bent.nearest(flags, moved, outside=5) == straight.nearest(flags, moved, outside=5)
    assert same.mean() > 0.98  # places on the line between two pixels may round to either


def test_a_camera_that_turned_moves_a_bent_picture_nearly_rigidly():
    # what GridView says of poses measured in the camera's pixels
    lens = Lens((350.0, 350.0), (79.5, 59.5), (-0.25, 0.0, 0.0, 0.0))
    pixels = np.stack(np.meshgrid(np.arange(160.0), np.arange(120.0)), axis=-1)
    moved = lens.distort(lens.undistort(pixels) + np.array([3.0, 0.0])) - pixels
    off = np.hypot(*(moved - moved.mean(axis=(0, 1))).reshape(-1, 2).T)
    assert np.sqrt((off**2).mean()) == pytest.approx(0.042, abs=0.002)
    assert off.max() == pytest.approx(0.118, abs=0.005)


def test_a_grid_of_places_has_nothing_where_there_is_none():
    bent = np.full((2, 2, 2), np.nan)
    bent[:, 0, 0] = 1.0, 1.0
    grid = GridView((2, 2), None, bent)
    picture, still = np.arange(16, dtype=np.float32).reshape(4, 4), np.eye(3)[:2]
    np.testing.assert_array_equal(grid.sample(picture, still), [[5, np.nan], [np.nan, np.nan]])
    assert grid.nearest(np.ones((4, 4), np.uint8), still, outside=7).tolist() == [[1, 7], [7, 7]]


def judged(corners, *, width=160.0, height=100.0, shape=SHAPE, focal=None):
    marks = Marks.of_corners(np.asarray(corners), width=width, height=height)
    return judge_corners(marks, BoardView.of_marks(marks), shape=shape, focal=focal)


BOARD = np.array([[0.0, 100], [160, 100], [160, 0], [0, 0]])


@settings(max_examples=40, deadline=None)
@given(camera=st.tuples(st.floats(-25, 25), st.floats(-25, 25), st.floats(-30, 30)))  # at (-33, -32, 3) 10 % is told
def test_no_camera_that_sees_the_board_is_doubted_for_its_shape(camera):
    assert not [one for one in judged(seen(BOARD, camera=camera), shape=(400, 400)) if "perspective" in one.found]


@pytest.mark.parametrize("camera", [(0.0, 0.0, 0.0), (20.0, -15.0, 8.0), (-10.0, 25.0, 0.0)])
def test_width_and_height_swapped_are_refused_with_the_mend(camera):
    doubt = judged(seen(BOARD, camera=camera), width=100.0, height=160.0)[0]
    assert doubt.refused
    assert "width_mm and height_mm swapped would" in doubt.wanted


def test_what_is_hardly_seen_or_seen_from_the_side_is_refused():
    assert judged(CORNERS) == []
    aside = judged(CORNERS + np.array([250.0, 0.0]))
    assert "of which the picture shows 16%" in aside[0].found
    assert aside[0].refused
    partly = judged(CORNERS + np.array([60.0, 0.0]))
    assert [one.refused for one in partly] == [False]
    steep = judged(seen(BOARD, camera=(68.0, 0.0, 0.0)))
    assert [("off square" in one.found, one.refused) for one in steep] == [(True, False)]
    assert any(one.refused for one in judged(seen(BOARD, camera=(80.0, 0.0, 0.0))))
    assert "no order" in judged(CORNERS[[0, 2, 1, 3]])[0].found


def pointed(*, wrong=None, by=(0.0, 0.0), points=4, noise=0.2):
    places = np.array([[40.0, 30.0], [120.0, 35.0], [60.0, 80.0], [130.0, 70.0]])[:points]
    board = np.concatenate([BOARD, places])
    pixels = seen(board) + np.random.default_rng(3).normal(0, noise, (len(board), 2))
    if wrong is not None:
        pixels[wrong] += by
    marks = Marks(board, pixels)
    return marks, BoardView.of_marks(marks)


def test_more_marks_than_corners_are_fitted_together():
    marks, view = pointed()
    # expected: a mark's distance from the fit has rms sqrt(2) times the noise along an axis
    assert residuals(view, marks).rms == pytest.approx(0.2 * np.sqrt(2), rel=0.6)
    assert judge_marks(marks, view) == []
    assert np.isnan(residuals(BoardView.of_marks(Marks(BOARD, CORNERS)), Marks(BOARD, CORNERS)).rms)


def test_a_mark_that_a_neighbour_explains_as_well_is_not_blamed():
    assert odd_one(*pointed(wrong=3, by=(9.0, -5.0))) is None  # the point next to it would do


@pytest.mark.parametrize("wrong", [0, 1, 2, 4, 5, 6, 7])
def test_the_mark_at_fault_is_named_with_its_right_place(wrong):
    marks, view = pointed(wrong=wrong, by=(9.0, -5.0))
    found = odd_one(marks, view)
    assert found is not None
    index, rest, place = found
    assert index == wrong
    assert rest < 0.6
    assert np.hypot(*(place - seen(marks.board)[wrong])) < 2.0


def test_a_mark_far_off_is_refused_and_one_point_cannot_name_it():
    marks, view = pointed(wrong=1, by=(60.0, 0.0))
    doubt = judge_marks(marks, view)[0]
    assert doubt.refused
    assert "corner 2 (top-right) is at fault" in doubt.wanted
    lone, lone_view = pointed(wrong=1, by=(60.0, 0.0), points=1)
    assert odd_one(lone, lone_view) is None
    assert judge_marks(lone, lone_view)
