"""The flow of two sessions of one board, judged together: sources, board and film are shared, the air is not."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.direction_spread import Calibration, board_spread, place_spread, turn_spread
from heatwake.kernels.flow_family import ALIKE_EXCHANGE
from heatwake.kernels.flow_judgement import (
    IDENTIFIED,
    NOT_ATTEMPTED,
    NOT_IDENTIFIABLE,
    Verdict,
    judge_single,
    judge_together,
)
from heatwake.kernels.joint_flow import JointFit, JointFlow, air_velocity, weighted_angle
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
)

Array = npt.NDArray[np.float64]

_UNCHANGED, _TURNED, _REVERSED, _UNTOLD, _UNDECIDED = range(5)
_SAME_TIME: Final = 0.1  # two windows stand for the same time within this share of it
_LEAST_TURN: Final = 15.0  # [degree] less is not called a turn
_NO_MORE: Final = 45.0  # [degree] an interval that reaches no farther from 0 is of a direction that is as it was
_RIGHT_ANGLE: Final = 90.0  # [degree] an interval all beyond it is of heat that goes into the other half
_ABOUT_FACE: Final = 135.0  # [degree] nearer to straight back than to a right angle
_UNLIKE_EXCHANGE: Final = 1.0  # of air that stands and air that moves: within a factor of e
_NEAR_FAN: Final = 1.0  # of the fan's width
HALF_KNOWN: Final = 45.0
"""Standard uncertainty beyond which no more than a half of the board is told [degree]: twice it is a right angle."""


def compare_flow(
    session: xr.Dataset, reference: xr.Dataset, settings: FlowSettings, *, relation: tuple[int, int] | None = None
) -> xr.Dataset:
    """Return the directions of two sessions from one fit to both, and how far the direction turned.

    Parameters
    ----------
    session, reference : Dataset
        Rise maps, regions and what the session files say, of the same board at the same power.
    settings : FlowSettings
    relation : tuple of two int, optional
        The fan in the session and in the reference: (1, 1) the same way, (1, -1) the other way, 0 where it stands.
        Where not known each session must first tell its own direction.

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
    grid, gates = board_grid(reference), settings.gates
    pair = (session, reference)
    windows = _same_times(*(choose_windows(each, settings.times_s, final=settings.final_s) for each in pair))
    openings = [read_openings(each, grid) for each in pair]
    if not windows or not all(each.fans and each.vents for each in openings):
        return label(empty)
    made = _nothing(names, status=NOT_IDENTIFIABLE)
    recordings = _read(pair, windows, grid=grid)
    if not all(is_telling(recording) for recording in recordings):
        return label(made)
    if relation is None:
        singles = [
            judge_single(build_problem(reference, [recording], grid=grid), each, gates=gates)
            for recording, each in zip(recordings, openings, strict=True)
        ]
        if not all(single.status == IDENTIFIED for single in singles):
            return label(_fill_singles(made, singles, grid=grid, settings=settings))
        relation = (1, 1 if singles[0].signs == singles[1].signs else -1)
    verdict = judge_together(
        pair_problem(reference, recordings, relation=relation, grid=grid), openings, relation=relation, gates=gates
    )
    if verdict.status == IDENTIFIED:
        _fill(made, reference, verdict, grid=grid, settings=settings)
    return label(made.assign_attrs(_evidence(verdict)))


def pair_problem(
    reference: xr.Dataset, recordings: Sequence[Recording], *, relation: tuple[int, int], grid: CellGrid
) -> JointFlow:
    """Return the fit of two recordings of the reference's board; air that stands takes up far less heat than moving."""
    spread = ALIKE_EXCHANGE if all(relation) else _UNLIKE_EXCHANGE
    alike = relation[0] == relation[1]
    return build_problem(reference, recordings, grid=grid, alike=alike, exchange_spread=spread)


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
    """Enter the directions of both sessions and, where the air moves in both, the turn from one to the other."""
    common = reference.sel(region=made["region"].values)
    boards, regions, fitted = [], [], []
    for index, fit in enumerate(verdict.alone):
        if fit is None:
            continue
        known = settings.calibration(blown=verdict.signs[index] < 0)
        boards.append(_board(fit, calibration=known, grid=grid))
        fitted.append(weighted_angle(fit, grid, weights=fit.air[0][-1:])[1][0])
        weights = region_weights(common, fit, grid=grid)
        regions.append(part_directions(fit, grid, weights=weights, calibration=known))
        made["joint_flow_direction"][index], made["joint_flow_direction_uncertainty"][index] = boards[-1]
        made["joint_flow_status"][index] = IDENTIFIED
    if len(boards) < len(verdict.signs):
        return
    blown = any(sign < 0 for sign in verdict.signs)
    beside = near_fan(common) & blown
    for name, both, untold in (("board", boards, np.array(False)), ("region", regions, beside)):
        turn, spread = _turn(both[0], both[1])
        if name == "board" and verdict.signs[0] == verdict.signs[1]:
            spread = _alike_spread(turn, spread, fitted=np.hypot(*fitted), blown=blown, settings=settings)
        change = name_turn(turn, spread)
        made[f"{name}_flow_direction_change"][...] = np.where(untold, np.nan, turn)
        made[f"{name}_flow_direction_change_uncertainty"][...] = np.where(untold, np.nan, spread)
        made[f"{name}_flow_change"][...] = np.where(untold, _UNTOLD, change)


