"""Small recordings for tests of what runs where: a charger in 48 x 40 pixels, quick through every stage."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import tifffile

from conftest import small_frames
from heatwake.scene import (
    Camera,
    Handling,
    Shake,
    charger,
    click_corners,
    record,
    simulate,
    write_session,
)

ELAPSED = np.concatenate([np.arange(0, 10, 2.0), np.arange(12, 150, 14.0)])
CADENCE = "[cadence]\nanalysis_s = 50.0\n"
CAMERA = Camera(columns=48, rows=40, focal=105.0)


def write_sessions(folder: Path, names: tuple[str, ...], *, elapsed: np.ndarray = ELAPSED) -> None:
    """Write one charger recorded several times, board and openings undeclared: the flow stage is then quick."""
    scene = replace(charger(cell=4.0), parts=charger().parts[:2])
    truth = simulate(scene, elapsed)
    for seed, name in enumerate(names, start=21):
        recording = record(truth, CAMERA, Handling(shake=Shake()), rng=np.random.default_rng(seed))
        write_session(
            folder / name,
            scene,
            recording=recording,
            title=name,
            corners=click_corners(recording, error=0.1, rng=np.random.default_rng(seed + 100)),
            conditions={"power_W": scene.power},
        )
        session = folder / name / "session.toml"
        session.write_text(re.sub(r"\[(\[openings\]|board)\].*?(?=\n\[)", "", session.read_text(), flags=re.DOTALL))


def write_workflow(folder: Path, names: tuple[str, ...], *, results: str = "results", text: str = "") -> Path:
    """Write a workflow file over sessions beside it, of five frames a step: sums are made and put aside."""
    path = folder / f"{results}.toml"
    sessions = ", ".join(f'"{name}"' for name in names)
    path.write_text(f'title = "Small"\nsessions = [{sessions}]\nresults = "{results}"\n{text}{CADENCE}')
    return path


# A spot that warms by 8 K, a frame a second: the smallest that goes through every stage, in a second or two.
SPOT_TABLES = "[cadence]\nanalysis_s = 1.0\n[baseline]\nquiet_s = 3.0\n"
SPOT_SESSION = """
title = "Small board"
[frames]
source = "frames.tif"
scale = 0.01
offset = -100.0
interval_s = 1.0
[film]
transmittance = 0.89
[[regions]]
name = "Q1"
x_mm = 22
y_mm = 16
width_mm = 8
height_mm = 8
limit_degC = 60
[conditions]
power_W = 18
"""


def write_spot(folder: Path, *, seed: int, count: int = 12, stated: str = "", ambient: bool = True) -> None:
    """Write a session of a spot that warms, with more conditions as they stand in its file.

    Of twelve frames no final value is told, of 24 one is.
    """
    folder.mkdir()
    frames = small_frames(seed=seed, count=count)
    tifffile.imwrite(folder / "frames.tif", frames, photometric="minisblack", compression="zlib")
    text = SPOT_SESSION + stated
    if ambient:
        (folder / "ambient.csv").write_text("elapsed_s,ambient_degC\n0,23.0\n12,23.2\n")
        text = text.replace("[[regions]]", '[ambient]\nlog = "ambient.csv"\n[[regions]]')
    (folder / "session.toml").write_text(text)


def contents(results: Path) -> dict[str, bytes]:
    """Return every result by its path, unfinished ones too; not what tells of a run: journal, lock, logs, scratch."""
    skipped = {"run.json", ".lock", "error.log"}
    return {
        path.relative_to(results).as_posix(): path.read_bytes()
        for path in sorted(results.rglob("*"))
        if path.is_file() and path.name not in skipped and ".workers" not in path.parts
    }
