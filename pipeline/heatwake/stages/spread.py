"""How far each part's heat spreads, how fast it falls off, and whither its footprint is drawn."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import NonNegativeFloat, PositiveFloat, PositiveInt

from heatwake.kernels.decay import decay_length, growth_rate
from heatwake.kernels.moments import Footprint, footprint
from heatwake.kernels.own_heat import OwnHeat, block_means, separate_heat
from heatwake.kernels.rectangles import pixel_window, together
from heatwake.schema.settings import Settings
from heatwake.schema.variables import FLOW_STATUS, label
from heatwake.stages.map_reader import mean_map
from heatwake.stages.stage import Stage

Array = npt.NDArray[Any]

MEASURED, NEIGHBOUR, CORRECTED, WITHHELD, LOST, NO_RISE, NOT_SEEN = range(7)
AROUND_FLOW, AROUND_LONG_AXIS = range(2)
AT_ONCE: Final = 64  # maps of one step at most
FIRST_ROUNDS, LATER_ROUNDS = 6, 2  # from the displacements of the map before few are enough
DOMINANT: Final = 0.75  # mean share of a footprint's upper half that is its own; below it a neighbour cuts it
TRUSTED: Final = 0.8  # the same of a pixel of its tail
LEAST_SEEN: Final = 0.5  # of a region's pixels
# What taking others off leaves in error, as shares: found on 24 boards drawn at random with their heat known source by
# source; it grows with what was taken off, over the footprint's own peak (tests/benchmarks/spread.py).
LENGTH_ERROR, LENGTH_ERROR_TAKEN = 0.05, 0.10
AREA_ERROR, AREA_ERROR_TAKEN = 0.10, 0.22
DRIFT_ERROR, DRIFT_ERROR_TAKEN = 0.07, 0.03  # of the footprint's size, along either axis
TAIL_ERROR = 0.1  # of what was taken off along a tail
TAIL_LENGTH_ERROR = 0.2  # of a decay length
FILLED_ERROR = 0.25  # of what was filled in at an edge
LEAST_TURN = 30.0  # [deg] an axis that is less sure has no direction

NAMES: Final = (
    *("spread_major", "spread_major_uncertainty", "spread_minor", "spread_minor_uncertainty"),
    *("spread_orientation", "spread_orientation_uncertainty", "spread_area", "spread_area_uncertainty"),
    *("drift_x", "drift_y", "drift_uncertainty", "spread_taken_off", "decay_direction"),
    *("decay_downstream", "decay_downstream_uncertainty", "decay_upstream", "decay_upstream_uncertainty"),
)


class SpreadSettings(Settings):
    """How finely footprints are followed, and what counts as one."""

    step_s: PositiveFloat = 20.0  # [s] maps are averaged so long, for slow footprints need no finer
    most_steps: PositiveInt = 60  # of a long recording: its steps are longer
    most_px: PositiveInt = 240  # along the map's longer side; finer maps are averaged down to it
    least_rise_K: PositiveFloat = 0.5  # of its own, below which a region has no footprint
    least_misfit: NonNegativeFloat = 3.0  # the same, in what the mixture of all regions leaves unexplained
    most_taken_off: PositiveFloat = 3.0  # what others bring, over its own peak, beyond which a region is lost in them


def measure_spread(session: xr.Dataset, settings: SpreadSettings) -> xr.Dataset:
    """Return extent, orientation, area, drift, decay lengths and growth of each region's own heat over time.

    Each map is the sum of all regions' heat and a smooth base; a region's footprint is what is left of it when the
    others and the base are taken off. A footprint that reaches the board's edge is filled in there.
    ``spread_status`` says what became of each, ``spread_cut`` whether an edge or a neighbour has a share in it. Where
    there is nothing to measure the numbers are NaN. Decay lengths are along the direction that heat is carried to where
    the session has one (``final_flow_direction``), else along the footprint's long axis.
    """
    groups = _groups(session["elapsed"].to_numpy(), settings)
    shape = (session.sizes["region"], len(groups))
    made = {name: np.full(shape, np.nan) for name in NAMES}
    status, cut, axis = np.full(shape, NOT_SEEN, np.int8), np.zeros(shape, np.int8), np.zeros(shape, np.int8)
    board = _board(session, settings)
    start: Array | None = None
    for number, (rise, noise) in enumerate(_maps(session, groups, board)):
        heat = _separate(rise, board, start=start)
        if heat is None:
            continue
        start = heat.displacement
        for region in range(shape[0]):
            found = _measure(rise, heat, board, region=region, noise=noise, settings=settings)
            status[region, number], cut[region, number], axis[region, number] = found.status, found.cut, found.axis
            for name, value in found.values.items():
                made[name][region, number] = value
    return _dataset(session, groups, made, {"spread_status": status, "spread_cut": cut, "decay_axis": axis})


def final_directions(flow: xr.Dataset) -> dict[str, xr.DataArray]:
    """Return ``final_flow_direction`` (region) as a mapping to assign: NaN where flow.nc does not claim a direction."""
    if "region" not in flow.dims or not flow.sizes.get("time", 0):
        return {}
    last = flow[["region_flow_direction", "region_flow_status"]].isel(time=-1).load()
    told = last["region_flow_status"] == FLOW_STATUS.index("identified")
    return {"final_flow_direction": last["region_flow_direction"].where(told).reset_coords(drop=True)}


@dataclass(frozen=True)
class _Board:
    """What stays the same from map to map.

    Attributes
    ----------
    block : int
        Pixels of the session's map along a side of one of the map that is measured.
    x, y : arrays
        Pixel centres.
    boxes : (n, 4) array
        Centre x, y, width and height of each region.
    sources : (m, 4) array
        The same of what is told apart: regions that lie in each other are one.
    source_of : (n,) array of int
    extent : (left, right, bottom, top)
    directions : (n,) array
        Whither heat is carried [deg]; NaN where it is not known.
    """

    block: int
    x: Array
    y: Array
    boxes: Array
    sources: Array
    source_of: Array
    extent: tuple[float, float, float, float]
    directions: Array


def _board(session: xr.Dataset, settings: SpreadSettings) -> _Board:
    x, y = session["x"].to_numpy().astype(float), session["y"].to_numpy().astype(float)
    block = max(1, int(np.ceil(max(len(x), len(y)) / settings.most_px)))
    _, coarse_x, coarse_y = block_means(np.zeros((len(y), len(x))), x, y, size=block)
    keys = ("region_x", "region_y", "region_width", "region_height")
    boxes = np.stack([session[key].to_numpy().astype(float) for key in keys], axis=1)
    source_of = together(boxes)
    areas = boxes[:, 2] * boxes[:, 3]
    members = [np.flatnonzero(source_of == source) for source in range(int(source_of.max(initial=-1)) + 1)]
    largest = [each[np.argmax(areas[each])] for each in members]
    half_x, half_y = (abs(float(np.diff(axis).mean())) / 2 if len(axis) > 1 else 0.5 for axis in (x, y))
    extent = (x.min() - half_x, x.max() + half_x, y.min() - half_y, y.max() + half_y)
    known = session.get("final_flow_direction")
    directions = np.full(len(boxes), np.nan) if known is None else known.to_numpy().astype(float)
    return _Board(block, coarse_x, coarse_y, boxes, boxes[largest], source_of, extent, directions)


def _groups(elapsed: Array, settings: SpreadSettings) -> list[tuple[int, int]]:
    if not len(elapsed):
        return []
    step = max(settings.step_s, 1.00001 * float(elapsed[-1] - elapsed[0]) / settings.most_steps)
    bins = np.floor((elapsed - elapsed[0]) / step + 1e-6).astype(int)
    starts = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
    return list(zip(starts.tolist(), [*starts[1:].tolist(), len(bins)], strict=True))


def _maps(session: xr.Dataset, groups: list[tuple[int, int]], board: _Board) -> Iterator[tuple[Array, float]]:
    """Yield the mean map of each group of steps and the noise of its pixels; one map of it in memory."""
    noises = _noise(session)
    for start, stop in groups:
        chosen = np.unique(np.linspace(start, stop - 1, min(stop - start, AT_ONCE)).astype(int))
        mean = mean_map(session["temperature_rise"], chosen)
        coarse, _, _ = block_means(mean, session["x"].to_numpy(), session["y"].to_numpy(), size=board.block)
        yield coarse, noises / np.sqrt(len(chosen)) / board.block


def _noise(session: xr.Dataset) -> float:
    """Typical noise of a pixel of one map [K]; 0 where it is not known."""
    if "rise_noise" not in session or not session.sizes["time"]:
        return 0.0
    noise = session["rise_noise"].isel(time=-1).to_numpy()
    return float(np.nanmedian(noise)) if np.isfinite(noise).any() else 0.0


def _separate(rise: Array, board: _Board, *, start: Array | None) -> OwnHeat | None:
    if not len(board.sources) or not np.isfinite(rise).any() or min(rise.shape) < 2:
        return None
    rounds = FIRST_ROUNDS if start is None else LATER_ROUNDS
    return separate_heat(
        rise, x=board.x, y=board.y, boxes=board.sources, extent=board.extent, start=start, rounds=rounds
    )


@dataclass(frozen=True)
class _Found:
    status: int
    cut: bool
    values: dict[str, float]
    axis: int = AROUND_LONG_AXIS


def _measure(
    rise: Array, heat: OwnHeat, board: _Board, *, region: int, noise: float, settings: SpreadSettings
) -> _Found:
    """Measure one region on one map."""
    box, source = board.boxes[region], int(board.source_of[region])
    core = pixel_window((box[0], box[1]), (box[2], box[3]), x=board.x, y=board.y)
    if np.isfinite(rise[core]).mean() < LEAST_SEEN:
        return _Found(NOT_SEEN, False, {})
    own = heat.own(source)
    peak = float(np.nanmax(own[core]))
    if not peak >= max(settings.least_rise_K, settings.least_misfit * heat.misfit):
        return _Found(NO_RISE, False, {})
    dominance = heat.dominance(source)
    top = own > peak / 2
    taken = float((rise - own)[top].mean()) / peak
    if taken > settings.most_taken_off:
        return _Found(LOST, True, {"spread_taken_off": taken})
    found = footprint(own, x=board.x, y=board.y, core=core, background=0.0, noise=noise)
    tails, axis = _tails(rise, heat, board, found, region=region, noise=noise)
    if not np.isfinite(found.major):
        return _Found(WITHHELD, True, {"spread_taken_off": taken} | tails, axis)
    beside = float(dominance[top].mean()) < DOMINANT
    status = CORRECTED if found.cut else NEIGHBOUR if beside else MEASURED
    model = footprint(heat.model(source), x=board.x, y=board.y, core=core, background=0.0)
    apart = float(np.nan_to_num(np.hypot(model.x - found.x, model.y - found.y)))
    return _Found(status, found.cut or beside, _with_errors(found, box, taken=taken, apart=apart) | tails, axis)


def _with_errors(found: Footprint, box: Array, *, taken: float, apart: float) -> dict[str, float]:
    """Return a footprint's numbers with their standard uncertainties.

    From noise, from what was taken off and what was filled in; of the drift also half of how far ``apart`` the
    centroids of the footprint and of its mixture alone lie, for they differ by how the residual is shared out.
    """
    filled = FILLED_ERROR * found.missing
    share = float(np.hypot(LENGTH_ERROR + LENGTH_ERROR_TAKEN * taken, filled))
    size = float(np.sqrt(found.major * found.minor))
    strays = DRIFT_ERROR + DRIFT_ERROR_TAKEN * taken
    unlike = found.major**2 - found.minor**2
    turn = np.degrees(np.sqrt(2) * share * size**2 / unlike) if unlike > 0 else np.inf
    turn = float(np.hypot(turn, found.orientation_noise))
    told = turn < LEAST_TURN
    return {
        "spread_major": found.major,
        "spread_major_uncertainty": float(np.hypot(share * found.major, found.major_noise)),
        "spread_minor": found.minor,
        "spread_minor_uncertainty": float(np.hypot(share * found.minor, found.minor_noise)),
        "spread_orientation": found.orientation if told else np.nan,
        "spread_orientation_uncertainty": turn if told else np.nan,
        "spread_area": found.area,
        "spread_area_uncertainty": float(
            np.hypot(np.hypot(AREA_ERROR + AREA_ERROR_TAKEN * taken, 2 * filled) * found.area, found.area_noise)
        ),
        "drift_x": found.x - float(box[0]),
        "drift_y": found.y - float(box[1]),
        "drift_uncertainty": float(
            np.linalg.norm([strays * size, found.centroid_noise, 2 * filled * found.major, apart / 2])
        ),
        "spread_taken_off": taken,
    }


def _tails(
    rise: Array, heat: OwnHeat, board: _Board, found: Footprint, *, region: int, noise: float
) -> tuple[dict[str, float], int]:
    """Return decay lengths on both sides, along the flow or the footprint's long axis, and along which."""
    source = int(board.source_of[region])
    angle, axis = float(board.directions[region]), AROUND_FLOW
    if not np.isfinite(angle):
        angle, axis = found.orientation, AROUND_LONG_AXIS
        turn, box = np.radians(angle), board.boxes[region]
        if (found.x - box[0]) * np.cos(turn) + (found.y - box[1]) * np.sin(turn) < 0:
            angle -= 180
    if not np.isfinite(angle):
        return {}, axis
    own = np.where(np.isfinite(rise), heat.own(source), np.nan)
    values = {"decay_direction": (angle + 180) % 360 - 180}
    for side, word in ((angle, "downstream"), (angle + 180, "upstream")):
        tail = decay_length(
            own,
            x=board.x,
            y=board.y,
            box=board.sources[source],
            angle=side,
            trusted=heat.dominance(source) > TRUSTED,
            noise=noise,
            offset=np.hypot(heat.misfit, TAIL_ERROR * np.nan_to_num(rise - own)),
        )
        values[f"decay_{word}"] = tail.length
        values[f"decay_{word}_uncertainty"] = float(np.hypot(tail.uncertainty, TAIL_LENGTH_ERROR * tail.length))
    return values, axis


