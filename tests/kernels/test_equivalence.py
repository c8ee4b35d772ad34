import numpy as np
import pytest
from scipy import stats

from heatwake.kernels.equivalence import equivalence


def t_tests(first, second, bound, *, paired):
    """Return the larger of two one-sided p-values by scipy's own t tests."""
    test = stats.ttest_rel if paired else stats.ttest_ind
    lower = test(first, second - bound, alternative="greater").pvalue
    upper = test(first, second + bound, alternative="less").pvalue
    return max(lower, upper)


@pytest.mark.parametrize("paired", [True, False])
def test_the_p_value_is_the_larger_of_two_one_sided_t_tests(paired):
    rng = np.random.default_rng(1)
    for _ in range(5):
        first, second = rng.normal(0.1, 0.3, 6), rng.normal(0.0, 0.3, 6)
        found = equivalence(first, second, bound=0.6, paired=paired)
        assert found.p_value == pytest.approx(t_tests(first, second, 0.6, paired=paired))
        assert found.is_shown == (found.least_bound <= 0.6)  # Schuirmann: the 90 % interval inside of the bound


def test_a_bound_is_shown_by_exactly_the_values_that_a_textbook_says():
    # a difference of mean 0 and standard deviation s of 10 pairs: shown from t(0.95; 9) s / sqrt(10) on,
    # t(0.95; 9) = 1.833 (any table of Student's t)
    pairs = np.array([-1, 1, -1, 1, -1, 1, -1, 1, -1, 1]) * 0.3
    least = 1.833 * pairs.std(ddof=1) / np.sqrt(10)
    zero = np.zeros(10)
    assert equivalence(pairs, zero, bound=least * 1.001, paired=True).is_shown
    assert not equivalence(pairs, zero, bound=least * 0.999, paired=True).is_shown


def test_states_as_far_apart_as_the_bound_are_seldom_called_the_same():
    rng = np.random.default_rng(2)
    told = [
        equivalence(rng.normal(0.5, 0.2, 4), rng.normal(0.0, 0.2, 4), bound=0.5, paired=False).is_shown
        for _ in range(400)
    ]
    assert np.mean(told) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)


def test_values_without_scatter_show_nothing():
    found = equivalence(np.full(3, 1.0), np.full(3, 1.0), bound=1.0, paired=True)
    assert not found.is_shown
    assert np.isnan(found.p_value)
