"""``heatwake corners`` as a user meets it."""

import re
import tomllib

import numpy as np
import pytest
from typer.testing import CliRunner

from heatwake import cli
from heatwake.scene import Camera, Handling, charger, click_corners, record, simulate, write_session


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """A charger recorded by a camera that stands still; its session file without the corners, and the true ones."""
    scene = charger(cell=4.0)
    rng = np.random.default_rng(8)
    recording = record(simulate(scene, np.arange(0, 120.0, 8.0)), Camera(), Handling(), rng=rng)
    folder = tmp_path_factory.mktemp("sessions") / "bench"
    corners = click_corners(recording, error=0.0, rng=rng)
    write_session(folder, scene, recording=recording, title="Bench", corners=corners, conditions={})
    file = folder / "session.toml"
    text = re.sub(r"(corners_px|parts) = .*\n", "", file.read_text())
    file.write_text(text)
    return folder, recording.corners


def corners_of(folder, output):
    return CliRunner().invoke(cli.app, ["corners", str(folder), "--output", str(output)])


def test_the_line_can_be_copied_and_is_right(recorded, tmp_path):
    folder, true = recorded
    done = corners_of(folder, tmp_path / "corners.png")
    assert done.exit_code == 0, done.output
    assert (tmp_path / "corners.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    line = done.stdout.strip().splitlines()[-1]
    found = np.array(tomllib.loads(line)["corners_px"])
    assert np.hypot(*(found - true).T).max() < 0.5  # the scene's cells are 4 mm here: its board's edge is that coarse
    assert re.search(r"confidence (high|fair|low), ± \d\.\d px", done.stdout)


def test_wrong_corners_in_the_file_do_not_stop_it(recorded, tmp_path):
    folder, _ = recorded
    text = (folder / "session.toml").read_text()
    try:
        wrong = text.replace("[board]\n", "[board]\ncorners_px = [[100, 90], [20, 20], [90, 20], [20, 90]]\n")
        (folder / "session.toml").write_text(wrong)
        done = corners_of(folder, tmp_path / "corners.png")
    finally:
        (folder / "session.toml").write_text(text)
    assert done.exit_code == 0, done.output
    assert "session.toml has corners somewhere else" in done.stdout


def test_without_an_outline_there_is_a_picture_and_exit_code_1(write_session, tmp_path):
    done = corners_of(write_session(), tmp_path / "corners.png")
    assert done.exit_code == 1
    assert "no outline found" in done.stdout
    assert "corners_px" not in done.stdout
    assert (tmp_path / "corners.png").stat().st_size > 10_000


@pytest.mark.parametrize(
    ("camera", "board", "line"),
    [
        ("distortion = [-0.3, 0.1]\nfocal_px = 50\n", "", "camera.distortion is 2 numbers, must be k1, k2, p1, p2"),
        ("distortion = [-0.3, 0.1, 0, 0]\n", "", "camera.focal_px is missing, must be given with distortion"),
        ("distortion = [-6, 0, 0, 0]\nfocal_px = 40\n", "", "must map the whole picture one-to-one"),
        ("focal_px = [50, 50]\ncentre_px = [90, 5]\n", "", "must lie in the picture of 40x30 pixels"),
        ("", "corners_px = [[5, 5], [35, 5], [35, 25], [5, 25]]\nwidth_mm = 40\nheight_mm = 60\n", "swapped would"),
        (
            "",
            "points = [{x_mm = 1, y_mm = 2, px = [3, 4]}]\n",
            "board.corners_px is missing, must be given with points",
        ),
    ],
)
def test_what_cannot_be_is_told_in_one_line(write_session, tmp_path, camera, board, line):
    write_session(f"[camera]\n{camera}[board]\n{board}")
    workflow = tmp_path / "workflow.toml"
    workflow.write_text('title = "Small"\nsessions = ["one"]\nresults = "results"\n')
    done = CliRunner().invoke(cli.app, ["run", "--no-pages", "--workers", "0", str(workflow)])
    assert done.exit_code == 2
    assert line in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
