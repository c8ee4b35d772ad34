import math

import numpy as np
import pytest
from scipy import stats

from heatwake.kernels.known_good import prediction_factor, tolerance_factor


@pytest.mark.parametrize(
    ("count", "factor"), [(3, 4.968), (4, 3.558), (5, 3.041), (6, 2.777), (10, 2.373), (20, 2.145), (30, 2.079)]
)
def test_factors_of_prediction_are_those_of_the_table(count, factor):
    # two-sided 95 %, one further value: Hahn and Meeker, Statistical Intervals, table of r(0.95; 1, n); from memory
    assert prediction_factor(1 + 1 / count, freedom=count - 1, rate=0.05) == pytest.approx(factor, abs=6e-3)


@pytest.mark.parametrize(
    ("count", "content", "confidence", "factor"),
    [(10, 0.95, 0.95, 3.379), (20, 0.95, 0.95, 2.752), (30, 0.99, 0.95, 3.350), (50, 0.90, 0.99, 2.162)],
)
def test_factors_of_tolerance_are_those_of_the_table(count, content, confidence, factor):
    # two-sided: Dixon and Massey, Introduction to Statistical Analysis, table A-16, as in many texts; from memory.
    # Howe's approximation is good to a few tenths of a percent from ten values on
    made = tolerance_factor(1 + 1 / count, freedom=count - 1, content=content, confidence=confidence)
    assert made == pytest.approx(factor, rel=4e-3)


def test_a_tolerance_interval_of_many_values_is_that_of_the_distribution():
    assert tolerance_factor(1.0, freedom=math.inf, content=0.95, confidence=0.99) == pytest.approx(1.96, abs=1e-3)
    assert prediction_factor(1.0, freedom=math.inf, rate=0.05) == pytest.approx(1.96, abs=1e-3)


def test_the_mean_of_several_values_lies_outside_as_often_as_said():
    rng = np.random.default_rng(3)
    old, new = rng.standard_normal((20_000, 6)), rng.standard_normal((20_000, 2)).mean(axis=1)
    half = prediction_factor(1 / 2 + 1 / 6, freedom=5, rate=0.05) * old.std(axis=1, ddof=1)
    outside = (np.abs(new - old.mean(axis=1)) > half).mean()
    assert outside == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 20_000))


def test_a_prediction_factor_is_student_s():
    expected = stats.t.ppf(0.995, 7) * math.sqrt(1.5)
    assert prediction_factor(1.5, freedom=7, rate=0.01) == pytest.approx(expected)
