import numpy as np
import pytest

from heatwake.kernels.significance import cluster_floor, gradient_uncertainty, p_values, significant


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


def test_benjamini_and_hochberg_as_statsmodels_has_it():
    from statsmodels.stats.multitest import multipletests

    rng = np.random.default_rng(6)
    scores = np.concatenate([rng.normal(0, 1, 400), rng.normal(3.5, 1, 60)])
    for rate in (0.01, 0.05, 0.2):
        expected = multipletests(p_values(scores, np.ones(460)), alpha=rate, method="fdr_bh")[0]
        assert significant(scores, np.ones(460), rate=rate).tolist() == expected.tolist()


def test_few_degrees_of_freedom_need_more():
    # Student's t, 95 %: 12.71 for one degree of freedom, 2.57 for five (JCGM 100:2008, table G.2)
    for freedom, printed in ((1.0, 12.706), (5.0, 2.571)):
        assert p_values(np.array([printed]), np.ones(1), freedom=freedom) == pytest.approx([0.05], abs=1e-4)


@pytest.mark.parametrize("sigma", [0.8, 1.5])
def test_correlated_noise_keeps_the_stated_rate_of_false_alarms(sigma):
    from scipy import ndimage

    rng = np.random.default_rng(7)
    fields = ndimage.gaussian_filter(rng.normal(size=(60, 60, 80)), (0, sigma, sigma))
    fields /= fields.std()
    least = cluster_floor(4 * np.pi * sigma**2, least=9)
    alarms = [significant(one, np.ones_like(one), rate=0.05, least_cluster=least).any() for one in fields]
    # of 60 fields at 5 %: three, and rarely (1 %) more than seven
    assert sum(alarms) <= 7


def test_each_difference_may_have_degrees_of_freedom_of_its_own():
    # Student's t, two-sided: 2.776 at 4, 1.960 at infinity are 5 % (JCGM 100:2008, table G.2)
    found = p_values(np.array([2.776, 1.960]), np.ones(2), freedom=np.array([4.0, np.inf]))
    assert found == pytest.approx([0.05, 0.05], abs=2e-4)
