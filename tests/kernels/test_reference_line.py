"""Slopes through points with errors in both coordinates, against published ones."""

import numpy as np
import pytest

from heatwake.kernels.planck import BandTable
from heatwake.kernels.reference_line import reference_line

TABLE = BandTable.for_band(7.5, 14.0)


def test_two_references_through_a_film_of_0_9():
    # 40 and 80 degC read as 39.0392 and 75.7531 through 0.9: plain degrees give 0.9178
    bare, covered = np.array([40.0, 80.0]), np.array([39.0392, 75.7531])
    one = np.ones(2)
    slope, _ = reference_line(
        TABLE.radiance(bare), TABLE.radiance(covered), bare_uncertainty=one, covered_uncertainty=one
    )
    assert slope == pytest.approx(0.9000, abs=1e-4)
    degrees, _ = reference_line(bare, covered, bare_uncertainty=one, covered_uncertainty=one)
    assert degrees == pytest.approx(0.9178, abs=1e-4)


def test_the_uncertainty_of_two_points_is_that_of_their_ratio():
    # slope (y2 - y1)/(x2 - x1): first order of four independent errors
    slope, spread = reference_line(
        np.array([70.0, 120.0]),
        np.array([69.0, 114.0]),
        bare_uncertainty=np.array([0.2, 0.3]),
        covered_uncertainty=np.array([0.25, 0.15]),
    )
    assert slope == pytest.approx(0.9)
    own = np.sqrt(0.25**2 + 0.15**2 + 0.9**2 * (0.2**2 + 0.3**2)) / 50
    assert spread == pytest.approx(own, rel=1e-9)


def test_pearsons_points_with_yorks_weights():
    # York et al., Am. J. Phys. 72 (2004) 367: slope -0.480533 +- 0.0579850 with (chi^2)/(n - 2) 1.4833 (from memory)
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    x_weight = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    y_weight = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500.0])
    slope, spread = reference_line(x, y, bare_uncertainty=x_weight**-0.5, covered_uncertainty=y_weight**-0.5)
    assert slope == pytest.approx(-0.480533, abs=2e-6)
    assert spread == pytest.approx(0.0579850 * np.sqrt(1.4833), rel=1e-3)


def test_many_draws_scatter_as_the_uncertainty_says():
    rng = np.random.default_rng(7)
    truth = np.linspace(60, 120, 5)
    slopes, spreads = [], []
    for _ in range(400):
        bare, covered = (values + 0.4 * rng.standard_normal(5) for values in (truth, 0.88 * truth + 6))
        one = np.full(5, 0.4)
        slope, spread = reference_line(bare, covered, bare_uncertainty=one, covered_uncertainty=one)
        slopes.append(slope)
        spreads.append(spread)
    assert np.mean(slopes) == pytest.approx(0.88, abs=0.002)
    # a scatter of 400 is known to 3.5 %; what scatters less than stated keeps the stated uncertainty: some 20 % more
    assert np.std(slopes) < np.mean(spreads) < 1.4 * np.std(slopes)


def test_references_of_one_temperature_give_no_number():
    same = np.full(3, 70.0)
    slope, spread = reference_line(same, same, bare_uncertainty=np.ones(3), covered_uncertainty=np.ones(3))
    assert np.isnan(slope)
    assert np.isnan(spread)
