"""Blobs of every size, on flat ground, slopes and shoulders; discs and Gaussians give the closed forms."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from skimage.feature import blob_log

from heatwake.kernels.hot_blobs import ScaleSpace, find_blobs, scale_widths

ROWS, COLUMNS = np.mgrid[:90.0, :140.0]


def gaussian(row, column, peak, size):
    return peak * np.exp(-((ROWS - row) ** 2 + (COLUMNS - column) ** 2) / (2 * size**2))


def plate(row, column, peak, half):
    return peak * ((np.abs(ROWS - row) <= half) & (np.abs(COLUMNS - column) <= half))


def found(rise, *, least=0.5, share=0.0):
    return find_blobs(ScaleSpace(rise), least=least, share=share)


def places(rise, **settings):
    return sorted((one.row, one.column) for one in found(rise, **settings))


@pytest.mark.parametrize("size", [3.0, 5.0, 9.0])
def test_a_gaussian_is_found_at_its_place_with_its_width(size):
    # sigma^2 |LoG| of a Gaussian is highest at its own width, where it is half its height (Lindeberg 1998)
    [blob] = found(gaussian(45, 70, 10.0, size))
    assert (blob.row, blob.column) == (45, 70)
    assert blob.width == pytest.approx(size, rel=0.25)
    # the median over 5 px takes off the top of a narrow one, and no width of the row may be quite its own
    assert blob.contrast == pytest.approx(10 / 2 * np.e / 2, rel=0.2 if size < 5 else 0.08)


def test_a_discs_contrast_is_its_height_over_the_ground():
    disc = 4.0 * (np.hypot(ROWS - 45, COLUMNS - 70) <= 9)
    [blob] = found(disc + 20.0)
    assert blob.contrast == pytest.approx(4.0, rel=0.06)
    assert blob.width * 2**0.5 == pytest.approx(9, rel=0.25)


def test_a_warm_room_a_slope_and_noise_are_none():
    noise = np.random.default_rng(4).normal(0, 0.05, ROWS.shape)
    assert found(30 + 0.3 * COLUMNS - 0.2 * ROWS + noise) == []


def test_a_small_part_on_a_large_ones_shoulder_is_found_though_it_is_no_peak():
    rise = gaussian(45, 60, 20.0, 11.0) + gaussian(45, 80, 4.0, 3.5)
    assert (np.diff(rise[45, 60:]) < 0).all()  # no peak of its own
    [large, small] = found(rise)
    assert np.hypot(large.row - 45, large.column - 60) <= 2
    assert np.hypot(small.row - 45, small.column - 80) <= 2


def test_a_plate_is_one_blob_not_four_corners():
    [blob] = found(plate(45, 70, 10.0, 12))
    assert np.hypot(blob.row - 45, blob.column - 70) <= 2


def test_two_plates_side_by_side_are_two():
    rise = gaussian_filter(plate(45, 60, 10.0, 6) + plate(45, 76, 8.0, 6), 1.0)  # as optics blur them
    assert [column for _, column in places(rise)] == pytest.approx([60, 76], abs=2)


def test_an_edge_is_no_blob():
    assert found(10.0 * (COLUMNS > 70)) == []


def test_what_is_masked_hides_what_lies_in_it_and_is_none_itself():
    rise = gaussian(30, 40, 10.0, 4) + gaussian(60, 100, 10.0, 4)
    rise[50:75, 85:120] = np.nan
    assert places(rise) == [(30, 40)]
    assert found(np.full(ROWS.shape, np.nan)) == []


def test_a_blob_covers_its_middle_and_not_its_neighbourhood():
    [blob] = found(gaussian(45, 70, 10.0, 5.0))
    assert blob.covers(45, 70)
    assert blob.covers(48, 72)
    assert not blob.covers(45, 84)
    assert not blob.covers(5, 5)


def test_gaussians_are_where_scikit_image_sees_them():
    # blob_log of scikit-image, its own scale space: same places, width within a step of the row of widths
    rise = gaussian(25, 35, 10.0, 4) + gaussian(60, 100, 7.0, 7) + gaussian(65, 40, 5.0, 3)
    theirs = blob_log(rise, min_sigma=2, max_sigma=11, num_sigma=10, threshold=0.5)
    ours = found(rise)
    assert sorted((one.row, one.column) for one in ours) == sorted((int(r), int(c)) for r, c, _ in theirs)
    for blob in ours:
        [width] = [w for r, c, w in theirs if (int(r), int(c)) == (blob.row, blob.column)]
        assert blob.width == pytest.approx(width, rel=0.42)


def test_widths_grow_with_the_map():
    assert scale_widths((10, 10)) == (2.0,)
    assert max(scale_widths((90, 140))) == pytest.approx(11.3, abs=0.1)
