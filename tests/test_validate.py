"""``heatwake validate``: each protocol from its files to one page."""

import json
import re
import runpy
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from typer.testing import CliRunner

from browser import browser
from conftest import ROOT
from heatwake.cli import app
from heatwake.errors import InputError
from heatwake.report.film_lid import EXHAUST_MEAN, film_lid_finding
from heatwake.report.probe_agreement import probe_finding
from heatwake.report.tuft_scores import direction_finding, state_score
from heatwake.run.validation import read_validation
from heatwake.schema.variables import FLOW_STATUS, OPENING_ROLE, label
from heatwake.store import results
from heatwake.store.validation_tables import read_lid_runs, read_pairs, read_probe_results, read_tufts

EXAMPLE = ROOT / "workflows" / "validation"


def flow(*, direction: float = 10.0, told: bool = True, spread: float = 8.0) -> xr.Dataset:
    """Return flow results of a board of 160 x 100 mm, in two windows of which the second tells."""
    x, y = np.arange(1.0, 160, 2), np.arange(99.0, 0, -2)
    shape = (2, y.size, x.size)
    status = np.full(shape, FLOW_STATUS.index("identified" if told else "not identifiable"), dtype=np.int8)
    status[0] = FLOW_STATUS.index("not identifiable")
    degrees = np.where(status == FLOW_STATUS.index("identified"), direction, np.nan)
    board = np.array([np.nan, direction if told else np.nan])
    made = xr.Dataset(
        {
            "flow_direction": (("time", "y", "x"), degrees),
            "flow_direction_uncertainty": (("time", "y", "x"), np.where(np.isfinite(degrees), spread, np.nan)),
            "flow_status": (("time", "y", "x"), status),
            "board_flow_direction": ("time", board),
            "board_flow_direction_uncertainty": ("time", np.where(np.isfinite(board), spread, np.nan)),
            "board_flow_status": ("time", status[:, 0, 0]),
            "opening_role": ("opening", np.array([OPENING_ROLE.index("inlet"), 2, 2], dtype=np.int8)),
        },
        coords={"x": ("x", x, {"units": "mm"}), "y": ("y", y, {"units": "mm"}), "opening": ["fan", "vent", "top vent"]},
    )
    return label(made)


