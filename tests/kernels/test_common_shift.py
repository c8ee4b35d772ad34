"""What all places share, and what single ones scatter by."""

import numpy as np
import pytest
from scipy import stats

from heatwake.kernels.common_shift import common_shift, pooled_spread


def test_one_place_that_changed_moves_the_shift_little():
    middle = np.array([30.0, 45.0, 20.0, 15.0, 38.0])
    values = middle + np.array([[0.3], [-0.2]])
    values[0, 1] += 50.0
    assert common_shift(values, middle) == pytest.approx([0.3, -0.2])
    values[1] = np.nan
    assert common_shift(values, middle)[0] == pytest.approx(0.3)
    assert np.isnan(common_shift(values, middle)[1])


def test_pooled_spreads_are_those_of_an_analysis_of_variance():
    rng = np.random.default_rng(3)
    groups = [rng.normal(level, 0.4, (count, 1)) for level, count in ((30.0, 3), (20.0, 5), (40.0, 2))]
    spread, freedom = pooled_spread(groups)
    assert freedom == 7
    # scipy's F is between groups over within: mean squares of both are known
    whole = np.concatenate(groups)
    between = sum(len(one) * (one.mean() - whole.mean()) ** 2 for one in groups) / 2
    assert between / spread[0] ** 2 == pytest.approx(stats.f_oneway(*(one[:, 0] for one in groups)).statistic)


def test_a_place_that_no_set_up_has_twice_is_not_told():
    spread, freedom = pooled_spread([np.array([[1.0, 2.0, np.nan], [1.2, np.nan, np.nan]])])
    assert spread[0] == pytest.approx(0.2 / np.sqrt(2))
    assert np.isnan(spread[1:]).all()
    assert freedom.tolist() == [1, 0, 0]
