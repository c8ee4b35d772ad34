"""A session without corners is placed by the reference's picture: through the run, its fingerprints and ``explain``."""

import re
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from board_pictures import CAMERA, MOVED, corners, other_board
from heatwake.run.explain import explain_workflow
from heatwake.run.placing import Anchor
from heatwake.run.runner import run_workflow
from heatwake.run.sessions import session_steps
from heatwake.run.workflows import read_workflow
from heatwake.scene import Handling, charger, record, simulate, write_session
from heatwake.store import results

ELAPSED = np.concatenate([np.arange(0, 10, 2.0), np.arange(20, 200, 30.0)])
WORKFLOW = 'title = "Moved"\nsessions = ["moved", "first"]\nreference = "first"\nresults = "results"\n'


def write(folder: Path, scene, camera, *, own: bool) -> None:
    recording = record(simulate(scene, ELAPSED), camera, Handling(), rng=np.random.default_rng(4))
    write_session(
        folder, scene, recording=recording, title=folder.name, corners=recording.corners, conditions={"power_W": 18.0}
    )
    left_out = r"\nparts = .*" if own else r"\n(parts|corners_px|width_mm|height_mm) = .*"
    file = folder / "session.toml"
    file.write_text(re.sub(left_out, "", file.read_text()))


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    """The charger, the charger seen from elsewhere, and another board."""
    folder = tmp_path_factory.mktemp("place")
    write(folder / "first", charger(cell=2.0), CAMERA, own=True)
    write(folder / "moved", charger(cell=2.0, fan="in"), MOVED, own=False)
    stranger = other_board(3)
    write(folder / "stranger", replace(stranger, board=replace(stranger.board, cell=2.0)), MOVED, own=False)
    (folder / "workflow.toml").write_text(WORKFLOW)
    return folder


def register(place: Path, name: str, *, into: str):
    """Do a session up to its registration; return the dataset, None where it failed, and the outcome's reason."""
    _, settings = read_workflow(place / "workflow.toml")
    anchor = Anchor(place / "first", place / into / "first")
    target = place / into / name
    with closing(session_steps(place / name, target, settings, pages=False, anchor=anchor)) as steps:
        while True:
            try:
                progress = next(steps)
            except StopIteration as end:
                return None, end.value.reason
            if progress.file == "rise.nc":
                return results.open_result(target / "registration.nc").load(), ""


@pytest.fixture(scope="module")
def moved(place):
    made, _ = register(place, "moved", into="results")
    return made


def test_a_moved_session_takes_its_corners_from_the_reference(moved):
    found = np.stack([moved["corner_column"], moved["corner_row"]], axis=1)
    off = np.hypot(*(found - corners(MOVED)).T)
    assert off.max() < 1.0  # the promise; 0.17 here
    assert np.sqrt(np.mean(off**2)) < 4 * float(moved["match_uncertainty"])  # k = 4
    assert (float(moved["board_width"]), float(moved["board_height"])) == (160.0, 100.0)
    assert 0.42 < float(moved["match_quality"]) <= 1.0


def test_whoever_makes_the_references_registration_makes_the_same(place, moved):
    assert moved is not None
    register(place, "first", into="alone")
    made = [(place / into / "first" / "registration.nc").read_bytes() for into in ("results", "alone")]
    assert made[0] == made[1]


def test_another_board_is_refused_by_name_and_quality(place, moved):
    assert moved is not None
    made, reason = register(place, "stranger", into="results")
    assert made is None
    assert re.search(r"session\.toml: board\.corners_px is missing, .* that of first: .*must be given", reason)
    assert re.search(r"quality 0\.\d\d|only \d+ places", reason)
    assert not (place / "results" / "stranger" / "registration.nc").exists()


def test_explain_knows_what_a_session_is_placed_by(place, moved):
    assert moved is not None
    session, _, _ = explain_workflow(place / "workflow.toml", pages=False)
    assert session.reasons["registration.nc"] == ()
    file = place / "first" / "session.toml"
    text = file.read_text()
    file.write_text(text.replace("height_mm = 100.0", "height_mm = 101.0"))
    session, _, _ = explain_workflow(place / "workflow.toml", pages=False)
    file.write_text(text)
    told = session.reasons["registration.nc"]
    assert "reference.board.height_mm 100 → 101" in told
    assert "the reference's registration.nc: other content" in told


def test_a_session_of_another_size_is_refused(place, moved):
    assert moved is not None
    file = place / "moved" / "session.toml"
    text = file.read_text()
    file.write_text(text.replace("[board]", "[board]\nwidth_mm = 120.0"))
    made, reason = register(place, "moved", into="other")
    file.write_text(text)
    assert made is None
    assert "board.width_mm is 120, must be 160 as of first" in reason


def test_without_a_named_reference_a_session_is_measured_in_pixels(place, tmp_path):
    path = place / "alone.toml"
    path.write_text(WORKFLOW.replace('reference = "first"\n', "").replace('"moved", "first"', '"moved"'))
    session, *_ = explain_workflow(path, pages=False)
    assert session.problem == ""
    events = run_workflow(path, workers=0, pages=False)
    with closing(events):
        for event in events:
            if getattr(event, "file", "") == "regions.nc":
                break
    made = results.open_result(place / "results" / "moved" / "registration.nc")
    assert "match_quality" not in made
