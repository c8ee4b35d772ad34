"""The flow of two sessions of one board, judged together: sources, board and film are shared, the air is not."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.flow_judgement import (
    IDENTIFIED,
    NOT_ATTEMPTED,
    NOT_IDENTIFIABLE,
    Verdict,
    judge_pair,
    judge_single,
)
from heatwake.kernels.joint_flow import weighted_angle
from heatwake.kernels.openings import CellGrid
from heatwake.kernels.rise_rows import Recording
from heatwake.schema.variables import label
from heatwake.stages.flow_maps import (
    FlowSettings,
    Window,
    board_grid,
    build_problem,
    choose_windows,
    in_pixels,
    is_telling,
    read_openings,
    read_recording,
    region_weights,
    spread_with_floor,
)

Array = npt.NDArray[np.float64]

_UNCHANGED, _TURNED, _REVERSED, _UNTOLD = range(4)
_SAME_TIME: Final = 0.1  # two windows stand for the same time within this share of it
_LEAST_TURN: Final = 15.0  # [degree] less is not called a turn
_ABOUT_FACE: Final = 135.0  # [degree]


def compare_flow(
    session: xr.Dataset, reference: xr.Dataset, settings: FlowSettings, *, opposed: bool | None = None
) -> xr.Dataset:
    """Return the directions of two sessions from one fit to both, and how far the direction turned.

    Parameters
    ----------
    session, reference : Dataset
        Rise maps, regions and what the session files say, of the same board at the same power.
    settings : FlowSettings
    opposed : bool or None
        Whether the fan blows the other way in the one than in the other; None where that is not known, or one fan may
        stand: then each session must first tell its own direction.

    Returns
    -------
    Dataset
        ``joint_flow_*`` on ``which`` (session, reference); changes are session minus reference. NaN with a status where
        nothing can be said.
    """
    names = _common_regions(session, reference)
    empty = _nothing(names, status=NOT_ATTEMPTED)
    if in_pixels(session) or in_pixels(reference) or not names:
        return label(empty)
    grid = board_grid(reference)
    pair = (session, reference)
    windows = _same_times(*(choose_windows(each, settings.times_s, final=settings.final_s) for each in pair))
    openings = [read_openings(each, grid) for each in pair]
    if not windows or not all(each.fans and each.vents for each in openings):
        return label(empty)
    made = _nothing(names, status=NOT_IDENTIFIABLE)
    recordings = _read(pair, windows, grid=grid)
    if not all(is_telling(recording) for recording in recordings):
        return label(made)
    if opposed is None:
        singles = [
            judge_single(build_problem(reference, [recording], grid=grid), each, gates=settings.gates)
            for recording, each in zip(recordings, openings, strict=True)
        ]
        if not all(single.status == IDENTIFIED for single in singles):
            return label(_fill_singles(made, singles, grid=grid, settings=settings))
        opposed = singles[0].signs != singles[1].signs
    problem = build_problem(reference, recordings, grid=grid, alike=not opposed)
    verdict = judge_pair(problem, openings, opposed=opposed, gates=settings.gates)
    if verdict.status == IDENTIFIED:
        _fill(made, reference, verdict, grid=grid, settings=settings)
    return label(made.assign_attrs(_evidence(verdict)))


def _common_regions(session: xr.Dataset, reference: xr.Dataset) -> list[str]:
    if "region" not in session.coords or "region" not in reference.coords:
        return []
    here = {str(name) for name in session["region"].values}
    return [str(name) for name in reference["region"].values if str(name) in here]


def _same_times(one: Sequence[Window], two: Sequence[Window]) -> list[tuple[Window, Window]]:
    """Pair windows that stand for the same time; the final stretches are not those of a longer recording."""
    pairs = []
    for first in one:
        near = [second for second in two if _alike(first.since, second.since)]
        if near:
            pairs.append((first, min(near, key=lambda second: abs(second.since - first.since))))
    return pairs


def _alike(one: float, two: float) -> bool:
    return one == two or abs(one - two) <= _SAME_TIME * max(one, two)


def _read(pair: Sequence[xr.Dataset], windows: Sequence[tuple[Window, Window]], *, grid: CellGrid) -> list[Recording]:
    """Return both sessions' maps at the same times."""
    times = [0.5 * (one.since + two.since) if one.since != two.since else one.since for one, two in windows]
    recordings = []
    for each, chosen in zip(pair, zip(*windows, strict=True), strict=True):
        same = [Window(window.frames, time) for window, time in zip(chosen, times, strict=True)]
        recordings.append(read_recording(each, same, grid=grid)[0])
    return recordings


