"""Power by first warming, on two-body networks of known power: closed by a matrix exponential."""

import numpy as np
import pytest
from scipy.linalg import expm

from heatwake.kernels.initial_slope import initial_slopes, slope_ratio

TIME = np.arange(0.0, 21.0, 1.0)
POWERS, CAPACITIES = np.array([2.5, 2.0, 3.6, 0.5]), np.array([6.0, 7.0, 14.0, 4.0])  # [W], [J/K]


def heating(*, power: float, cooling: float, noise: float, seed: int) -> np.ndarray:
    """Return the rise of four parts on one board (parts, time) with any cooling of theirs [W/K]."""
    rng = np.random.default_rng(seed)
    size = len(POWERS) + 1
    capacity = np.append(CAPACITIES, 90.0)
    links = np.zeros((size, size))
    links[:-1, -1] = links[-1, :-1] = 0.05
    matrix = (links - np.diag(links.sum(axis=1) + np.append(cooling * 0.02 * np.ones(4), cooling * 0.3))) / capacity[
        :, None
    ]
    source = power * np.append(POWERS, 0.0) / capacity
    steps = [np.linalg.solve(matrix, (expm(matrix * time) - np.eye(size)) @ source) for time in TIME]
    return np.array(steps).T[:-1] + rng.normal(0, noise, (4, len(TIME)))


@pytest.mark.parametrize("ratio", [1.0, 1.03, 0.9])
def test_power_is_told_whatever_the_flow(ratio):
    runs = [heating(power=p, cooling=c, noise=0.006, seed=s) for p, c, s in ((ratio, 2.5, 1), (1.0, 0.8, 2))]
    found = slope_ratio(*(initial_slopes(run, since=TIME) for run in runs))
    assert found.regions == 4
    assert found.uncertainty < 0.01
    assert abs(found.ratio - ratio) < max(3 * found.uncertainty, 0.01)


def test_a_straight_line_gives_its_slope():
    rise = 0.3 * TIME[None, :] + 0.1
    slope, spread = initial_slopes(rise, since=TIME)
    assert slope == pytest.approx([0.3])
    assert spread == pytest.approx([0.0], abs=1e-9)


def test_too_few_readings_or_cold_parts_tell_nothing():
    assert np.isnan(initial_slopes(np.ones((2, 3)), since=np.arange(3.0))[0]).all()
    cold = (np.array([0.001, 0.5]), np.array([0.001, 0.001]))
    assert np.isnan(slope_ratio(cold, cold).ratio)