def near_fan(session: xr.Dataset) -> npt.NDArray[np.bool_]:
    """Return which regions lie within a fan's width of it: blown air swirls and runs back there, drawn air does not."""
    near = np.zeros(session.sizes["region"], dtype=bool)
    for fan in np.flatnonzero(session["opening_kind"].values == 0):
        ends = [[float(session[f"opening_{end}_{axis}"][fan]) for axis in "xy"] for end in ("from", "to")]
        start, along = np.array(ends[0]), np.array(ends[1]) - np.array(ends[0])
        away = np.stack([session["region_x"].values, session["region_y"].values], axis=-1) - start
        share = np.clip(away @ along / max(along @ along, 1e-12), 0.0, 1.0)
        distance = np.hypot(*(away - share[:, np.newaxis] * along).T)
        near |= distance < _NEAR_FAN * np.hypot(*along)
    return near


def part_directions(fit: JointFit, grid: CellGrid, *, weights: Array, calibration: Calibration) -> tuple[Array, Array]:
    """Return the direction of each part's heat and its standard uncertainty, ``(regions,)`` each [degree]."""
    angle, spread = weighted_angle(fit, grid, weights=weights)
    velocity = air_velocity(fit, grid)
    speed = np.hypot(*(velocity @ weights.T)) / max(float(np.median(np.hypot(*velocity))), 1e-30)
    return angle, place_spread(spread, speed, calibration)


def _fill_singles(
    made: xr.Dataset, singles: Sequence[Verdict], *, grid: CellGrid, settings: FlowSettings
) -> xr.Dataset:
    """Enter the direction of the one session that tells it by itself, if any; there is no turn to tell."""
    for index, single in enumerate(singles):
        if single.status == IDENTIFIED:
            known = settings.calibration(blown=single.signs[0] < 0)
            angle, spread = _board(single.fit, calibration=known, grid=grid)
            made["joint_flow_direction"][index], made["joint_flow_direction_uncertainty"][index] = angle, spread
            made["joint_flow_status"][index] = IDENTIFIED
    return made


def _board(fit: JointFit, *, calibration: Calibration, grid: CellGrid) -> tuple[Array, Array]:
    """Direction of the board's heat at the last time, and its standard uncertainty, ``()`` each [degree]."""
    angle, spread = weighted_angle(fit, grid, weights=fit.air[0][-1:])
    return angle[0], board_spread(spread, calibration)[0]


def _turn(session: tuple[Array, Array], reference: tuple[Array, Array]) -> tuple[Array, Array]:
    """Return the turn (-180 to 180) and its standard uncertainty where the two have nothing in common."""
    turn = (session[0] - reference[0] + 180.0) % 360.0 - 180.0
    return turn, np.hypot(session[1], reference[1])


def _alike_spread(turn: Array, spread: Array, *, fitted: Array, blown: bool, settings: FlowSettings) -> Array:
    """Return the standard uncertainty of the board's turn where the fan does in both what it does in the other."""
    least = settings.blown_turn_floor if blown else settings.turn_floor
    return turn_spread(fitted, turn, most=spread, least=least, share=settings.turn_share)


def name_turn(turn: Array, spread: Array) -> npt.NDArray[np.int8]:
    """Return what turns are called: a word that their 95 % interval, of two standard uncertainties, leaves no doubt of.

    Reversed is what lies all beyond a right angle, its middle nearer to straight back; turned what leaves 0 out, by 15
    degrees at least; unchanged what has 0 in it, or is less, and reaches no farther than half a right angle. All else
    is undecided, a turn that is not known not identifiable.

    Examples
    --------
    >>> name_turn(np.array([150.0, 150.0, 40.0, 4.0, 30.0]), np.array([25.0, 65.0, 15.0, 15.0, 16.0])).tolist()
    [2, 1, 1, 0, 4]
    """
    size, reach = np.abs(turn), 2.0 * spread
    no_turn = size <= np.maximum(reach, _LEAST_TURN)
    readings = [
        ~np.isfinite(turn + spread),
        (size - reach >= _RIGHT_ANGLE) & (size >= _ABOUT_FACE),
        ~no_turn,
        size + reach <= _NO_MORE,
    ]
    return np.select(readings, [_UNTOLD, _REVERSED, _TURNED, _UNCHANGED], _UNDECIDED).astype(np.int8)


def _evidence(verdict: Verdict) -> dict[str, float]:
    return {
        "flow_evidence_against_opposite": verdict.against_opposite,
        "flow_evidence_against_still_air": verdict.against_still,
        "flow_residual": verdict.fit.residual,
    }
