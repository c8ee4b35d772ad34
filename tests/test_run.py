"""The whole road on the sample, against the scene's truth."""

import csv
import importlib.util
import json
import shutil
import sys
from pathlib import Path

import av
import netCDF4
import numpy as np
import pytest
import xarray as xr

from conftest import ROOT, SAMPLES
from heatwake import plot
from heatwake.kernels.alignment import pose_matrix
from heatwake.run import Finished, Outcome, run_workflow
from heatwake.run.further import read_further
from heatwake.scene import simulate
from heatwake.schema.variables import VARIABLES
from heatwake.stages.further_budget import Better, rise_uncertainty

SESSIONS = ("fan_out", "fan_in", "fan_in_left_covered")
FILES = {
    "registration.nc": ("shift_x", "shift_y", "rotation", "quality", "usable", "reason"),
    "rise.nc": ("temperature", "temperature_rise", "temperature_uncertainty", "valid", "ambient"),
    "regions.nc": ("temperature_max", "temperature_mean", "rise_max", "rise_mean", "rise_uncertainty", "area",
                   "centroid_x", "centroid_y", "steady_rise", "steady_rise_uncertainty", "steady_rise_max",
                   "time_constant", "is_steady"),
    "spread.nc": ("spread_major", "spread_minor", "spread_orientation", "spread_area", "drift_x", "drift_y"),
    "flow.nc": ("flow_direction", "flow_direction_uncertainty", "flow_confidence", "drift_speed", "flow_status",
                "region_flow_direction", "region_flow_direction_uncertainty", "region_flow_confidence",
                "region_drift_speed", "region_flow_status", "board_flow_direction",
                "board_flow_direction_uncertainty", "board_flow_status", "opening_rise", "opening_role"),
}  # fmt: skip


def finish(path: Path, *, workers: int | None = None, pages: bool = True) -> Finished:
    *_, last = run_workflow(path, workers=workers, pages=pages)
    assert isinstance(last, Finished)
    return last


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The shipped workflow, run once, with its results in a folder of the test's own."""
    folder = tmp_path_factory.mktemp("run")
    text = (ROOT / "workflows" / "fan_direction.toml").read_text()
    text = text.replace('"../sample_frames', f'"{SAMPLES.as_posix()}').replace("../results/fan_direction", "results")
    (folder / "workflow.toml").write_text(f"{text}\n[movie]\nduration_s = 2.0\n")
    return finish(folder / "workflow.toml")


@pytest.fixture(scope="module")
def truth():
    with (SAMPLES / "truth.csv").open() as file:
        return {(row["session"], row["name"]): row for row in csv.DictReader(file)}


def turn(a, b):
    return (a - b + 180) % 360 - 180


def test_everything_is_done(whole):
    assert whole.exit_code == 0
    assert [(outcome.name, outcome.state) for outcome in whole.outcomes] == [
        (name, "done") for name in (*SESSIONS, "comparison")
    ]


@pytest.mark.parametrize("session", SESSIONS)
@pytest.mark.parametrize("file", FILES)
def test_each_file_has_its_names_dims_units_and_attributes(whole, session, file):
    with netCDF4.Dataset(whole.results / session / file) as stored:
        assert {"Conventions", "history", "source", "settings", "input_sha256"} <= set(stored.ncattrs())
        assert "frames" in json.loads(stored.input_sha256)
        assert json.loads(stored.settings)
        for name in FILES[file]:
            assert stored[name].dimensions == VARIABLES[name].dims
            assert getattr(stored[name], "units", "") == VARIABLES[name].units
            assert stored[name].long_name


def test_time_is_cf_time_and_elapsed_is_seconds(whole):
    with netCDF4.Dataset(whole.results / "fan_out" / "rise.nc") as stored:
        assert " since " in stored["time"].units
        assert stored["elapsed"].units == "s"
        assert stored["y"][0] > stored["y"][-1]