def tufts(directions: list[float], *, pitch: float = 40.0, state: str = "steady") -> pd.DataFrame:
    x = 20 + pitch * np.arange(len(directions)) % 160
    y = 10 + pitch * (pitch * np.arange(len(directions)) // 160)
    return pd.DataFrame({"x_mm": x, "y_mm": y, "direction_deg": directions, "spread_deg": 6.0, "state": state})


def scored(directions: list[float], **made: object):
    one = state_score("blow", flow(**made), tufts(directions), fan="on", tuft_mm=12.0, openings={"fan": "inlet"})
    return one, direction_finding([one], limit=0.02)


def test_arrows_are_scored_by_the_window_that_tells():
    state, found = scored([10.0, 25.0, -20.0, 170.0])
    assert (state.places, state.drawn, state.untold) == (4, 4, 0)
    assert np.abs(state.angles) == pytest.approx([0.0, 15.0, 30.0, 160.0])
    assert state.median == 22.5
    assert (found.wrong.hits, found.wrong.count) == (1, 4)
    assert found.inside.hits == 2  # 1.96 hypot(8, 6) = 19.6 degrees
    assert found.roles_right == 1


def test_neighbours_limp_tufts_and_those_beside_the_board_do_not_count():
    near = tufts([10.0] * 8, pitch=20.0)
    off = near.iloc[[0]].assign(x_mm=-60.0)
    limp = near.iloc[[0]].assign(x_mm=150.0, y_mm=90.0, direction_deg=np.nan, spread_deg=np.nan, state="limp")
    state = state_score(
        "blow", flow(), pd.concat([near, off, limp]), fan="on", tuft_mm=12.0, openings={}
    )  # 36 mm apart, so every other one of eight
    assert (state.tufts, state.limp, state.places) == (10, 1, 4)


def test_what_is_not_told_is_no_arrow():
    state, found = scored([10.0, 20.0], told=False)
    assert (state.drawn, state.untold) == (0, 2)
    assert found.untold.value == 1.0
    assert not found.is_shown
    assert "No arrow at a tuft" in found.answer


def test_an_arrow_with_the_fan_off_contradicts_whatever_else_is_shown():
    blown = state_score("blow", flow(), tufts([10.0] * 4), fan="on", tuft_mm=12.0, openings={"vent": "outlet"})
    still = state_score("off", flow(told=False), None, fan="off", tuft_mm=12.0, openings={})
    claimed = state_score("off", flow(), None, fan="off", tuft_mm=12.0, openings={})
    assert direction_finding([blown, still], limit=0.6).is_shown  # none wrong of four: less than 53 %
    assert direction_finding([blown, still], limit=0.6).roles_open == 1
    found = direction_finding([blown, claimed], limit=0.6)
    assert not found.is_shown
    assert "claims what is not there" in found.answer


def lid_runs(**change: float) -> pd.DataFrame:
    rng = np.random.default_rng(3)
    rows = []
    for run, state in enumerate(("lid", "film", "film", "lid") * 2):
        own = 0.1 * rng.standard_normal()
        for place, rise in {"out 1": 12.0, "out 2": 14.0, "Q1": 45.0}.items():
            extra = change.get(place.replace(" ", "_"), 0.0) if state == "film" else 0.0
            about = {"run": str(run), "state": state, "block": str(run // 2), "place": place}
            kind = "exhaust" if place.startswith("out") else "part"
            value = rise + own + extra + 0.03 * rng.standard_normal()
            rows.append(about | {"kind": kind, "rise_K": value, "power_W": 18.0, "fan_rpm": np.nan})
    return pd.DataFrame(rows)


def test_a_film_that_changes_nothing_is_shown_to_and_the_exhaust_s_mean_counts():
    found = film_lid_finding(lid_runs(), bound=0.5, power_percent=1.0)
    assert found.is_paired
    assert found.is_shown
    assert [row.place for row in found.places] == ["out 1", "out 2", "Q1", EXHAUST_MEAN]
    mean = next(row for row in found.places if row.place == EXHAUST_MEAN)
    assert mean.film == pytest.approx(np.mean([row.film for row in found.places[:2]]))
    assert "within 0.5 K" in found.answer


def test_one_place_that_changes_is_enough_not_to_show_it():
    found = film_lid_finding(lid_runs(Q1=0.6), bound=0.5, power_percent=1.0)
    assert not found.is_shown
    assert found.answer.startswith("Not shown: Q1 may differ")


def test_unequal_power_is_not_judged():
    runs = lid_runs()
    runs.loc[runs["state"] == "film", "power_W"] = 18.4
    found = film_lid_finding(runs, bound=5.0, power_percent=1.0)
    assert not found.is_shown
    assert found.answer.startswith("Not judged: with the film power was +2.2 % off")


def test_runs_of_no_block_are_two_samples():
    found = film_lid_finding(lid_runs().assign(block=""), bound=0.5, power_percent=1.0)
    assert not found.is_paired
    assert found.places[0].test.freedom == 6


def probe_pairs(*, gain: float = 1.0, bias: float = 0.0, stated: float = 0.5) -> pd.DataFrame:
    rng = np.random.default_rng(4)
    rise = np.repeat(np.linspace(10, 60, 10), 2)
    place = np.repeat([f"TC{n}" for n in range(10)], 2)
    thermocouple = 23.0 + rise + np.repeat(0.3 * rng.standard_normal(10), 2)
    camera = 23.0 + gain * rise + bias + np.repeat(0.3 * rng.standard_normal(10), 2) + 0.05 * rng.standard_normal(20)
    made = {"place": place, "session": "a", "camera_degC": camera, "thermocouple_degC": thermocouple, "rise_K": rise}
    return pd.DataFrame(made | {"camera_u": stated, "thermocouple_u": stated})


def test_thermocouples_that_agree_say_so_and_count_once_each():
    found = probe_finding(probe_pairs())
    assert found.agrees
    assert (found.limits.things, len(found.points[0])) == (10, 20)
    assert found.limits.bias_low < 0 < found.limits.bias_high


def test_a_bias_and_a_gain_are_found():
    biased = probe_finding(probe_pairs(bias=2.0))
    assert not biased.agrees
    assert biased.limits.bias == pytest.approx(2.0, abs=0.4)
    steep = probe_finding(probe_pairs(gain=1.1))
    assert steep.line.slope == pytest.approx(1.1, abs=3 * steep.line.slope_uncertainty)
    assert "look there" in steep.line_words


def test_uncertainties_stated_too_small_contradict():
    assert not probe_finding(probe_pairs(stated=0.1)).agrees


# From files.
@pytest.fixture
def bench(tmp_path: Path) -> Path:
    shutil.copytree(EXAMPLE, tmp_path / "validation")
    for name, direction in (("fan_out", 0.0), ("fan_in", 180.0)):
        folder = tmp_path / name
        folder.mkdir()
        made = flow(direction=direction).assign_coords(opening=["right fan", "left vent", "top vent"])
        list(results.write_result(folder / "flow.nc", made, attributes={"fingerprint": name}, history=""))
    file = tmp_path / "validation" / "validation.toml"
    file.write_text(file.read_text().replace("../../results/fan_direction", ".."))
    return tmp_path / "validation"


def invoke(*arguments: str):
    return CliRunner().invoke(app, ["validate", *arguments])


def test_the_example_becomes_one_page_and_the_same_for_programs(bench):
    page = bench / "page.html"
    told = invoke(str(bench / "validation.toml"), "--output", str(page), "--json")
    assert told.exit_code == 1  # 26 arrows are too few for 2 %
    found = json.loads(told.stdout)
    assert found["film_lid"]["is_shown"]
    assert found["thermocouples"]["agrees"]
    assert found["directions"]["wrong"]["count"] == found["directions"]["untold"]["count"] > 20
    assert found["answers"][0].startswith("The film does not change the airflow measurably")
    text = page.read_text()
    assert all(said in text for said in ("Film against lid", "Thermocouples against", "Directions against tufts"))
    before = page.read_bytes()
    invoke(str(bench / "validation.toml"), "--output", str(page))
    assert page.read_bytes() == before


def test_a_page_fetches_nothing_and_fits_a_telephone(bench, tmp_path):
    page = tmp_path / "page.html"
    hostile = (bench / "film_lid.csv").read_text().replace("Q1", "<script>alert(1)</script>")
    (bench / "film_lid.csv").write_text(hostile)
    invoke(str(bench / "validation.toml"), "--output", str(page))
    assert "<script>alert" not in page.read_text()
    with browser() as tab:
        for width, dark in ((1280, False), (400, True)):
            tab.open(page, width=width, dark=dark)
            assert tab.run("document.documentElement.scrollWidth") <= width
        assert tab.problems == []
        assert all(one.startswith("file://") for one in tab.requests)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"film_lid.csv"', '"none.csv"', "none.csv is missing"),
        ("bound_K = 0.5", "bound_K = -1", "must be more than 0"),
        ("tuft_mm", "tuft_cm", "did you mean tuft_mm"),
        ('results = "../fan_in"', 'results = "../nowhere"', "must be the results of a session that was run"),
        ('"right fan" = "inlet"', '"rear fan" = "inlet"', "must be one of right fan, left vent, top vent"),
        ('name = "fan blows in"', 'name = "fan draws out"', "must have unique names"),
        ("[film_lid]", "[film_lids]", "an unknown key"),
    ],
)
def test_what_is_wrong_in_the_file_is_one_line(bench, old, new, said):
    file = bench / "validation.toml"
    assert old in file.read_text()
    file.write_text(file.read_text().replace(old, new))
    done = invoke(str(file), "--output", str(bench / "page.html"))
    assert done.exit_code == 2
    assert said in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert not (bench / "page.html").exists()


@pytest.mark.parametrize(
    ("read", "table", "said"),
    [
        (read_lid_runs, "run,state,place,kind,degC,ambient_degC,power_W\n1,foil,a,part,30,20,18\n", "one of film, lid"),
        (read_lid_runs, "run,state,place,kind,degC,ambient_degC,power_W\n1,lid,a,part,x,20,18\n", "must be a number"),
        (read_lid_runs, "run,state,place,kind,degC,ambient_degC,power_W\n1,lid,a,part,30,20,0\n", "more than 0"),
        (
            read_lid_runs,
            "run,state,place,kind,degC,ambient_degC,power_W\n1,lid,a,part,30,20,18\n1,lid,a,part,31,20,18\n",
            "two rows of run 1 and place a",
        ),
        (
            read_lid_runs,
            "run,state,place,kind,degC,ambient_degC,power_W\n1,lid,a,part,30,20,18\n1,film,b,part,31,20,18\n",
            "with two of state",
        ),
        (read_pairs, "place,camera_degC\na,30\n", "column thermocouple_degC is missing"),
        (
            read_pairs,
            "place,camera_degC,thermocouple_degC,ambient_degC,camera_uncertainty_K,thermocouple_uncertainty_K\na,1,1,1,0,1\n",
            "must be more than 0",
        ),
        (read_tufts, "x_mm,y_mm,direction_deg,spread_deg,state\n1,1,,,steady\n", "unless the tuft is limp"),
        (read_tufts, "x_mm,y_mm,direction_deg,spread_deg,state\n1,1,400,5,steady\n", "within ±360"),
        (read_tufts, "x_mm,y_mm,direction_deg,spread_deg,state\n1,1,40,-5,steady\n", "0 or more"),
    ],
)
def test_what_is_wrong_in_a_table_is_one_line(tmp_path, read, table, said):
    path = tmp_path / "table.csv"
    path.write_text(table)
    with pytest.raises(InputError, match=said) as raised:
        read(path)
    assert "\n" not in str(raised.value)


def test_too_few_runs_are_one_line(bench):
    table = pd.read_csv(bench / "film_lid.csv")
    table[table["run"] < 3].to_csv(bench / "film_lid.csv", index=False)
    done = invoke(str(bench / "validation.toml"), "--output", str(bench / "page.html"))
    assert done.exit_code == 2
    assert "1 with the film and 1 with the lid" in done.stderr


def test_a_session_s_own_thermocouples_are_read(tmp_path):
    rows = [{"thermocouple": "TC1", "camera_degC": 60.0, "thermocouple_degC": 59.0, "expanded_uncertainty_K": 2.4}]
    pd.DataFrame(rows).to_csv(tmp_path / "thermocouples.csv", index=False)
    xr.Dataset({"ambient": ("time", [23.0, 24.0])}).to_netcdf(tmp_path / "rise.nc")
    made = read_probe_results(tmp_path, accuracy=1.5)
    assert made["rise_K"][0] == pytest.approx(35.0)
    assert np.hypot(made["camera_u"][0], made["thermocouple_u"][0]) == pytest.approx(1.2)
    assert made["thermocouple_u"][0] == pytest.approx(1.2 / np.sqrt(2))  # 1.5/sqrt(3) would leave the camera 0.83


READERS = {"validate_film_lid": read_lid_runs, "validate_thermocouples": read_pairs, "validate_directions": read_tufts}


@pytest.mark.parametrize("name", READERS)
def test_the_protocols_own_examples_can_be_read(name, tmp_path):
    text = (ROOT / "workflows" / f"{name}.md").read_text()
    table, file = tmp_path / "table.csv", tmp_path / "validation.toml"
    [example] = re.findall(r"```csv\n(.*?)```", text, re.DOTALL)
    table.write_text(example)
    assert len(READERS[name](table)) == len(example.splitlines()) - 1
    [example] = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    file.write_text(example)
    assert read_validation(file).title


def test_the_example_s_tables_are_what_its_script_makes():
    module = runpy.run_path(str(EXAMPLE / "make.py"))
    for name, table in (("film_lid", module["film_lid"]), ("thermocouples", module["thermocouples"])):
        seed = 1 if name == "film_lid" else 2
        kept = pd.read_csv(EXAMPLE / f"{name}.csv")
        pd.testing.assert_frame_equal(table(np.random.default_rng(seed)), kept, check_dtype=False)
