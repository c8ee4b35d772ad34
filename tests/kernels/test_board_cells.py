"""Cells and pixels."""

import numpy as np
import pytest

from heatwake.kernels.board_cells import average_cells, choose_cells, cover_cells, sample_cells
from heatwake.kernels.openings import CellGrid

GRID = CellGrid(16, 10, 0.16, 0.1)
X, Y = (np.arange(160) + 0.5) * 1e-3, (np.arange(100) + 0.5)[::-1] * 1e-3
PLANE = 3.0 + 50.0 * X[None, :] - 20.0 * Y[:, None]


def test_cells_stay_few_on_a_large_board_and_no_finer_than_the_pixels():
    assert choose_cells(0.8, 0.5, pixel=1e-3).cells <= 1100
    assert choose_cells(0.16, 0.1, pixel=8e-3).step_x >= 11e-3


def test_the_mean_of_a_plane_is_its_value_at_the_cell_centre_whatever_the_row_order():
    x, y = np.meshgrid((np.arange(16) + 0.5) * 0.01, (np.arange(10) + 0.5) * 0.01)
    found = average_cells(PLANE[None], x=X, y=Y, grid=GRID)[0]
    assert found == pytest.approx((3.0 + 50.0 * x - 20.0 * y).ravel())


def test_a_cell_hardly_seen_is_not_there():
    holed = PLANE.copy()
    holed[90:, :6] = np.nan  # 60 of the 100 pixels of the lower-left cell
    holed[90:, 10:14] = np.nan  # 40 of the next
    found = average_cells(holed[None], x=X, y=Y, grid=GRID)[0]
    assert np.isnan(found[0])
    assert np.isfinite(found[1:]).all()


def test_covered_area_is_that_of_the_rectangle():
    rectangles = np.array([[0.053, 0.047, 0.013, 0.021], [0.0, 0.05, 0.02, 0.02]])
    area = cover_cells(rectangles, GRID).sum(axis=1) * GRID.cell_area
    assert area == pytest.approx([0.013 * 0.021, 0.01 * 0.02])  # half of the second lies off the board
    wider = cover_cells(rectangles[:1], GRID, margin=0.004).sum() * GRID.cell_area
    assert wider == pytest.approx(0.021 * 0.029)


def test_sampling_gives_a_plane_back():
    cells = average_cells(PLANE[None], x=X, y=Y, grid=GRID)
    found = sample_cells(cells, x=X, y=Y, grid=GRID)[0]
    assert found[5:-5, 5:-5] == pytest.approx(PLANE[5:-5, 5:-5])