@pytest.mark.parametrize("session", SESSIONS)
def test_temperatures_through_the_film_are_right_within_0_3_kelvin(whole, truth, session):
    # Median over the parts whose emissivity is known and high; HS2 (0.45) is no temperature (below 0.6).
    regions = whole.sessions[session]
    errors = [
        float(regions["steady_rise"].sel(region=name)) - float(truth[session, name]["rise_mean_K"])
        for name in regions["region"].to_numpy()
        if name != "HS2"
    ]
    assert len(errors) == 9
    assert abs(np.median(errors)) < 0.3
    assert np.median(np.abs(errors)) < 0.45


@pytest.fixture(scope="module")
def scene_truth():
    """The scene's own maps and camera poses of two of the sample's recordings, simulated again."""
    specification = importlib.util.spec_from_file_location("make_sample", SAMPLES / "make.py")
    make = importlib.util.module_from_spec(specification)
    sys.modules["make_sample"] = make  # its dataclasses look themselves up by module
    specification.loader.exec_module(make)
    plans = {plan.folder: plan for plan in make.PLANS if plan.folder in ("fan_out", "fan_in")}
    truths = {name: simulate(plan.scene, make.ELAPSED) for name, plan in plans.items()}
    return {name: (truth, make.record_plan(plans[name], truth).about) for name, truth in truths.items()}


@pytest.mark.parametrize("session", ["fan_out", "fan_in"])
def test_temperature_maps_are_right_within_0_3_kelvin_off_the_edges(whole, scene_truth, session):
    found = whole.sessions[session]
    true = scene_truth[session][0]["temperature"].isel(time=slice(-8, None)).mean("time")
    true = true.interp(x=found["x"], y=found["y"])
    error = (found["temperature"].isel(time=slice(-8, None)).mean("time") - true).to_numpy()
    inside = np.zeros(error.shape, dtype=bool)
    for name in found["region"].to_numpy():
        part = found.sel(region=name)
        if float(part["region_emissivity"]) < 0.6:
            continue
        # 2 mm off the edges, two pixels: the optics reach no further
        near_x = abs(found["x"] - part["region_x"]).to_numpy() < float(part["region_width"]) / 2 - 2
        near_y = abs(found["y"] - part["region_y"]).to_numpy() < float(part["region_height"]) / 2 - 2
        inside |= np.outer(near_y, near_x)
        assert abs(np.median(error[np.ix_(near_y, near_x)])) < 0.4, name
    assert inside.sum() > 1000
    assert abs(np.median(error[inside])) < 0.3
    assert np.median(abs(error[inside])) < 0.3


@pytest.mark.parametrize("session", ["fan_out", "fan_in"])
def test_board_coordinates_are_right_within_a_pixel(whole, scene_truth, session):
    about = scene_truth[session][1]
    true = np.stack([about["corner_column"], about["corner_row"]], axis=-1)
    stated = np.stack([whole.sessions[session]["corner_column"], whole.sessions[session]["corner_row"]], axis=-1)
    with xr.open_dataset(whole.results / session / "registration.nc") as stored:
        used = np.flatnonzero(stored["usable"] == 1)
        poses = np.stack([stored[name] for name in ("shift_x", "shift_y", "rotation")], axis=1)
    assert used.size > 240
    for frame in used:
        mapping = pose_matrix(*poses[frame], shape=(120, 160))
        there = stated @ mapping[:, :2].T + mapping[:, 2]
        assert np.linalg.norm(there - true[frame], axis=1).max() < 1.0


@pytest.mark.parametrize("session", SESSIONS)
def test_steady_rises_are_right_within_3_percent_and_their_uncertainty_covers_the_error(whole, truth, session):
    regions = whole.sessions[session]
    for name in regions["region"].to_numpy():
        true = float(truth[session, name]["rise_mean_K"])
        found = regions.sel(region=name)
        assert float(found["steady_rise"]) == pytest.approx(true, rel=0.03), name
        assert abs(float(found["steady_rise"]) - true) < 2 * float(found["steady_rise_uncertainty"])


@pytest.mark.parametrize("session", SESSIONS)
def test_every_hot_part_is_found_and_named(whole, truth, session):
    regions = whole.sessions[session]
    names = [name for (one, name) in truth if one == session and name != "board"]
    assert regions["region"].to_numpy().tolist() == names
    assert regions["region_found"].to_numpy().all()


