"""What the flow stage takes from a session: a few rise maps, the board, its sources and its openings."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import Field, PositiveFloat

from heatwake.kernels.board_cells import average_cells, choose_cells, cover_cells
from heatwake.kernels.direction_spread import Calibration
from heatwake.kernels.flow_family import ALIKE_EXCHANGE, describe_board
from heatwake.kernels.flow_judgement import Gates, Openings
from heatwake.kernels.joint_flow import JointFit, JointFlow, given_heat
from heatwake.kernels.openings import Arc, CellGrid, perimeter_arc
from heatwake.kernels.rise_rows import Recording
from heatwake.schema.settings import Settings
from heatwake.stages.map_reader import maps_at

Array = npt.NDArray[np.float64]

_MM = 1e-3
_MOST_FRAMES = 16  # a window's mean; more frames do not help against 3 % of model error
_MOST_PARTS = 24
_LEAST_SEEN = 0.3  # of the board's cells
_LEAST_CONTRAST = 0.2  # [K] standard deviation over the board at the end
_AROUND = 4e-3  # [m] about a part: the air that takes its heat


class FlowSettings(Settings):
    """Which maps are fitted, and what a claim needs."""

    times_s: tuple[PositiveFloat, ...] = (10.0, 20.0, 40.0, 80.0)  # since power-on
    final_s: PositiveFloat = 60.0  # length of the final stretch
    transient_s: PositiveFloat = 120.0  # after power-on that the local estimate uses
    still_evidence: float = Field(default=55.0, gt=0)  # against still air, for a direction
    opposite_evidence: float = Field(default=25.0, gt=0)  # against the flow the other way
    board_floor: float = Field(default=6.5, gt=0)  # [degree] least standard uncertainty of the board's direction
    part_floor: float = Field(default=10.0, gt=0)  # of a part's where the air is fast
    stray_speed: float = Field(default=0.3, ge=0)  # over the median speed: air that the openings do not tell
    blown_factor: float = Field(default=1.5, ge=1)  # on these where a fan blows in: jets, swirl, air that runs back
    turn_floor: float = Field(default=3.0, ge=0)  # [degree] of the board's turn where the fan draws as before
    blown_turn_floor: float = Field(default=10.0, ge=0)  # where it blows as before
    turn_share: float = Field(default=0.3, ge=0)  # of the turn, in either case
    weak_floor: float = Field(default=50.0, gt=0)  # "towards that half of the board"

    @property
    def gates(self) -> Gates:
        """The gates of the physical fit."""
        return Gates(still=self.still_evidence, opposite=self.opposite_evidence)

    def calibration(self, *, blown: bool, identified: bool = True) -> Calibration:
        """Return what is added to a fit's own spread, for fans that draw or blow."""
        factor, least = self.blown_factor if blown else 1.0, 0.0 if identified else self.weak_floor
        board, part = max(factor * self.board_floor, least), max(factor * self.part_floor, least)
        return Calibration(board=board, part=part, stray=factor * self.stray_speed)


