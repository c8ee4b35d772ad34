import numpy as np

from heatwake.kernels.hot_spots import find_hot_spots

GRID_X, GRID_Y = np.meshgrid(np.arange(120.0), np.arange(80.0))


def spot(x, y, peak, size):
    return peak * np.exp(-((GRID_X - x) ** 2 + (GRID_Y - y) ** 2) / (2 * size**2))


def places(found):
    return sorted((one.column, one.row) for one in found)


def test_each_peak_is_found_at_its_place():
    rise = spot(30, 20, 10, 4) + spot(80, 60, 3, 6)
    assert places(find_hot_spots(rise, least=0.5)) == [(30, 20), (80, 60)]


def test_touching_peaks_are_kept_apart():
    rise = spot(50, 40, 10, 4) + spot(61, 40, 8, 4)
    assert len(find_hot_spots(rise, least=0.5)) == 2


def test_a_shoulder_lower_than_the_least_prominence_is_no_spot():
    rise = spot(50, 40, 10, 6) + spot(61, 40, 4, 5)
    assert len(find_hot_spots(rise, least=1.0)) == 1


def test_noise_and_a_slope_of_the_background_are_no_spots():
    noise = np.random.default_rng(1).normal(0, 0.05, GRID_X.shape)
    assert find_hot_spots(noise + 0.05 * GRID_X, least=0.5) == []


def test_masked_pixels_are_not_seen():
    rise = spot(30, 20, 10, 4) + spot(80, 60, 5, 4)
    rise[50:70, 70:90] = np.nan
    assert places(find_hot_spots(rise, least=0.5)) == [(30, 20)]


def test_nothing_seen_nothing_found():
    assert find_hot_spots(np.full((8, 8), np.nan), least=0.5) == []


def test_a_saturated_plateau_is_one_spot():
    assert len(find_hot_spots(np.minimum(spot(50, 40, 20, 8), 8.0), least=0.5)) == 1


def test_the_mask_covers_the_upper_half_of_the_peak():
    # Area above half of a Gaussian: 2 pi ln 2 sigma^2.
    [found] = find_hot_spots(spot(60, 40, 10, 5), least=0.5, blur=0.1)
    assert abs(found.mask.sum() - 2 * np.pi * np.log(2) * 25) < 12
