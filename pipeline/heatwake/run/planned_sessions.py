"""Session files and a workflow for the runs of a plan, ready to record into."""

import json
import re
from collections.abc import Mapping
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
_BARE_KEY: Final = re.compile(r"[A-Za-z0-9_-]+")


def session_text(plan: Plan, planned: PlannedTest, run: PlannedRun) -> str:
    """Return the ``session.toml`` of one run: what the plan knows filled in, what only the recording tells marked."""
    blocks = [
        _table("", {"title": run_title(plan, run, of=len(planned.runs.runs))}),
        _frames(plan),
        _table("[camera]", _camera(plan)),
        _film(plan, planned),
        f"[ambient]\ndegC = {plan.ambient.degC}  # {CHECK} ambient: as planned; better a log:\n"
        '# log = "ambient.csv"        # columns time or elapsed_s, and ambient_degC\n',
        _surface(plan),
        _board(plan),
        *(
            _table("[[openings]]", opening.model_dump())
            for opening in plan.openings
            if not _is_covered(plan, run, opening.name)
        ),
        *(
            f"# {opening.name} is covered in this run\n"
            for opening in plan.openings
            if _is_covered(plan, run, opening.name)
        ),
        f"[[events]]\nelapsed_s = {plan.recording.cold_s}  # {CHECK} power on: when it came on\n"
        + 'label = "power on"\n',
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


def _is_covered(plan: Plan, run: PlannedRun, opening: str) -> bool:
    return any(run.levels[one.name] == "covered" for one in plan.factors if one.opening == opening)


def _frames(plan: Plan) -> str:
    frames = plan.recording.frames
    table = _table("[frames]", frames.model_dump(exclude_unset=True) | {"source": frames.source})
    marks = f"# {CHECK} frames: a run's recording goes beside this file under that name\n"
    if frames.interval_s is None and frames.timestamps is None:
        every = 1 / plan.camera.frame_rate_Hz
        marks += f'# interval_s = {every:.6g}     # or timestamps = "times.csv": where frames do not tell their times\n'
    return table + marks


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


def _surface(plan: Plan) -> str:
    return _table("[surface]", plan.surface.model_dump(exclude_none=True))


def _board(plan: Plan) -> str:
    board = plan.board
    known = {
        key: getattr(board, key) for key in ("width_mm", "height_mm", "thickness_mm", "conductivity_W_mK", "channel_mm")
    }
    if plan.film is not None and known["channel_mm"] is None:
        known["channel_mm"] = plan.film.height_mm
    stated = {key: value for key, value in known.items() if value is not None}
    return (
        _table("[board]", {**stated, "parts": f"../{PARTS_FILE}"})
        + f"# {CHECK} corners_px: once frames are there, `heatwake corners` proposes them:\n"
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


def workflow_text(plan: Plan, planned: PlannedTest) -> str:
    """Return the workflow that runs all sessions; its reference is the first run at every factor's first level."""
    first = {factor.name: factor.levels[0] for factor in plan.factors}
    runs = planned.runs.runs
    reference = next(run.name for run in runs if run.levels == first)
    sessions = "".join(f"  {_value(run.name)},\n" for run in runs)
    return (
        f"title = {_value(plan.title)}\n# in the order in which they are to be recorded\nsessions = [\n{sessions}]\n"
        f'results = "results"\nreference = {_value(reference)}\n'
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
