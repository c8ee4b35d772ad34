"""What every sign is looked for in: a session, a look at its frames, where its board lies, coarse cells over time."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.alignment import pose_matrix
from heatwake.kernels.board_view import BoardView
from heatwake.kernels.signs_of_camera import gain_steps, offset_steps, reading_step, stretched
from heatwake.kernels.unexplained import (
    heating_basis,
    in_the_way,
    later_changes,
    left_over,
    refined_changes,
    without_motion,
)
from heatwake.stages.board_place import board_view
from heatwake.stages.look import Look

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

CELLS: Final = 40  # across a picture
EDGE_PX: Final = 4  # of the board, that its blurred outline and an error of its corners may take
LATE: Final = 10  # even frames whose mean is the hot picture
LEAST_AROUND: Final = 12  # cells beside the board that tell a step
LEAST_LOOKS: Final = 24  # to tell what heat cannot do
MOST_EVENTS: Final = 4  # that may have changed fan, vent or load
BESIDE: Final = 2  # looks from a change, that its time may be off by
FOLLOWS_S: Final = 100.0  # [s] after a change, in which most of what it brings is seen
LEAST_COLD: Final = 4  # frames, to tell a cold picture
CLIPPED_K: Final = 0.5  # from an end of the range on
STEP_K: Final = 0.2  # smallest step common to all that is looked for
GAIN: Final = 0.012  # smallest stretch


@dataclass(frozen=True, eq=False)
class Cells:
    """Coarse cells of the board (or of the picture, where its place is not known) over the looks.

    Attributes
    ----------
    levels : (n, places) array
        Steps common to all and stretches taken off [degC].
    slopes : (n, places, 3) array
        Change with a shift right, down, and a turn.
    mask : (rows, columns) array of bool
        Which cells of the grid the places are.
    side : int
        Of a cell [px].
    steps, gains : (n,) array
        Of the camera at each look [K]; logarithm of a ratio.
    """

    levels: Array
    slopes: Array
    mask: Mask
    side: int
    steps: Array
    gains: Array

    def on_grid(self, values: Array, *, fill: float = np.nan) -> Array:
        """Return values of places on the grid (rows, columns)."""
        grid = np.full(self.mask.shape, fill, dtype=np.asarray(values).dtype if fill == 0 else np.float64)
        grid[self.mask] = values
        return grid

    @cached_property
    def tolerance(self) -> Array:
        """What an error of a picture's place of a fifth of a pixel may bring (n, places) [K]."""
        steep = np.hypot(self.slopes[..., 0], self.slopes[..., 1]) / self.side
        grids = np.zeros((len(steep), *self.mask.shape), dtype=np.float32)
        grids[:, self.mask] = steep
        wide = np.stack([cv2.dilate(one, np.ones((3, 3), np.uint8)) for one in grids])
        return np.asarray(0.2 * wide[:, self.mask])


