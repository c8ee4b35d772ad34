"""Hot regions over a whole recording: items drawn at random whose loads come and go, and maps written down by hand."""

import numpy as np
import pytest
import xarray as xr

from benchmarks.regions import Ground, look_at, score
from heatwake.report.lineage import gone_at_end, lineage
from heatwake.schema.variables import REGION_STATE
from heatwake.stages.region_search import LOOKS, follow, take_looks
from heatwake.stages.regions import RegionsSettings, final_map, find_regions, measure_regions
from heatwake.stages.temperature import measure_temperature
from stages.test_temperature import mapped

SIDE, STEPS, STEP, AMBIENT = 60, 60, 10.0, 24.0
CENTRES = np.arange(SIDE) + 0.5
# name, x, y, half a side [mm = px], rise [K], time constant [s], on and off [s]
LOADS = (
    ("steady", 14.0, 44.0, 5.0, 20.0, 60.0, ((30.0, np.inf),)),
    ("off early", 44.0, 44.0, 4.0, 15.0, 40.0, ((30.0, 300.0),)),
    ("twice", 14.0, 14.0, 4.0, 12.0, 30.0, ((30.0, 200.0), (400.0, np.inf))),
    ("never", 44.0, 14.0, 4.0, 0.0, 30.0, ()),
)


def warmth(times, *, constant):
    """Return the share of its final rise that a part has at each step: first-order lag, exact for a switched load."""
    elapsed = np.arange(STEPS) * STEP
    on = np.zeros(STEPS, dtype=bool)
    for start, end in times:
        on |= (elapsed >= start) & (elapsed < end)
    share, kept = np.zeros(STEPS), np.exp(-STEP / constant)
    for step in range(1, STEPS):
        share[step] = on[step - 1] + (share[step - 1] - on[step - 1]) * kept
    return share


def board(loads=LOADS, *, known=()):
    """Return measured maps of loads that come and go, those of the known names as parts."""
    truth = np.full((STEPS, SIDE, SIDE), AMBIENT) + np.random.default_rng(3).normal(0, 0.04, (STEPS, SIDE, SIDE))
    for _, x, y, half, rise, constant, times in loads:
        across, along = (np.exp(-0.5 * ((one - at) / half) ** 4) for one, at in ((CENTRES, x), (CENTRES[::-1], y)))
        truth += rise * warmth(times, constant=constant)[:, None, None] * (along[:, None] * across)
    session = mapped(truth, ambient=AMBIENT, board_scale=1.0, power_on=30.0, chunk=None)
    parts = [row for row in loads if row[0] in known]
    if parts:
        columns = {"part_x": [row[1] for row in parts], "part_y": [row[2] for row in parts]}
        columns |= {f"part_{side}": [2 * row[3] for row in parts] for side in ("width", "height")}
        columns |= {"part_limit": [np.nan] * len(parts), "part_emissivity": [0.95] * len(parts)}
        session = session.assign({key: ("part", values) for key, values in columns.items()})
        session = session.assign_coords(part=[row[0] for row in parts])
    session = session.assign_coords(elapsed=("time", np.arange(STEPS) * STEP))
    return measure_temperature(session, RegionsSettings().uncertainty).compute()


def searched(maps):
    """Return the regions of maps, not measured."""
    return find_regions(maps, final_map(maps, seconds=30.0), RegionsSettings())


@pytest.fixture(scope="module")
def blind():
    return searched(board())


@pytest.fixture(scope="module")
def informed():
    return measure_regions(board(known=("steady", "off early", "never")), RegionsSettings())


def named(regions):
    """Return each region's load by the place of its rectangle."""
    middles = zip(regions["region_x"].to_numpy(), regions["region_y"].to_numpy(), strict=True)
    return [next((row[0] for row in LOADS if np.hypot(row[1] - x, row[2] - y) < 3), "") for x, y in middles]


def states(regions, number):
    return [REGION_STATE[int(state)] for state in regions["region_state"].to_numpy()[number]]


