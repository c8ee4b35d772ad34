"""``heatwake plan``: sheet, JSON, and session folders that a recording goes into."""

import json
import re
import shutil
import tomllib

import numpy as np
import pytest
import tifffile
from typer.testing import CliRunner

from conftest import ROOT
from heatwake.cli import app
from heatwake.run.inspect import inspect_session
from heatwake.run.plan import make_plan
from heatwake.run.workflows import read_workflow, session_folders
from heatwake.schema.plan import Plan
from heatwake.stages.set_ups import conditions, set_ups
from heatwake.store.session import open_description, open_session
from planned import SMALL

EXAMPLE = ROOT / "workflows" / "plan_charger.toml"
EVIL = "<img src=x onerror=alert(1)> & \"Q\" 'Z'"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    home = tmp_path_factory.mktemp("plan")
    (home / "small.toml").write_text(SMALL)
    return make_plan(home / "small.toml", output=home / "out")


def fill_in(folder, *, interval=True):
    """Put a small recording beside a session file, and its corners and interval into it."""
    rng = np.random.default_rng(2)
    frames = 12350 + 200 * np.exp(-((np.arange(40) - 20.0) ** 2) / 50)[None, None] * np.ones((12, 30, 1))
    tifffile.imwrite(folder / "frames.tif", (frames + rng.normal(0, 5, frames.shape)).astype(np.uint16))
    path = folder / "session.toml"
    text = path.read_text().replace("# corners_px = [[22, 18], [301, 20], [300, 195], [21, 193]]",
                                    "corners_px = [[4, 3], [35, 3], [35, 26], [4, 26]]")  # fmt: skip
    text = text.replace('source = "frames.tif"', 'source = "frames.tif"\nscale = 0.01\noffset = -100.0')
    path.write_text(text.replace("# interval_s = ", "interval_s = ") if interval else text)


def test_session_files_say_what_the_plan_knows(made):
    description, dataset = open_description(made.folder / "02_fan_in")
    assert description.title == "Small · fan in, take 1 (run 2 of 4)"
    assert description.conditions == {
        **{"fan": "in", "replicate": 1, "block": 1, "film_fitting": 1, "power_W": 4.0, "max_ambient_degC": 45.0}
    }
    assert description.film.transmittance == pytest.approx(made.test.lid.transmittance, abs=1e-4)
    assert dataset["part"].to_numpy().tolist() == ["Q1", "U1"]
    assert dataset["part_x"].to_numpy().tolist() == [25.0, 50.0]
    assert [one.name for one in description.openings] == ["rear fan", "vent"]
    assert (description.board.width_mm, description.board.channel_mm) == (80.0, 25.0)


def test_once_frames_are_there_a_session_opens_and_is_inspected(made, tmp_path, monkeypatch):
    monkeypatch.setattr("heatwake.run.inspect.contact_sheet_png", lambda *_, **__: b"")
    shutil.copytree(made.folder, tmp_path / "test")
    folder = tmp_path / "test" / "01_fan_out"
    fill_in(folder)
    opened = open_session(folder)
    assert dict(opened.dataset.sizes)["frame"] == 12
    found = inspect_session(folder, output=tmp_path / "sheet.png")
    assert found.wrong == []
    assert [part.name for part in found.parts] == ["Q1", "U1"]
    # the recording is shorter than planned: that is all there is to say
    assert [text for text in found.doubtful if "lies outside the recording" not in text] == []


def test_the_workflow_holds_all_runs_in_order_and_they_are_takes(made):
    workflow, _ = read_workflow(made.folder / "workflow.toml")
    folders = session_folders(workflow, made.folder / "workflow.toml")
    assert list(folders) == [run.name for run in made.test.runs.runs]
    assert workflow.reference == "01_fan_out"
    sessions = {name: open_description(folder)[1] for name, folder in folders.items()}
    for name, folder in folders.items():
        sessions[name].attrs["conditions"] = json.dumps(open_description(folder)[0].conditions)
    assert set_ups(sessions) == [["01_fan_out", "04_fan_out"], ["02_fan_in", "03_fan_in"]]
    assert conditions(sessions["04_fan_out"])["replicate"] == 2


def test_what_was_filled_in_is_kept(made, tmp_path):
    shutil.copytree(made.folder, tmp_path / "out")
    (tmp_path / "small.toml").write_text(SMALL)
    filled = tmp_path / "out" / "01_fan_out" / "session.toml"
    filled.write_text("# mine\n")
    again = make_plan(tmp_path / "small.toml", output=tmp_path / "out")
    assert again.kept == ("01_fan_out/session.toml",)
    assert filled.read_text() == "# mine\n"


