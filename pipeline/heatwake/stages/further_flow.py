"""What recordings with another flow would show of a board, and whether a pair with one tells the direction."""

import json
from collections.abc import Sequence
from typing import Final

import numpy as np
import xarray as xr

from heatwake.kernels.board_cells import cover_cells
from heatwake.kernels.flow_judgement import IDENTIFIED, NOT_ATTEMPTED, WORST_RESIDUAL, Openings, Verdict, judge_together
from heatwake.kernels.foreseen_flow import Foreseen, foresee, foreseen_recording
from heatwake.kernels.joint_flow import JointFlow
from heatwake.stages.flow_maps import FlowSettings, region_rectangles
from heatwake.stages.flow_pair import pair_problem

FAN_STANDS: Final = frozenset(("off", "stopped", "none"))
EARLY_S: Final = 120.0  # since power-on
FORESEEN: Final = (
    *(
        "foreseen_rise_change",
        "foreseen_early_change",
        "foreseen_early",
        "foreseen_flow_status",
        "foreseen_against_opposite",
        "foreseen_against_still",
    ),
)


def foresee_flow(
    session: xr.Dataset, problem: JointFlow, verdict: Verdict, *, openings: Openings, settings: FlowSettings
) -> xr.Dataset:
    """Return what the fit foresees of recordings with another flow, on ``further``; nothing where a fan stands or the
    fit leaves too much over.

    Parameters
    ----------
    session : Dataset
        Regions, openings and conditions.
    problem : JointFlow
    verdict : Verdict
        Of the recording in hand; its likelier way is taken.
    openings : Openings
    settings : FlowSettings

    Returns
    -------
    Dataset
        Change of each region's rise at the last time [K], and, where the recording in hand does not identify its
        direction, the verdict to be expected of it and the further recording together.
    """
    if fan_stands(session) or not openings.fans or verdict.fit.residual > WORST_RESIDUAL:
        return xr.Dataset()
    seen = foresee(problem, verdict.fit, openings, vents=_vents(session))
    footprints = cover_cells(region_rectangles(session), problem.grid)
    footprints = footprints / np.maximum(footprints.sum(axis=1, keepdims=True), 1e-12)
    changes = np.array([(one.rise - verdict.fit.board[0]) @ footprints.T for one in seen])
    early = _early(problem.recordings[0].times)
    asked = verdict.status != IDENTIFIED
    verdicts = [
        _judge(session, problem, verdict, one, openings=openings, settings=settings) if asked else None for one in seen
    ]
    status = [NOT_ATTEMPTED if one is None else one.status for one in verdicts]
    made = xr.Dataset(coords={"further": ("further", [one.name for one in seen])})
    made["foreseen_rise_change"] = (("further", "region"), changes[:, -1])
    made["foreseen_early_change"] = (("further", "region"), changes[:, early])
    made["foreseen_early"] = ((), problem.recordings[0].times[early])
    made["foreseen_flow_status"] = ("further", np.array(status, dtype=np.int8))
    for key in ("opposite", "still"):
        found = [np.nan if one is None else float(getattr(one, f"against_{key}")) for one in verdicts]
        made[f"foreseen_against_{key}"] = ("further", np.array(found))
    return made


def _early(times: Sequence[float]) -> int:
    """Return which time is the last within two minutes of power-on; the first where none is."""
    return max((at for at, time in enumerate(times) if time <= EARLY_S), default=0)


def fan_stands(session: xr.Dataset) -> bool:
    """Tell whether the conditions say that the fan is off."""
    return json.loads(str(session.attrs.get("conditions", "{}"))).get("fan") in FAN_STANDS


def _judge(
    session: xr.Dataset,
    problem: JointFlow,
    verdict: Verdict,
    further: Foreseen,
    *,
    openings: Openings,
    settings: FlowSettings,
) -> Verdict | None:
    """Return the verdict on both; None where air would go the same way, for that tells no direction."""
    if further.opposed == 1:
        return None
    relation = (1, further.opposed)
    recordings = [problem.recordings[0], foreseen_recording(problem, verdict.fit, further)]
    pair = pair_problem(session, recordings, relation=relation, grid=problem.grid)
    return judge_together(pair, (openings, further.openings), relation=relation, gates=settings.gates)


def _vents(session: xr.Dataset) -> dict[int, str]:
    """Return the vents' names by their number among the vents; none where fans or vents are missing."""
    kinds = session["opening_kind"].to_numpy()
    names = session["opening"].to_numpy()[kinds != 0]
    return {number: str(name) for number, name in enumerate(names)} if (kinds == 0).any() else {}
