"""Flow through openings against closed forms."""

import numpy as np
import pytest

from heatwake.kernels.openings import (
    CellGrid,
    cell_velocity,
    face_neighbours,
    opening_streams,
    perimeter_arc,
    stream_flux,
    uniform_fluxes,
)

GRID = CellGrid(32, 20, 0.16, 0.1)


def arc(start, end):
    return perimeter_arc(start, end, grid=GRID)


RIGHT, LEFT = arc((0.16, 0.0), (0.16, 0.1)), arc((0.0, 0.0), (0.0, 0.1))
FAN, LOW, TOP = arc((0.16, 0.03), (0.16, 0.07)), arc((0.0, 0.01), (0.0, 0.04)), arc((0.05, 0.1), (0.1, 0.1))


def through(flux, columns, rows):
    """Net flux out of a block of cells [from, to)."""
    low, high = face_neighbours(GRID)
    column, row = np.meshgrid(np.arange(GRID.columns), np.arange(GRID.rows))
    inside = ((columns[0] <= column) & (column < columns[1]) & (rows[0] <= row) & (row < rows[1])).ravel()
    inside = np.append(inside, False)  # cell -1 is outside
    return float(np.sum(flux * (inside[low].astype(int) - inside[high].astype(int))))


def test_places_along_the_edge_run_counter_clockwise():
    assert arc((0.02, 0.0), (0.05, 0.0)) == pytest.approx((0.02, 0.05))
    assert arc((0.16, 0.03), (0.16, 0.07)) == pytest.approx((0.19, 0.23))
    assert arc((0.05, 0.1), (0.1, 0.1)) == pytest.approx((0.26 + 0.06, 0.26 + 0.11))
    assert arc((0.0, 0.01), (0.0, 0.04)) == pytest.approx((0.42 + 0.06, 0.42 + 0.09))


def test_an_opening_a_little_off_the_board_lies_on_its_edge():
    assert arc((0.163, 0.03), (0.163, 0.07)) == pytest.approx(FAN)


def test_between_openings_as_high_as_the_board_the_wind_is_uniform():
    flux = opening_streams([RIGHT], [LEFT], grid=GRID)[0]
    velocity = cell_velocity(flux, GRID)
    assert velocity[0] == pytest.approx(1.0 / 0.1)  # unit flow over the board's height
    assert velocity[1] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("vent", [LOW, TOP])
def test_what_enters_through_the_vent_leaves_through_the_fan(vent):
    flux = opening_streams([FAN], [vent], grid=GRID)[0]
    assert through(flux, (0, 32), (0, 20)) == pytest.approx(0.0, abs=1e-12)
    assert through(flux, (5, 20), (3, 17)) == pytest.approx(0.0, abs=1e-12)
    assert through(flux, (20, 32), (0, 20)) + 1.0 == pytest.approx(1.0)
    rim = flux[: 20 * 33].reshape(20, 33)[:, -1]  # the right edge
    assert rim.sum() == pytest.approx(1.0)
    assert rim[[0, -1]] == pytest.approx(0.0, abs=1e-12)  # wall beside the fan


def test_potential_flow_mirrors_with_the_openings():
    high = arc((0.0, 0.06), (0.0, 0.09))
    mirrored_fan = arc((0.16, 0.03), (0.16, 0.07))
    one = cell_velocity(opening_streams([FAN], [LOW], grid=GRID)[0], GRID).reshape(2, 20, 32)
    two = cell_velocity(opening_streams([mirrored_fan], [high], grid=GRID)[0], GRID).reshape(2, 20, 32)
    assert two[0] == pytest.approx(one[0, ::-1])
    assert two[1] == pytest.approx(-one[1, ::-1])


def test_uniform_wind_is_one_per_metre_along_each_axis():
    east, north = (cell_velocity(flux, GRID) for flux in uniform_fluxes(GRID))
    assert east == pytest.approx(np.stack([np.ones(640), np.zeros(640)]), abs=1e-9)
    assert north == pytest.approx(np.stack([np.zeros(640), np.ones(640)]), abs=1e-9)


def test_a_flow_needs_both_kinds_of_openings():
    with pytest.raises(ValueError, match="at least one opening on each side"):
        opening_streams([FAN], [], grid=GRID)


def test_a_stream_function_lives_on_the_corners():
    with pytest.raises(ValueError, match="stream has shape"):
        stream_flux(np.zeros((20, 32)), GRID)