@dataclass(frozen=True, eq=False)
class Case:
    """A session under examination."""

    session: xr.Dataset
    look: Look
    offsets: Array | None = None  # of the camera, of each frame [K], where a run has told them

    @cached_property
    def view(self) -> BoardView | None:
        """Where the board lies on the first frame; None where nobody said."""
        return board_view(self.session)

    @cached_property
    def corners(self) -> Array | None:
        """Column and row of the board's corners on the first frame (4, 2)."""
        if "corner_column" not in self.session:
            return None
        return np.stack([self.session["corner_column"].to_numpy(), self.session["corner_row"].to_numpy()], axis=1)

    @cached_property
    def inside(self) -> Mask:
        """The board without its edge, on the first frame; all of the picture where its place is not known."""
        if self.corners is None:
            return np.ones(self.look.shape, dtype=bool)
        drawn = cv2.fillPoly(np.zeros(self.look.shape, np.uint8), [self.corners.round().astype(np.int32)], (1,))
        size = 2 * EDGE_PX + 1
        return np.asarray(cv2.erode(drawn, np.ones((size, size), np.uint8), borderValue=(0,)) > 0)

    @cached_property
    def _near_board(self) -> Mask:
        """The board and what its edge is blurred into."""
        if self.corners is None:
            return np.ones(self.look.shape, dtype=bool)
        drawn = cv2.fillPoly(np.zeros(self.look.shape, np.uint8), [self.corners.round().astype(np.int32)], (1,))
        size = 2 * EDGE_PX + 1
        return np.asarray(cv2.dilate(drawn, np.ones((size, size), np.uint8)) > 0)

    def corners_on(self, index: int) -> Array | None:
        """Return the board's corners on a look."""
        if self.corners is None:
            return None
        matrix = pose_matrix(*np.nan_to_num(self.look.poses[index]).tolist(), shape=self.look.shape)
        return np.asarray(self.corners @ matrix[:, :2].T + matrix[:, 2])

    def on_board(self, column: float, row: float) -> tuple[tuple[float, float], ...]:
        """Return the place on the board [mm] of a place in the picture, empty where it is not known."""
        if self.view is None:
            return ()
        x, y = self.view.board(np.array([column, row])).tolist()
        return ((float(x), float(y)),)

    def part_corners(self) -> list[tuple[str, Array]]:
        """Return name and corners [px] of each part of known size; none where the board's place is not known."""
        if self.view is None or "part" not in self.session:
            return []
        found = []
        for number, name in enumerate(self.session["part"].to_numpy().tolist()):
            x, y, width, height = (float(self.session[f"part_{key}"][number]) for key in ("x", "y", "width", "height"))
            if np.isfinite([x, y, width, height]).all():
                half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * (width / 2, height / 2)
                found.append((str(name), self.view.pixels(half + np.array([x, y]))))
        return found

    @cached_property
    def cold(self) -> npt.NDArray[np.intp]:
        """Looks before power-on; none where there are too few."""
        cold = np.flatnonzero(self.look.cold)
        return np.asarray(cold if len(cold) >= LEAST_COLD else cold[:0])

    @cached_property
    def hot_picture(self) -> Array:
        """Mean of the last even looks on the first one's grid [degC]."""
        return self.look.mean(np.flatnonzero(self.look.even)[-LATE:])

    @cached_property
    def rise(self) -> Array:
        """The hot picture less the cold one, or less its coldest where there is none [K]."""
        if len(self.cold):
            return np.asarray(self.hot_picture - self.look.mean(self.cold))
        seen = self.hot_picture[self.inside & np.isfinite(self.hot_picture)]
        return np.asarray(self.hot_picture - (np.quantile(seen, 0.02) if seen.size else 0.0))

    @cached_property
    def hottest(self) -> float:
        """Rise of hot places [K]; 0 where nothing is seen."""
        seen = self.rise[self.inside & np.isfinite(self.rise)]
        return float(max(np.quantile(seen, 0.99), 0.0)) if seen.size else 0.0

    @cached_property
    def reading_step(self) -> float:
        """Usual difference of neighbouring readings [K]; 0 where it cannot be told."""
        late = self.look.late
        return float(np.nan_to_num(reading_step(self.look.pictures[late[-1]]))) if len(late) else 0.0

    @cached_property
    def cells(self) -> Cells:
        """Coarse cells over the looks."""
        side = max(1, round(self.look.shape[1] / CELLS))
        rows, columns = (max(length // side, 1) for length in self.look.shape)
        grids = np.stack([self._shrunk(self._on_reference(one), side) for one in range(len(self.look.numbers))])
        full = self._shrunk(self.inside.astype(np.float32), side) > 0.99
        mask = np.isfinite(grids).all(axis=0) & full
        if not mask.any() or min(rows, columns) < 3:
            nothing = np.zeros((len(grids), 0))
            return Cells(nothing, np.zeros((len(grids), 0, 3)), mask & False, side, *np.zeros((2, len(grids))))
        down, right = np.gradient(np.nan_to_num(grids), axis=(1, 2))
        row, column = np.mgrid[:rows, :columns]
        turn = right * (row - rows / 2) - down * (column - columns / 2)
        slopes = np.stack([right[:, mask], down[:, mask], turn[:, mask]], axis=-1)
        everywhere = grids[:, np.isfinite(grids).all(axis=0)].astype(np.float64)
        steps, gains = self._common(everywhere, grids[:, mask].astype(np.float64))
        around = np.isfinite(grids).all(axis=0) & ~(self._shrunk(self._near_board.astype(np.float32), side) > 0)
        steps = _seen_beside(steps, grids[:, around])
        levels = grids[:, mask] - np.cumsum(steps)[:, None]
        middle = np.median(levels, axis=1, keepdims=True)
        levels = middle + (levels - middle) / np.exp(np.cumsum(gains))[:, None]
        return Cells(levels, slopes, mask, side, np.where(gains != 0, 0.0, steps), gains)

    def _on_reference(self, index: int) -> Array:
        """Return a look on the first one's grid, without readings at an end of the range."""
        picture = self.look.on_reference(index)
        if np.isnan([self.look.below, self.look.above]).all():
            return picture
        clipped = (picture >= self.look.above - CLIPPED_K) | (picture <= self.look.below + CLIPPED_K)
        return np.where(clipped, np.float32(np.nan), picture)

    def _common(self, everywhere: Array, board: Array) -> tuple[Array, Array]:
        """Return steps and stretches of the whole picture at each look, from looks with nothing in the way."""
        level = board - np.median(board, axis=1, keepdims=True)
        clear = ~in_the_way(level, heating_basis(self.look.elapsed, self.start, later=self.noted))
        steps, gains = np.zeros((2, len(board)))
        least = max(STEP_K, 1.3 * self.reading_step)
        if self.offsets is None:
            steps[clear] = offset_steps(everywhere[clear], self.look.elapsed[clear], least=least)
        else:
            told = self.offsets[self.look.numbers]
            steps = np.diff(told, prepend=told[:1])
        if least == STEP_K:
            settled = board[clear] - np.cumsum(steps)[clear][:, None]
            found = gain_steps(settled, self.look.elapsed[clear], least=GAIN)
            gains[clear] = np.where(stretched(settled, self.look.elapsed[clear], gains=found), found, 0.0)
        return steps, gains

    @staticmethod
    def _shrunk(picture: Array, side: int) -> Array:
        rows, columns = (max(length // side, 1) for length in picture.shape)
        cut = np.ascontiguousarray(picture[: rows * side, : columns * side], dtype=np.float32)
        return np.asarray(cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA))

    @cached_property
    def start(self) -> float:
        """Power-on [s], if it is in the recording, else its beginning."""
        return self.look.power_on if np.isfinite(self.look.power_on) else float(self.look.elapsed[0])

    @cached_property
    def noted(self) -> tuple[float, ...]:
        """Times of the description's events on a warm board [s]: fan, vent or load may have changed then."""
        if "event" not in self.session:
            return ()
        at = self.session["event_elapsed"].to_numpy()
        return tuple(at[(at > self.start + 1.0) & (at < self.look.elapsed[-1])].tolist()[:MOST_EVENTS])

    @cached_property
    def changes(self) -> tuple[float, ...]:
        """When fan, vent or load changed on the warm board [s], rising: as noted, and as the readings say."""
        levels, elapsed, known = self.cells.levels, self.look.elapsed, self._basis(self.noted)
        used = ~in_the_way(levels, known) if levels.shape[1] else np.zeros(0, dtype=bool)
        if used.sum() < LEAST_LOOKS:
            return self.noted
        left = left_over(levels, known, used=used)
        settled = levels - left + without_motion(left, self.cells.slopes)
        noted = refined_changes(settled, elapsed, basis=self._basis(()), used=used, noted=self.noted)
        found = later_changes(settled, elapsed, basis=self._basis(noted), used=used, start=self.start)
        if found:
            found = refined_changes(settled, elapsed, basis=self._basis(noted), used=used, noted=found, within=1.5)
        return tuple(sorted((*noted, *found)))

    def moved_by_heat(self, index: int) -> Array:
        """Return by how much each cell warms or cools after a change of fan, vent or load near a look (places) [K].

        Zero where there was none. While that is quick, a small share of it may seem to jump from look to look.
        """
        levels, elapsed = self.explained[0], self.look.elapsed
        moved = np.zeros(levels.shape[1])
        for at in self.changes:
            first = max(int(np.searchsorted(elapsed, at)) - 1, 0)
            last = min(int(np.searchsorted(elapsed, at + FOLLOWS_S)), len(elapsed) - 1)
            if first - BESIDE <= index <= max(last, first + 1 + BESIDE):
                moved = np.maximum(moved, np.abs(levels[last] - levels[first]))
        return moved

    def _basis(self, later: tuple[float, ...]) -> Array:
        """Return what heat and the camera's known stretches can do (n, terms), with changes at later times."""
        basis = heating_basis(self.look.elapsed, self.start, later=later)
        stretches = np.flatnonzero(self.cells.gains)  # about a level that nobody knows: the middle jumps as well
        after = np.arange(len(basis))[:, None] >= stretches[None, :]
        return np.concatenate([basis, after.astype(np.float64)], axis=1)

    @cached_property
    def explained(self) -> tuple[Array, Array, Mask]:
        """Cells without errors of place, what heat can do (basis), and the looks with nothing in the way."""
        cells, basis = self.cells, self._basis(self.changes)
        used = ~in_the_way(cells.levels, basis)
        left = left_over(cells.levels, basis, used=used)
        return cells.levels - left + without_motion(left, cells.slopes), basis, used


def _seen_beside(steps: Array, around: Array) -> Array:
    """Return the steps that what lies beside the board takes as well; all where nothing lies there."""
    if around.shape[1] < LEAST_AROUND:
        return steps
    change = np.median(np.diff(around.astype(np.float64), axis=0, prepend=around[:1]), axis=1)
    return np.where(change * np.sign(steps) > 0.5 * np.abs(steps), steps, 0.0)