@pytest.mark.parametrize("session", SESSIONS)
def test_the_ambient_is_that_of_the_log(whole, session):
    ambient = whole.sessions[session]["ambient"].to_numpy()
    with (SAMPLES / session / "ambient.csv").open() as file:
        log = [float(row["ambient_degC"]) for row in csv.DictReader(file)]
    assert min(log) - 0.01 <= ambient.min() <= ambient.max() <= max(log) + 0.01


@pytest.mark.parametrize("session", SESSIONS)
def test_the_cold_board_rises_by_less_than_0_3_kelvin(whole, session):
    rise = whole.sessions[session]["temperature_rise"].sel(time=whole.sessions[session]["elapsed"] < 9).to_numpy()
    assert abs(np.nanmedian(rise)) < 0.3


@pytest.mark.parametrize("session", SESSIONS)
def test_directions_of_the_board_are_right_within_30_degrees(whole, truth, session):
    pair = whole.comparison
    if session == "fan_out":
        found = pair["reference_flow_direction"].to_numpy()[0]
    else:
        found = float(pair["joint_flow_direction"].sel(session=session))
    assert abs(turn(found, float(truth[session, "board"]["direction_deg"]))) < 30


def test_the_reversal_is_recognised_and_its_turn_is_right(whole, truth):
    pair = whole.comparison.sel(session="fan_in")
    assert VARIABLES["board_flow_change"].flags[int(pair["board_flow_change"])] == "reversed"
    true = turn(*(float(truth[name, "board"]["direction_deg"]) for name in ("fan_in", "fan_out")))
    error = turn(float(pair["board_flow_direction_change"]), true)
    assert abs(error) < 30
    assert abs(error) < 2 * float(pair["board_flow_direction_change_uncertainty"])


@pytest.mark.parametrize(("session", "fan"), [("fan_out", "outlet"), ("fan_in", "inlet")])
def test_openings_have_their_role(whole, session, fan):
    flow = whole.flows[session]
    roles = [VARIABLES["opening_role"].flags[int(role)] for role in flow["opening_role"].to_numpy()]
    vent = "inlet" if fan == "outlet" else "outlet"
    assert dict(zip(flow["opening"].to_numpy(), roles, strict=True)) == {
        "right fan": fan,
        "left vent": vent,
        "top vent": vent,
    }


def test_differences_are_right_within_their_intervals(whole, truth):
    for session in SESSIONS[1:]:
        pair = whole.comparison.sel(session=session)
        errors = []
        for name in pair["region"].to_numpy():
            true = float(truth[session, name]["rise_mean_K"]) - float(truth["fan_out", name]["rise_mean_K"])
            found = pair.sel(region=name)
            error = float(found["steady_rise_difference"]) - true
            errors.append(abs(error) / float(found["steady_rise_difference_uncertainty"]))
        # ten parts, 95 % intervals: more than two misses have a chance of 1 %
        assert sum(error > 1.96 for error in errors) <= 2


def test_the_comparison_has_its_names_and_dims(whole):
    with netCDF4.Dataset(whole.results / "comparison.nc") as stored:
        for name, variable in VARIABLES.items():
            if "session" in variable.dims:
                assert stored[name].dimensions == variable.dims
                assert stored[name].units == variable.units
        assert stored["session"][:].tolist() == list(SESSIONS[1:])


