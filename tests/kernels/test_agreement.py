import numpy as np
import pytest
from scipy import stats

from heatwake.kernels.agreement import agreement, chi_square, line_with_errors

# Pearson's data with York's weights; K. Pearson, Phil. Mag. 2:559, 1901, and D. York, Can. J. Phys. 44:1079, 1966
X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
WEIGHT_X = np.array([1000.0, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
WEIGHT_Y = np.array([1.0, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])

# Peak expiratory flow by two meters, l/min: J. M. Bland and D. G. Altman, Lancet 327:307, 1986, table 1; from memory
WRIGHT = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0])
MINI = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0])


def test_the_line_of_pearson_s_data_is_york_s():
    line = line_with_errors(X, Y, x_uncertainty=WEIGHT_X**-0.5, y_uncertainty=WEIGHT_Y**-0.5)
    # York and others, Am. J. Phys. 72:367, 2004, table II: 5.47991022 and -0.480533407, uncertainties 0.295 and 0.058
    assert line.intercept == pytest.approx(5.47991022, abs=1e-7)
    assert line.slope == pytest.approx(-0.480533407, abs=1e-8)
    assert line.intercept_uncertainty == pytest.approx(0.295, abs=5e-3)
    assert line.slope_uncertainty == pytest.approx(0.058, abs=5e-4)
    assert line.reduced == pytest.approx(1.4833, abs=1e-3)


def test_a_line_that_points_do_not_tell_is_none():
    same = np.ones(4)
    assert line_with_errors(same, X[:4], x_uncertainty=same, y_uncertainty=same) is None
    assert line_with_errors(X[:2], Y[:2], x_uncertainty=same[:2], y_uncertainty=same[:2]) is None


def test_limits_of_agreement_are_those_of_the_peak_flow_meters():
    found = agreement([np.array([one]) for one in WRIGHT - MINI])
    # printed there: mean -2.1, standard deviation 38.8; limits -79.7 and 75.5 by 2 sd, here 1.96 sd; standard error of
    # a limit 16.3; interval of the bias -22.1 to 17.8
    assert (found.bias, found.spread) == (pytest.approx(-2.1, abs=0.05), pytest.approx(38.8, abs=0.05))
    assert found.bias - 2 * found.spread == pytest.approx(-79.7, abs=0.1)
    assert found.high == pytest.approx(found.bias + 1.96 * found.spread)
    assert found.limit_uncertainty == pytest.approx(16.3, abs=0.05)
    assert (found.bias_low, found.bias_high) == (pytest.approx(-22.1, abs=0.1), pytest.approx(17.8, abs=0.1))


def test_readings_of_one_thing_share_its_error():
    rng = np.random.default_rng(1)
    own = rng.normal(0.0, 1.0, 4000)
    found = agreement([one + rng.normal(0.0, 0.5, 3) for one in own])
    assert found.spread == pytest.approx(np.hypot(1.0, 0.5), rel=0.03)
    assert found.bias_high - found.bias_low == pytest.approx(2 * 1.96 * np.sqrt((1 + 0.25 / 3) / 4000), rel=0.05)


def test_one_thing_has_a_bias_and_no_interval():
    found = agreement([np.array([1.0, 2.0])])
    assert found.bias == 1.5
    assert np.isnan(found.bias_low)


def test_chi_square_is_scipy_s():
    total, chance = chi_square(np.array([1.0, -2.0, 0.5]), np.array([1.0, 1.0, 0.5]))
    assert total == 6.0
    assert chance == pytest.approx(stats.chi2.sf(6.0, 3))
