"""Board and air against closed forms."""

import numpy as np
import pytest

from heatwake.kernels.conjugate_board import Coefficients, ConjugateBoard, Tangents
from heatwake.kernels.openings import CellGrid, uniform_fluxes

GRID = CellGrid(80, 4, 0.32, 0.016)
BOARD = ConjugateBoard(GRID)
FACES = BOARD.low.size


def coefficients(*, sheet=0.02, capacity=3000.0, exchange=12.0, back=8.0, film=5.0, mixing=0.0, wind=0.0):
    return Coefficients(
        sheet=np.full(FACES, sheet),
        capacity=np.full(GRID.cells, capacity),
        exchange=np.full(GRID.cells, exchange),
        back=back,
        film=film,
        mixing=mixing,
        flux=wind * uniform_fluxes(GRID)[0],
    )


def heated(where=slice(None), watt=1.0):
    source = np.zeros((GRID.rows, GRID.columns))
    source[:, where] = 1.0
    return (watt * source / source.sum()).reshape(-1, 1)


def board_at(values, source, times):
    return [steps[-1].last[: GRID.cells, 0] for steps in BOARD.march(values, source, times=times)]


def test_evenly_heated_board_in_still_air_has_the_rise_of_two_resistances():
    # Per area: back in parallel with exchange and film in series.
    loss = 8.0 + 12.0 * 5.0 / 17.0
    (rise,) = board_at(coefficients(), heated(), [np.inf])
    assert rise == pytest.approx(1.0 / (0.32 * 0.016) / loss)


def test_heating_curve_is_the_exponential():
    loss = 8.0 + 12.0 * 5.0 / 17.0
    times = [10.0, 20.0, 40.0, 80.0, 1000.0]
    found = [rise.mean() for rise in board_at(coefficients(), heated(), times)]
    exact = 1.0 / (0.32 * 0.016) / loss * (1.0 - np.exp(-np.array(times) * loss / 3000.0))
    # Two second-order steps a time; the last spans 3.5 time constants, where the scheme's damping counts.
    assert found[:4] == pytest.approx(exact[:4], rel=2e-3)
    assert found[4] == pytest.approx(exact[4], rel=0.03)


def test_strip_heated_at_one_end_falls_off_as_a_fin():
    # cosh((L - x)/l) with l = sqrt(K / loss) (any textbook on fins, e.g. Incropera, table 3.4, adiabatic tip).
    values = coefficients(exchange=1e-9, film=1.0)
    (rise,) = board_at(values, heated(slice(0, 1)), [np.inf])
    x = (np.arange(GRID.columns) + 0.5) * GRID.step_x
    length = np.sqrt(0.02 / 8.0)
    shape = np.cosh((0.32 - x) / length)
    found = rise.reshape(GRID.rows, -1)[0]
    assert found[1:] / found[1] == pytest.approx(shape[1:] / shape[1], rel=2e-3)  # cells a twelfth of the length


def test_air_over_an_evenly_heated_board_warms_up_downstream_by_all_the_heat():
    # Nothing is lost but to the air: the outlet's rise times the heat capacity flow is the power.
    values = coefficients(sheet=1e-9, back=0.0, film=0.0, wind=30.0)
    steps = BOARD.march(values, heated(), times=[np.inf])[0]
    air = steps[-1].last[GRID.cells :, 0].reshape(GRID.rows, -1)
    assert air[:, -1] == pytest.approx(1.0 / (30.0 * 0.016))
    assert np.diff(air[0]) == pytest.approx(air[0, -1] / GRID.columns)


def test_wind_turned_round_mirrors_the_board():
    there, back = (coefficients(wind=wind) for wind in (20.0, -20.0))
    (one,), (two,) = (board_at(v, heated(slice(20, 60)), [np.inf]) for v in (there, back))
    assert two.reshape(GRID.rows, -1) == pytest.approx(one.reshape(GRID.rows, -1)[:, ::-1])


def test_mixing_of_the_air_moves_heat_but_loses_none():
    still, mixed = coefficients(back=0.0), coefficients(back=0.0, mixing=0.05)
    (one,), (two,) = (board_at(v, heated(slice(0, 8)), [np.inf]) for v in (still, mixed))
    assert two.max() < one.max()
    air = [BOARD.march(v, heated(slice(0, 8)), times=[np.inf])[0][-1].last[GRID.cells :].sum() for v in (still, mixed)]
    assert air == pytest.approx([1.0 / (5.0 * GRID.cell_area)] * 2)  # all leaves through the film


def test_derivatives_are_those_of_finite_differences():
    names = ("sheet", "capacity", "exchange", "back", "film", "mixing", "flux")
    middle = coefficients(mixing=0.004, wind=25.0)
    unit = np.eye(len(names))
    tangents = Tangents(
        **{
            name: unit[k].reshape(-1, *[1] * np.ndim(getattr(middle, name))) * getattr(middle, name)
            for k, name in enumerate(names)
        }
    )
    times, powers = [10.0, 40.0, np.inf], np.array([2.0])
    source = heated(slice(10, 30))
    found = BOARD.differentiate(BOARD.march(middle, source, times=times), middle, tangents, powers=powers)
    for k, name in enumerate(names):
        ends = []
        for step in (1e-4, -1e-4):
            changed = {**vars(middle), name: getattr(middle, name) * (1.0 + step)}
            ends.append(board_at(Coefficients(**changed), 2.0 * source, times))
        numeric = [(one - two) / 2e-4 for one, two in zip(*ends, strict=True)]
        for one, two in zip(found, numeric, strict=True):
            assert one[:, k] == pytest.approx(two, abs=1e-6 * max(np.abs(two).max(), 1e-3))


def test_a_board_turned_by_a_quarter_has_the_turned_rise():
    # Also the two orders of the unknowns: blocks across the board's columns and across its rows.
    upright = CellGrid(GRID.rows, GRID.columns, GRID.height, GRID.width)
    values = coefficients(mixing=0.004, wind=25.0)
    turned = Coefficients(**{**vars(values), "flux": 25.0 * uniform_fluxes(upright)[1]})
    times = [10.0, 40.0, np.inf]
    source = heated(slice(10, 30))
    stood = source.reshape(GRID.rows, GRID.columns).T.reshape(-1, 1)
    found = [steps[-1].last[: GRID.cells, 0] for steps in ConjugateBoard(upright).march(turned, stood, times=times)]
    for one, two in zip(found, board_at(values, source, times), strict=True):
        assert pytest.approx(two.reshape(GRID.rows, GRID.columns)) == one.reshape(GRID.columns, GRID.rows).T
