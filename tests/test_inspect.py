"""A session looked through before it is run, and a session file made for a recording."""

import json
import re
import shutil
import tomllib

import cv2
import numpy as np
import pytest
import tifffile
from typer.testing import CliRunner

from conftest import SAMPLES, small_frames
from heatwake.cli import app
from heatwake.errors import InputError
from heatwake.run.inspect import inspect_session
from heatwake.run.new_session import new_session
from heatwake.store.session import open_session
from store.videos import BAR, SCENE, coloured, encode, warm_scene

WITH_PARTS = (
    "[ambient]\ndegC = 23.0\n[board]\nmm_per_px = 0.5\n"
    '[[regions]]\nname = "Q1"\nx_mm = 11\ny_mm = 8\nwidth_mm = 4\nheight_mm = 5\n'
    '[[regions]]\nname = "D1"\nx_mm = 5\ny_mm = 5\nwidth_mm = 1\nheight_mm = 1\n'
)


@pytest.fixture
def inspect(tmp_path, monkeypatch):
    """Inspect without drawing the sheet, which takes longest."""
    monkeypatch.setattr("heatwake.run.inspect.contact_sheet_png", lambda *_, **__: b"")
    monkeypatch.setattr("heatwake.run.inspect.findings_sheet_png", lambda *_, **__: b"")

    def look(folder):
        return inspect_session(folder, output=tmp_path / "sheet.png")

    return look


def test_what_is_found_in_a_sound_session(write_session, tmp_path):
    found = inspect_session(write_session(WITH_PARTS), output=tmp_path / "sheet.png")
    assert (found.frames, found.rows, found.columns) == (12, 30, 40)
    assert (found.span_s, found.interval_s, found.gaps) == (11.0, 1.0, 0)
    degrees = small_frames() / 100 - 100
    assert found.lowest == pytest.approx(degrees.min(), abs=1e-4)
    assert found.highest == pytest.approx(degrees.max(), abs=1e-4)
    assert (found.wrong, found.masked_share, found.frozen_share, found.saturated_share) == ([], 0, 0, 0)
    # half a millimetre a pixel
    assert [(part.name, part.across_x, part.across_y) for part in found.parts] == [("Q1", 8, 10), ("D1", 2, 2)]
    assert found.doubtful == ["1 parts less than 3 px across read too cold: D1 (2.0 px)"]
    # the camera's 2 K as a rectangular distribution, and some tenths for the rest, unzeroed
    assert 2 / np.sqrt(3) < found.uncertainty_K < 1.7
    assert cv2.imread(str(tmp_path / "sheet.png")).shape[1] > 1000


def test_the_expected_uncertainty_is_about_what_a_run_of_the_sample_states(inspect):
    found = inspect(SAMPLES / "fan_out")
    assert found.doubtful == []
    assert {one.kind for one in found.findings} == {"offset steps"}  # the scene's shutter closes three times
    # 0.8 to 1.0 K for the hottest parts in summary.csv of the sample's run, that is zeroed on its cold board
    assert 0.6 < found.uncertainty_K < 1.2


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda f: np.full_like(f, 12345), "every reading that was looked at is 23.5 °C: saturated, or no scene"),
        (lambda f: np.full_like(f, 0), "no reading in any frame that was looked at"),
        (lambda f: np.where(f > 12500, 65535, f).astype(np.uint16), "of a frame reads .* where the range ends"),
        (lambda f: np.repeat(f[::4], 4, axis=0), "of the frames repeat the one before"),
        (lambda f: (f - 10_000).astype(np.uint16), r"readings from -100|outside -60 to 1000"),
    ],
)
def test_doubtful_readings_are_told(write_session, inspect, change, sentence):
    found = inspect(write_session("[ambient]\ndegC = 23.0\n", frames=change(small_frames())))
    told = [*found.doubtful, *(one.sentence for one in found.findings)]
    assert any(re.search(sentence, one) for one in told), told


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('[[events]]\nelapsed_s = 3\nlabel = "film on"\n', "no [film] though 'film on' speaks of a film"),
        (
            '[[events]]\nelapsed_s = 30\nlabel = "fan off"\n',
            "event 'fan off' at 30 s lies outside the recording of 11 s",
        ),
        ('[[events]]\nelapsed_s = 3\nlabel = "power on"\n', "power on at 3 s: 10 s of the cold board before it"),
        (
            '[film]\ntransmittance = 0.9\n[[events]]\nelapsed_s = 1\nlabel = "film removed"\n',
            "a [film] is given though 'film removed' says otherwise",
        ),
        ("", "no [ambient]"),
    ],
)
def test_doubtful_descriptions_are_told(write_session, inspect, text, sentence):
    found = inspect(write_session(text))
    assert any(one.startswith(sentence) for one in found.doubtful), found.doubtful


def test_gaps_are_told(write_session, inspect):
    folder = write_session(
        "", head='[frames]\nsource = "frames.tif"\nscale = 0.01\noffset = -100\ntimestamps = "t.csv"\n'
    )
    times = [0, 1, 2, 3, 4, 5, 15, 16, 17, 18, 19, 20]
    (folder / "t.csv").write_text("time\n" + "\n".join(map(str, times)))
    found = inspect(folder)
    assert (found.gaps, found.longest_gap_s) == (1, 10.0)
    assert "one gap in time, the longest 10 s where 1 s is usual" in found.doubtful