def test_loads_of_every_kind_are_found_though_some_are_off_at_the_end(blind):
    assert sorted(named(blind)) == ["off early", "steady", "twice"]


def test_a_load_that_comes_back_is_the_same_region(blind):
    number = named(blind).index("twice")
    told = [turn for turn in lineage(blind) if turn.region == str(blind["region"].to_numpy()[number])]
    assert [turn.event for turn in told] == ["appears", "fades", "is back"]
    # looks are a step apart or two; the load is warm enough to be seen within a step, and cools by ln(12/0.5) constants
    assert [turn.elapsed for turn in told] == pytest.approx([40.0, 200 + 30 * np.log(12 / 0.7), 410.0], abs=40.0)
    assert states(blind, number)[-1] == "back"


def test_a_part_whose_load_went_is_found_and_one_that_stays_cold_is_not(informed):
    assert informed["region"].to_numpy().tolist() == ["steady", "off early", "never", "unassigned 1"]
    assert informed["region_found"].to_numpy().tolist() == [1, 1, 0, 1]
    assert gone_at_end(informed) == ["off early"]
    assert float(informed["region_last_seen"][1]) < 500.0 < float(informed["region_last_seen"][0])
    assert np.isnan(informed["region_first_seen"][2])
    assert set(states(informed, 2)) == {"not yet seen"}


def test_the_raw_maximum_is_no_lower_than_the_core(informed):
    raw, core = informed["rise_raw_max"].to_numpy(), informed["rise_max"].to_numpy()
    assert (raw >= core - 1e-6).all()
    assert np.nanmax(raw[:, -5:] - core[:, -5:]) < 5 * 0.04  # noise [K] of a pixel


def test_what_is_hot_from_the_beginning_is_found():
    maps = board(LOADS[:1])
    last = maps["temperature_rise"].isel(time=slice(-STEPS // 2, None)).mean("time")
    hot = searched(maps.assign(temperature_rise=last + 0 * maps["temperature_rise"]))
    assert named(hot) == ["steady"]
    assert set(states(hot, 0)) == {"seen"}


def test_looks_are_means_of_maps_that_have_frames():
    steps = 200
    values = np.broadcast_to(np.arange(steps, dtype=np.float32)[:, None, None], (steps, 4, 6)).copy()
    session = xr.Dataset(
        {"temperature_rise": (("time", "y", "x"), values), "frames_used": ("time", np.arange(steps) % 2)},
        coords={"elapsed": ("time", 2.0 * np.arange(steps)), "x": np.arange(6.0), "y": np.arange(4.0)[::-1]},
    )
    looks = take_looks(session)
    assert looks.maps.shape == (LOOKS, 4, 6)
    np.testing.assert_allclose(looks.maps[:, 0, 0] * 2.0, looks.elapsed, rtol=1e-6)
    assert take_looks(session.assign(frames_used=0 * session["frames_used"])).maps.shape == (0, 4, 6)


def test_large_maps_are_searched_in_blocks():
    values = np.zeros((3, 300, 500), dtype=np.float32)
    values[:, :, 400:], values[:, 0, 0] = 5.0, np.nan
    session = xr.Dataset(
        {"temperature_rise": (("time", "y", "x"), values), "frames_used": ("time", [1, 1, 1])},
        coords={"elapsed": ("time", [0.0, 1.0, 2.0]), "x": np.arange(500.0), "y": np.arange(300.0)[::-1]},
    )
    looks = take_looks(session)
    assert (looks.cell, looks.maps.shape) == (3, (3, 100, 167))
    assert looks.maps[0, 0, 0] == 0.0
    assert looks.maps[0, 50, [0, 166]].tolist() == [0.0, 5.0]


def test_regions_of_an_item_drawn_at_random_are_its_parts():
    # A guard, no evidence: an item on which the search does well. Rates: tests/benchmarks/regions.py.
    item, looks, least = look_at(1)
    made = score(Ground(item, looks), follow(looks, least=least))
    assert made.switches == 0
    assert made.found >= made.counted - 1
    assert made.right >= made.regions - 1
    assert made.told >= 0.9 * made.off
