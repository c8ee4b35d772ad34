"""Session files and a workflow for the runs of a plan, ready to record into."""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import PurePath
from typing import Any, Final

import numpy as np

from heatwake.planning.parts import ExpectedPart
from heatwake.planning.runs import PlannedRun
from heatwake.planning.sheet import PlannedTest
from heatwake.run.new_session import CHECK
from heatwake.schema.plan import Level, Plan
from heatwake.schema.session import Camera
from heatwake.store.tables import csv_text

PARTS_FILE: Final = "parts.csv"
RESULTS: Final = "results"  # beside the workflow
_BARE_KEY: Final = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True)
class Filled:
    """What only a recording tells.

    Attributes
    ----------
    corners : sequence of pairs
        Of the board in the picture, as ``corners_px``.
    ambient_log, times : str
        Files beside the session file.
    power_on : float
        [s]
    """

    corners: Sequence[Sequence[float]]
    ambient_log: str
    times: str
    power_on: float


def session_text(plan: Plan, planned: PlannedTest, run: PlannedRun, *, filled: Filled | None = None) -> str:
    """Return the ``session.toml`` of one run: what the plan knows filled in, what only the recording tells marked.

    Parameters
    ----------
    plan : Plan
    planned : PlannedTest
    run : PlannedRun
    filled : Filled, optional
        What the recording tells, where it is known.
    """
    covered = {one.opening for one in plan.factors if one.opening and run.levels[one.name] == "covered"}
    blocks = [
        _table("", {"title": run_title(plan, run, of=len(planned.runs.runs))}),
        _frames(plan, filled),
        _table("[camera]", _camera(plan)),
        _film(plan, planned),
        _ambient(plan, filled),
        _table("[surface]", plan.surface.model_dump(exclude_none=True)),
        _board(plan, filled),
        *(_table("[[openings]]", one.model_dump()) for one in plan.openings if one.name not in covered),
        *(f"# the opening {one.name} is covered in this run\n" for one in plan.openings if one.name in covered),
        _power_on(plan, filled),
        _table("[conditions]", conditions(plan, run, power=planned.airflow.power)),
    ]
    return "\n".join(block for block in blocks if block)


def run_title(plan: Plan, run: PlannedRun, *, of: int) -> str:
    """Return the title of a run's session: its set-up, take and place in the order."""
    set_up = ", ".join(f"{key.replace('_', ' ')} {_word(value)}" for key, value in run.levels.items())
    return f"{plan.title} · {f'{set_up}, ' if set_up else ''}take {run.replicate} (run {run.number} of {of})"


def _word(level: Level) -> str:
    if isinstance(level, bool):
        return "yes" if level else "no"
    return f"{level:g}" if isinstance(level, float) else str(level)


def conditions(plan: Plan, run: PlannedRun, *, power: float) -> dict[str, Level]:
    """Return the conditions of a run: what is changed, which take and block it is, power [W] and highest ambient."""
    power *= load_factor(plan, run)
    stated: dict[str, Level] = {**run.levels, **plan.conditions}
    stated |= {"replicate": run.replicate, "block": run.block}
    if plan.film is not None:
        stated["film_fitting"] = run.number if plan.film.refitted else run.block
    if power > 0:
        stated["power_W"] = round(power, 3)
    if plan.ambient.max_degC is not None:
        stated["max_ambient_degC"] = plan.ambient.max_degC
    return stated


def load_factor(plan: Plan, run: PlannedRun) -> float:
    """Return what a run's levels multiply all powers by."""
    return float(np.prod([float(run.levels[one.name]) for one in plan.factors if one.acts_on == "load"]))


def _frames(plan: Plan, filled: Filled | None) -> str:
    if filled is not None:
        return _table("[frames]", {"source": "frames.tif", "scale": 0.01, "offset": -100.0, "timestamps": filled.times})
    frames = plan.recording.frames
    table = _table("[frames]", frames.model_dump(exclude_unset=True) | {"source": frames.source})
    marks = f"# {CHECK} frames: a run's recording goes beside this file under that name\n"
    if frames.interval_s is None and frames.timestamps is None:
        every = 1 / plan.camera.frame_rate_Hz
        marks += f'# interval_s = {every:.6g}     # or timestamps = "times.csv": where frames do not tell their times\n'
    return table + marks


