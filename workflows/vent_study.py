"""Record the sessions of ``vent_study.toml``: ``python workflows/vent_study.py`` (about a minute).

A simulated charger in the eight states of fan (out, in), left vent and top vent (open, covered but for a fifth by a
card), each recorded once and four of them twice. Every take is mounted anew, with what that brings in practice: another
film transmittance (0.4 % standard deviation; the session files know 0.89), another aim of the camera and other clicks
on the corners, a room that is 23 to 24 degC and drifts, an ambient sensor 0.05 K off, a supply that is
0.2 % off. Everything is seeded. ``truth.csv`` is for judging the analysis, which reads only the rest.
"""

import sys
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from heatwake.scene import (
    Ambient,
    Camera,
    Film,
    Handling,
    Opening,
    Scene,
    Shake,
    charger,
    click_corners,
    record,
    simulate,
    write_parts,
    write_session,
)

FRAMES = Path(__file__).parent.parent / "results" / "vent_study_frames"
ELAPSED = np.concatenate([np.arange(0, 40, 1.0), np.arange(40, 640, 12.0)])  # [s]; power comes on at 10 s
CAMERA = Camera(columns=112, rows=84, focal=245.0, supersampling=2)
CELL = 2.0  # [mm]
TRANSMITTANCE, FILM_SPREAD = 0.89, 0.0036
SENSOR_SPREAD, POWER_SPREAD = 0.05, 0.002
UNCOVERED = 0.2  # of a vent that is covered by a card


@dataclass(frozen=True)
class Take:
    """One session of the study."""

    fan: str
    left_vent: str
    top_vent: str
    replicate: int
    seed: int

    @property
    def folder(self) -> str:
        """Name of the session's folder."""
        vents = f"left_{self.left_vent}_top_{self.top_vent}"
        return f"{self.fan}_{vents}" + (f"_{self.replicate}" if self.replicate > 1 else "")


def takes() -> list[Take]:
    """Return the sessions: all eight set-ups, and again those with an even number of changes."""
    states = list(product(("out", "in"), ("open", "covered"), ("open", "covered")))
    first = [Take(*state, replicate=1, seed=200 + number) for number, state in enumerate(states)]
    changed = [(take.fan == "in") + (take.left_vent == "covered") + (take.top_vent == "covered") for take in first]
    again = [replace(take, replicate=2, seed=take.seed + 50) for take, count in zip(first, changed, strict=True)]
    return first + [take for take, count in zip(again, changed, strict=True) if count % 2 == 0]


def plain_scene(take: Take) -> Scene:
    """Return the charger in the state of a take, as it is meant to be."""
    scene = charger(fan="out" if take.fan == "out" else "in", cell=CELL)
    covered = {"left vent": take.left_vent == "covered", "top vent": take.top_vent == "covered"}
    openings = [_behind_card(one) if covered.get(one.name) else one for one in scene.openings]
    return replace(scene, openings=tuple(openings))


def _behind_card(opening: Opening) -> Opening:
    start, end = np.array(opening.start, dtype=float), np.array(opening.end, dtype=float)
    left = start + UNCOVERED * (end - start)
    return replace(opening, end=(float(left[0]), float(left[1])))


def mounted(take: Take, rng: np.random.Generator) -> tuple[Scene, float]:
    """Return the scene of a take with what mounting it anew brings, and what the ambient sensor is wrong by [K]."""
    clear = TRANSMITTANCE + FILM_SPREAD * rng.standard_normal()
    film = Film(transmittance=clear, absorptance=0.03, reflectance=0.97 - clear)
    ambient = Ambient(start=rng.uniform(23.0, 24.0), drift=rng.uniform(-0.3, 0.3))
    scene = replace(plain_scene(take), film=film, ambient=ambient)
    return scene.scaled(1 + POWER_SPREAD * rng.standard_normal()), SENSOR_SPREAD * rng.standard_normal()


def write_take(take: Take, folder: Path) -> None:
    """Write the session of one take."""
    rng = np.random.default_rng(take.seed)
    scene, sensor = mounted(take, rng)
    camera = replace(
        CAMERA,
        aim=(float(rng.normal(0, 1.0)), float(rng.normal(0, 1.0))),
        roll=CAMERA.roll + float(rng.normal(0, 0.5)),
        offset=float(rng.normal(0.0, 0.3)),
    )
    recording = record(simulate(scene, ELAPSED), camera, Handling(shake=Shake(wander=0.2)), rng=rng)
    known = replace(
        scene,
        film=Film(TRANSMITTANCE, 0.03, 0.97 - TRANSMITTANCE),
        ambient=replace(scene.ambient, start=scene.ambient.start + sensor),
    )
    write_session(
        folder / take.folder,
        known,
        recording=recording,
        title=f"Charger, fan {take.fan}, left vent {take.left_vent}, top vent {take.top_vent}, take {take.replicate}",
        corners=click_corners(recording, error=0.2, rng=rng),
        conditions={
            "fan": take.fan,
            "left_vent": take.left_vent,
            "top_vent": take.top_vent,
            "replicate": take.replicate,
            "film_fitting": take.seed,
            "power_W": round(plain_scene(take).power, 2),
            "max_ambient_degC": 45.0,
        },
        parts="../parts.csv",
    )


def true_rises() -> pd.DataFrame:
    """Return a row a set-up and part: the rise at the end of the recordings, and once it stands."""
    rows = []
    for take in (one for one in takes() if one.replicate == 1):
        long = np.concatenate([ELAPSED, np.arange(700, 6000, 100.0)])
        truth = simulate(plain_scene(take), long)
        last = int(np.flatnonzero(long == ELAPSED[-1])[0])
        rise = truth["part_rise_mean"].to_numpy()
        state = {"fan": take.fan, "left_vent": take.left_vent, "top_vent": take.top_vent}
        names = truth["part"].to_numpy()
        rows += [
            {**state, "region": str(name), "rise_at_end_K": round(float(rise[number, last]), 3),
             "rise_K": round(float(rise[number, -1]), 3)}
            for number, name in enumerate(names)
        ]  # fmt: skip
    return pd.DataFrame(rows)


def make(folder: Path = FRAMES) -> None:
    """Write the whole study under a folder."""
    for take in takes():
        write_take(take, folder)
    write_parts(folder / "parts.csv", plain_scene(takes()[0]))
    true_rises().to_csv(folder / "truth.csv", index=False)


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else FRAMES)
