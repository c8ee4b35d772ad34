"""Frames to board coordinates, and averaged to the analysis step."""

import logging
from typing import Any, Final

import dask.array as da
import numpy as np
import numpy.typing as npt
import xarray as xr
from dask.delayed import delayed
from pydantic import PositiveFloat

from heatwake.errors import InputError
from heatwake.kernels import geometry
from heatwake.kernels.alignment import pose_matrix
from heatwake.kernels.planck import BandTable
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label
from heatwake.stages.stage import Stage

Array = npt.NDArray[Any]

logger = logging.getLogger(__name__)

BLOCK_BYTES: Final = 8 * 2**20  # of averaged float32 maps


class BoardSettings(Settings):
    """The grid on the board."""

    step_mm: PositiveFloat | None = None  # [mm]; default: a round step just below a pixel's size
    analysis_s: PositiveFloat = 1.0  # [s] set by the workflow's [cadence] table


def map_to_board(session: xr.Dataset, settings: BoardSettings) -> xr.Dataset:
    """Add ``board_radiance`` (time, y, x), lazily: usable frames moved to the board's grid and averaged.

    The camera's offset step is taken off in radiance, where a shutter changes the signal by the same amount in every
    pixel. A time step all of whose frames are unusable is NaN, with ``frames_used`` 0.

    Raises
    ------
    InputError
        The corners do not run clockwise round a convex area.
    """
    x, y, mapping = _grid(session, settings)
    bins = np.floor(session["elapsed"].to_numpy() / settings.analysis_s + 1e-6).astype(int)
    starts = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
    stops = np.append(starts[1:], len(bins))
    usable = session["usable"].to_numpy() == 1
    radiance = _maps(session, mapping, edges=(starts, stops), shape=(len(y), len(x)))
    unit = "mm" if _has_scale(session) else "pixel"
    coordinates = {
        "time": ("time", _bin_times(session, starts, stops), dict(session["time"].attrs)),
        "elapsed": ("time", _bin_means(session["elapsed"].to_numpy(), usable, starts, stops)),
        "x": ("x", x, {"units": unit}),
        "y": ("y", y, {"units": unit}),
    }
    ambient = _bin_means(session["frame_ambient"].to_numpy(), usable, starts, stops)
    made = session.drop_vars(["time", "elapsed"]).assign_coords(coordinates)
    made["board_radiance"] = (("time", "y", "x"), radiance)
    made["frames_used"] = ("time", np.add.reduceat(usable.astype(np.int32), starts))
    made["ambient"] = ("time", ambient)
    return label(made)


def _has_scale(session: xr.Dataset) -> bool:
    return "corner_column" in session or bool(np.isfinite(session["board_scale"]))


def _grid(session: xr.Dataset, settings: BoardSettings) -> tuple[Array, Array, Array]:
    """Return x, y of the grid and the (3, 3) map from grid indices to pixels of the reference frame."""
    rows, columns = session.sizes["row"], session.sizes["column"]
    if "corner_column" not in session:
        scale = float(session["board_scale"])
        scale = scale if np.isfinite(scale) else 1.0
        x, y = (np.arange(columns) + 0.5) * scale, (rows - np.arange(rows) - 0.5) * scale
        return x, y, np.eye(3)
    corners = np.stack([session["corner_column"].to_numpy(), session["corner_row"].to_numpy()], axis=1)
    if not geometry.is_convex(corners):
        wanted = "must run top-left, top-right, bottom-right, bottom-left"
        raise InputError("session.toml: board.corners_px", str(corners.tolist()), wanted)
    width, height = float(session["board_width"]), float(session["board_height"])
    step = settings.step_mm or geometry.grid_step(corners, width=width, height=height)
    x, y = geometry.cell_centres(width, step), geometry.cell_centres(height, step)[::-1].copy()
    to_pixels = geometry.board_homography(corners, width=width, height=height)
    return x, y, to_pixels @ geometry.grid_to_board(x, y)


