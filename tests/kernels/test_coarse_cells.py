"""Fields, flows and weights on cells twice as large."""

import numpy as np
import pytest

from heatwake.kernels.coarse_cells import coarse_flow, coarse_recording, coarse_rows, coarser, shares
from heatwake.kernels.flow_family import opening_flow, uniform_wind
from heatwake.kernels.openings import CellGrid, face_neighbours, perimeter_arc
from heatwake.kernels.rise_rows import Recording, SingleRows, single_rows

FINE = CellGrid(40, 25, 0.16, 0.1)
COARSE = coarser(FINE)
SHARE = shares(FINE, COARSE)


def test_few_cells_are_not_made_fewer():
    assert coarser(CellGrid(20, 12, 0.16, 0.1)) is None


def test_every_fine_cell_is_shared_out_whole_and_by_area():
    assert SHARE.sum(axis=1) == pytest.approx(1.0)
    assert SHARE.sum(axis=0) == pytest.approx(FINE.cells / COARSE.cells)


def test_weights_carry_the_same_information_and_values_their_mean():
    rng = np.random.default_rng(1)
    weight, rise = rng.uniform(0.0, 3.0, (2, 2, FINE.cells))
    weight[:, :60] = 0.0
    rows = coarse_rows(SingleRows(weight, rise), SHARE)
    assert (rows.weight**2).sum() == pytest.approx((weight**2).sum())
    assert (rows.weight**2 * rows.rise).sum() == pytest.approx((weight**2 * rise).sum())


def test_a_pattern_that_is_not_seen_at_all_stays_unseen():
    rise = np.full((1, FINE.cells), 4.0)
    rise.reshape(FINE.rows, FINE.columns)[:, :20] = np.nan
    seen = Recording((np.inf,), rise, np.full_like(rise, 0.02))
    made = coarse_recording(seen, SHARE)
    assert made.noise == pytest.approx(0.02)
    maps = made.rise.reshape(COARSE.rows, COARSE.columns)
    assert np.isnan(maps[:, :10]).all()
    assert maps[:, 10:] == pytest.approx(4.0)
    weights = coarse_rows(single_rows(seen, FINE), SHARE).weight.reshape(COARSE.rows, COARSE.columns)
    assert (weights[:, :10] == 0.0).all()


def test_flows_stay_free_of_divergence_and_of_the_same_size():
    fan = perimeter_arc((0.16, 0.02), (0.16, 0.05), grid=FINE)
    vent = perimeter_arc((0.0, 0.03), (0.0, 0.09), grid=FINE)
    family = coarse_flow(opening_flow([fan], [vent], grid=FINE, sign=1), FINE, COARSE)
    flux = family.fluxes[0]
    low, high = face_neighbours(COARSE)
    leaves = np.zeros(COARSE.cells)
    np.add.at(leaves, low[low >= 0], flux[low >= 0])
    np.subtract.at(leaves, high[high >= 0], flux[high >= 0])
    assert leaves == pytest.approx(0.0, abs=1e-12)
    through = flux[: COARSE.rows * (COARSE.columns + 1)].reshape(COARSE.rows, -1).sum(axis=0)
    assert through == pytest.approx(1.0)  # all of the unit flow passes every section from vent to fan


def test_uniform_wind_is_the_same_wind():
    there = coarse_flow(uniform_wind(FINE, angle=0.0), FINE, COARSE)
    assert there.fluxes == pytest.approx(uniform_wind(COARSE, angle=0.0).fluxes, abs=1e-12)
