"""``heatwake plan --with-scene`` to its end: two runs on a simulated item, truth beside estimate on the sheet."""

import json
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from click.testing import Result
from typer.testing import CliRunner

from heatwake.cli import app
from heatwake.rehearsal import rehearsing
from planned import SMALL

SMALLER = {  # fewer pixels over the same field, and one run of each set-up
    "pixels = [160, 120]": "pixels = [64, 48]",
    "pitch_um = 12.0": "pitch_um = 30.0",
    "[runs]": '[runs]\nreplicates = 1\nrecord = "lab.sqlite"',
}


def plan_file(place: Path, changes: dict[str, str]) -> Path:
    text = SMALL
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    (place / "plan.toml").write_text(text)
    return place / "plan.toml"


def plan(path: Path) -> Result:
    return CliRunner().invoke(app, ["plan", str(path), "--output", str(path.parent / "out"), "--with-scene"])


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("plan")


@pytest.fixture(scope="module")
def done(place: Path) -> Result:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("heatwake.rehearsal.item.MOST_CELLS", 1300)
        patch.setattr("heatwake.rehearsal.recorded.SLOW_FRAMES", 20)
        patch.setattr(rehearsing, "run_workflow", partial(rehearsing.run_workflow, workers=0))
        return plan(plan_file(place, SMALLER))


@pytest.fixture(scope="module")
def found(place: Path, done: Result) -> dict[str, Any]:
    made: dict[str, Any] = json.loads((place / "out" / "plan.json").read_text())["rehearsal"]
    return made


def test_it_ends_well_and_says_what_it_found(done, found):
    assert (done.exit_code, done.stderr) == (0, "")
    said = [line for line in done.stdout.splitlines() if line.startswith("rehearsal: ")]
    off = np.median([abs(row["estimate"] - row["true"]) for row in found["parts"]])
    assert f"Rises came out typically {off:.2f} K off the simulated truth" in said[0]
    assert "2 of 2 differences (02_fan_in − 01_fan_out)" in said[1]
    assert "in 2 of 2 runs" in said[3]
    assert found["failed"] == []


def test_truth_is_what_the_plan_expects_and_the_estimate_what_the_pipeline_found(place, found):
    rows = {(row["run"], row["part"]): row for row in found["parts"]}
    assert len(rows) == 4
    for part, expected in (("Q1", 40.0), ("U1", 25.0)):
        assert rows["01_fan_out", part]["true"] == pytest.approx(expected, rel=0.05)  # tuned to 2 %, six rounds at most
    for (run, part), row in rows.items():
        with xr.open_dataset(place / "out" / "rehearsal" / "results" / run / "regions.nc") as regions:
            own = regions.set_index(region="region").sel(region=part)
            assert row["estimate"] == pytest.approx(float(own["steady_rise"]))
        assert 0 < abs(row["estimate"] - row["true"]) < 3 * row["uncertainty"] < 5.0


def test_differences_and_directions_stand_beside_the_truth(found):
    for row in found["differences"]:
        assert row["told"]
        assert row["low"] <= row["true"] <= row["high"]
        assert row["estimate"] * row["true"] > 0
    out, back = found["directions"]
    assert abs(out["true"]) < 30  # drawn out at the right
    assert abs(back["true"]) > 150
    for row in (out, back):
        assert row["told"]
        assert abs((row["degrees"] - row["true"] + 180) % 360 - 180) < 3 * row["uncertainty"]


def test_the_sheet_is_written_again_with_it(place, done):
    page = (place / "out" / "plan.html").read_text()
    assert "Rehearsal on a simulated item" in page
    for line in done.stdout.splitlines():
        if line.startswith("rehearsal: "):
            assert line.removeprefix("rehearsal: ") in page
    assert "2 runs of 53 frames of 64 × 48 pixels" in page


def test_nothing_simulated_gets_into_planned_sessions_or_the_record(place, done):
    assert [path.name for path in (place / "out" / "01_fan_out").iterdir()] == ["session.toml"]
    assert "CHECK" in (place / "out" / "01_fan_out" / "session.toml").read_text()
    assert 'file = "../lab.sqlite"' in (place / "out" / "workflow.toml").read_text()
    assert not (place / "lab.sqlite").exists()


def test_a_plan_that_says_too_little_for_it_gets_one_line(tmp_path):
    done = plan(plan_file(tmp_path, {"power_W = 3.0\n": "", "power_W = 1.0\n": ""}))
    assert done.exit_code == 2
    assert "parts.power_W is missing, must be given for a rehearsal" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert "Rehearsal" not in (tmp_path / "out" / "plan.html").read_text()