def _ambient(plan: Plan, filled: Filled | None) -> str:
    if filled is not None:
        return _table("[ambient]", {"log": filled.ambient_log})
    return (
        f"[ambient]\ndegC = {plan.ambient.degC}  # {CHECK} ambient: as planned; better a log:\n"
        '# log = "ambient.csv"        # columns time or elapsed_s, and ambient_degC\n'
    )


def _power_on(plan: Plan, filled: Filled | None) -> str:
    if filled is not None:
        return _table("[[events]]", {"elapsed_s": filled.power_on, "label": "power on"})
    return f'[[events]]\nelapsed_s = {plan.recording.cold_s}  # {CHECK} power on: when it came on\nlabel = "power on"\n'


def _camera(plan: Plan) -> dict[str, Any]:
    stated = plan.camera.model_dump(exclude_unset=True, include=set(Camera.model_fields))
    return {"band_um": list(plan.camera.band_um), "netd_mK": plan.camera.netd_mK, **stated}


def _film(plan: Plan, planned: PlannedTest) -> str:
    if planned.lid is None:
        return ""
    measured = "as the plan states" if planned.lid.is_measured else "of its material, not measured"
    return (
        f"[film]\ntransmittance = {planned.lid.transmittance:.4f}  # {CHECK} film: {measured}; better measure it:\n"
        '# bare = "bare.tif"          # the same hot scene without the film and with it, seconds apart; then leave\n'
        '# covered = "covered.tif"    # transmittance out\n'
        f"reflectance = {planned.lid.reflectance:.4f}\n"
    )


def _board(plan: Plan, filled: Filled | None) -> str:
    keys = ("width_mm", "height_mm", "thickness_mm", "conductivity_W_mK", "channel_mm")
    known: dict[str, Any] = {key: getattr(plan.board, key) for key in keys}
    if plan.film is not None and known["channel_mm"] is None:
        known["channel_mm"] = plan.film.height_mm
    known["parts"] = f"../{PARTS_FILE}"
    if filled is not None:
        return _table("[board]", {**known, "corners_px": filled.corners})
    return _table("[board]", known) + (
        f"# {CHECK} corners_px: once frames are there, `heatwake corners` proposes them:\n"
        "# corners_px = [[22, 18], [301, 20], [300, 195], [21, 193]]  # clockwise from the top-left one\n"
    )


def parts_text(parts: tuple[ExpectedPart, ...]) -> str:
    """Return the placement file that all sessions share: x to the right, y up, from the board's lower-left corner."""
    rows = [
        {
            "name": part.name,
            "x_mm": part.x,
            "y_mm": part.y,
            "width_mm": part.width,
            "height_mm": part.height,
            "emissivity": part.emissivity,
            "emissivity_uncertainty": part.emissivity_uncertainty,
            "limit_degC": part.limit,
        }
        for part in parts
    ]
    return csv_text(rows)


def workflow_text(plan: Plan, runs: Sequence[PlannedRun], *, record: Mapping[str, str] | None = None) -> str:
    """Return the workflow of runs, in their order; its reference is the first at every factor's first level.

    Parameters
    ----------
    plan : Plan
    runs : sequence of PlannedRun
    record : mapping, optional
        Its table of the laboratory's record, where there is one.
    """
    first = {factor.name: factor.levels[0] for factor in plan.factors}
    reference = next(run.name for run in runs if run.levels == first)
    sessions = "".join(f"  {_value(run.name)},\n" for run in runs)
    return (
        f"title = {_value(plan.title)}\n# in the order in which they are to be recorded\nsessions = [\n{sessions}]\n"
        f"results = {_value(RESULTS)}\nreference = {_value(reference)}\n"
        + (f"\n{_table('[record]', record)}" if record else "")
    )


def _table(head: str, entries: Mapping[str, Any]) -> str:
    lines = [head] if head else []
    lines += [f"{_key(key)} = {_value(value)}" for key, value in entries.items() if value is not None]
    return "\n".join(lines) + "\n"


def _key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else json.dumps(key, ensure_ascii=False)


def _value(value: Any) -> str:
    """Return a TOML value."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str | PurePath):
        return json.dumps(str(value), ensure_ascii=False)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_value, value))}]"
    return repr(value)
