import numpy as np
import pytest

from heatwake.kernels.repeats import Repeatability, coverage_factor, pooled_repeatability, takes_needed


def test_the_number_of_takes_is_that_of_statsmodels():
    from statsmodels.stats.power import TTestIndPower

    for ratio in (0.6, 1.0, 1.7, 2.5, 4.0):
        exact = TTestIndPower().solve_power(effect_size=ratio, alpha=0.05, power=0.8)
        assert takes_needed(ratio, spread=1.0) == max(2, int(np.ceil(exact)))


@pytest.mark.parametrize(("takes", "difference"), [(2, 5.7), (3, 3.1), (4, 2.4), (6, 1.8), (10, 1.3)])
def test_the_least_difference_of_n_takes_in_units_of_their_spread(takes, difference):
    # Student's two-sample test, 80 % power, 5 % two-sided: table of any text on sample size, to its last digit
    assert takes_needed(difference * 1.03, spread=1.0) <= takes
    assert takes_needed(difference * 0.95, spread=1.0) > takes


@pytest.mark.parametrize(("freedom", "printed"), [(1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (50, 2.01)])
def test_coverage_factors_are_those_of_the_gum(freedom, printed):
    # JCGM 100:2008, table G.2, 95 %
    assert coverage_factor(freedom) == pytest.approx(printed, abs=0.005)


def test_constant_and_share_are_told_apart():
    rng = np.random.default_rng(4)
    rises = np.array([3.0, 8.0, 15.0, 30.0, 50.0, 70.0])
    sets = []
    for _ in range(400):
        common, film = rng.normal(0, 0.2, (3, 1)), rng.normal(0, 0.01, (3, 1))
        sets.append(rises * (1 + film) + common)
    found = pooled_repeatability(sets)
    assert found.freedom == 800
    # of 800 degrees of freedom: 2.5 % each, more where one hides in the other
    assert found.constant == pytest.approx(0.2, rel=0.1)
    assert found.share == pytest.approx(0.01, rel=0.1)


def test_without_a_second_take_nothing_is_known():
    assert pooled_repeatability([np.array([[20.0, 30.0]])]) is None
    assert pooled_repeatability([np.array([[20.0, np.nan], [np.nan, 30.0]])]) is None


def test_a_region_that_one_take_lacks_is_left_out():
    found = pooled_repeatability([np.array([[20.0, 30.0], [20.2, np.nan], [20.4, np.nan]])])
    assert found.freedom == 2
    assert found.spread(20.2) == pytest.approx(0.2)


def test_constant_and_share_add_in_squares():
    assert Repeatability(0.3, 0.008, 4.0).spread(50.0) == pytest.approx(0.5)


def test_variances_pool_as_those_of_mercury_in_fish():
    # D. A. Skoog and D. M. West, Fundamentals of Analytical Chemistry, pooling of data: seven specimens, 28 readings,
    # 21 degrees of freedom, pooled standard deviation 0.10 ppm from a sum of squares of 0.2196; from memory
    specimens = (
        (1.80, 1.58, 1.64), (0.96, 0.98, 1.02, 1.10), (3.13, 3.35), (2.06, 1.93, 2.12, 2.16, 1.89, 1.95),
        (0.57, 0.58, 0.64, 0.49), (2.35, 2.44, 2.70, 2.48, 2.44), (1.11, 1.15, 1.22, 1.04),
    )  # fmt: skip
    level = 20.0  # all at one rise: a constant and a share of it are then one
    found = pooled_repeatability([(np.array(one) - np.mean(one) + level)[:, None] for one in specimens])
    assert found.freedom == 21
    assert found.spread(level) == pytest.approx(np.sqrt(0.2196 / 21), rel=2e-3)
