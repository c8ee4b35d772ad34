"""Where a board lies in the reference frame, seen through a lens that may bend straight lines."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from heatwake.kernels.geometry import board_corners, board_homography, fitted_homography, grid_to_board
from heatwake.kernels.interpolation import resample, resample_places
from heatwake.kernels.lens import Lens

Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Marks:
    """Places known on the board [mm] and in the picture [px]: its corners, then any others; (n, 2) arrays."""

    board: Array
    pixels: Array

    @classmethod
    def of_corners(cls, corners: Array, *, width: float, height: float) -> "Marks":
        """Return the corners of a board of a size, top-left first and clockwise."""
        return cls(board_corners(width=width, height=height), np.asarray(corners, dtype=np.float64))

    def without(self, index: int) -> "Marks":
        """Return all but one."""
        return Marks(np.delete(self.board, index, axis=0), np.delete(self.pixels, index, axis=0))


@dataclass(frozen=True)
class BoardView:
    """The map from the board to the reference frame.

    Attributes
    ----------
    homography : (3, 3) array
        From (x, y, 1) [mm] to (column, row, 1) [px] of an ideal lens.
    lens : Lens or None
        What turns those into pixels of the camera's picture; None where they are that.
    """

    homography: Array
    lens: Lens | None = None

    @classmethod
    def of_marks(cls, marks: Marks, lens: Lens | None = None) -> "BoardView":
        """Return the view from four corners exactly, from more marks by least squares over all of them."""
        pixels = marks.pixels if lens is None else lens.undistort(marks.pixels)
        if len(pixels) > 4:
            return cls(fitted_homography(marks.board, pixels), lens)
        width, height = np.ptp(marks.board, axis=0)
        exact = np.array_equal(marks.board, board_corners(width=width, height=height))
        return cls(
            board_homography(pixels, width=width, height=height) if exact else fitted_homography(marks.board, pixels),
            lens,
        )

    def pixels(self, board: npt.ArrayLike) -> Array:
        """Return column and row (..., 2) of places (..., 2) on the board [mm]; NaN behind the camera or a fold."""
        ideal, depth = self._ideal(board)
        seen = ideal if self.lens is None else self.lens.distort(ideal)
        return np.where(depth[..., None] > 0, seen, np.nan)

    def board(self, pixels: npt.ArrayLike) -> Array:
        """Return the place (..., 2) on the board [mm] of columns and rows (..., 2)."""
        seen = np.asarray(pixels, dtype=np.float64)
        ideal = seen if self.lens is None else self.lens.undistort(seen)
        mapped = np.concatenate([ideal, np.ones((*ideal.shape[:-1], 1))], axis=-1) @ np.linalg.inv(self.homography).T
        return np.asarray(mapped[..., :2] / mapped[..., 2:])

    def slopes(self, board: npt.ArrayLike) -> Array:
        """Return pixels per mm, (..., 2, 2): column and row by x and y, at places (..., 2) on the board [mm]."""
        ideal, depth = self._ideal(board)
        upper, lower = self.homography[:2, :2], self.homography[2, :2]
        local = (upper - ideal[..., :, None] * lower) / depth[..., None, None]
        return local if self.lens is None else np.asarray(self.lens.slopes(ideal) @ local)

    def pixel_size(self, board: npt.ArrayLike) -> Array:
        """Return the size of a pixel on the board [mm]: the side of a square of equal area."""
        return np.asarray(1 / np.sqrt(np.abs(np.linalg.det(self.slopes(board)))))

    def grid(self, x: Array, y: Array) -> "GridView":
        """Return where the cells of an even grid lie, centres at ``x`` and ``y`` [mm]."""
        shape = (len(y), len(x))
        if self.lens is None:
            return GridView(shape, self.homography @ grid_to_board(x, y))
        places = self.pixels(np.stack(np.meshgrid(x, y), axis=-1))
        return GridView(shape, None, np.ascontiguousarray(np.moveaxis(places, -1, 0)))

    def _ideal(self, board: npt.ArrayLike) -> tuple[Array, Array]:
        """Return pixels of an ideal lens, and depths that are positive before the camera."""
        places = np.asarray(board, dtype=np.float64)
        mapped = np.concatenate([places, np.ones((*places.shape[:-1], 1))], axis=-1) @ self.homography.T
        return mapped[..., :2] / mapped[..., 2:], mapped[..., 2]


@dataclass(frozen=True)
class GridView:
    """Where the cells of a grid lie in the reference frame: by a homography, or place by place.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns of the grid.
    homography : (3, 3) array or None
        From (column, row, 1) of the grid to (column, row, 1) of the reference frame.
    bent : (2, rows, columns) array or None
        Column and row of each cell, where no homography gives them; NaN where there is none.

    Notes
    -----
    A frame's pose is measured in the camera's pixels and applied to them. Seen through a lens that bends, the content
    of a camera that turned a little moves by a little less or more at the rim than on the whole. With
    ``k1 = -0.25`` over 160 x 120 px of focal length 350 px that is 1.4 % of the movement, rms over the picture, and
    4 % in its corners: 0.04 px and 0.12 px of 3 px.
    """

    shape: tuple[int, int]
    homography: Array | None
    bent: Array | None = None

    @cached_property
    def is_picture(self) -> bool:
        """Whether cells are the pixels themselves."""
        return self.homography is not None and np.array_equal(self.homography, np.eye(3))

    def sample(self, frame: Array, moved: Array) -> Array:
        """Return a frame on the grid, float32; ``moved`` (2, 3) maps the reference frame's pixels to the frame's."""
        if self.homography is None:
            return resample_places(frame, _known(self.bent), moved=moved)
        whole = np.vstack([moved, [0, 0, 1]])
        return resample(frame, whole @ self.homography, shape=self.shape)

    def nearest(self, flags: npt.NDArray[Any], moved: Array, *, outside: int) -> npt.NDArray[Any]:
        """Return a picture of flags on the grid, each cell the nearest pixel's; ``moved`` as for :meth:`sample`."""
        if self.homography is None:
            columns, rows = np.einsum("ij,jkl->ikl", moved[:, :2], _known(self.bent)) + moved[:, 2, None, None]
            lost = ~(np.isfinite(columns) & np.isfinite(rows))
            across, down = (np.where(lost, -9, one).astype(np.float32) for one in (columns, rows))
            return np.asarray(cv2.remap(flags, across, down, cv2.INTER_NEAREST, borderValue=(outside,)))
        matrix = np.vstack([moved, [0, 0, 1]]) @ self.homography
        kind = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
        return np.asarray(cv2.warpPerspective(flags, matrix, self.shape[::-1], flags=kind, borderValue=(outside,)))


def _known(bent: Array | None) -> Array:
    if bent is None:
        raise ValueError("a grid with neither homography nor places")
    return bent
