"""Coverage factors against closed limits and trials."""

import numpy as np
import pytest

from heatwake.kernels.coverage import coverage_factor


def test_a_normal_error_alone_has_1_96_and_a_rectangular_one_0_95_root_3():
    # 1.95996 and 1.65: JCGM 100:2008, G.6.4 and table G.1 (values from memory; both follow from the distributions)
    assert coverage_factor([0.0, 1.0]) == pytest.approx([1.959964, 0.95 * np.sqrt(3)], abs=1e-6)
    assert np.isnan(coverage_factor(np.nan))


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.77, 0.9, 0.97, 0.995])
def test_the_interval_holds_95_percent_of_trials(share):
    rng = np.random.default_rng(int(1000 * share))
    count = 1_000_000
    errors = rng.uniform(-1, 1, count) * np.sqrt(3 * share) + rng.standard_normal(count) * np.sqrt(1 - share)
    # a share of a million trials is known to 0.0002; the table's lines add as much again
    assert np.mean(np.abs(errors) <= coverage_factor(share)) == pytest.approx(0.95, abs=6e-4)


def test_a_level_can_be_chosen():
    assert coverage_factor(0.0, level=0.6826894921) == pytest.approx(1.0, abs=1e-6)
