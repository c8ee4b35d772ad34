"""``heatwake plan`` with the laboratory's record: from runs that entered themselves to the next plan's sheet."""

import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from typer.testing import CliRunner

from conftest import small_frames
from heatwake.cli import app
from heatwake.run import Finished, run_workflow
from heatwake.run.plan import make_plan
from heatwake.run.record_views import kinds_in
from heatwake.stages.set_ups import kind_of
from heatwake.store import record
from heatwake.store.session import open_description
from planned import SMALL


def plan_text(*, takes: int) -> str:
    """Return the small plan of one set-up, its parts where small frames have their spot, with a record."""
    head, _, rest = SMALL.partition("[[factors]]")
    parts = rest[rest.index("[[parts]]") :].replace("x_mm = 25.0", "x_mm = 43.0").replace("y_mm = 20.0", "y_mm = 30.0")
    wanted = f'record = "lab/lab.sqlite"\nreplicates = {takes}\n'
    return head.replace("power_percent", f"{wanted}power_percent") + parts.replace("x_mm = 50.0", "x_mm = 12.0")


def filled(folder: Path) -> None:
    """Record into a planned session."""
    tifffile.imwrite(folder / "frames.tif", small_frames(count=24), photometric="minisblack")
    path = folder / "session.toml"
    text = path.read_text().replace("# corners_px = [[22, 18], [301, 20], [300, 195], [21, 193]]",
                                    "corners_px = [[0, 0], [39, 0], [39, 29], [0, 29]]")  # fmt: skip
    text = text.replace(
        'source = "frames.tif"', 'source = "frames.tif"\nscale = 0.01\noffset = -100.0\ninterval_s = 1.0'
    )
    path.write_text(text.replace("elapsed_s = 60.0", "elapsed_s = 4.0"))


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A laboratory where a plan was made, its run recorded and done, and taken four times more."""
    place = tmp_path_factory.mktemp("lab")
    (place / "plan.toml").write_text(plan_text(takes=1))
    made = make_plan(place / "plan.toml", output=place / "first" / "out")
    filled(made.folder / "01_run")
    workflow = made.folder / "workflow.toml"
    workflow.write_text(workflow.read_text() + "[cadence]\nanalysis_s = 1.0\n[baseline]\nquiet_s = 3.0\n")
    *_, last = run_workflow(workflow, workers=0, pages=False)
    assert isinstance(last, Finished)
    assert last.exit_code == 0
    [take] = record.takes(place / "lab" / "lab.sqlite")
    assert "Q1" in take.rises()
    for number, (off, share) in enumerate(((0.1, 0.01), (-0.1, -0.01), (0.2, 0.0), (-0.1, 0.02))):
        regions = tuple(replace(one, rise=(1 + share) * one.rise + off) for one in take.regions)
        record.enter(place / "lab" / "lab.sqlite", replace(take, recording=f"take {number}", regions=regions))
    return place


def test_a_planned_run_enters_itself_into_the_record(place):
    [take] = [one for one in record.takes(place / "lab" / "lab.sqlite") if not one.recording.startswith("take")]
    assert take.session == "01_run"
    assert tomllib.loads((place / "first" / "out" / "workflow.toml").read_text())["record"] == {
        "file": "../../lab/lab.sqlite",
        "pool": "kind",
    }


def test_the_next_plan_takes_its_repeatability_from_there(place):
    [kind] = kinds_in(place / "lab" / "lab.sqlite")
    assert (kind.takes, kind.freedom) == (5, 4)
    (place / "next.toml").write_text(plan_text(takes=2))
    done = CliRunner().invoke(app, ["plan", str(place / "next.toml"), "-o", str(place / "second"), "--json"])
    assert (done.exit_code, done.stderr) == (0, "")
    content = json.loads(done.stdout)
    earlier = content["runs"]["earlier"]
    assert (earlier["found"], earlier["takes"], earlier["freedom"]) == ("set-ups", 5, 4)
    # the record's own view of its only kind
    assert (earlier["constant"], earlier["share"]) == pytest.approx((kind.constant, kind.share))
    for one, part in zip(content["certainties"], content["parts"], strict=True):
        assert one["run_spread"] == pytest.approx(np.hypot(kind.constant, kind.share * part["rise"]))
    page = (place / "second" / "plan.html").read_text()
    assert "5 takes of these set-ups, 4 degrees of freedom" in page
    assert "is assumed" not in page


def test_a_comparison_of_planned_runs_will_find_those_takes(place):
    made = make_plan(place / "plan.toml", output=place / "third")
    description, session = open_description(made.folder / "01_run")
    session.attrs["conditions"] = json.dumps(description.conditions)
    kinds = {one.kind for one in record.takes(place / "lab" / "lab.sqlite")}
    assert {kind_of(session).mark} == kinds


def test_the_plan_s_own_runs_are_no_earlier_ones(place):
    again = make_plan(place / "plan.toml", output=place / "first" / "out")
    assert again.test.runs.earlier.takes == 4


def test_a_record_that_is_none_gets_one_line_and_nothing_is_written(tmp_path):
    (tmp_path / "plan.toml").write_text(plan_text(takes=2))
    (tmp_path / "lab").mkdir()
    (tmp_path / "lab" / "lab.sqlite").write_text("not a record" * 100)
    done = CliRunner().invoke(app, ["plan", str(tmp_path / "plan.toml"), "-o", str(tmp_path / "out")])
    assert done.exit_code == 2
    assert "plan.toml: runs.record: " in done.stderr
    assert "lab.sqlite is not readable" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()