def _dataset(
    session: xr.Dataset, groups: list[tuple[int, int]], made: dict[str, Array], flags: dict[str, Array]
) -> xr.Dataset:
    middles = [(start + stop - 1) // 2 for start, stop in groups]
    elapsed = session["elapsed"].to_numpy()[middles]
    variance = (made["spread_major"] ** 2 + made["spread_minor"] ** 2) / 2
    growth = [growth_rate(elapsed, row) for row in variance]
    made["spread_growth"], made["spread_growth_uncertainty"] = (
        np.array([pair[side] for pair in growth]).reshape(variance.shape) for side in (0, 1)
    )
    out = xr.Dataset(
        {name: (("region", "time"), values) for name, values in (made | flags).items()},
        coords={
            "region": session["region"],
            "time": session["time"].isel(time=middles),
            "elapsed": session["elapsed"].isel(time=middles),
        },
        attrs=session.attrs,
    )
    out["x"] = session["x"]
    return label(out).drop_vars("x")


STAGE: Final = Stage(
    name="spread",
    settings=SpreadSettings,
    apply=measure_spread,
    needs=("temperature_rise", "region_x", "region_y", "region_width", "region_height"),
    makes=(*NAMES, "spread_growth", "spread_growth_uncertainty", "spread_status", "spread_cut", "decay_axis"),
    version=2,
)
