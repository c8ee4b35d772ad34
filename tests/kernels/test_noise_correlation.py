import numpy as np
import pytest
from scipy import ndimage

from heatwake.kernels.noise_correlation import correlation_area


def test_white_noise_shares_nothing():
    maps = np.random.default_rng(1).normal(size=(10, 80, 100))
    assert correlation_area(maps) == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("sigma", [0.8, 1.2, 1.6])
def test_noise_smoothed_by_a_gaussian_has_its_closed_form(sigma):
    # the autocorrelation of white noise through a Gaussian is one of root 2 its width: integral 4 pi sigma^2
    rng = np.random.default_rng(2)
    maps = ndimage.gaussian_filter(rng.normal(size=(12, 120, 160)), (0, sigma, sigma))
    # what lies below 0.05 of the peak is not counted: 5 % of a Gaussian's volume
    assert correlation_area(maps) == pytest.approx(0.95 * 4 * np.pi * sigma**2, rel=0.12)


def test_a_picture_that_stays_and_a_level_that_moves_are_not_noise():
    rng = np.random.default_rng(3)
    picture = 40 * ndimage.gaussian_filter(rng.normal(size=(80, 100)), 4)
    maps = picture + 0.3 * np.arange(8)[:, None, None] + 0.05 * rng.normal(size=(8, 80, 100))
    assert correlation_area(maps) == pytest.approx(1.0, abs=0.1)


def test_holes_do_not_count():
    maps = np.random.default_rng(4).normal(size=(8, 60, 80))
    maps[:, 10:30, 20:50] = np.nan
    assert correlation_area(maps) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("maps", [np.zeros((1, 20, 20)), np.full((5, 20, 20), np.nan), np.zeros((5, 20, 20))])
def test_nothing_to_tell_from_is_nan(maps):
    assert np.isnan(correlation_area(maps))
