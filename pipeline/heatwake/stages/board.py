"""Frames to board coordinates, and averaged to the analysis step."""

from typing import Any, Final

import dask.array as da
import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import PositiveFloat

from heatwake.errors import InputError
from heatwake.kernels import geometry
from heatwake.kernels.alignment import pose_matrix
from heatwake.kernels.interpolation import resample
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label
from heatwake.stages.band import band_table
from heatwake.stages.film import air_transmittance, effective_transmittance, surface_radiance
from heatwake.stages.film_view import board_trust
from heatwake.stages.frame_blocks import reducer_for, some_frames
from heatwake.stages.stage import Stage

Array = npt.NDArray[Any]

BLOCK_BYTES: Final = 8 * 2**20  # of averaged float32 maps
READ_FRAMES: Final = 8  # read together
FILM_FRAMES: Final = {
    "frame_film_temperature": "film_temperature",
    "frame_film_uncertainty": "film_temperature_uncertainty",
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
    x, y, mapping = _grid(session, settings)
    starts = np.flatnonzero(np.diff(analysis_bins(session["elapsed"].to_numpy(), settings), prepend=-1))
    stops = np.append(starts[1:], session.sizes["frame"])
    usable = session["usable"].to_numpy() == 1
    maps = BoardMaps(session, mapping, edges=(starts, stops), grid=(len(y), len(x)))
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
    for frames, name in FILM_FRAMES.items():
        if frames in session:
            made[name] = ("time", _bin_means(session[frames].to_numpy(), usable, starts, stops))
    if "pair_view_row" in session and np.isfinite(session["pair_view_row"]):
        made["film_trust"] = (("y", "x"), board_trust(session, mapping, shape=(len(y), len(x))))
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
    if width * height / step**2 > MOST_CELLS:
        raise InputError("board.step_mm", f"{step:g}", f"must give at most {MOST_CELLS} cells: make it larger")
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


class BoardMaps:
    """Maps (time, y, x) of the radiance that leaves the board [W m-2 sr-1], made when they are asked for."""

    dtype = np.dtype(np.float32)
    ndim = 3

    def __init__(
        self, session: xr.Dataset, mapping: Array, *, edges: tuple[Array, Array], grid: tuple[int, int]
    ) -> None:
        self._session = session
        self._edges = edges
        self._mapping = mapping
        self._reducer = reducer_for(session)
        self._usable = session["usable"].to_numpy() == 1
        self._poses = np.stack([session[name].to_numpy() for name in ("shift_x", "shift_y", "rotation")], axis=1)
        self._offsets = _radiance_steps(session)
        self._added = session["film_added"].to_numpy()
        self._whole = self._whole_steps()
        self.shape = (len(edges[0]), *grid)

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
        """Read frames, sum those that follow each other with one pose, and move each sum to the board."""
        jumps = (np.diff(self._poses[chosen], axis=0) != 0).any(axis=1)
        total = np.zeros(self.shape[1:], dtype=np.float32)
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
            total = moved if len(run) == len(chosen) else total + share * moved
        return total

    def _on_board(self, frame: Array, pose: Array) -> Array:
        """One picture on the grid.

        On the picture's own grid a frame that did not move stays as it is, and one with masked pixels is moved by whole
        pixels only: interpolation would take its rim away, and with it part of its mean.
        """
        shape = self.shape[1:]
        if frame.shape == shape and np.array_equal(self._mapping, np.eye(3)):
            if not pose.any():
                return frame
            if np.isnan(frame).any():
                return _moved_whole(frame, right=round(-float(pose[0])), down=round(-float(pose[1])))
        rows, columns = frame.shape
        moved = np.vstack([pose_matrix(*pose, shape=(rows, columns)), [0, 0, 1]])
        return resample(frame, moved @ self._mapping, shape=(shape[0], shape[1]))


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
    makes=("board_radiance", "frames_used", "ambient"),
    version=3,
)
