"""The shipped sample is what its script makes."""

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
import tifffile

from heatwake.scene import simulate

SAMPLE = Path(__file__).parents[2] / "sample_frames"


@pytest.fixture(scope="module")
def make() -> ModuleType:
    """The script as a module."""
    specification = importlib.util.spec_from_file_location("make_sample", SAMPLE / "make.py")
    module = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(module)
    return module


def test_every_file_matches_its_digest(make: ModuleType) -> None:
    lines = [line for line in (SAMPLE / "DIGESTS.txt").read_text().splitlines() if not line.startswith("#")]
    listed = {name: value for value, name in (line.split("  ") for line in lines)}
    found = {path.relative_to(SAMPLE).as_posix(): make.digest(path) for path in make.data_files(SAMPLE)}
    assert listed == found


def test_the_sample_stays_small() -> None:
    assert sum(path.stat().st_size for path in SAMPLE.rglob("*") if path.is_file()) < 12e6


def test_the_script_makes_the_shipped_frames_again(make: ModuleType) -> None:
    plan = make.PLANS[0]
    begun = make.ELAPSED[:50]
    recording = make.record_plan(plan, simulate(plan.scene, begun))
    shipped = tifffile.TiffFile(SAMPLE / plan.folder / "frames.tif")
    with shipped:
        for index, frame in enumerate(recording.frames()):
            # Another processor may round a pixel to the next count.
            assert np.abs(frame.astype(int) - shipped.pages[index].asarray().astype(int)).max() <= 1


def test_the_script_makes_the_film_pair_again(make: ModuleType) -> None:
    for recording, name in zip(make.record_film_pair(), ("bare", "covered"), strict=True):
        made = np.stack(list(recording.frames())).astype(int)
        assert np.abs(made - tifffile.imread(SAMPLE / "film_pair" / f"{name}.tif")).max() <= 1


def test_the_film_pair_shows_the_film() -> None:
    """Slope of covered over bare temperature at the hot end: about the transmittance (a little more, Planck)."""
    bare, covered = (tifffile.imread(SAMPLE / "film_pair" / f"{name}.tif").mean(axis=0) for name in ("bare", "covered"))
    slope = np.polyfit(bare.ravel(), covered.ravel(), 1)[0]
    assert slope == pytest.approx(0.90, abs=0.02)


def test_each_session_has_its_events(make: ModuleType) -> None:
    for plan in make.PLANS:
        assert plan.handling.shutters
        assert plan.handling.shake
    assert sum(len(plan.handling.hands) for plan in make.PLANS) == 1
    assert sum(len(plan.handling.bumps) for plan in make.PLANS) == 1


def test_rises_are_those_of_a_fan_cooled_charger() -> None:
    truth = pd.read_csv(SAMPLE / "truth.csv")
    parts = truth[truth["name"] != "board"]
    assert parts["rise_mean_K"].between(8, 48).all()
    assert parts["time_to_63_percent_s"].between(30, 110).all()