def _nothing(names: Sequence[str], *, status: int) -> xr.Dataset:
    """Return all that is made, with nothing claimed."""
    made = xr.Dataset(coords={"which": ["session", "reference"], "region": list(names)})
    for name in ("joint_flow_direction", "joint_flow_direction_uncertainty"):
        made[name] = ("which", np.full(2, np.nan))
    made["joint_flow_status"] = ("which", np.full(2, status, dtype=np.int8))
    for name, dims in (("board", ()), ("region", ("region",))):
        shape = (len(names),) * len(dims)
        made[f"{name}_flow_direction_change"] = (dims, np.full(shape, np.nan))
        made[f"{name}_flow_direction_change_uncertainty"] = (dims, np.full(shape, np.nan))
        made[f"{name}_flow_change"] = (dims, np.full(shape, _UNTOLD, dtype=np.int8))
    return made


def _fill(made: xr.Dataset, reference: xr.Dataset, verdict: Verdict, *, grid: CellGrid, settings: FlowSettings) -> None:
    """Enter the directions of both sessions and the turn from one to the other."""
    common, floor = reference.sel(region=made["region"].values), settings.pair_part_floor
    boards, regions = [], []
    for index in range(2):
        boards.append(_board(verdict, index, floor=settings.pair_board_floor, grid=grid, settings=settings))
        weights = region_weights(common, verdict.fit, grid=grid, index=index)
        angle, spread = weighted_angle(verdict.fit, grid, weights=weights, index=index)
        regions.append((angle, spread_with_floor(spread, floor, status=IDENTIFIED, settings=settings)))
    for index, (angle, spread) in enumerate(boards):
        made["joint_flow_direction"][index], made["joint_flow_direction_uncertainty"][index] = angle, spread
    made["joint_flow_status"][:] = IDENTIFIED
    for name, both in (("board", boards), ("region", regions)):
        turn, spread, change = _turn(both[0], both[1])
        made[f"{name}_flow_direction_change"][...] = turn
        made[f"{name}_flow_direction_change_uncertainty"][...] = spread
        made[f"{name}_flow_change"][...] = change


def _fill_singles(
    made: xr.Dataset, singles: Sequence[Verdict], *, grid: CellGrid, settings: FlowSettings
) -> xr.Dataset:
    """Enter the direction of the one session that tells it by itself, if any; there is no turn to tell."""
    for index, single in enumerate(singles):
        if single.status == IDENTIFIED:
            angle, spread = _board(single, 0, floor=settings.board_floor, grid=grid, settings=settings)
            made["joint_flow_direction"][index], made["joint_flow_direction_uncertainty"][index] = angle, spread
            made["joint_flow_status"][index] = IDENTIFIED
    return made


def _board(
    verdict: Verdict, index: int, *, floor: float, grid: CellGrid, settings: FlowSettings
) -> tuple[Array, Array]:
    """Direction of the board's heat at the last time, and its standard uncertainty, ``()`` each [degree]."""
    angle, spread = weighted_angle(verdict.fit, grid, weights=verdict.fit.air[index][-1:], index=index)
    least = spread_with_floor(spread, floor, status=IDENTIFIED, settings=settings)
    return angle[0], least[0]


def _turn(session: tuple[Array, Array], reference: tuple[Array, Array]) -> tuple[Array, Array, npt.NDArray[np.int8]]:
    """Return the turn (-180 to 180), its standard uncertainty, and what it is called."""
    turn = (session[0] - reference[0] + 180.0) % 360.0 - 180.0
    spread = np.hypot(session[1], reference[1])
    change = np.where(np.abs(turn) > np.maximum(2.0 * spread, _LEAST_TURN), _TURNED, _UNCHANGED)
    return turn, spread, np.where(np.abs(turn) >= _ABOUT_FACE, _REVERSED, change).astype(np.int8)


def _evidence(verdict: Verdict) -> dict[str, float]:
    return {
        "flow_evidence_against_opposite": verdict.against_opposite,
        "flow_evidence_against_still_air": verdict.against_still,
        "flow_residual": verdict.fit.residual,
    }
