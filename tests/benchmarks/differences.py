"""False alarms, hits and coverage of comparisons: ``PYTHONPATH=tests python tests/benchmarks/differences.py``.

One simulated charger is recorded many times anew: other noise, shake, aim of the camera, clicks on the corners, level
of the camera, shutter events, an ambient sensor 0.1 K off (standard deviation); the film is left as it is. Pairs of
takes of one set-up must flag nothing; pairs with one part 0.5 K warmer must flag it. ``--takes`` of either,
``--pairs`` drawn among them, ``--folder`` to keep what was recorded and analysed. A camera's level may be wrong in
degrees or in radiance (``--level``): the comparison does not know which, so try both.
"""

import argparse
import json
import re
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import xarray as xr

from heatwake.run import Finished, run_workflow
from heatwake.scene import (
    Camera,
    Handling,
    Scene,
    Shake,
    Shutter,
    charger,
    click_corners,
    record,
    simulate,
    write_parts,
    write_session,
)
from heatwake.stages.comparison import ComparisonSettings, compare

ELAPSED = np.concatenate([np.arange(0, 30, 1.0), np.arange(30, 640, 12.0)])
CAMERA = Camera(supersampling=2)  # 160 x 120 pixels: a part of 10 mm covers 10
PART = "U1"
CHANGE = 0.5  # [K]
SENSOR = 0.1  # [K]


def changed(scene: Scene, *, by: float) -> Scene:
    """Return the scene with one part so much warmer at the end of the recording [K], by its power."""
    level = [_final(scene, factor) for factor in (1.0, 1.5)]
    factor = 1.0 + 0.5 * by / (level[1] - level[0])
    return _with_power(scene, factor)


def _with_power(scene: Scene, factor: float) -> Scene:
    parts = [replace(one, power=one.power * factor) if one.name == PART else one for one in scene.parts]
    return replace(scene, parts=tuple(parts))


def _final(scene: Scene, factor: float) -> float:
    truth = simulate(_with_power(scene, factor), ELAPSED[::4])
    return float(truth["part_rise_mean"].sel(part=PART)[-1])


def record_take(folder: Path, scene: Scene, truth: xr.Dataset, *, seed: int, kind: str = "offset") -> None:
    """Write one take; the camera's level is wrong in degrees ("offset") or in radiance ("warmth")."""
    rng = np.random.default_rng(seed)
    camera = replace(
        CAMERA,
        aim=(float(rng.normal(0, 1.5)), float(rng.normal(0, 1.5))),
        roll=CAMERA.roll + float(rng.normal(0, 0.7)),
        **{kind: float(rng.normal(0, 0.5))},
    )
    shutters = tuple(Shutter(float(at), float(rng.normal(0, 0.2))) for at in rng.uniform(60, 600, 2))
    recording = record(truth, camera, Handling(shake=Shake(), shutters=shutters), rng=rng)
    known = replace(scene, ambient=replace(scene.ambient, start=scene.ambient.start + SENSOR * rng.standard_normal()))
    corners = click_corners(recording, error=0.2, rng=rng)
    write_session(folder, known, recording=recording, title=folder.name, corners=corners, conditions={"power_W": 18.0})
    session = folder / "session.toml"  # without openings: the joint fit of the flow is judged elsewhere
    session.write_text(re.sub(r"\[\[openings\]\].*?(?=\n\[)", "", session.read_text(), flags=re.DOTALL))
    write_parts(folder / "parts.csv", scene)


def analysed(
    folder: Path, *, takes: int, first: int = 0, kind: str = "offset"
) -> tuple[dict[str, xr.Dataset], dict[str, xr.Dataset]]:
    """Return the results of takes of the set-up as it is and with the change."""
    plain = charger(cell=2.0)
    scenes = {"plain": plain, "changed": changed(plain, by=CHANGE)}
    for offset, (name, scene) in enumerate(scenes.items()):
        truth = simulate(scene, ELAPSED)
        for number in range(takes):
            place = folder / f"{name}_{number:03d}"
            if not (place / "session.toml").exists():
                record_take(place, scene, truth, seed=1000 * offset + first + number, kind=kind)
    workflow = folder / "workflow.toml"
    workflow.write_text('title = "Differences"\nsessions = ["plain_*", "changed_*"]\nresults = "results"\n')
    *_, last = run_workflow(workflow, pages=False, workers=0)
    if not isinstance(last, Finished):
        raise TypeError(last)
    return tuple(
        {key: one for key, one in last.sessions.items() if key.startswith(name)} for name in scenes
    )  # fmt: skip


def judge(plain: dict[str, xr.Dataset], other: dict[str, xr.Dataset], *, pairs: int, seed: int) -> dict[str, float]:
    """Return rates over pairs of takes."""
    rng = np.random.default_rng(seed)
    settings = ComparisonSettings()
    names, others = list(plain), list(other)
    alarms, pixels, hits, false_beside, z = [], [], [], [], []
    for _ in range(pairs):
        first, second = rng.choice(len(names), 2, replace=False)
        null = compare({"a": plain[names[first]], "b": plain[names[second]]}, "a", settings=settings)
        alarms.append(bool(null["region_significant"].any()))
        pixels.append(float(null["significant"].mean()))
        for end in ("steady", "matched"):
            value, spread = (null[f"{end}_rise_difference{tail}"].to_numpy().ravel() for tail in ("", "_uncertainty"))
            z.append((value / spread)[np.isfinite(value)])
        pair = {"a": plain[names[first]], "b": other[others[rng.integers(len(others))]]}
        found = compare(pair, "a", settings=settings)["region_significant"].isel(session=0)
        hits.append(bool(found.sel(region=PART) == 1))
        false_beside.append(bool(found.drop_sel(region=PART).any()))
    covered = [np.mean(np.abs(np.concatenate(z[end::2])) <= 1.96) for end in (0, 1)]
    return {
        "pairs": pairs,
        "null pairs with a part flagged": float(np.mean(alarms)),
        "pixels flagged in null pairs, mean": float(np.mean(pixels)),
        f"{PART} warmer by {CHANGE} K is flagged": float(np.mean(hits)),
        "another part is flagged then": float(np.mean(false_beside)),
        "95 % intervals that hold 0, final rises": float(covered[0]),
        "the same, at one time": float(covered[1]),
        "standard deviation of difference over uncertainty": float(np.concatenate(z[1::2]).std()),
    }


def main() -> None:
    """Print the rates as JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--takes", type=int, default=12)
    parser.add_argument("--pairs", type=int, default=60)
    parser.add_argument("--first", type=int, default=0, help="seed of the first take: below 1000")
    parser.add_argument("--seed", type=int, default=1, help="of the pairs drawn")
    parser.add_argument("--level", choices=("offset", "warmth"), default="offset", help="wrong in degrees or radiance")
    parser.add_argument("--folder", type=Path)
    chosen = parser.parse_args()
    with TemporaryDirectory() as scratch:
        found = analysed(chosen.folder or Path(scratch), takes=chosen.takes, first=chosen.first, kind=chosen.level)
        print(json.dumps(judge(*found, pairs=chosen.pairs, seed=chosen.seed), indent=2))  # noqa: T201


if __name__ == "__main__":
    main()
