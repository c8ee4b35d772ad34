"""Where the air carries the heat, from the rise alone: how sure, or that it cannot be told."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.board_cells import sample_cells
from heatwake.kernels.circular import resultant
from heatwake.kernels.direction_spread import Calibration, board_spread, place_spread, role_probability
from heatwake.kernels.flow_judgement import (
    IDENTIFIED,
    NOT_ATTEMPTED,
    NOT_IDENTIFIABLE,
    WEAK,
    Verdict,
    judge_single,
)
from heatwake.kernels.joint_flow import air_velocity, weighted_angle
from heatwake.kernels.openings import CellGrid
from heatwake.schema.variables import label
from heatwake.stages.flow_maps import (
    FlowSettings,
    Window,
    board_grid,
    build_problem,
    choose_windows,
    in_pixels,
    is_telling,
    opening_arcs,
    read_openings,
    read_recording,
    region_weights,
)
from heatwake.stages.flow_pair import HALF_KNOWN, compare_flow, part_directions
from heatwake.stages.flow_reasons import REASONED, explain_flow
from heatwake.stages.further_flow import FORESEEN, foresee_flow
from heatwake.stages.local_flow import LOCAL_MADE, local_estimate
from heatwake.stages.stage import Stage

__all__ = ["STAGE", "FlowSettings", "compare_flow", "estimate_flow"]

Array = npt.NDArray[np.float64]

_MM: Final = 1e-3
_BESIDE: Final = 8.0  # [mm] of the board's edge that is next to an opening
_SURE: Final = 0.95  # probability that an opening's role must have to be told
_SLOW: Final = 0.15  # of the board's median: air hardly moves, its direction is not claimed
_FROM_NOTHING, _FROM_FIT, _FROM_DRIFT = range(3)
_INLET, _OUTLET, _UNDECIDED = range(3)


def estimate_flow(session: xr.Dataset, settings: FlowSettings) -> xr.Dataset:
    """Return where heat is carried to, on the board's map, over each region and over all.

    Parameters
    ----------
    session : Dataset
        Rise maps, regions and what the session file says of the board and its openings.
    settings : FlowSettings

    Returns
    -------
    Dataset
        ``time`` is a few windows: some in the warming-up, and the final stretch. NaN with a status where nothing can be
        said; ``flow_source`` says what each direction comes from.
    """
    windows = choose_windows(session, settings.times_s, final=settings.final_s)
    if not windows:
        first = _first(session)
        made = explain_flow(_nothing(session, first, NOT_ATTEMPTED), session, first, settings)
        return _finish(made, session, {"outcome": "no usable map"})
    if in_pixels(session) or not session.sizes.get("region", 0):
        return _local_only(session, windows, settings)
    grid = board_grid(session)
    recording, final_map = read_recording(session, windows, grid=grid)
    if not is_telling(recording):
        made = _nothing(session, windows, NOT_IDENTIFIABLE)
        return _finish(explain_flow(made, session, windows, settings), session, {"outcome": "no contrast on the board"})
    problem = build_problem(session, [recording], grid=grid)
    openings = read_openings(session, grid)
    verdict = judge_single(problem, openings, gates=settings.gates)
    made = _nothing(session, windows, verdict.status)
    if verdict.status != NOT_IDENTIFIABLE:
        _fill(made, session, verdict, grid=grid, settings=settings)
    _refine(made, session, verdict, settings)
    _describe_openings(made, session, final_map, verdict=verdict, grid=grid, settings=settings)
    made = made.assign(foresee_flow(session, problem, verdict, openings=openings, settings=settings))
    return _finish(explain_flow(made, session, windows, settings), session, _evidence(verdict))


def _first(session: xr.Dataset) -> list[Window]:
    """One window to say nothing about; none where there are no frames."""
    return [Window((0,), float("nan"))] if session.sizes["time"] else []


def _nothing(session: xr.Dataset, windows: Sequence[Window], status: int) -> xr.Dataset:
    """Return all that the stage makes, with nothing claimed."""
    place = [window.middle for window in windows]
    shape = (len(windows), session.sizes["y"], session.sizes["x"])
    regions = session.sizes.get("region", 0)
    board, region = ("time", "y", "x"), ("region", "time")
    made = xr.Dataset(coords={name: session[name].variable for name in ("x", "y")})
    for name in ("time", "elapsed"):
        if name in session.coords:
            made = made.assign_coords({name: ("time", session[name].values[place])})
    if regions:
        made = made.assign_coords(region=session["region"].variable)
    names = ("flow_direction", "flow_direction_uncertainty", "drift_speed")
    for name in names:
        made[name] = (board, np.full(shape, np.nan, dtype=np.float32))
        made[f"region_{name}"] = (region, np.full((regions, len(windows)), np.nan, dtype=np.float32))
    made["flow_confidence"] = (board, np.zeros(shape, dtype=np.float32))
    made["region_flow_confidence"] = (region, np.zeros((regions, len(windows)), dtype=np.float32))
    made["flow_status"] = (board, np.full(shape, status, dtype=np.int8))
    made["flow_source"] = (board, np.zeros(shape, dtype=np.int8))
    made["region_flow_status"] = (region, np.full((regions, len(windows)), status, dtype=np.int8))
    for name in names[:2]:
        made[f"board_{name}"] = ("time", np.full(len(windows), np.nan))
    made["board_flow_status"] = ("time", np.full(len(windows), status, dtype=np.int8))
    return made


def _confidence(verdict: Verdict) -> float:
    """Return 0 to 1: one less the exponential of the evidence over what a claim needs at least."""
    return float(1.0 - np.exp(-max(verdict.least_evidence, 0.0) / 30.0))


def _fill(made: xr.Dataset, session: xr.Dataset, verdict: Verdict, *, grid: CellGrid, settings: FlowSettings) -> None:
    """Enter what the physical fit says."""
    fit, known = verdict.fit, _calibration(verdict, settings)
    _fill_map(made, session, verdict, grid=grid, settings=settings)
    angle, spread = weighted_angle(fit, grid, weights=fit.air[0])
    made["board_flow_direction"][:] = angle
    made["board_flow_direction_uncertainty"][:] = board_spread(spread, known)
    weights = region_weights(session, fit, grid=grid)
    angle, spread = part_directions(fit, grid, weights=weights, calibration=known)
    made["region_flow_direction"][:] = angle[:, np.newaxis]
    made["region_flow_direction_uncertainty"][:] = spread[:, np.newaxis]
    made["region_flow_status"][:] = np.where(spread > HALF_KNOWN, WEAK, verdict.status)[:, np.newaxis]
    made["region_drift_speed"][:] = np.hypot(*(_drift(verdict, grid) @ weights.T))[:, np.newaxis]
    made["region_flow_confidence"][:] = _confidence(verdict)


def _calibration(verdict: Verdict, settings: FlowSettings) -> Calibration:
    return settings.calibration(blown=verdict.signs[0] < 0, identified=verdict.status == IDENTIFIED)


def _fill_map(
    made: xr.Dataset, session: xr.Dataset, verdict: Verdict, *, grid: CellGrid, settings: FlowSettings
) -> None:
    """Enter the direction at every pixel; where the air hardly moves it is weak."""
    spread = weighted_angle(verdict.fit, grid)[1]
    x, y = session["x"].values.astype(float) * _MM, session["y"].values.astype(float) * _MM
    east, north, spread = sample_cells(np.stack([*_drift(verdict, grid), spread]), x=x, y=y, grid=grid)
    speed, confidence = np.hypot(east, north), _confidence(verdict)
    slow = speed < _SLOW * np.median(speed)
    spread = place_spread(spread, speed / np.median(speed), _calibration(verdict, settings))
    made["flow_direction"][:] = np.degrees(np.arctan2(north, east))
    made["flow_direction_uncertainty"][:] = np.where(slow, np.maximum(spread, settings.weak_floor), spread)
    made["drift_speed"][:] = speed
    made["flow_confidence"][:] = np.where(slow, 0.5 * confidence, confidence)
    made["flow_status"][:] = np.where(slow, WEAK, verdict.status)
    made["flow_source"][:] = _FROM_FIT


def _drift(verdict: Verdict, grid: CellGrid) -> Array:
    """Drift of heat in the surface over each cell [mm/s]: the air's heat capacity flow over the board's capacity."""
    return air_velocity(verdict.fit, grid) / _capacity(verdict) / _MM


def _capacity(verdict: Verdict) -> float:
    """Heat capacity of the bare board [J m-2 K-1]."""
    return float(verdict.fit.parameters.coefficients(verdict.fit.vector, 0).capacity.min())


def _local_only(session: xr.Dataset, windows: Sequence[Window], settings: FlowSettings) -> xr.Dataset:
    """Estimate without a board or sources: the local drift of heat, weak at best."""
    made = _nothing(session, windows, NOT_ATTEMPTED)
    local = local_estimate(session, transient=settings.transient_s)
    if local is None:
        made = explain_flow(made, session, windows, settings)
        return _finish(made, session, {"outcome": "no board, or no warming-up to work on"})
    said = local.identifiable & local.adequate
    made["flow_status"][:] = np.where(said, WEAK, NOT_IDENTIFIABLE)
    made["flow_source"][:] = np.where(said, _FROM_DRIFT, _FROM_NOTHING)
    made["flow_direction"][:] = np.where(said, local.direction, np.nan)
    made["flow_direction_uncertainty"][:] = np.where(said, np.hypot(local.uncertainty, settings.weak_floor), np.nan)
    made["drift_speed"][:] = np.where(said, local.speed, np.nan)
    made["flow_confidence"][:] = np.where(said, 0.3, 0.0)
    for name in ("region_flow_status", "board_flow_status"):
        made[name][:] = NOT_IDENTIFIABLE
    made = explain_flow(made, session, windows, settings)
    notes: dict[str, float | str] = {"outcome": "local estimate only", "local_disagreement": local.disagreement}
    if said.any():
        notes["local_mean_direction"], notes["local_mean_resultant"] = resultant(local.direction[said])
    return _finish(made, session, notes)


def _refine(made: xr.Dataset, session: xr.Dataset, verdict: Verdict, settings: FlowSettings) -> None:
    """Put the local estimate in where it holds and says the same as the physical fit; the two are never mixed."""
    if verdict.status != IDENTIFIED:
        return
    local = local_estimate(session, transient=settings.transient_s)
    if local is None or not local.adequate:
        return
    apart = np.abs((local.direction - made["flow_direction"].values[0] + 180.0) % 360.0 - 180.0)
    both = local.identifiable & np.isfinite(apart)
    if not both.any() or np.mean(apart[both] < 45.0) < 0.75:
        return
    taken = both & (apart < 45.0)
    made["flow_direction"][:] = np.where(taken, local.direction, made["flow_direction"])
    kept = made["flow_direction_uncertainty"]
    made["flow_direction_uncertainty"][:] = np.where(taken, np.maximum(local.uncertainty, 0.5 * kept), kept)
    made["flow_source"][:] = np.where(taken, _FROM_DRIFT, made["flow_source"])


def _describe_openings(
    made: xr.Dataset,
    session: xr.Dataset,
    final_map: Array,
    *,
    verdict: Verdict,
    grid: CellGrid,
    settings: FlowSettings,
) -> None:
    """Add the rise next to each opening and which way its air goes."""
    if not session.sizes.get("opening", 0):
        return
    made.coords["opening"] = session["opening"].variable
    made["opening_rise"] = ("opening", _rise_beside(session, final_map))
    probability = role_probability(
        verdict.against_another_half, verdict.against_still, enough=settings.gates.weak_still
    )
    made["opening_role"] = ("opening", _roles(session, verdict, probability, grid=grid))
    made["opening_role_probability"] = ("opening", np.full(made.sizes["opening"], probability))


def _rise_beside(session: xr.Dataset, final_map: Array) -> Array:
    """Mean rise within a few millimetres of each opening [K]."""
    x, y = session["x"].values, session["y"].values[:, np.newaxis]
    ends = [session[f"opening_{end}"].values.astype(float) for end in ("from_x", "to_x", "from_y", "to_y")]
    rises = []
    for x1, x2, y1, y2 in zip(*ends, strict=True):
        beyond_x = np.maximum(min(x1, x2) - x, x - max(x1, x2))
        beyond_y = np.maximum(min(y1, y2) - y, y - max(y1, y2))
        near = final_map[(np.maximum(beyond_x, beyond_y) < _BESIDE) & np.isfinite(final_map)]
        rises.append(float(near.mean()) if near.size else np.nan)
    return np.array(rises)


def _roles(session: xr.Dataset, verdict: Verdict, probability: float, *, grid: CellGrid) -> npt.NDArray[np.int8]:
    """Which way the air goes at each opening; undecided where the way is not told or not probable enough."""
    kinds, arcs = opening_arcs(session, grid)
    sign = verdict.signs[0] if verdict.status in (IDENTIFIED, WEAK) and probability >= _SURE else 0
    if sign == 0:
        return np.full(len(kinds), _UNDECIDED, dtype=np.int8)
    fans = read_openings(session, grid).fans
    out = [(arc in fans) == (sign > 0) for arc in arcs]
    return np.where(out, _OUTLET, _INLET).astype(np.int8)


def _evidence(verdict: Verdict) -> dict[str, float | str]:
    return {
        "outcome": "physical fit",
        "likelier_fan_sign": float(verdict.signs[0]),
        "evidence_against_opposite": verdict.against_opposite,
        "evidence_against_still_air": verdict.against_still,
        "evidence_against_uniform_wind": verdict.against_wind,
        "uniform_wind_apart": verdict.wind_apart,
        "residual": verdict.fit.residual,
    }


def _finish(made: xr.Dataset, session: xr.Dataset, notes: dict[str, float | str]) -> xr.Dataset:
    kept = made.assign_attrs({f"flow_{key}": value for key, value in notes.items()})
    kept["x"].attrs.update(session["x"].attrs)
    return label(kept)


STAGE: Final = Stage(
    name="flow",
    settings=FlowSettings,
    apply=estimate_flow,
    needs=("temperature_rise", "power_on"),
    makes=(
        "flow_direction",
        "flow_direction_uncertainty",
        "flow_confidence",
        "drift_speed",
        "flow_status",
        "flow_source",
        "region_flow_direction",
        "region_flow_direction_uncertainty",
        "region_flow_confidence",
        "region_drift_speed",
        "region_flow_status",
        "board_flow_direction",
        "board_flow_direction_uncertainty",
        "board_flow_status",
        "opening_rise",
        "opening_role",
        "opening_role_probability",
        *REASONED,
        *LOCAL_MADE,
        *FORESEEN,
    ),
    version=6,
)
