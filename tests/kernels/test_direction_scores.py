import numpy as np
import pytest
from astropy.stats import circmean, circstd
from scipy.stats import binomtest

from heatwake.kernels.circular import deviation, resultant
from heatwake.kernels.direction_scores import angle_between, arrows_needed, share, thinned


@pytest.mark.parametrize(("hits", "count"), [(0, 10), (3, 10), (10, 10), (1, 149), (42, 50)])
def test_intervals_are_the_exact_ones_of_scipy(hits, count):
    expected = binomtest(hits, count).proportion_ci(0.95, method="exact")
    made = share(hits, count)
    assert (made.low, made.high) == pytest.approx((expected.low, expected.high))
    assert made.below == pytest.approx(binomtest(hits, count).proportion_ci(0.90, method="exact").high)


@pytest.mark.parametrize(
    ("hits", "count", "low", "high"),
    # Clopper and Pearson, 95 %, as in many texts' tables of binomial limits; from memory
    [(0, 10, 0.0, 0.3085), (1, 10, 0.0025, 0.4450), (5, 10, 0.1871, 0.8129), (10, 10, 0.6915, 1.0)],
)
def test_intervals_are_those_of_the_table(hits, count, low, high):
    made = share(hits, count)
    assert (made.low, made.high) == pytest.approx((low, high), abs=5e-5)


def test_none_wrong_follows_the_rule_of_three():
    # Hanley and Lippman-Hand, JAMA 249:1743, 1983: 3/n above, to a few percent from 30 on
    for count in (30, 149, 1000):
        assert share(0, count).below == pytest.approx(3 / count, rel=0.06)
    assert arrows_needed(0.02) == 149


@pytest.mark.parametrize(("wrong", "needed"), [(0, 59), (1, 93), (2, 124), (3, 153)])
def test_as_many_arrows_are_needed_as_for_95_of_95(wrong, needed):
    # sample sizes of a 95 %/95 % tolerance limit: S. S. Wilks, Ann. Math. Stat. 12:91, 1941; 59, 93, 124, 153 in print
    assert arrows_needed(0.05, wrong=wrong) == needed


def test_nothing_of_nothing_is_not_known():
    made = share(0, 0)
    assert np.isnan(made.value)
    assert (made.low, made.high) == (0.0, 1.0)


def test_means_of_angles_are_astropy_s():
    angles = angle_between(np.array([170.0, -175.0, 30.0, 200.0]), np.array([-170.0, 160.0, 10.0, 190.0]))
    assert angles == pytest.approx([-20.0, 25.0, 20.0, 10.0])
    mean, length = resultant(angles)
    assert mean == pytest.approx(np.degrees(circmean(np.radians(angles))))
    assert deviation(np.array(length)) == pytest.approx(np.degrees(circstd(np.radians(angles), method="circular")))


def test_what_counts_is_apart_and_everything_else_is_near_to_it():
    rng = np.random.default_rng(1)
    for count in (0, 1, 7, 60):
        x, y = rng.uniform(0, 100, (2, count))
        chosen = thinned(x, y, apart=20.0)
        distance = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :])
        kept = distance[np.ix_(chosen, chosen)]
        assert (kept[~np.eye(kept.shape[0], dtype=bool)] >= 20.0).all()
        assert (distance[:, chosen].min(axis=1, initial=np.inf) < 20.0).all()
