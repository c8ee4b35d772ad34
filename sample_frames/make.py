"""Make the sample recordings again: ``python sample_frames/make.py`` (about a minute).

Three recordings of one fan-cooled 24 V battery charger under a clear film, simulated: fan drawing air out, fan blowing
air in, and blowing in with the left vent covered. Everything is seeded. ``DIGESTS.txt`` lists what was shipped, in the
form of ``sha256sum``: of the pixel values for pictures (compressed bytes differ between library versions), of the file
for text. On another processor the last bits of the arithmetic differ and now and then a pixel rounds to the next
0.01 K: such a picture agrees to one count, its digest does not. ``truth.csv`` is for judging an analysis; an analysis
reads only the rest.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import tifffile
import xarray as xr

from heatwake.scene import (
    Ambient,
    Bump,
    Camera,
    FilmPair,
    Hand,
    Handling,
    Recording,
    Scene,
    Shake,
    Shutter,
    charger,
    click_corners,
    record,
    simulate,
    uncovered,
    write_frames,
    write_parts,
    write_session,
)

HERE = Path(__file__).parent
ELAPSED = np.concatenate([np.arange(0, 60.5, 0.5), np.arange(64, 621, 4.0)])  # [s]; power comes on at 10 s
CAMERA = Camera()
CLICK_ERROR = 0.2  # [px]
COMPRESSION = "jpeg2000"  # lossless; with zlib the sample would be half as large again
PAIR = FilmPair(bare="../film_pair/bare.tif", covered="../film_pair/covered.tif")


@dataclass(frozen=True)
class Plan:
    """One recording of the test plan."""

    folder: str
    title: str
    scene: Scene
    handling: Handling
    seed: int
    fan: str
    left_vent: str = "open"
    camera: Camera = CAMERA


PLANS = (
    Plan(
        "fan_out",
        "Charger, fan drawing air out, film lid",
        charger(fan="out", ambient=Ambient(start=23.4, drift=0.35)),
        Handling(
            shake=Shake(),
            shutters=(Shutter(31.2, 0.25), Shutter(150.5, -0.20), Shutter(389.5, 0.28)),
            hands=(Hand(44.8, 2.9),),
        ),
        seed=101,
        fan="out",
    ),
    Plan(
        "fan_in",
        "Charger, fan blowing air in, film lid",
        charger(fan="in", ambient=Ambient(start=23.8, drift=-0.25)),
        Handling(
            shake=Shake(),
            shutters=(Shutter(27.2, -0.22), Shutter(233.5, 0.30), Shutter(502.5, 0.21)),
            bumps=(Bump(170.0, 3.2, -2.1, rotation=0.3),),
        ),
        seed=102,
        fan="in",
        camera=replace(CAMERA, aim=(1.4, -1.6), roll=1.0, tilt=13.6),
    ),
    Plan(
        "fan_in_left_covered",
        "Charger, fan blowing air in, left vent covered, film lid",
        charger(fan="in", left_vent="covered", ambient=Ambient(start=23.1, drift=0.30)),
        Handling(shake=Shake(), shutters=(Shutter(36.2, 0.27), Shutter(305.5, -0.24))),
        seed=103,
        fan="in",
        left_vent="covered",
        camera=replace(CAMERA, aim=(-0.3, -0.2), roll=1.5, swing=-6.4),
    ),
)


def record_plan(plan: Plan, truth: xr.Dataset) -> Recording:
    """Return the recording of one plan from its truth."""
    return record(truth, plan.camera, plan.handling, rng=np.random.default_rng(plan.seed))


def record_film_pair() -> tuple[Recording, Recording]:
    """Return two short recordings of the hot charger, seconds apart: film off and film on."""
    elapsed = np.concatenate([np.arange(0, 601, 10.0), 600 + np.arange(1, 7) * 0.5, 605 + np.arange(1, 7) * 0.5])
    hot = simulate(charger(fan="out"), elapsed)
    rng = np.random.default_rng(104)
    bare = record(uncovered(hot).isel(time=slice(-12, -6)), CAMERA, Handling(), rng=rng)
    return bare, record(hot.isel(time=slice(-6, None)), CAMERA, Handling(), rng=rng)


def describe_truth(plan: Plan, truth: xr.Dataset) -> pd.DataFrame:
    """Return a row a part, and one for the board, of what the scene knows at the end."""
    last = truth.isel(time=-1)
    parts = pd.DataFrame(
        {
            "session": plan.folder,
            "name": truth["part"].values,
            "rise_mean_K": last["part_rise_mean"].values.round(3),
            "rise_max_K": last["part_rise_max"].values.round(3),
            "time_to_63_percent_s": truth["part_time_constant"].values.round(1),
            "direction_deg": last["part_direction"].values.round(1),
        }
    )
    rise = last["temperature_rise"].values
    board = {
        "session": plan.folder,
        "name": "board",
        "rise_mean_K": rise.mean().round(3),
        "rise_max_K": rise.max().round(3),
        "direction_deg": float(last["board_direction"]).__round__(1),
    }
    return pd.concat([parts, pd.DataFrame([board])], ignore_index=True)


def digest(path: Path) -> str:
    """Return the SHA-256 of a picture's pixel values (little-endian, row by row) or of a text file."""
    if path.suffix == ".tif":
        return hashlib.sha256(np.ascontiguousarray(tifffile.imread(path), dtype="<u2").tobytes()).hexdigest()
    return hashlib.sha256(path.read_bytes()).hexdigest()


def data_files(root: Path) -> Iterator[Path]:
    """Yield every data file under a folder, sorted."""
    yield from sorted(path for path in root.rglob("*") if path.suffix in (".tif", ".csv", ".toml"))


def make(root: Path = HERE) -> None:
    """Write the whole sample under a folder."""
    known = []
    for plan in PLANS:
        truth = simulate(plan.scene, ELAPSED)
        recording = record_plan(plan, truth)
        write_session(
            root / plan.folder,
            plan.scene,
            recording=recording,
            title=plan.title,
            corners=click_corners(recording, error=CLICK_ERROR, rng=np.random.default_rng(plan.seed + 1000)),
            conditions={
                "fan": plan.fan,
                "left_vent": plan.left_vent,
                "power_W": round(plan.scene.power, 2),
                "max_ambient_degC": 45.0,
            },
            film_pair=PAIR,
            parts="../parts.csv",
            compression=COMPRESSION,
        )
        known.append(describe_truth(plan, truth))
    bare, covered = record_film_pair()
    write_frames(root / "film_pair" / "bare.tif", bare, compression=COMPRESSION)
    write_frames(root / "film_pair" / "covered.tif", covered, compression=COMPRESSION)
    write_parts(root / "parts.csv", PLANS[0].scene)
    pd.concat(known).to_csv(root / "truth.csv", index=False)
    lines = ["# sha256 of the pixel values (.tif: uint16, little-endian, row by row) or of the file (all else)"]
    lines += [f"{digest(path)}  {path.relative_to(root).as_posix()}" for path in data_files(root)]
    (root / "DIGESTS.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    make()
