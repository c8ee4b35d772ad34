"""Footprints of regions over time: against Gaussians, against parts heated alone, and where there is nothing to say."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from heatwake.kernels.moments import footprint
from heatwake.kernels.rectangles import pixel_window
from heatwake.scene import Ambient, draw_item
from heatwake.scene.heat import build_heat_model
from heatwake.schema.variables import VARIABLES, require
from heatwake.stages.spread import STAGE, SpreadSettings, final_directions, measure_spread

X, Y = np.arange(160) + 0.5, (np.arange(100) + 0.5)[::-1]
STATUS = VARIABLES["spread_status"].flags


def gaussian(x, y, variance, *, peak=10.0):
    return peak * np.exp(-0.5 * ((X - x) ** 2 + (Y[:, np.newaxis] - y) ** 2) / variance)


def session(rise, boxes, *, x=X, y=Y, step=20.0, noise=0.0, units="mm"):
    """Maps (time, y, x) and regions given as (x, y, width, height)."""
    boxes = np.asarray(boxes, dtype=float).reshape(-1, 4)
    keys = ("region_x", "region_y", "region_width", "region_height")
    elapsed = np.arange(len(rise)) * step
    return xr.Dataset(
        {
            "temperature_rise": (("time", "y", "x"), np.asarray(rise, np.float32)),
            "rise_noise": (("time", "y", "x"), np.full(np.shape(rise), noise, np.float32)),
            **{key: ("region", boxes[:, number]) for number, key in enumerate(keys)},
        },
        coords={
            "time": np.datetime64("2026-03-04T09:30", "ns") + (elapsed * 1e9).astype("timedelta64[ns]"),
            "elapsed": ("time", elapsed),
            "x": ("x", x, {"units": units}),
            "y": ("y", y, {"units": units}),
            "region": np.array([f"R{number}" for number in range(len(boxes))], dtype=object),
        },
    )


def spread(*arguments, **changes):
    return measure_spread(session(*arguments, **changes), SpreadSettings())


def words(found, region=0):
    return [STATUS[int(number)] for number in found["spread_status"].isel(region=region)]


def test_a_carried_gaussian_grows_and_drifts_as_it_should():
    # Instantaneous source in a uniform flow: variance s0^2 + 2 a t, centre u t (Carslaw and Jaeger 1959, sec. 10.3).
    elapsed = np.arange(8) * 20.0
    rise = [gaussian(70 + 0.02 * t, 50 - 0.01 * t, 36 + 2 * 0.4 * t, peak=20 * 36 / (36 + 0.8 * t)) for t in elapsed]
    found = spread(rise, [(70, 50, 6, 6)]).isel(region=0)
    assert found["spread_major"].to_numpy() == pytest.approx(np.sqrt(36 + 0.8 * elapsed), rel=0.03)
    assert found["drift_x"].to_numpy() == pytest.approx(0.02 * elapsed, abs=0.3)
    assert found["drift_y"].to_numpy() == pytest.approx(-0.01 * elapsed, abs=0.3)
    assert found["spread_growth"].to_numpy() == pytest.approx(np.full(8, 0.8), rel=0.1)
    assert found["spread_area"].to_numpy() == pytest.approx(2 * np.pi * np.log(2) * (36 + 0.8 * elapsed), rel=0.06)


@pytest.fixture(scope="module")
def crowded():
    """A board drawn at random with seven parts, their own rises, and what is found of their sum."""
    scene = draw_item(np.random.default_rng(3), cell=2.0)
    cold = replace(scene, ambient=Ambient(start=0.0))
    own = np.array([
        build_heat_model(
            replace(cold, parts=tuple(part if part is one else replace(part, power=0.0) for part in scene.parts))
        ).steady(0.0)[0]
        for one in scene.parts
    ])  # fmt: skip
    rise = own.sum(axis=0) + np.random.default_rng(0).normal(0, 0.03, own[0].shape)
    boxes = [(part.x, part.y, part.width, part.depth) for part in scene.parts]
    found = spread([rise], boxes, x=scene.board.x, y=scene.board.y, noise=0.03).isel(time=0)
    true = []
    for box, alone in zip(boxes, own, strict=True):
        window = pixel_window(box[:2], box[2:], x=scene.board.x, y=scene.board.y)
        true.append(footprint(alone, x=scene.board.x, y=scene.board.y, core=window, background=0.0))
    return found, true, boxes


def test_parts_of_a_crowded_board_are_measured_as_if_alone(crowded):
    # Seven parts at 2 mm cells: three standard uncertainties hold for each with 98 % of such boards.
    found, true, boxes = crowded
    whole = [number for number, each in enumerate(true) if not each.cut]
    assert len(whole) >= 2
    for number in whole:
        row = found.isel(region=number)
        for name in ("major", "minor", "area"):
            error = float(row[f"spread_{name}"]) - getattr(true[number], name)
            assert abs(error) < 3 * float(row[f"spread_{name}_uncertainty"]), (number, name)
        for axis, place in zip("xy", boxes[number][:2], strict=True):
            error = float(row[f"drift_{axis}"]) - (getattr(true[number], axis) - place)
            assert abs(error) < 3 * float(row["drift_uncertainty"]), (number, axis)
    errors = [float(found["spread_major"][number]) / true[number].major - 1 for number in whole]
    assert np.median(np.abs(errors)) < 0.15


def test_footprints_at_the_edge_of_a_crowded_board_are_flagged(crowded):
    found, true, _ = crowded
    cut = [number for number, each in enumerate(true) if each.cut]
    assert len(cut) >= 2
    assert found["spread_cut"].to_numpy()[cut].mean() >= 0.75


def test_every_number_has_an_uncertainty(crowded):
    found, _, _ = crowded
    for name in ("spread_major", "spread_minor", "spread_orientation", "spread_area", "decay_downstream",
                 "decay_upstream"):  # fmt: skip
        told = np.isfinite(found[name].to_numpy())
        assert (found[f"{name}_uncertainty"].to_numpy()[told] > 0).all(), name
        assert np.isnan(found[f"{name}_uncertainty"].to_numpy()[~told]).all(), name


def test_a_round_footprint_has_no_orientation():
    found = spread([gaussian(70, 50, 64)], [(70, 50, 8, 8)])
    assert np.isnan(found["spread_orientation"]).all()
    assert np.isfinite(found["spread_major"]).all()


def test_a_cut_footprint_is_filled_in_and_flagged_or_withheld():
    filled = spread([gaussian(7, 50, 81)], [(7, 50, 8, 8)])
    assert words(filled) == ["edge filled in"]
    assert filled["spread_cut"].item() == 1
    assert filled["spread_major"].item() == pytest.approx(9, abs=2 * filled["spread_major_uncertainty"].item())
    withheld = spread([gaussian(-8, 50, 144)], [(3, 50, 6, 6)])
    assert words(withheld) == ["cut by edge"]
    assert withheld["spread_cut"].item() == 1
    assert np.isnan([withheld[name].item() for name in ("spread_major", "spread_area", "drift_x")]).all()


def test_decay_lengths_are_along_the_flow_where_it_is_known():
    # a line source in a fin with a flow along x: 32.3607 mm down and 12.3607 mm up (tests/kernels/test_decay.py)
    x = np.arange(240) + 0.5
    away = x - 100
    rise = 0.3 + np.tile(10 * np.exp(np.where(away > 0, -away / 32.3607, away / 12.3607)), (60, 1))
    maps = session([rise], [(100, 30, 4, 60)], x=x, y=Y[40:], noise=0.02)
    found = measure_spread(maps.assign(final_flow_direction=("region", [180.0])), SpreadSettings()).isel(time=0)
    assert VARIABLES["decay_axis"].flags[int(found["decay_axis"].item())] == "flow direction"
    assert found["decay_direction"].item() == -180
    for name, true in (("decay_downstream", 12.3607), ("decay_upstream", 32.3607)):
        spread_of = found[f"{name}_uncertainty"].item()
        assert found[name].item() == pytest.approx(true, abs=2 * spread_of)
        assert spread_of < 0.3 * true
    # the line is cut on both sides, so it has no axis of its own
    assert words(found.expand_dims("time", axis=-1)) == ["cut by edge"]
    alone = measure_spread(maps, SpreadSettings()).isel(time=0)
    assert VARIABLES["decay_axis"].flags[int(alone["decay_axis"].item())] == "long axis"
    assert np.isnan(alone["decay_downstream"].item())


@pytest.mark.parametrize(
    ("rise", "word"),
    [(np.full((1, 100, 160), 0.1), "no rise"), (np.full((1, 100, 160), np.nan), "not seen")],
)
def test_where_there_is_nothing_nothing_is_said(rise, word):
    found = spread(rise, [(70, 50, 8, 8)])
    assert words(found) == [word]
    for name in STAGE.makes:
        if found[name].dtype.kind == "f":
            assert np.isnan(found[name]).all(), name


def test_a_region_that_is_not_seen_does_not_hide_the_others():
    rise = gaussian(40, 50, 64) + gaussian(110, 50, 64)
    rise[:, 100:120] = np.nan
    found = spread([rise], [(40, 50, 8, 8), (110, 50, 8, 8)])
    assert words(found, 0) == ["measured"]
    assert words(found, 1) == ["not seen"]


def test_a_cold_part_beside_a_hot_one_has_no_footprint():
    found = spread([gaussian(60, 50, 100, peak=30.0)], [(60, 50, 12, 12), (86, 50, 10, 10)])
    assert words(found, 0) == ["measured"]
    assert words(found, 1) in (["no rise"], ["lost in neighbours"])
    assert np.isnan(found["spread_major"].isel(region=1)).all()


def test_a_region_within_a_part_shares_its_heat():
    found = spread([gaussian(60, 50, 64)], [(60, 50, 10, 10), (61, 51, 4, 4)])
    assert found["spread_major"].to_numpy().ravel() == pytest.approx([8, 8], rel=0.03)
    assert found["drift_x"].to_numpy().ravel() == pytest.approx([0, -1], abs=0.1)


def test_no_regions_and_no_maps_give_empty_results():
    assert spread([gaussian(60, 50, 64)], []).sizes["region"] == 0
    nothing = spread(np.empty((0, 100, 160)), [(60, 50, 10, 10)])
    assert nothing.sizes["time"] == 0


def test_lengths_of_a_board_in_pixels_are_pixels():
    found = spread([gaussian(60, 50, 64)], [(60, 50, 10, 10)], units="pixel")
    assert found["spread_major"].attrs["units"] == "pixel"
    assert found["decay_downstream"].attrs["units"] == "pixel"
    assert found["spread_growth"].attrs["units"] == "pixel2 s-1"


def test_a_turn_by_90_degrees_turns_the_footprint():
    rise = gaussian(50, 45, 64)[:, :100] + gaussian(62, 52, 64)[:, :100]
    boxes = np.array([(56, 48, 20, 14)])
    there = spread([rise], boxes, x=X[:100])
    turned = boxes[:, [1, 0, 3, 2]] * [-1, 1, 1, 1] + [100, 0, 0, 0]
    back = spread([np.rot90(rise)], turned, x=X[:100])
    assert back["spread_major"].item() == pytest.approx(there["spread_major"].item(), rel=1e-3)
    turn = back["spread_orientation"].item() - there["spread_orientation"].item()
    assert (turn - 90 + 90) % 180 - 90 == pytest.approx(0, abs=0.1)
    assert back["drift_y"].item() == pytest.approx(there["drift_x"].item(), abs=0.01)


def test_long_recordings_get_longer_steps():
    rise = np.broadcast_to(gaussian(60, 50, 64)[::4, ::4], (200, 25, 40))
    maps = session(rise, [(60, 50, 10, 10)], x=X[::4], y=Y[::4], step=20.0)
    assert measure_spread(maps, SpreadSettings(most_steps=10)).sizes["time"] == 10


def test_lazy_maps_give_what_loaded_ones_do_and_stay_as_they_were():
    rise = np.stack([gaussian(60, 50, 64, peak=peak) for peak in (5.0, 10.0, 12.0)])
    maps = session(rise, [(60, 50, 10, 10)], step=10.0)
    before = maps.copy(deep=True)
    eager = measure_spread(maps, SpreadSettings())
    xr.testing.assert_identical(measure_spread(maps.chunk(time=2), SpreadSettings()), eager)
    xr.testing.assert_identical(maps, before)


def test_what_is_made_has_the_names_dims_and_units_of_the_data_model():
    found = spread([gaussian(60, 50, 64)], [(60, 50, 10, 10)])
    require(found, STAGE.makes)
    for name in STAGE.makes:
        assert found[name].attrs.get("units", "") == VARIABLES[name].units


def test_only_a_direction_that_is_claimed_is_taken_from_the_flow():
    region = ("region", "time")
    flow = xr.Dataset({
        "region_flow_direction": (region, [[10.0, 20.0], [30.0, 40.0], [np.nan, np.nan]]),
        "region_flow_status": (region, np.array([[0, 0], [0, 1], [2, 2]], np.int8)),
    })  # fmt: skip
    taken = final_directions(flow)["final_flow_direction"]
    assert taken.dims == ("region",)
    assert taken.to_numpy() == pytest.approx([20.0, np.nan, np.nan], nan_ok=True)
    assert final_directions(flow.isel(time=slice(0))) == {}
