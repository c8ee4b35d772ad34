"""The laboratory's record: sessions into it, takes out of it for a comparison."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from heatwake.report.parts import PartRow, part_rows
from heatwake.run.fingerprints import plain_json
from heatwake.run.guard import Steps
from heatwake.run.sessions import stored_session
from heatwake.schema.workflow import Record, Workflow
from heatwake.stages.set_ups import REPLICATE, UNIT, conditions, described, kind_of, telling
from heatwake.stages.takes import RegionTake, Take, levelled
from heatwake.stages.zeroed_level import level_of
from heatwake.store import record as store
from heatwake.store import results

NAME = "[record]"  # among outcomes; no session's name
RESULT = "regions.nc"  # that the values are from


def record_file(workflow: Workflow, path: Path) -> Path | None:
    """Return the record's file; None where the workflow has none. Its folder is the workflow's.

    Raises
    ------
    InputError
        It is there and no record that can be read.
    """
    if workflow.record is None:
        return None
    file = path.parent / workflow.record.file
    store.check_record(file)
    return file


def entering(file: Path, folder: Path, target: Path) -> Steps:
    """Enter a session that is done, unless it stands there as it is.

    Raises
    ------
    HeatwakeError
        The record cannot be written.
    """
    yield from ()
    origin = results.read_origin(target / RESULT) or {}
    if store.holds(file, _recording(origin), fingerprint=origin.get("fingerprint", ""), session=target.name):
        return "up to date"
    return "done" if store.enter(file, take_of(folder, target)) else "up to date"


def take_of(folder: Path, target: Path) -> Take:
    """Return what a session that is done leaves in a record."""
    origin = results.read_origin(target / RESULT) or {}
    session = stored_session(folder, target)
    stated, kind = conditions(session), kind_of(session)
    rows = part_rows(session)
    level, left = level_of(session)
    return Take(
        recording=_recording(origin),
        fingerprint=str(origin.get("fingerprint", "")),
        session=target.name,
        title=str(origin.get("title", "")),
        unit=kind.unit,
        is_repeat=REPLICATE in stated or UNIT in stated,
        kind=kind.mark,
        bench=kind.bench,
        set_up=kind.about,
        conditions=stated,
        power=float(session["power"]) if "power" in session else np.nan,
        recorded=_recorded(session),
        source=str(origin.get("source", "")),
        camera_level=level,
        regions=tuple(_region(session, number, row, left=float(left[number])) for number, row in enumerate(rows)),
    )


def recordings(root: Path, names: Sequence[str]) -> set[str]:
    """Return the marks of the recordings that sessions' results are from."""
    return {_recording(results.read_origin(root / name / RESULT) or {}) for name in names}


def _recording(origin: Mapping[str, str]) -> str:
    """Return the digest of the frames that a result was made from, else its fingerprint."""
    try:
        return str(json.loads(origin["made_from"])["inputs"]["frames"])
    except (KeyError, TypeError, ValueError):
        return str(origin.get("fingerprint", ""))


def _recorded(session: xr.Dataset) -> str:
    """Return when the first frame was taken; empty where the recording has no clock."""
    times = session["time"].to_numpy() if "time" in session else np.empty(0, dtype="datetime64[ns]")
    start = str(np.datetime_as_string(times[0], unit="s")) if times.size else ""
    return "" if start.startswith("1970-01-01") else start


def _region(session: xr.Dataset, number: int, row: PartRow, *, left: float) -> RegionTake:
    def value(name: str) -> float:
        return float(session[name][number]) if name in session else np.nan

    return RegionTake(
        name=row.name,
        is_known=row.is_known,
        x=row.x,
        y=row.y,
        width=value("region_width"),
        height=value("region_height"),
        rise=value("steady_rise"),
        own=value("steady_rise_own"),
        uncertainty=value("steady_rise_uncertainty"),
        time_constant=value("time_constant"),
        is_steady=row.settled,
        temperature=row.temperature,
        limit=row.limit,
        margin=row.margin,
        level_left=left,
    )


def past_takes(
    record: Record | None, file: Path | None, *, sessions: Mapping[str, xr.Dataset], root: Path
) -> list[Take]:
    """Return the takes of others that tell something of sessions that are compared; none without a record.

    The sessions' own recordings are left out, so that it makes no difference whether they are entered yet.
    """
    if record is None or file is None or not record.use or not file.exists():
        return []
    small = {name: described(session) for name, session in sessions.items()}  # each is opened once
    kinds = [kind_of(session) for session in small.values()]
    wanted: dict[str, list[str]] = (
        {"kinds": [kind.mark for kind in kinds]} if record.pool == "kind" else {"benches": [one.bench for one in kinds]}
    )
    own = recordings(root, list(sessions))
    return telling((take for take in store.takes(file, **wanted) if take.recording not in own), small)


def past_determinants(past: Sequence[Take]) -> dict[str, Any]:
    """Return what a comparison depends on of takes from a record; empty without any."""
    if not past:
        return {}
    told = [
        [take.recording, take.fingerprint, take.kind, take.unit, take.is_repeat, take.rises()]
        for take in levelled(past)
    ]
    powers = [take.power if np.isfinite(take.power) else None for take in past]
    return {"takes": len(past), "sha256": hashlib.sha256(plain_json([told, powers]).encode()).hexdigest()}