def test_the_summary_has_a_row_a_part_with_units_in_its_header(whole):
    with (whole.results / "fan_out" / "summary.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 10
    assert {"rise_K", "limit_degC", "margin_K"} <= set(rows[0])
    for row in rows:
        carried = float(row["limit_degC"] or "nan") - 45.0 - float(row["rise_K"])
        assert row["limit_degC"] == "" or float(row["margin_K"]) == pytest.approx(carried, abs=0.01)


def test_budgets_come_out_again_as_they_were(whole):
    results, _ = plot.read(SAMPLES / "fan_out", whole.results / "fan_out")
    stated = results["steady_rise_max_uncertainty"].to_numpy()
    assert rise_uncertainty(results) == pytest.approx(stated, rel=2e-3)
    tape = rise_uncertainty(results, Better(emissivity=0.95, emissivity_uncertainty=0.012))
    assert (tape < stated).all()
    assert (rise_uncertainty(results, Better(zeroed=False)) > 1.0).all()  # the camera's 2 K, rectangular, count in full


def test_what_turning_the_fan_round_does_is_foreseen(whole, truth):
    """By each recording alone; the truth is the scene's, which the fit knows nothing of."""
    for name, other in (("fan_out", "fan_in"), ("fan_in", "fan_out")):
        flow = xr.open_dataset(whole.results / name / "flow.nc")
        regions = [str(region) for region in flow["region"].to_numpy()]
        foreseen = flow["foreseen_rise_change"].sel(further="fan turned round").to_numpy()
        rises = [[float(truth[one, region]["rise_mean_K"]) for region in regions] for one in (name, other)]
        change = np.subtract(rises[1], rises[0])
        assert np.sqrt(np.mean((foreseen - change) ** 2)) < 2.5  # of 3.0 were nothing foreseen
        assert np.corrcoef(foreseen, change)[0, 1] > 0.8


def test_what_to_record_next_is_ranked(whole):
    found = read_further(whole.results)
    assert found[0].name == "tape on shiny parts"
    assert "HS2" in found[0].settles
    assert found[0].then < 0.3 * found[0].now
    assert [one.open_questions for one in found] == sorted((one.open_questions for one in found), reverse=True)
    own = {one.name for one in read_further(whole.results / "fan_out")}
    assert {"fan off", "fan turned round", "half of left vent covered"} <= own


def test_pages_movie_and_journal_stand(whole):
    for session in SESSIONS:
        assert (whole.results / session / "report.html").stat().st_size > 10_000
        assert (whole.results / session / "airflow.mp4").stat().st_size > 10_000
        for name in ("rise", "spread", "curves", "heating", "budget", "quality"):
            for kind in ("svg", "png"):
                assert (whole.results / session / "figures" / f"{name}.{kind}").stat().st_size > 2_000
    assert "fan_in" in (whole.results / "comparison.html").read_text()
    assert len(list((whole.results / "figures").iterdir())) == 10  # one of all, two of each of two sessions; two forms
    with av.open(str(whole.results / "comparison.mp4")) as film:
        stream = film.streams.video[0]
        assert (stream.width, stream.height, stream.frames) == (1920, 600, 30)
    # small enough for a letter: pages of 15 MB, films of 20; what draws in the browser is 1 MB of a page
    pages = [path.stat().st_size for path in whole.results.rglob("*.html")]
    assert len(pages) == 4
    assert max(pages) < 8e6  # half of what is allowed: real maps hold more than these
    assert max(path.stat().st_size for path in whole.results.rglob("*.mp4")) < 20e6
    journal = json.loads((whole.results / "run.json").read_text())
    assert journal["failed"] == []
    assert [row["name"] for row in journal["outcomes"]] == [*SESSIONS, "comparison"]


def test_what_a_page_shows_can_be_drawn_by_one_call(whole):
    results, flow = plot.read(SAMPLES / "fan_out", whole.results / "fan_out")
    axes = plot.rise(results, flow=flow, width=5.0)
    assert {"Q1", "HS1"} <= {text.get_text() for text in axes.texts}
    drawn = np.ma.filled(axes.images[0].get_array().astype(float), np.nan)
    assert np.nanmax(drawn) == pytest.approx(float(results["temperature_rise"][-12:].mean("time").max()), abs=1.0)
    assert plot.quality(results).get_ylabel() == "frames"
    assert plot.spread(results).images
    compared = plot.read_comparison(whole.results)
    assert plot.difference(compared, "fan_in", reference=results).images
    with pytest.raises(ValueError, match=r"no 'fan_up' \(there are fan_in, fan_in_left_covered\)"):
        plot.difference(compared, "fan_up", reference=results)


def test_a_second_run_finds_everything_up_to_date(whole):
    again = finish(whole.results.parent / "workflow.toml")
    assert {outcome.state for outcome in again.outcomes} == {"up to date"}
    assert again.comparison is not None


def test_a_lost_file_is_made_again_to_the_bit(whole):
    path = whole.results / "fan_in" / "regions.nc"
    before = path.read_bytes()
    path.unlink()
    finish(whole.results.parent / "workflow.toml")
    assert path.read_bytes() == before


def small_workflow(folder: Path, *names: str, text: str = "") -> Path:
    path = folder / "workflow.toml"
    sessions = ", ".join(f'"{name}"' for name in names)
    path.write_text(f'title = "Small"\nsessions = [{sessions}]\nresults = "results"\n{text}')
    return path


def test_one_bad_session_leaves_the_others_complete(write_session, tmp_path):
    for name in ("first", "second"):
        write_session("[ambient]\ndegC = 23.0\n", name=name)
    shutil.copytree(tmp_path / "first", tmp_path / "bad")
    (tmp_path / "bad" / "session.toml").write_text('title = "Bad"\n[frames]\nsource = "gone.tif"\ninterval_s = 1.0\n')
    done = finish(small_workflow(tmp_path, "first", "bad", "second"), workers=0, pages=False)
    assert done.exit_code == 1
    assert {outcome.name: outcome.state for outcome in done.outcomes} == {
        "first": "done", "bad": "failed", "second": "done", "comparison": "done",
    }  # fmt: skip
    journal = json.loads((tmp_path / "results" / "run.json").read_text())
    assert journal["failed"] == ["bad"]
    assert "gone.tif is missing" in next(row["reason"] for row in journal["outcomes"] if row["name"] == "bad")
    assert (tmp_path / "results" / "second" / "regions.nc").exists()


def test_a_changed_setting_is_work_to_do_and_a_moved_session_is_not(write_session, tmp_path):
    write_session("[ambient]\ndegC = 23.0\n", name="one")
    path = small_workflow(tmp_path, "one")
    assert [outcome.state for outcome in finish(path, pages=False).outcomes] == ["done"]
    (tmp_path / "elsewhere").mkdir()
    shutil.move(tmp_path / "one", tmp_path / "elsewhere" / "one")
    path = small_workflow(tmp_path, "elsewhere/one")
    assert [outcome.state for outcome in finish(path, pages=False).outcomes] == ["up to date"]
    path = small_workflow(tmp_path, "elsewhere/one", text="[regions]\nleast_rise_K = 0.7\n")
    assert [outcome.state for outcome in finish(path, pages=False).outcomes] == ["done"]


def test_what_is_warned_of_is_in_the_journal(write_session, tmp_path):
    write_session(name="one")
    *events, _ = run_workflow(small_workflow(tmp_path, "one"), pages=False)
    [outcome] = [event for event in events if isinstance(event, Outcome)]
    assert any("ambient is not given" in warning for warning in outcome.warnings)


def test_a_frame_without_a_reading_is_refused(write_session, tmp_path):
    frames = np.full((6, 30, 40), 23.0, np.float32) + np.random.default_rng(1).normal(0, 0.1, (6, 30, 40))
    frames[3] = np.nan
    head = '[frames]\nsource = "frames.tif"\ninterval_s = 1.0\n'
    write_session(name="one", frames=frames.astype(np.float32), head=head)
    done = finish(small_workflow(tmp_path, "one"))
    assert done.exit_code == 2
    assert "frame 3" in done.outcomes[0].reason


@pytest.mark.parametrize("frames", [np.full((1, 30, 40), 12300, np.uint16), np.full((8, 30, 40), 65535, np.uint16)],
                         ids=["one frame", "saturated"])  # fmt: skip
def test_odd_recordings_end_without_a_claim(write_session, tmp_path, frames):
    write_session("[ambient]\ndegC = 23.0\n", name="one", frames=frames)
    done = finish(small_workflow(tmp_path, "one"))
    assert done.exit_code == 0, done.outcomes
    with xr.open_dataset(tmp_path / "results" / "one" / "flow.nc") as flow:
        assert np.isnan(flow["board_flow_direction"]).all()
