"""Two recordings of one set-up: nothing may be flagged."""

import re

import numpy as np
import pytest

from heatwake.run import Finished, run_workflow
from heatwake.scene import (
    Camera,
    Handling,
    Shake,
    Shutter,
    charger,
    click_corners,
    record,
    simulate,
    write_parts,
    write_session,
)

ELAPSED = np.concatenate([np.arange(0, 40, 1.0), np.arange(40, 500, 8.0)])
CAMERA = Camera(columns=112, rows=84, focal=245.0, supersampling=2)


@pytest.fixture(scope="module")
def null(tmp_path_factory):
    """One charger, recorded twice: other noise, other shake, other clicks on its corners, a shutter event in one."""
    folder = tmp_path_factory.mktemp("null")
    scene = charger(cell=2.0)
    truth = simulate(scene, ELAPSED)
    for seed, name in enumerate(("first", "second"), start=11):
        handling = Handling(shake=Shake(), shutters=(Shutter(100.0, 0.25),) if name == "second" else ())
        recording = record(truth, CAMERA, handling, rng=np.random.default_rng(seed))
        write_session(
            folder / name,
            scene,
            recording=recording,
            title=name,
            corners=click_corners(recording, error=0.2, rng=np.random.default_rng(seed + 100)),
            conditions={"power_W": scene.power},
        )
        # openings left out: the joint fit is judged elsewhere, and takes most of the time
        session = folder / name / "session.toml"
        session.write_text(re.sub(r"\[\[openings\]\].*?(?=\n\[)", "", session.read_text(), flags=re.DOTALL))
        write_parts(folder / name / "parts.csv", scene)
    (folder / "workflow.toml").write_text('title = "Null"\nsessions = ["first", "second"]\nresults = "results"\n')
    *_, last = run_workflow(folder / "workflow.toml", workers=0, pages=False)
    assert isinstance(last, Finished)
    assert last.exit_code == 0, last.outcomes
    return last.comparison


def test_no_part_and_no_pixel_is_flagged(null):
    assert int(null["region_significant"].sum()) == 0
    assert int(null["significant"].sum()) == 0


def test_the_differences_are_there_and_small(null):
    # the test above means something only where there was something to compare
    assert null.sizes["region"] >= 10
    assert np.isfinite(null["rise_difference"]).mean() > 0.95
    assert 0 < float(abs(null["rise_difference"]).median()) < 0.3