def _bin_times(session: xr.Dataset, starts: Array, stops: Array) -> Array:
    times = session["time"].to_numpy()
    return np.asarray(times[starts] + (times[stops - 1] - times[starts]) // 2)


def _bin_means(values: Array, usable: Array, starts: Array, stops: Array) -> Array:
    """Mean over the usable frames of each bin; over all where none is usable, for time goes on."""
    means = np.empty(len(starts))
    for number, (start, stop) in enumerate(zip(starts, stops, strict=True)):
        chosen = usable[start:stop]
        means[number] = values[start:stop][chosen if chosen.any() else slice(None)].mean()
    return means


def _maps(session: xr.Dataset, mapping: Array, *, edges: tuple[Array, Array], shape: tuple[int, int]) -> da.Array:
    starts, stops = edges
    # averaged maps in a block, and frames that they need, are both kept small
    most = max(1, int(BLOCK_BYTES / (4 * shape[0] * shape[1] * max(1.0, len(session["frame"]) / len(starts) / 4))))
    frames = session["radiance"].data
    corrections = np.stack([session[name].to_numpy() for name in ("shift_x", "shift_y", "rotation")], axis=1)
    usable = session["usable"].to_numpy() == 1
    offsets = _radiance_steps(session)
    blocks = []
    for first in range(0, len(starts), most):
        group = slice(first, first + most)
        span = slice(int(starts[group][0]), int(stops[group][-1]))
        block = delayed(_average, pure=True)(
            frames[span],
            poses=corrections[span],
            offsets=offsets[span],
            usable=usable[span],
            edges=[
                (int(a) - span.start, int(b) - span.start) for a, b in zip(starts[group], stops[group], strict=True)
            ],
            mapping=mapping,
            shape=shape,
        )
        blocks.append(da.from_delayed(block, shape=(len(starts[group]), *shape), dtype=np.float32))
    maps: da.Array = da.concatenate(blocks, axis=0)
    return maps


def _radiance_steps(session: xr.Dataset) -> Array:
    """Return the radiance to take off each frame: the camera's steps [K] at ambient, seen through no film."""
    steps = session["offset_step"].to_numpy()
    if not steps.any():
        return np.zeros(len(steps))
    table = BandTable.for_band(float(session["band_low"]), float(session["band_high"]))
    level = session["frame_ambient"].to_numpy()
    level = np.where(np.isfinite(level), level, float(session["reflected_setting"]))
    return np.asarray(steps * table.slope(level) / float(session["transmittance"]))


def _average(
    frames: Array,
    *,
    poses: Array,
    offsets: Array,
    usable: Array,
    edges: list[tuple[int, int]],
    mapping: Array,
    shape: tuple[int, int],
) -> Array:
    maps = np.full((len(edges), *shape), np.nan, dtype=np.float32)
    for number, (start, stop) in enumerate(edges):
        chosen = [index for index in range(start, stop) if usable[index]]
        if chosen:
            moved = [_on_board(frames[i], poses[i], mapping=mapping, shape=shape) - offsets[i] for i in chosen]
            maps[number] = np.mean(moved, axis=0)
    return maps


def _on_board(frame: Array, pose: Array, *, mapping: Array, shape: tuple[int, int]) -> Array:
    """One frame on the grid.

    On the picture's own grid a frame that did not move stays as it is, and one with masked pixels is moved by whole
    pixels only: interpolation would take its rim away, and with it part of its mean.
    """
    if frame.shape == shape and np.array_equal(mapping, np.eye(3)):
        if not pose.any():
            return frame
        if np.isnan(frame).any():
            return _moved_whole(frame, right=round(-float(pose[0])), down=round(-float(pose[1])))
    moved = np.vstack([pose_matrix(*pose, shape=frame.shape), [0, 0, 1]])
    return geometry.resample(frame, moved @ mapping, shape=shape)


def _moved_whole(frame: Array, *, right: int, down: int) -> Array:
    rows, columns = frame.shape
    moved = np.full_like(frame, np.nan)
    target = moved[max(down, 0) : rows + min(down, 0), max(right, 0) : columns + min(right, 0)]
    target[...] = frame[max(-down, 0) : rows - max(down, 0), max(-right, 0) : columns - max(right, 0)]
    return moved


STAGE: Final = Stage(
    name="board",
    settings=BoardSettings,
    apply=map_to_board,
    needs=("radiance", "shift_x", "shift_y", "rotation", "usable", "offset_step", "frame_ambient"),
    makes=("board_radiance", "frames_used", "ambient"),
    version=1,
)
