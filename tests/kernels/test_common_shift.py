"""What all places share, and what single ones scatter by."""

import numpy as np
import pytest
from scipy import stats

from heatwake.kernels.common_shift import common_shift, pooled_spread, shift_of_others


def test_one_place_that_changed_moves_the_shift_little():
    middle = np.array([30.0, 45.0, 20.0, 15.0, 38.0])
    values = middle + np.array([[0.3], [-0.2]])
    values[0, 1] += 50.0
    assert common_shift(values, middle) == pytest.approx([0.3, -0.2])
    values[1] = np.nan
    assert common_shift(values, middle)[0] == pytest.approx(0.3)
    assert np.isnan(common_shift(values, middle)[1])


def test_a_place_does_not_count_among_its_others():
    middle = np.array([30.0, 45.0, 20.0, 15.0])
    values = middle + np.array([[0.0, 4.0, 0.2, -0.1]])
    # medians of (4, 0.2, -0.1), (0, 0.2, -0.1), (0, 4, -0.1) and (0, 4, 0.2)
    assert shift_of_others(values, middle)[0] == pytest.approx([0.2, 0.0, 0.0, 0.2])
    values[0, 3] = np.nan
    assert shift_of_others(values, middle)[0] == pytest.approx([2.1, 0.1, 2.0, 0.2])


def test_pooled_spreads_are_those_of_an_analysis_of_variance():
    rng = np.random.default_rng(3)
    groups = [rng.normal(level, 0.4, (count, 1)) for level, count in ((30.0, 3), (20.0, 5), (40.0, 2))]
    spread, freedom = pooled_spread([one - one.mean() for one in groups])
    assert freedom == 7
    # scipy's F is between groups over within: mean squares of both are known
    whole = np.concatenate(groups)
    between = sum(len(one) * (one.mean() - whole.mean()) ** 2 for one in groups) / 2
    assert between / spread[0] ** 2 == pytest.approx(stats.f_oneway(*(one[:, 0] for one in groups)).statistic)


def test_a_place_that_no_set_up_has_twice_is_not_told():
    spread, freedom = pooled_spread([np.array([[-0.1, 0.0, np.nan], [0.1, np.nan, np.nan]])])
    assert spread[0] == pytest.approx(0.2 / np.sqrt(2))
    assert np.isnan(spread[1:]).all()
    assert freedom.tolist() == [1, 0, 0]


def test_medians_are_numpy_s():
    rng = np.random.default_rng(2)
    values = np.where(rng.random((40, 6)) < 0.2, np.nan, rng.standard_normal((40, 6)))
    values[:, 0] = rng.standard_normal(40)
    assert common_shift(values, np.zeros(6)) == pytest.approx(np.nanmedian(values, axis=1))
    assert shift_of_others(values, np.zeros(6))[:, 0] == pytest.approx(
        [np.nan if np.isnan(row).all() else np.nanmedian(row) for row in values[:, 1:]], nan_ok=True
    )
