"""Runs of a plan recorded on its simulated item, as session folders that a user could have filled in."""

from collections import deque
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.camera_view import focal_pixels
from heatwake.planning.runs import PlannedRun
from heatwake.planning.sheet import PlannedTest
from heatwake.rehearsal.item import POWER_ON_S, changed_film, in_state
from heatwake.run.planned_sessions import PARTS_FILE, Filled, parts_text, session_text, workflow_text
from heatwake.scene import (
    Ambient,
    Camera,
    Film,
    Handling,
    Recording,
    Scene,
    Shake,
    Shutter,
    click_corners,
    record,
    settle,
    simulate,
    write_frames,
)
from heatwake.schema.plan import Plan
from heatwake.store import results
from heatwake.store.tables import csv_text

MOST_COLUMNS: Final = 112
QUICK_S, QUICK_FRAMES, SLOW_FRAMES = 30.0, 20, 40  # after power-on, and over the rest
SHUTTER_STEP_K: Final = 0.2
SENSOR_K: Final = 0.1
ROOM_K: Final = 0.3  # by which rooms differ between runs, and drift in one
SETTINGS: Final = "\n[flow]\ntimes_s = [20.0, 80.0]\n"  # fewer maps than by default: it is a rehearsal
SCALE, ZERO = 0.01, -100.0


@dataclass(frozen=True)
class Recorded:
    """One rehearsed run with its truth.

    Attributes
    ----------
    run : PlannedRun
    rises : mapping of str to float
        True final rise of each part [K].
    remaining : mapping of str to float
        What of it is truly to come when the run ends [K].
    direction : float
        That heat is carried to, true [deg].
    picture : (rows, columns) array
        Last frame as written [degC].
    frames : int
    """

    run: PlannedRun
    rises: dict[str, float]
    remaining: dict[str, float]
    direction: float
    picture: npt.NDArray[np.float32]
    frames: int


def camera_of(plan: Plan, test: PlannedTest) -> Camera:
    """Return the plan's camera with fewer pixels over the same field, each as quiet as those that it stands for."""
    camera, (columns, rows) = plan.camera, plan.camera.pixels
    share = min(1.0, MOST_COLUMNS / columns)
    focal = focal_pixels(camera.distance_mm, pitch=camera.pitch_um, focal=camera.focal_mm)
    return Camera(
        columns=round(columns * share),
        rows=round(rows * share),
        focal=focal * share,
        distance=camera.distance_mm,
        tilt=test.view.tilt,
        swing=0.0,
        roll=0.0,
        aim=(0.0, 0.0),
        noise=camera.netd_mK * 1e-3 * share,
        band_low=camera.band_um[0],
        band_high=camera.band_um[1],
        scale=SCALE,
        zero=ZERO,
        supersampling=2,
    )


def record_run(folder: Path, plan: Plan, test: PlannedTest, *, scene: Scene, run: PlannedRun) -> Recorded:
    """Simulate and record one run, with what mounting and a day bring; write its session folder.

    Power is off within its stated half-width, a film laid on anew differs by its uncertainty; room, ambient sensor,
    shutter and aim vary. The session file says what the plan says.
    """
    rng = np.random.default_rng([plan.runs.seed, run.number])
    state = in_state(plan, scene, run.levels)
    room = Ambient(plan.ambient.degC + rng.uniform(-ROOM_K, ROOM_K), rng.uniform(-ROOM_K, ROOM_K))
    power = 1 + rng.uniform(-1, 1) * plan.runs.power_percent / 100
    state = replace(state.scaled(power), ambient=room, film=_laid(plan, state.film, rng))
    elapsed = _times(test)
    camera = replace(
        camera_of(plan, test),
        aim=(float(rng.normal(0, 0.5)), float(rng.normal(0, 0.5))),
        roll=float(rng.normal(0, 0.3)),
        offset=float(rng.normal(0, 0.3)),
    )
    late = POWER_ON_S + QUICK_S + rng.uniform(0.2, 0.8) * (elapsed[-1] - POWER_ON_S - QUICK_S)
    handling = Handling(
        shake=Shake(wander=0.15), shutters=(Shutter(float(late), float(rng.normal(0, SHUTTER_STEP_K))),)
    )
    truth = simulate(state, elapsed)
    recording = record(truth, camera, handling, rng=rng)
    _write(folder / run.name, plan, test, run=run, recording=recording, room=room, rng=rng)
    steady = settle(state).isel(time=-1)
    names = [str(name) for name in steady["part"].to_numpy()]
    final, last = (one["part_rise_mean"].to_numpy().astype(float) for one in (steady, truth.isel(time=-1)))
    # power is read within its half-width: what it is off by counts as the run's own error, so truth is as wired
    return Recorded(
        run=run,
        rises=dict(zip(names, final.tolist(), strict=True)),
        remaining=dict(zip(names, (final - last).tolist(), strict=True)),
        direction=float(steady["board_direction"]),
        picture=_last(recording),
        frames=len(elapsed),
    )


def _laid(plan: Plan, film: Film | None, rng: np.random.Generator) -> Film | None:
    if film is None or plan.film is None or not plan.film.refitted:
        return film
    return changed_film(film, rng.normal(0, plan.film.transmittance_uncertainty))


def _times(test: PlannedTest) -> npt.NDArray[np.float64]:
    """Return when frames are taken [s]: every second at first, then evenly to the planned end."""
    end = POWER_ON_S + max(test.length.warm, 2 * QUICK_S)
    quick = POWER_ON_S + QUICK_S * np.arange(1, QUICK_FRAMES + 1) / QUICK_FRAMES
    return np.concatenate([np.arange(0, POWER_ON_S + 0.5), quick, np.linspace(quick[-1], end, SLOW_FRAMES + 1)[1:]])


def _last(recording: Recording) -> npt.NDArray[np.float32]:
    last = deque(recording.frames(), maxlen=1)[0]
    return (last * recording.camera.scale + recording.camera.zero).astype(np.float32)


def _write(
    folder: Path,
    plan: Plan,
    test: PlannedTest,
    *,
    run: PlannedRun,
    recording: Recording,
    room: Ambient,
    rng: np.random.Generator,
) -> None:
    results.make_folder(folder)
    write_frames(folder / "frames.tif", recording)
    elapsed = recording.about["elapsed"].to_numpy()
    results.write_text(folder / "times.csv", csv_text([{"time": f"{one:.3f}"} for one in elapsed]))
    logged = np.append(np.arange(elapsed[0], elapsed[-1], 10.0), elapsed[-1])
    degrees = room.at(logged) + rng.normal(0, SENSOR_K)
    log = [
        {"elapsed_s": f"{when:.3f}", "ambient_degC": f"{one:.2f}"} for when, one in zip(logged, degrees, strict=True)
    ]
    results.write_text(folder / "ambient.csv", csv_text(log))
    corners = click_corners(recording, error=0.2, rng=rng)
    filled = Filled(corners=corners.tolist(), ambient_log="ambient.csv", times="times.csv", power_on=POWER_ON_S)
    results.write_text(folder / "session.toml", session_text(plan, test, run, filled=filled))


def write_workflow(folder: Path, plan: Plan, test: PlannedTest, runs: tuple[PlannedRun, ...]) -> Path:
    """Write parts and workflow of rehearsed runs; return the workflow."""
    path = folder / "workflow.toml"
    results.write_text(folder / PARTS_FILE, parts_text(test.parts))
    results.write_text(path, workflow_text(plan, runs) + SETTINGS)
    return path
