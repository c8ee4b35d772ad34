"""From the picture to the board: homographies and pixel grids."""

from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

NICE_STEPS: Final = (1.0, 2.0, 2.5, 5.0)


def board_homography(corners: Array, *, width: float, height: float) -> Array:
    """Return the map from board coordinates to pixels of the reference frame.

    Parameters
    ----------
    corners : (4, 2) array
        Column and row [px, centres at whole numbers] of the top-left, top-right, bottom-right, bottom-left corner.
    width, height : float
        Of the board [mm].

    Returns
    -------
    (3, 3) array
        Homography on ``(x, y, 1)``, x to the right and y up [mm] from the lower-left corner.
    """
    board = np.array([[0, height], [width, height], [width, 0], [0, 0]], dtype=np.float32)
    return np.asarray(cv2.getPerspectiveTransform(board, np.asarray(corners, dtype=np.float32)), dtype=np.float64)


def board_corners(*, width: float, height: float) -> Array:
    """Return the corners (4, 2) of a board [mm]: top-left, top-right, bottom-right, bottom-left."""
    return np.array([[0.0, height], [width, height], [width, 0.0], [0.0, 0.0]])


def fitted_homography(board: Array, pixels: Array) -> Array:
    """Return the map from the board to pixels that fits four or more marks best.

    Least squares of distances in the picture, all marks of one weight (``cv2.findHomography``: a linear solution,
    refined by Levenberg and Marquardt's method).

    Parameters
    ----------
    board : (n, 2) array
        Places on the board [mm], no three of four on a line.
    pixels : (n, 2) array
        Column and row [px] of an ideal lens.

    Returns
    -------
    (3, 3) array
        NaN where the marks do not tell it.
    """
    scale = np.abs(board).max() or 1.0
    found, _ = cv2.findHomography(np.asarray(board, dtype=np.float64) / scale, np.asarray(pixels, dtype=np.float64), 0)
    if found is None:
        return np.full((3, 3), np.nan)
    return np.asarray(found, dtype=np.float64) @ np.diag([1 / scale, 1 / scale, 1.0])


def is_convex(corners: Array) -> bool:
    """Tell whether four corners run clockwise round a convex area, as seen with rows downwards."""
    ahead = np.roll(corners, -1, axis=0) - corners
    turn = ahead[:, 0] * np.roll(ahead, -1, axis=0)[:, 1] - ahead[:, 1] * np.roll(ahead, -1, axis=0)[:, 0]
    return bool((turn > 0).all())


def grid_step(corners: Array, *, width: float, height: float) -> float:
    """Return the step of the board grid [mm]: the nearest of 1, 2, 2.5, 5 times a power of ten below a pixel's size.

    A step taken from a short list gives two sessions with nearly the same view the same grid.
    """
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    pixel = (2 * width + 2 * height) / sides.sum()
    decade = 10.0 ** np.floor(np.log10(pixel))
    return float(max(step * decade for step in NICE_STEPS if step * decade <= pixel * 1.001))


def cell_centres(length: float, step: float) -> Array:
    """Return the centres of the cells of size ``step`` that lie wholly within ``length``, centred in it."""
    count = max(1, int(np.floor(length / step + 1e-9)))
    margin = (length - count * step) / 2
    return margin + (np.arange(count) + 0.5) * step


def grid_to_board(x: Array, y: Array) -> Array:
    """Return the affine (3, 3) map from grid indices (column, row) to board coordinates; x and y evenly spaced."""
    step_x = x[1] - x[0] if len(x) > 1 else 1.0
    step_y = y[1] - y[0] if len(y) > 1 else -1.0
    return np.array([[step_x, 0, x[0]], [0, step_y, y[0]], [0, 0, 1]], dtype=np.float64)
