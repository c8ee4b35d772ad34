import numpy as np
import pytest

from heatwake.kernels.significance import gradient_uncertainty, significant


def test_benjamini_and_hochberg_1995_worked_example():
    # Benjamini & Hochberg 1995, section 3.2: 15 ordered p-values, at q = 0.05 the first four are rejected.
    from scipy.stats import norm

    p_values = np.array([0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
                         0.5719, 0.6528, 0.7590, 1.0000])  # fmt: skip
    scores = norm.isf(p_values / 2)
    assert significant(scores, np.ones(15), rate=0.05).tolist() == [True] * 4 + [False] * 11


def test_pure_noise_flags_nearly_nothing():
    noise = np.random.default_rng(3).normal(size=(100, 160))
    assert significant(noise, np.ones_like(noise), rate=0.01, least_cluster=9).mean() == 0


def test_a_patch_well_above_noise_is_flagged_and_little_else():
    values = np.random.default_rng(3).normal(size=(100, 160))
    values[40:50, 60:70] += 6
    flags = significant(values, np.ones_like(values), rate=0.01, least_cluster=9)
    assert flags[40:50, 60:70].mean() > 0.95
    assert flags.sum() - flags[40:50, 60:70].sum() <= 3


def test_clusters_below_the_floor_are_dropped():
    values = np.zeros((20, 20))
    values[5, 5:8] = 50
    assert not significant(values, np.ones_like(values), rate=0.01, least_cluster=4).any()


@pytest.mark.parametrize("bad", [np.nan, 0.0])
def test_without_an_uncertainty_nothing_is_significant(bad):
    assert not significant(np.full(4, 9.0), np.full(4, bad), rate=0.05).any()


def test_a_slope_of_two_kelvin_a_pixel_is_uncertain_by_one_for_half_a_pixel():
    slope = 2.0 * np.arange(10)[None, :] * np.ones((5, 1))
    assert gradient_uncertainty(slope, placement=0.5) == pytest.approx(1.0)
