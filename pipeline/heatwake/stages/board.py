"""Frames to board coordinates, and averaged to the analysis step."""

from typing import Any, Final

import cv2
import dask.array as da
import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import PositiveFloat

from heatwake.errors import InputError
from heatwake.kernels import geometry
from heatwake.kernels.alignment import pose_matrix
from heatwake.kernels.board_view import GridView
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label
from heatwake.stages.band import band_table
from heatwake.stages.board_place import board_view, mark_residuals, require_plausible
from heatwake.stages.film import air_transmittance, effective_transmittance, surface_radiance
from heatwake.stages.film_view import board_trust
from heatwake.stages.frame_blocks import reducer_for, some_frames
from heatwake.stages.stage import Stage

Array = npt.NDArray[Any]

BLOCK_BYTES: Final = 8 * 2**20  # of averaged float32 maps
READ_FRAMES: Final = 8  # read together
COVERED: Final = 0.5  # of a place in the way, from which it is left out
FRAME_MEANS: Final = {
    "frame_film_temperature": "film_temperature",
    "frame_film_uncertainty": "film_temperature_uncertainty",
    "offset_step_uncertainty": "step_uncertainty",
}
MOST_CELLS: Final = 16_000_000  # of the grid


class BoardSettings(Settings):
    """The grid on the board."""

    step_mm: PositiveFloat | None = None  # [mm]; default: a round step just below a pixel's size
    analysis_s: PositiveFloat = 1.0  # [s] set by the workflow's [cadence] table


def analysis_bins(elapsed: Array, settings: BoardSettings) -> npt.NDArray[np.intp]:
    """Return the number of each frame's analysis step, from 0 and without holes, for rising times [s].

    Examples
    --------
    >>> analysis_bins(np.array([0.0, 0.4, 0.8, 1.2, 5.0]), BoardSettings(analysis_s=1.0)).tolist()
    [0, 0, 0, 1, 2]
    """
    steps = np.floor(elapsed / settings.analysis_s + 1e-6).astype(np.intp)
    return np.asarray(np.cumsum(np.diff(steps, prepend=steps[:1]) > 0), dtype=np.intp)


