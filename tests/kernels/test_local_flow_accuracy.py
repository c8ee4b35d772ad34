"""The local drift of simulated recordings: 9 Hz, 50 mK, 0.01 K steps, a film of 0.9; more cases in the benchmarks."""

from dataclasses import replace
from functools import partial
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from scipy.ndimage import zoom

from heatwake.kernels.local_drift import Form, Reason, choose_form
from heatwake.kernels.transport import heating_transport, off_source_transport
from kernels import single_layer as layer

SHAPE = (72, 96)
SOURCES = np.array([[20, 18, 10, 8, 12.0], [58, 14, 6, 6, 6.0], [44, 42, 12, 9, 18.0], [16, 50, 8, 10, 10.0]])
CURVED = layer.Sheet(layer.vented(shape=SHAPE), SOURCES)
TIMES = layer.frame_times(0.0, 75.0)
solve = partial(layer.warm_up, length=75.0, step=1.5)


def drift(rise, *, camera=None, draw=0):
    """Record a rise, average to maps of a second and return the local drift."""
    frames = (camera or layer.Camera()).record(rise, TIMES, rng=np.random.default_rng(draw))
    maps = frames.reshape(75, 9, *SHAPE).mean(axis=1)[1:]
    elapsed = TIMES.reshape(75, 9).mean(axis=1)[1:]
    early = maps[:4].mean(axis=0)
    forms = (
        heating_transport(maps, elapsed=elapsed, spacing=1.0),
        off_source_transport(maps, elapsed=elapsed, spacing=1.0, sources=early > 0.08 * early.max()),
    )
    return choose_form(*forms, seen=np.ones(SHAPE, dtype=bool))


def judged(found, sheet, where):
    """Return errors [degree] at places of a kind, and which of their 95 % intervals cover."""
    places = layer.points(sheet, rim=9)[where]
    errors = layer.errors(found.direction, sheet, places)
    rows, columns = np.array(places).T
    told = np.isfinite(errors)
    return errors[told], errors[told] <= 1.96 * found.direction_uncertainty[rows, columns][told], told.mean()


@pytest.fixture(scope="module")
def blown():
    sheet = CURVED.at_peclet(1.0)
    return sheet, solve(sheet).spline


def test_a_curved_flow_is_found_at_and_around_hot_spots_and_intervals_hold(blown):
    # 1.5 and 2 degrees are what is wanted of boards of 160 x 120 pixels; the curve is tighter on this smaller one.
    sheet, rise = blown
    drawn = [drift(rise, draw=draw) for draw in range(2)]
    hot, around = ([judged(one, sheet, where) for one in drawn] for where in ("hot", "around"))
    assert np.median(np.concatenate([errors for errors, _, _ in hot])) <= 1.5
    assert np.median(np.concatenate([errors for errors, _, _ in around])) <= 2.0
    assert np.concatenate([covers for _, covers, _ in hot + around]).mean() >= 0.9
    assert min(told for _, _, told in hot + around) > 0.9


def test_a_camera_s_offset_steps_cost_next_to_nothing(blown):
    sheet, rise = blown

    def stepping(times):
        return 0.3 * np.floor(times / 20.0)

    plain, stepped = (drift(rise, camera=layer.Camera(offset=offset)) for offset in (None, stepping))
    for where in ("hot", "around"):
        with_steps, without = (np.median(judged(one, sheet, where)[0]) for one in (stepped, plain))
        assert with_steps <= without + 0.5


def test_the_reversed_flow_turns_by_180_degrees(blown):
    one, two = drift(blown[1]), drift(solve(blown[0].reversed()).spline, draw=1)
    rows, columns = np.array(layer.points(blown[0], rim=9)["around"]).T
    turn = np.abs(one.direction - two.direction)[rows, columns]
    assert np.mean(np.abs(turn[np.isfinite(turn)] - 180.0) < 20.0) >= 0.97


def test_loads_that_switch_leave_the_form_off_the_sources():
    sheet = CURVED.at_peclet(1.0)

    def load(time):
        return np.where(np.random.default_rng(int(time // 8.0)).random(4) < 0.5, 0.6, 1.4)

    found = drift(solve(sheet, load=load).spline)
    errors, _, told = judged(found, sheet, "around")
    assert told > 0.8
    assert np.median(errors) <= 4.0
    assert np.mean(found.form == Form.HEATING) < 0.05


def test_still_air_is_told_as_such_and_never_a_drift():
    found = drift(solve(replace(CURVED, psi=0.0 * CURVED.psi)).spline)
    assert np.mean(found.form != Form.NONE) <= 0.01
    rows, columns = np.array(layer.points(CURVED, rim=9)["around"]).T
    assert np.mean(found.reason[rows, columns] == Reason.NO_DRIFT) > 0.5


def test_copper_on_one_side_is_not_taken_for_a_flow():
    # div(a grad T) holds grad a . grad T, which looks like a drift of -grad a: without the spread over scales and the
    # share that the equation must explain a third of such a board was told to drift.
    copper = np.where(np.arange(2 * SHAPE[1]) < SHAPE[1], 2.4, 6.0) + np.zeros((2 * SHAPE[0], 1))
    found = drift(solve(replace(CURVED, psi=0.0 * CURVED.psi, diffusivity=copper)).spline)
    assert np.mean(found.form != Form.NONE) <= 0.1


def test_measured_temperatures_of_the_air_carried_by_a_known_flow_give_it_back():
    # hvsampledata (BSD): air temperatures over North America, NCEP reanalysis, 20 x 25 places; as the rise at first of
    # a sheet without sources, carried and diffused by the curved flow.
    folder = Path(find_spec("hvsampledata").submodule_search_locations[0]) / "_data"
    with xr.open_dataset(folder / "air_temperature_small.nc") as data:
        air = data["air"].isel(time=0).to_numpy()
    sheet = replace(CURVED, sources=np.zeros((0, 5)))
    speed = 0.2 / np.hypot(*layer.velocity(sheet)).mean()
    sheet = replace(sheet, psi=speed * sheet.psi, diffusivity=1.0)
    start = zoom(air - air.mean(), np.array(sheet.cells) / air.shape, order=3)
    found = drift(solve(sheet, start=start).spline)
    inner = [(row, column) for row in range(16, 57, 5) for column in range(16, 81, 5)]
    errors = layer.errors(found.direction, sheet, inner)
    assert np.mean(np.isfinite(errors)) > 0.5
    assert np.nanmedian(errors) <= 4.0
