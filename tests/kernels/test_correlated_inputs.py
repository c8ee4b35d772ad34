"""Inputs that go together: the worked examples of the guide to the expression of uncertainty, JCGM 100:2008 (GUM).

Readings and results of H.2 and H.3 and the resistors of 5.2.2 from memory; that the readings give the printed results
is part of what is checked.
"""

import numpy as np
import pytest

from heatwake.kernels.circular import angle_deviation
from heatwake.kernels.design import find_factors, make_design
from heatwake.kernels.effects import fit_effects
from heatwake.kernels.repeats import pooled_repeatability

# H.2, five simultaneous readings: voltage [V], current [mA], phase [rad]
VOLTAGE = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
CURRENT = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])

# H.3, a thermometer's calibration: temperature and correction [degC]
TEMPERATURE = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
CORRECTION = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])


def test_the_angle_of_a_vector_whose_parts_go_together():
    # table H.4 prints R 127.732 (0.071), X 219.847 (0.295), r(R, X) -0.588; table H.2 the phase, which is their angle,
    # 1.04446 rad with 0.00075
    parts = 1000 * VOLTAGE / CURRENT * np.stack([np.cos(PHASE), np.sin(PHASE)])
    mean, cover = parts.mean(axis=1), np.cov(parts) / 5
    assert np.round(mean, 3).tolist() == [127.732, 219.847]
    assert np.round(np.sqrt(np.diag(cover)), 3).tolist() == [0.071, 0.295]
    assert round(cover[0, 1] / np.sqrt(cover[0, 0] * cover[1, 1]), 3) == -0.588
    assert np.arctan2(mean[1], mean[0]) == pytest.approx(1.04446, abs=5e-6)
    assert round(np.radians(float(angle_deviation(mean, cover))), 5) == 0.00075
    alone = float(angle_deviation(mean, np.diag(np.diag(cover))))
    assert np.radians(alone) < 0.00065  # as if they did not go together


@pytest.fixture(scope="module")
def line():
    runs = [{"temperature": float(one)} for one in TEMPERATURE]
    design = make_design(runs, find_factors(runs, first=runs[0]), order=1)
    return design, fit_effects(CORRECTION, design, design.contrasts())


def test_slope_and_spread_of_the_thermometer(line):
    # printed: slope 0.00218 (0.00067), standard deviation of a reading 0.0035
    _, fit = line
    span = TEMPERATURE[-1] - TEMPERATURE[0]
    assert (round(fit.values[0] / span, 5), round(fit.uncertainty[0] / span, 5)) == (0.00218, 0.00067)
    assert round(fit.spread, 4) == 0.0035
    assert fit.freedom == 9


def test_a_prediction_needs_that_slope_and_intercept_go_together(line):
    # printed: intercept at 20 degC -0.1712 (0.0029), r -0.930; at 30 degC -0.1494 (0.0041)
    _, fit = line
    span = TEMPERATURE[-1] - TEMPERATURE[0]
    weights = np.array([[1 - share, share] for share in (np.array([20.0, 30.0]) - TEMPERATURE[0]) / span])
    values, cover = weights @ fit.predicted, weights @ fit.cover @ weights.T
    assert np.round(values, 4).tolist() == [-0.1712, -0.1494]
    assert np.round(np.sqrt(np.diag(cover)), 4).tolist() == [0.0029, 0.0041]
    slope = np.array([-1.0, 1.0]) / span
    together = weights[0] @ fit.cover @ slope / np.sqrt(cover[0, 0] * (slope @ fit.cover @ slope))
    assert round(float(together), 3) == -0.930


def test_what_all_share_scales_a_sum_and_does_not_average_out():
    # 5.2.2: ten resistors of 1000 ohm, all calibrated (0.1 ohm) against one standard: 1 ohm in series, not 0.32
    rng = np.random.default_rng(3)
    takes = 1000.0 + np.repeat(rng.normal(0, 0.1, (4000, 1)), 10, axis=1)
    found = pooled_repeatability([takes])
    assert 10 * float(found.spread(1000.0)) == pytest.approx(1.0, rel=0.05)  # 4000 draws: 1.1 %