def map_to_board(session: xr.Dataset, settings: BoardSettings) -> xr.Dataset:
    """Add ``board_radiance`` (time, y, x), lazily: usable frames moved to the board's grid and averaged.

    Where the frames of a step have been summed already as they are needed (``mean_radiance``) they are not read again:
    when all usable ones of it were summed, no other, and the camera stood still among them. The camera's offset step is
    taken off in radiance, where a shutter changes the signal by the same amount in every pixel. Where a pair shows the
    same view, ``film_trust`` (y, x) says where its film is creased, doubled or lit. A time step all of
    whose frames are unusable is NaN, with ``frames_used`` 0.

    Raises
    ------
    InputError
        The corners do not run clockwise round a convex area, or the grid is too fine.
    """
    x, y, view = _grid(session, settings)
    starts = np.flatnonzero(np.diff(analysis_bins(session["elapsed"].to_numpy(), settings), prepend=-1))
    stops = np.append(starts[1:], session.sizes["frame"])
    usable = session["usable"].to_numpy() == 1
    maps = BoardMaps(session, view, edges=(starts, stops))
    count = max(1, BLOCK_BYTES // (4 * len(y) * len(x)))
    unit = "mm" if _has_scale(session) else "pixel"
    coordinates = {
        "time": ("time", _bin_times(session, starts, stops), dict(session["time"].attrs)),
        "elapsed": ("time", _bin_means(session["elapsed"].to_numpy(), usable, starts, stops)),
        "x": ("x", x, {"units": unit}),
        "y": ("y", y, {"units": unit}),
    }
    ambient = _bin_means(session["frame_ambient"].to_numpy(), usable, starts, stops)
    made = session.drop_vars(["time", "elapsed"]).assign_coords(coordinates)
    lazy = da.from_array(maps, chunks=(count, -1, -1), asarray=False, fancy=False, meta=np.empty(0, np.float32))
    made["board_radiance"] = (("time", "y", "x"), lazy)
    made["frames_used"] = ("time", np.add.reduceat(usable.astype(np.int32), starts))
    made["ambient"] = ("time", ambient)
    for frames, name in FRAME_MEANS.items():
        if frames in session:
            made[name] = ("time", _bin_means(session[frames].to_numpy(), usable, starts, stops))
    if "pair_view_row" in session and np.isfinite(session["pair_view_row"]):
        made["film_trust"] = (("y", "x"), board_trust(session, view))
    if "reading_uncertainty" in session:
        made["edge_uncertainty"] = (("y", "x"), _edge_uncertainty(session, view))
    made["pixel_size"] = (("y", "x"), _pixel_size(session, x, y))
    return label(made.assign(mark_residuals(session)))


def _has_scale(session: xr.Dataset) -> bool:
    return "corner_column" in session or bool(np.isfinite(session["board_scale"]))


def _grid(session: xr.Dataset, settings: BoardSettings) -> tuple[Array, Array, GridView]:
    """Return x and y of the grid and where it lies in the reference frame."""
    rows, columns = session.sizes["row"], session.sizes["column"]
    view = board_view(session)
    if view is None:
        scale = _scale(session)
        x, y = (np.arange(columns) + 0.5) * scale, (rows - np.arange(rows) - 0.5) * scale
        return x, y, GridView((rows, columns), np.eye(3))
    require_plausible(session, shape=(rows, columns))
    corners = np.stack([session["corner_column"].to_numpy(), session["corner_row"].to_numpy()], axis=1)
    width, height = float(session["board_width"]), float(session["board_height"])
    step = settings.step_mm or geometry.grid_step(corners, width=width, height=height)
    if width * height / step**2 > MOST_CELLS:
        raise InputError("board.step_mm", f"{step:g}", f"must give at most {MOST_CELLS} cells: make it larger")
    x, y = geometry.cell_centres(width, step), geometry.cell_centres(height, step)[::-1].copy()
    return x, y, view.grid(x, y)


def _scale(session: xr.Dataset) -> float:
    """Return the size of a pixel where no corners are given: 1, the pixel itself, where nothing is."""
    scale = float(session["board_scale"])
    return scale if np.isfinite(scale) else 1.0


def _pixel_size(session: xr.Dataset, x: Array, y: Array) -> Array:
    """Return how much of the board a pixel of the recording covers, by place (y, x)."""
    view = board_view(session)
    if view is None:
        return np.full((len(y), len(x)), _scale(session), dtype=np.float32)
    return view.pixel_size(np.stack(np.meshgrid(x, y), axis=-1)).astype(np.float32)


def _edge_uncertainty(session: xr.Dataset, view: GridView) -> Array:
    """Return how much worse readings off a colour scale are known at edges than all over (y, x) [K]."""
    each, common = session["reading_uncertainty"].to_numpy(), float(session["scale_uncertainty"])
    excess = np.sqrt(np.maximum(each.astype(np.float64) ** 2 - common**2, 0.0)).astype(np.float32)
    return view.nearest(excess, np.eye(3)[:2], outside=0)


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


class BoardMaps:
    """Maps (time, y, x) of the radiance that leaves the board [W m-2 sr-1], made when they are asked for."""

    dtype = np.dtype(np.float32)
    ndim = 3

    def __init__(self, session: xr.Dataset, view: GridView, *, edges: tuple[Array, Array]) -> None:
        self._session = session
        self._edges = edges
        self._view = view
        self._reducer = reducer_for(session)
        self._usable = session["usable"].to_numpy() == 1
        self._poses = np.stack([session[name].to_numpy() for name in ("shift_x", "shift_y", "rotation")], axis=1)
        self._offsets = _radiance_steps(session)
        self._added = session["film_added"].to_numpy()
        self._masks = _frame_masks(session)
        self._whole = self._whole_steps()
        self.shape = (len(edges[0]), *view.shape)

    def __getitem__(self, index: tuple[slice, slice, slice]) -> Array:
        """Return a block, as dask asks for it."""
        numbers = range(*index[0].indices(self.shape[0]))
        maps = np.empty((len(numbers), *self.shape[1:]), dtype=np.float32)
        for place, number in enumerate(numbers):
            maps[place] = self._map(number)
        return maps[:, index[1], index[2]]

    def _whole_steps(self) -> npt.NDArray[np.bool_]:
        """Which steps have a mean of just the usable frames, of one pose."""
        if "mean_radiance" not in self._session:
            return np.zeros(len(self._edges[0]), dtype=np.bool_)
        starts = self._edges[0]
        fits = self._usable == (self._session["summed"].to_numpy() == 1)
        reference = np.repeat([self._pose(*edge) for edge in zip(*self._edges, strict=True)], _lengths(self._edges), 0)
        stands = (self._poses == reference).all(axis=1) | ~self._usable
        fits[list(self._masks)] = False
        return np.asarray(np.logical_and.reduceat(fits & stands, starts))

    def _pose(self, start: int, stop: int) -> Array:
        return np.asarray(self._poses[start + int(np.argmax(self._usable[start:stop]))])

    def _map(self, number: int) -> Array:
        start, stop = (int(edge[number]) for edge in self._edges)
        chosen = np.flatnonzero(self._usable[start:stop]) + start
        if not len(chosen):
            return np.full(self.shape[1:], np.nan, dtype=np.float32)
        if self._whole[number]:
            mean = self._session["mean_radiance"][number].data.compute(scheduler="synchronous")
            indicated = self._on_board(mean, self._pose(start, stop))
        else:
            indicated = self._from_frames(chosen)
        radiance = surface_radiance(self._session, indicated, added=float(self._added[chosen].mean()))
        return radiance - np.float32(self._offsets[chosen].mean())

    def _from_frames(self, chosen: npt.NDArray[np.intp]) -> Array:
        """Read frames, sum those that follow each other with one pose, and move each sum to the board.

        What is in the way of a frame is left out of it; a place that is covered in all of them is NaN.
        """
        masked = np.array([one in self._masks for one in chosen.tolist()])
        jumps = (np.diff(self._poses[chosen], axis=0) != 0).any(axis=1) | masked[1:] | masked[:-1]
        total = np.zeros(self.shape[1:], dtype=np.float32)
        left_out = np.zeros(self.shape[1:], dtype=np.float32)
        for run in np.split(chosen, np.flatnonzero(jumps) + 1):
            picture = np.zeros((self._session.sizes["row"], self._session.sizes["column"]))
            for first in range(0, len(run), READ_FRAMES):
                some = run[first : first + READ_FRAMES]
                block = some_frames(self._session, int(some[0]), int(some[-1]) + 1)
                for frame in block.read()[some - block.start]:
                    self._reducer.add(frame, picture)
            mean = (picture / len(run)).astype(np.float32)
            share = np.float32(len(run) / len(chosen))
            moved = self._on_board(mean, self._poses[run[0]])
            if int(run[0]) in self._masks:
                covered = self._covered(int(run[0]))
                moved[covered] = 0
                left_out[covered] += share
            total = moved if len(run) == len(chosen) else total + share * moved
        if not masked.any():
            return total
        left = 1 - left_out
        return np.where(left > 0.5 / len(chosen), total / np.maximum(left, 1e-6), np.float32(np.nan))

    def _covered(self, frame: int) -> npt.NDArray[np.bool_]:
        """Where on the board something is in the way of a frame."""
        shape = (self._session.sizes["row"], self._session.sizes["column"])
        cells = cv2.resize(self._masks[frame], shape[::-1], interpolation=cv2.INTER_NEAREST)
        return self._view.sample(cells, pose_matrix(0, 0, 0, shape=shape)) > COVERED

    def _on_board(self, frame: Array, pose: Array) -> Array:
        """One picture on the grid.

        On the picture's own grid a frame that did not move stays as it is, and one with masked pixels is moved by whole
        pixels only: interpolation would take its rim away, and with it part of its mean.
        """
        shape = self.shape[1:]
        if frame.shape == shape and self._view.is_picture:
            if not pose.any():
                return frame
            if np.isnan(frame).any():
                return _moved_whole(frame, right=round(-float(pose[0])), down=round(-float(pose[1])))
        return self._view.sample(frame, pose_matrix(*pose, shape=(frame.shape[0], frame.shape[1])))


def _frame_masks(session: xr.Dataset) -> dict[int, Array]:
    """Return what is in the way, in cells of the first usable frame, of the frames that are used without it."""
    if "frame_mask" not in session:
        return {}
    masks = session["frame_mask"].to_numpy().astype(np.float32)
    return dict(zip(session["masked_frame"].to_numpy().tolist(), masks, strict=True))


def _lengths(edges: tuple[Array, Array]) -> Array:
    return np.asarray(edges[1] - edges[0])


def _radiance_steps(session: xr.Dataset) -> Array:
    """Return the radiance to take off each frame: steps [K] of what the camera wrote at ambient, as at the surface."""
    steps = session["offset_step"].to_numpy()
    if not steps.any():
        return np.zeros(len(steps))
    table = band_table(session)
    level = session["frame_ambient"].to_numpy()
    level = np.where(np.isfinite(level), level, float(session["reflected_setting"]))
    gain = float(session["emissivity_setting"]) / (effective_transmittance(session) * air_transmittance(session))
    return np.asarray(gain * steps * table.slope(level))


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
    needs=("film_added", "shift_x", "shift_y", "rotation", "usable", "offset_step", "frame_ambient"),
    makes=("board_radiance", "frames_used", "ambient", "pixel_size"),
    version=5,
)