@dataclass(frozen=True)
class Window:
    """Frames that are averaged to one map.

    Attributes
    ----------
    frames : tuple of int
        Places along ``time``.
    since : float
        Mean time since power-on [s]; ``inf`` where power-on was not seen (a steady map).
    """

    frames: tuple[int, ...]
    since: float

    @property
    def middle(self) -> int:
        """The frame that stands for the window."""
        return self.frames[len(self.frames) // 2]


def in_pixels(session: xr.Dataset) -> bool:
    """Whether the board's scale is not known."""
    return bool(session["x"].attrs.get("units") == "pixel")


def scalar(session: xr.Dataset, name: str) -> float:
    """Return a 0-d variable; NaN where the session has none."""
    return float(session[name]) if name in session else float("nan")


def choose_windows(session: xr.Dataset, times: Sequence[float], *, final: float) -> list[Window]:
    """Return windows about times since power-on, and the final stretch.

    Parameters
    ----------
    session : Dataset
        With ``elapsed`` and ``power_on``.
    times : sequence of float
        Wanted times since power-on [s]; those that the recording does not reach are left out.
    final : float
        Length of the final stretch [s], at most a tenth of the recording.
    """
    elapsed = np.asarray(session["elapsed"].values, dtype=float)
    if elapsed.size == 0:
        return []
    power_on, seen = scalar(session, "power_on"), _seen_frames(session)
    since = elapsed - (power_on if np.isfinite(power_on) else elapsed[0])
    windows = []
    for time in times if np.isfinite(power_on) else ():
        near = _frames_about(time, since=since, seen=seen)
        if near.size and time < 0.7 * since[-1]:
            chosen = _thin(near)
            windows.append(Window(chosen, float(since[list(chosen)].mean())))
    last = np.flatnonzero(seen & (since >= since[-1] - min(final, 0.1 * max(since[-1], 0.0))))
    if last.size and since[-1] > 0.0:
        chosen = _thin(last)
        at = float(since[list(chosen)].mean()) if np.isfinite(power_on) else float("inf")
        windows.append(Window(chosen, at))
    return windows


def _frames_about(time: float, *, since: Array, seen: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Frames within a tenth of a time since power-on, or the nearest within a quarter."""
    apart = np.where(seen & (since > 0.0), np.abs(since - time), np.inf)
    close = np.flatnonzero(apart <= 0.1 * time)
    return close if close.size else np.flatnonzero(apart <= min(0.25 * time, float(apart.min())))


def _seen_frames(session: xr.Dataset) -> npt.NDArray[np.bool_]:
    """Frames with something in them, as far as that is told without reading the maps."""
    if "frames_used" in session:
        return np.asarray(session["frames_used"].values > 0)
    return np.ones(session.sizes["time"], dtype=bool)


def _thin(frames: npt.NDArray[np.intp]) -> tuple[int, ...]:
    place = np.unique(np.linspace(0, len(frames) - 1, min(len(frames), _MOST_FRAMES)).round().astype(int))
    return tuple(int(frame) for frame in frames[place])


def mean_map(session: xr.Dataset, name: str, window: Window) -> Array:
    """Return the mean of a window's frames, ``(ny, nx)``; a few at a time, NaN where less than half are seen."""
    total = np.zeros((session.sizes["y"], session.sizes["x"]))
    count = np.zeros_like(total)
    for picture in maps_at(session[name], window.frames):
        values = picture.astype(float)
        total += np.nan_to_num(values)
        count += np.isfinite(values)
    enough = count >= 0.5 * len(window.frames)
    return np.where(enough, total / np.where(count > 0, count, 1), np.nan)


def board_grid(session: xr.Dataset) -> CellGrid:
    """Return the cells over the board, whose size is that of the map where it is not given."""
    x, y = session["x"].values.astype(float), session["y"].values.astype(float)
    pixel = abs(float(x[1] - x[0]))
    width, height = scalar(session, "board_width"), scalar(session, "board_height")
    wide = width if np.isfinite(width) else x.max() + 0.5 * pixel
    tall = height if np.isfinite(height) else y.max() + 0.5 * abs(float(y[1] - y[0]))
    return choose_cells(wide * _MM, tall * _MM, pixel=pixel * _MM)


def region_rectangles(session: xr.Dataset) -> Array:
    """Return centre x, y, width and height of each region [m], ``(n, 4)``."""
    if not session.sizes.get("region", 0):
        return np.zeros((0, 4))
    names = ("region_x", "region_y", "region_width", "region_height")
    return np.stack([session[name].values.astype(float) for name in names], axis=1) * _MM


def read_openings(session: xr.Dataset, grid: CellGrid) -> Openings:
    """Return the declared openings; with fans alone or vents alone the first stands against the others."""
    kinds, arcs = opening_arcs(session, grid)
    fans = [arc for kind, arc in zip(kinds, arcs, strict=True) if kind == 0]
    vents = [arc for kind, arc in zip(kinds, arcs, strict=True) if kind != 0]
    if not (fans and vents):
        fans, vents = arcs[:1], arcs[1:]
    channel = scalar(session, "channel_height") * _MM
    return Openings(tuple(fans), tuple(vents), channel) if fans and vents else Openings((), (), channel)


def opening_arcs(session: xr.Dataset, grid: CellGrid) -> tuple[list[int], list[Arc]]:
    """Return kind (0 fan, 1 vent) and place along the edge of each opening."""
    if not session.sizes.get("opening", 0):
        return [], []
    ends = [session[f"opening_{end}"].values.astype(float) * _MM for end in ("from_x", "from_y", "to_x", "to_y")]
    arcs = [perimeter_arc((a, b), (c, d), grid=grid) for a, b, c, d in zip(*ends, strict=True)]
    return [int(kind) for kind in session["opening_kind"].values], arcs


def read_recording(session: xr.Dataset, windows: Sequence[Window], *, grid: CellGrid) -> tuple[Recording, Array]:
    """Return the windows' maps averaged over the cells, and the last window's map ``(ny, nx)`` [K]."""
    x, y = session["x"].values.astype(float) * _MM, session["y"].values.astype(float) * _MM
    rise, noise, last = [], [], np.zeros((0, 0))
    for window in windows:
        last = mean_map(session, "temperature_rise", window)
        rise.append(average_cells(last[np.newaxis], x=x, y=y, grid=grid)[0])
        single = mean_map(session, "rise_noise", window) if "rise_noise" in session else np.zeros_like(last)
        noise.append(average_cells(single[np.newaxis], x=x, y=y, grid=grid)[0] / np.sqrt(len(window.frames)))
    times = tuple(window.since for window in windows)
    return Recording(times, np.array(rise), np.nan_to_num(np.array(noise))), last


def is_telling(recording: Recording) -> bool:
    """Whether enough of the board is seen, and anything on it is warmer than the rest."""
    last = recording.rise[-1]
    seen = np.isfinite(last)
    return bool(seen.mean() >= _LEAST_SEEN and np.std(last[seen]) > _LEAST_CONTRAST)


def build_problem(
    session: xr.Dataset,
    recordings: Sequence[Recording],
    *,
    grid: CellGrid,
    alike: bool = False,
    exchange_spread: float = ALIKE_EXCHANGE,
) -> JointFlow:
    """Return the fit of the session's board to recordings.

    Parameters
    ----------
    session : Dataset
        Tells the board and its sources (its regions).
    recordings : sequence of Recording
        One or more.
    grid : CellGrid
        The cells.
    alike : bool
        Of several recordings: whether the air flows the same way, so that their mean tells as much as each alone.
    exchange_spread : float
        Standard deviation of the logarithm of each recording's own exchange, of several.
    """
    footprints = cover_cells(_sources(session, recordings[-1], grid), grid)
    area = footprints.sum(axis=1)
    patterns = [each / total for each, total in zip(footprints, area, strict=True) if total > 0.0]
    everywhere = np.full(grid.cells, 1.0 / grid.cells)
    thickness = scalar(session, "board_thickness") * _MM
    return JointFlow(
        grid,
        sources=np.stack([*patterns, everywhere], axis=1),
        bodies=footprints,
        prior=describe_board(thickness, scalar(session, "board_conductivity")),
        recordings=recordings,
        alike=alike,
        exchange_spread=exchange_spread,
    )


def _sources(session: xr.Dataset, recording: Recording, grid: CellGrid) -> Array:
    """Return the regions that are most heated, a bounded number of them."""
    rectangles = region_rectangles(session)
    rectangles = rectangles[np.isfinite(rectangles).all(axis=1)]
    if len(rectangles) <= _MOST_PARTS:
        return rectangles
    heat = cover_cells(rectangles, grid) @ np.nan_to_num(recording.rise[0])
    return np.asarray(rectangles[np.sort(np.argsort(heat)[-_MOST_PARTS:])])


def region_weights(session: xr.Dataset, fit: JointFit, *, grid: CellGrid, index: int = 0) -> Array:
    """Return the weight of each cell's air in a region's direction, ``(regions, cells)``: the heat that it takes up."""
    weights = cover_cells(region_rectangles(session), grid, margin=_AROUND) * given_heat(fit, index=index)
    return np.asarray(weights / np.maximum(weights.sum(axis=1, keepdims=True), 1e-12))
