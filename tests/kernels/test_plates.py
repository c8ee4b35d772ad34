"""Plates found by their edges, in maps written down by hand."""

import cv2
import numpy as np
import pytest

from heatwake.kernels.load_steps import ALONE
from heatwake.kernels.plates import find_plates, plate_contrast

SHAPE, NOISE, BLUR = (70, 90), 0.05, 1.5
ROWS, COLUMNS = np.mgrid[: SHAPE[0], : SHAPE[1]]


def plate(row, column, height, width, *, level=1.0):
    """Return an even part from a row and a column on, as optics show it."""
    inside = (row <= ROWS) & (row + height > ROWS) & (column <= COLUMNS) & (column + width > COLUMNS)
    return cv2.GaussianBlur(level * inside.astype(np.float32), (0, 0), BLUR)


def noisy(level, *, seed=3):
    noise = np.random.default_rng(seed).normal(0, NOISE, SHAPE)
    return cv2.medianBlur((level + noise).astype(np.float32), 5)


def boxes(level):
    return [(one.rows.start, one.columns.start, *one.sides) for one in find_plates(level, noise=NOISE)]


def overlap(box, wanted):
    """Return what two rectangles share over what they take together."""
    common = np.prod(
        [max(min(box[n] + box[n + 2], wanted[n] + wanted[n + 2]) - max(box[n], wanted[n]), 0) for n in (0, 1)]
    )
    return common / (box[2] * box[3] + wanted[2] * wanted[3] - common)


@pytest.mark.parametrize("wanted", [(20, 30, 24, 26), (15, 40, 9, 28), (30, 20, 12, 8)])
def test_a_plate_is_found_once_within_a_pixel_or_two_of_its_edges(wanted):
    [found] = boxes(noisy(plate(*wanted, level=5.0)))
    assert np.abs(np.subtract(found[:2], wanted[:2])).max() <= 2
    assert overlap(found, wanted) > 0.75


def test_a_weaker_part_beside_a_stronger_one_is_a_plate_of_its_own():
    strong, weak = (20, 15, 22, 20), (18, 41, 26, 24)
    heat = 6.0 * np.exp(-((ROWS - 31) ** 2 + (COLUMNS - 25) ** 2) / 2 / 22.0**2)
    found = boxes(noisy(heat + plate(*strong, level=12.0) + plate(*weak, level=3.0)))
    assert max(overlap(one, strong) for one in found) > 0.6
    assert max(overlap(one, weak) for one in found) > 0.6


def test_two_parts_with_a_gap_between_them_are_not_one():
    both = plate(20, 30, 10, 24, level=6.0) + plate(34, 30, 12, 24, level=5.0)
    assert all(one[2] < 20 for one in boxes(noisy(both)))
    assert len(boxes(noisy(both))) == 2


@pytest.mark.parametrize("seed", range(5))
def test_neither_noise_nor_a_slope_nor_spread_heat_has_edges(seed):
    slope = 0.1 * COLUMNS + 8.0 * np.exp(-((ROWS - 35) ** 2 + (COLUMNS - 45) ** 2) / 2 / 14.0**2)
    assert boxes(noisy(np.zeros(SHAPE), seed=seed)) == []
    assert boxes(noisy(slope, seed=seed)) == []


def test_a_strip_along_a_strong_part_that_ends_with_the_copper_under_it_is_no_part():
    part = (20, 20, 20, 20)
    away = np.maximum(np.maximum(20 - ROWS, ROWS - 39), np.maximum(20 - COLUMNS, COLUMNS - 39)).clip(0)
    end = np.maximum(np.maximum(12 - ROWS, ROWS - 54), np.maximum(12 - COLUMNS, COLUMNS - 70)).clip(0)
    heat = 12.0 * np.exp(-away / 14) * np.exp(-end / 4)  # falls slowly on the copper and steeply beyond it
    level = noisy(cv2.GaussianBlur(heat.astype(np.float32), (0, 0), BLUR) + plate(*part, level=4.0))
    [found] = [one for one in boxes(level) if min(one[2:]) >= ALONE]
    assert overlap(found, part) > 0.8


def test_contrast_is_what_stands_over_the_map_beyond_the_sides():
    level = 2.0 + np.where((ROWS >= 20) & (ROWS < 32) & (COLUMNS >= 30) & (COLUMNS < 50), 4.0, 0.0)
    assert plate_contrast(level, slice(20, 32), slice(30, 50)) == pytest.approx(4.0)
    level[:, :28] = np.nan
    assert plate_contrast(level, slice(20, 32), slice(30, 50)) == pytest.approx(4.0)
    assert plate_contrast(np.full(SHAPE, np.nan), slice(20, 32), slice(30, 50)) == 0.0
