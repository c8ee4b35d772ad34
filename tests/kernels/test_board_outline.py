"""Outlines found in drawn pictures of known corners, and none where there is none."""

import cv2
import numpy as np
import pytest

from heatwake.kernels.board_outline import find_outline, refine_corners

SHAPE = (120, 160)
CORNERS = np.array([[20.3, 18.7], [140.6, 12.2], [137.1, 101.4], [26.8, 108.9]])
FINE = 6


def drawn(corners=CORNERS, *, noise=0.03, seed=1, shape=SHAPE):
    """Return a board 2 K above its bench with hot parts, drawn finer and seen through blurring optics."""
    fine = np.zeros((shape[0] * FINE, shape[1] * FINE), dtype=np.float32)
    places = ((corners + 0.5) * FINE - 0.5) * 16
    cv2.fillConvexPoly(fine, places.round().astype(np.int32), 2.0, shift=4)
    inside = fine > 0
    rng = np.random.default_rng(seed)
    middle, size = corners.mean(axis=0), np.ptp(corners, axis=0)
    columns, rows = np.meshgrid((np.arange(fine.shape[1]) + 0.5) / FINE, (np.arange(fine.shape[0]) + 0.5) / FINE)
    for column, row in middle + rng.uniform(-0.3, 0.3, (6, 2)) * size:
        part = (np.abs(columns - column) < 0.06 * size[0]) & (np.abs(rows - row) < 0.06 * size[1])
        fine += np.where(part & inside, 12.0, 0).astype(np.float32)
    seen = cv2.GaussianBlur(fine, (0, 0), 0.7 * FINE)
    seen = seen.reshape(shape[0], FINE, shape[1], FINE).mean(axis=(1, 3))
    return (23 + seen + rng.normal(0, noise, shape)).astype(np.float32)


def test_corners_are_found_between_pixels():
    found = find_outline(drawn(), size=(160.0, 118.0))
    assert found is not None
    # drawn edges are ideal: what is left is noise and interpolation, far below the uncertainty that real edges need
    assert np.abs(found.corners - CORNERS).max() < 0.12
    assert found.covered.min() > 0.9
    assert found.confidence == "high"
    assert (found.uncertainty >= 0.15).all()


def test_a_larger_picture_is_searched_small_and_refined_whole():
    found = find_outline(drawn(CORNERS * 3, shape=(360, 480)))
    assert found is not None
    assert np.abs(found.corners - CORNERS * 3).max() < 0.2
    assert np.isnan(found.mismatch)


@pytest.mark.parametrize("degrees", [-28.0, 17.0])
def test_a_turned_board_begins_at_its_upper_left(degrees):
    turn = np.radians(degrees)
    middle = np.array([80.0, 60.0])
    flat = np.array([[-45.0, -28], [45, -28], [45, 28], [-45, 28]])
    corners = flat @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + middle
    found = find_outline(drawn(corners), size=(160.0, 100.0))
    assert found is not None
    assert np.abs(found.corners - corners).max() < 0.15
    assert not found.turned


def test_a_board_that_lies_across_is_numbered_by_its_own_sides():
    corners = np.array([[55.0, 10.0], [105.0, 10.5], [105.5, 110.0], [54.0, 109.0]])
    found = find_outline(drawn(corners), size=(100.0, 50.0))
    assert found is not None
    assert found.turned
    assert np.abs(found.corners - np.roll(corners, 1, axis=0)).max() < 0.15  # its top side runs up the picture's left


def test_where_there_is_no_board_there_is_no_outline():
    rng = np.random.default_rng(5)
    columns, rows = np.meshgrid(np.arange(160), np.arange(120))
    blob = 20 * np.exp(-((columns - 70) ** 2 + (rows - 60) ** 2) / 400)
    level = np.full(SHAPE, 23.0, dtype=np.float32)
    noise = (23 + rng.normal(0, 0.05, SHAPE)).astype(np.float32)
    for picture in (level, noise, (blob + noise).astype(np.float32), np.full(SHAPE, np.nan, dtype=np.float32)):
        assert find_outline(picture, size=(160.0, 100.0)) is None


def test_masked_pixels_are_no_edges():
    picture = drawn()
    picture[40:60, :30] = np.nan
    picture[:3] = np.nan
    found = find_outline(picture)
    assert found is not None
    assert np.abs(found.corners - CORNERS).max() < 0.2


def test_the_stated_uncertainty_grows_where_noise_hides_the_edge():
    clear = refine_corners(drawn(noise=0.02), CORNERS)[1]
    hidden = refine_corners(drawn(noise=1.2), CORNERS)[1]
    assert (hidden > 1.3 * clear).all()