def test_the_same_plan_gives_the_same_sheet_and_json_holds_it_all(made, tmp_path):
    (tmp_path / "small.toml").write_text(SMALL)
    done = CliRunner().invoke(app, ["plan", str(tmp_path / "small.toml"), "-o", str(tmp_path / "out"), "--json"])
    assert (done.exit_code, done.stderr) == (0, "")
    content = json.loads(done.stdout)
    assert content == json.loads((tmp_path / "out" / "plan.json").read_text())
    assert content["view"]["mm_per_px"] == pytest.approx(0.012 * (430 - 9.1) / 9.1)
    assert [run["name"] for run in content["runs"]["runs"]] == [run.name for run in made.test.runs.runs]
    assert content["runs"]["factors"][0]["forecast"]["low"] is None  # nothing is known of it
    assert Plan.model_validate(content["plan"]) == made.plan
    assert (tmp_path / "out" / "plan.html").read_text() == (made.folder / "plan.html").read_text()


def test_names_on_the_sheet_are_text_and_nothing_is_fetched(tmp_path):
    text = SMALL.replace('"Small"', json.dumps(EVIL)).replace('"Q1"', json.dumps(EVIL)).replace('"out"', '"out"')
    (tmp_path / "plan.toml").write_text(text.replace('"rear fan"', json.dumps(EVIL)))
    evil = make_plan(tmp_path / "plan.toml", output=tmp_path / "out")
    page = (tmp_path / "out" / "plan.html").read_text()
    assert "<img" not in page
    assert "&lt;img src=x" in page
    assert page.count("<script>") == page.count("sha256-") > 0  # our own, let through by their digests alone
    assert not [word for word in ("http://", "https://", "//cdn") if word in page.replace("http://www.w3.org", "")]
    description, dataset = open_description(tmp_path / "out" / evil.test.runs.runs[0].name)
    assert description.openings[0].name == dataset["part"].to_numpy()[0] == EVIL


def test_folders_are_named_safely(tmp_path):
    levels = json.dumps(["../../up", "a b/c: ünï"])
    text = SMALL.replace('["out", "in"]', levels).replace('opening = "rear fan"\n', "")
    (tmp_path / "plan.toml").write_text(text)
    made = make_plan(tmp_path / "plan.toml", output=tmp_path / "out")
    assert {run.name for run in made.test.runs.runs} >= {"01_fan_..-..-up", "02_fan_a-b-c-n"}
    assert sorted(path.name for path in (tmp_path / "out").iterdir() if path.is_dir()) == sorted(
        run.name for run in made.test.runs.runs
    )
    assert open_description(tmp_path / "out" / "02_fan_a-b-c-n")[0].conditions["fan"] == "a b/c: ünï"


def test_help_has_an_example():
    assert "Example: heatwake plan workflows/plan_charger.toml" in CliRunner().invoke(app, ["plan", "--help"]).stdout


def test_a_covered_vent_is_left_out_of_its_session(tmp_path):
    text = SMALL + '[[factors]]\nname = "vent"\nlevels = ["open", "covered"]\nopening = "vent"\n'
    (tmp_path / "plan.toml").write_text(text)
    made = make_plan(tmp_path / "plan.toml", output=tmp_path / "out")
    assert len(made.test.runs.runs) == 8
    for run in made.test.runs.runs:
        names = [one.name for one in open_description(tmp_path / "out" / run.name)[0].openings]
        assert ("vent" in names) == (run.levels["vent"] == "open")


def test_the_example_is_a_plan_with_one_thing_to_mend(tmp_path):
    done = CliRunner().invoke(app, ["plan", str(EXAMPLE), "--output", str(tmp_path / "out")])
    assert (done.exit_code, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert [line for line in lines if line.startswith("to mend")] == [
        "to mend: Mostly reflection: HS2: an emissivity below 0.6 gives no temperature; put matt tape on it."
    ]
    assert "fan: 4 runs can show 2 K; nothing tells beforehand how large the effect is" in lines
    assert tomllib.loads((tmp_path / "out" / "workflow.toml").read_text())["reference"] == "01_fan_out"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("title = 3", "title is 3"),
        ("[camera", "not TOML"),
        (SMALL.replace("pitch_um", "pitch"), "camera.pitch is an unknown key, did you mean pitch_um?"),
        (SMALL.replace("x_mm = 25.0", "x_mm = 250.0"), "must lie on the board"),
    ],
)
def test_a_wrong_plan_gets_one_line_and_exit_code_2(tmp_path, text, line):
    (tmp_path / "plan.toml").write_text(text)
    done = CliRunner().invoke(app, ["plan", str(tmp_path / "plan.toml"), "--output", str(tmp_path / "out")])
    assert done.exit_code == 2
    assert line in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()


def importers(of):
    """Return the modules of the package that import a module of it or what lies below it."""
    package = ROOT / "pipeline" / "heatwake"
    line = re.compile(rf"^\s*(from|import) {re.escape(of)}\b", re.MULTILINE)
    return {path.relative_to(package).as_posix() for path in package.rglob("*.py") if line.search(path.read_text())}


def test_the_scene_is_known_to_the_rehearsal_alone_and_that_to_its_command_alone():
    of_scene = {name for name in importers("heatwake.scene") if not name.startswith("scene/")}
    assert of_scene == {"rehearsal/item.py", "rehearsal/recorded.py"}
    of_rehearsal = {name for name in importers("heatwake.rehearsal") if not name.startswith("rehearsal/")}
    assert of_rehearsal == {"commands/plan.py"}