def test_what_is_wrong_is_told_beside_what_can_still_be_read(write_session, inspect):
    corners = "[board]\nwidth_mm = 60\nheight_mm = 40\ncorners_px = [[900, 1], [38, 1], [38, 28], [1, 28]]\n"
    found = inspect(write_session(corners))
    assert len(found.wrong) == 1
    assert "board.corners_px is [900, 1]" in found.wrong[0]
    assert found.frames == 12
    broken = write_session("", name="broken")
    (broken / "frames.tif").write_bytes(b"II*\0")
    found = inspect(broken)
    assert found.frames == 0
    assert len(found.wrong) == 1


def test_the_command_line(write_session, tmp_path):
    folder = write_session(WITH_PARTS)
    done = CliRunner().invoke(app, ["inspect", str(folder), "-o", str(tmp_path / "a.png"), "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["frames"] == 12
    assert told["parts"][0]["name"] == "Q1"
    done = CliRunner().invoke(app, ["inspect", str(folder), "-o", str(tmp_path / "a.png")])
    assert "12 of 40x30 pixels" in done.stdout
    assert "doubtful: 1 parts less than 3 px" in done.stdout
    (folder / "session.toml").write_text("title = 1")
    done = CliRunner().invoke(app, ["inspect", str(folder)])
    assert done.exit_code == 2
    assert "WRONG: " in done.stdout


# A new session.
def test_a_new_session_of_a_stack_is_read_at_once(tmp_path):
    tifffile.imwrite(tmp_path / "frames.tif", small_frames(), photometric="minisblack")
    (tmp_path / "times.csv").write_text("time\n" + "\n".join(str(2 * n) for n in range(12)))
    (tmp_path / "ambient.csv").write_text("elapsed_s,ambient_degC\n0,23\n")
    made = new_session(tmp_path / "frames.tif")
    written = tomllib.loads(made.path.read_text())
    assert written["frames"] == {
        "source": "frames.tif", "unit": "degC", "scale": 0.01, "offset": -100.0, "timestamps": "times.csv",
    }  # fmt: skip
    assert any(line.startswith("CHECK scale and offset: with these it is 2") for line in made.to_do)
    session = open_session(tmp_path).dataset
    assert session["elapsed"].to_numpy()[-1] == 22
    assert float(session["frame_ambient"][0]) == 23
    with pytest.raises(InputError, match="is there already"):
        new_session(tmp_path / "frames.tif")


def test_a_new_session_of_a_series_and_of_named_variables(tmp_path):
    for number, frame in enumerate(small_frames()):
        cv2.imwrite(str(tmp_path / f"f{number}.png"), frame)
    made = new_session(tmp_path)
    assert tomllib.loads(made.path.read_text())["frames"]["source"] == "*.png"
    assert open_session(tmp_path).dataset.sizes["frame"] == 12
    np.savez(tmp_path / "a.npz", A=small_frames() / 100 - 100, B=small_frames(), time=np.arange(12) * 0.5)
    made = new_session(tmp_path / "a.npz", output=tmp_path / "other" / "session.toml")
    written = tomllib.loads(made.path.read_text())["frames"]
    assert (written["variable"], written["interval_s"], written["source"]) == ("A", 0.5, "../a.npz")
    assert any(line.startswith("CHECK variable; others: B") for line in made.to_do)


def test_a_new_session_of_the_sample_and_a_pair(tmp_path):
    for name in ("frames.tif", "times.csv", "ambient.csv"):
        shutil.copy(SAMPLES / "fan_out" / name, tmp_path)
    for name in ("bare.tif", "covered.tif"):
        shutil.copy(SAMPLES / "film_pair" / name, tmp_path)
    new_session(tmp_path / "frames.tif")
    assert set(open_session(tmp_path).files) >= {
        "frames",
        "film.bare",
        "film.covered",
        "frames.timestamps",
        "ambient.log",
    }


def test_a_new_session_of_colour_video_asks_for_its_bar(tmp_path):
    pictures, _ = coloured(warm_scene(3), "inferno")
    encode(tmp_path / "a.mkv", pictures, codec="ffv1", pixels="bgr0")
    made = new_session(tmp_path / "a.mkv")
    assert any("bar_px" in line for line in made.to_do)
    text = made.path.read_text()
    text = text.replace("bar_px = [160, 10, 170, 110]", f"bar_px = {list(BAR)}")
    made.path.write_text(text.replace("image_px = [0, 0, 150, 120]", f"image_px = {list(SCENE)}"))
    assert open_session(tmp_path).dataset.sizes["column"] == 150


def test_no_frames_no_session(tmp_path):
    with pytest.raises(InputError, match="without frames, must hold files of one kind"):
        new_session(tmp_path)
    done = CliRunner().invoke(app, ["new-session", str(tmp_path / "gone.tif")])
    assert done.exit_code == 2


def test_the_rim_of_a_clipped_spot_is_no_drawn_in_picture(write_session, inspect):
    frames = small_frames()
    clipped = np.where(frames > 12500, 65535, frames).astype(np.uint16)
    found = inspect(write_session("[ambient]\ndegC = 23.0\n", frames=clipped))
    assert {one.kind for one in found.findings} == {"clipping"}
    assert any("visible overlay" in sentence for sentence in found.untold)
