"""Matching pictures of boards: against the scene's own projection, and pictures of other things from scikit-image."""

import cv2
import numpy as np
import pytest
from skimage import data

from board_pictures import CAMERA, MOVED, corners, hot, other_board, picture
from heatwake.kernels.picture_fit import print_contrast, refine, warp
from heatwake.kernels.picture_match import GOOD, follow, match_pictures, near_match
from heatwake.kernels.picture_search import rough_matches, shrunk
from heatwake.scene import charger


@pytest.fixture(scope="module")
def out():
    return picture(hot(charger(fan="out")), CAMERA, seed=1)


@pytest.fixture(scope="module")
def moved():
    return picture(hot(charger(fan="in", load=0.7)), MOVED, seed=2)


@pytest.fixture(scope="module")
def match(out, moved):
    return match_pictures(out, moved, points=corners(CAMERA))


def test_a_board_that_is_heated_otherwise_is_found_again_after_the_camera_was_moved(match):
    assert match.is_good
    assert match.quality > 0.6  # that of nineteen such pairs in twenty
    assert match.uncertainty < 0.5
    off = np.hypot(*(follow(match.homography, corners(CAMERA)) - corners(MOVED)).T)
    assert off.max() < 1.0  # the promise; median 0.15


def test_matching_backwards_gives_the_inverse(out, moved, match):
    back = match_pictures(moved, out)
    around = follow(back.homography, follow(match.homography, corners(CAMERA)))
    off = np.hypot(*(around - corners(CAMERA)).T)
    assert np.sqrt(np.mean(off**2)) < 4 * np.hypot(
        match.uncertainty, back.uncertainty
    )  # k = 4: the corners are outside


def other_pictures():
    """Return six views of something else, two of them boards of the same outline."""
    things = [data.brick(), data.gravel(), data.camera(), data.coins()]
    small = [cv2.resize(one.astype(np.float32), (160, 120), interpolation=cv2.INTER_AREA) for one in things]
    return [*small, *(picture(hot(other_board(seed)), MOVED, seed=seed) for seed in (3, 4))]


def test_six_unrelated_views_are_refused_with_the_reason(out):
    for view in other_pictures():
        match = match_pictures(out, view)
        assert not match.is_good
        assert match.quality < GOOD
        assert any(word in match.reason for word in ("quality", "places", "lengths", "overlap", "one picture"))


def test_a_mirrored_board_is_refused(out, moved):
    assert not match_pictures(out, moved[:, ::-1].copy()).is_good


@pytest.mark.parametrize("view", [np.zeros((120, 160)), np.full((120, 160), np.nan), np.zeros((10, 160))])
def test_a_picture_that_shows_nothing_is_refused(out, view):
    match = match_pictures(out, view.astype(np.float32))
    assert not match.is_good
    assert match.quality == 0.0


def test_masked_pixels_are_left_out(out, moved):
    holed = moved.copy()
    holed[40:60, 50:90] = np.nan
    match = match_pictures(out, holed, points=corners(CAMERA))
    assert match.is_good
    assert np.hypot(*(follow(match.homography, corners(CAMERA)) - corners(MOVED)).T).max() < 1.0


def test_pictures_of_other_sizes_match(out, moved):
    larger = cv2.resize(moved, (320, 240), interpolation=cv2.INTER_LINEAR)
    match = match_pictures(out, larger)
    wanted = 2 * corners(MOVED) + 0.5
    assert match.is_good
    assert np.hypot(*(follow(match.homography, corners(CAMERA)) - wanted).T).max() < 2.0  # a pixel of the smaller


def test_a_known_small_homography_of_a_photograph_is_found_to_a_few_hundredths_of_a_pixel():
    whole = cv2.GaussianBlur(data.camera().astype(np.float32), (0, 0), 1.5)
    known = np.array([[1.01, 0.02, -1.4], [-0.015, 0.99, 2.1], [2e-5, -1e-5, 1.0]])
    first = whole[100:300, 150:400]
    about = np.array([[1, 0, 150.0], [0, 1, 100], [0, 0, 1]])
    second = cv2.warpPerspective(
        whole, about @ np.linalg.inv(known), (250, 200), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    )
    places = np.array([[20.0, 20], [230, 20], [230, 180], [20, 180]])
    found = near_match(first, second)
    assert found.is_good
    assert found.quality > 0.9
    assert np.hypot(*(follow(found.homography, places) - follow(known, places)).T).max() < 0.05  # resampled twice


def test_the_search_finds_turn_and_zoom_within_the_reach_of_the_fit(out, moved):
    best, *_ = rough_matches(out, moved, count=3)
    off = np.hypot(*(follow(best, corners(CAMERA)) - corners(MOVED)).T)
    assert np.sqrt(np.mean(off**2)) < 8.0  # 5 % of the picture


def test_print_contrast_does_not_change_with_gain_and_level(out):
    assert print_contrast(3 * out + 40) == pytest.approx(print_contrast(out), abs=2e-3)  # float32


def test_a_fit_on_half_of_the_picture_does_not_see_the_rest(out, moved):
    spoiled = out.copy()
    used = np.ones(out.shape, dtype=bool)
    used[:, :50] = False
    start = cv2.getPerspectiveTransform(corners(CAMERA).astype(np.float32), corners(MOVED).astype(np.float32))
    spoiled[:, :44] = np.random.default_rng(5).standard_normal((120, 44))  # 6 px: reach of the contrast's mean
    fits = [refine(one, moved, start, used=used, rounds=3, fine=True) for one in (out, spoiled)]
    off = follow(fits[0], corners(CAMERA)[1:3]) - follow(fits[1], corners(CAMERA)[1:3])
    assert np.abs(off).max() < 0.3


def test_warping_shows_nothing_where_nothing_is_known(out):
    shift = np.array([[1.0, 0, 10], [0, 1, 0], [0, 0, 1]])
    warped = warp(out, shift, out.shape)
    assert np.isnan(warped[:, -10:]).all()
    assert warped[:, :-10] == pytest.approx(out[:, 10:], abs=1e-4)


def test_shrinking_keeps_places_and_means():
    picture_ = np.add.outer(np.arange(100.0), 2 * np.arange(200.0)).astype(np.float32)
    small, to_whole = shrunk(picture_, 200 * 100 // 16)
    assert small.shape == (25, 50)
    column, row = follow(to_whole, np.array([[7.0, 3.0]]))[0]
    assert small[3, 7] == pytest.approx(row + 2 * column, abs=1e-3)
