"""The board's place in the picture, from what the session file says, and whether it can be so."""

import logging
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.errors import InputError
from heatwake.kernels.board_view import BoardView, Marks
from heatwake.kernels.frame_reduction import shrink_factor
from heatwake.kernels.lens import Lens
from heatwake.kernels.plausibility import Doubt, judge_corners, judge_marks, mark_name, residuals

Array = npt.NDArray[Any]

logger = logging.getLogger(__name__)


def session_lens(session: xr.Dataset) -> Lens | None:
    """Return the lens that the session file describes; None where it gives no coefficients."""
    if "lens_coefficients" not in session:
        return None
    focal, centre = (
        tuple(float(session[f"lens_{name}"]) for name in names)
        for names in (("focal_x", "focal_y"), ("centre_column", "centre_row"))
    )
    coefficients = tuple(session["lens_coefficients"].to_numpy().tolist())
    return Lens((focal[0], focal[1]), (centre[0], centre[1]), coefficients)


def session_marks(session: xr.Dataset) -> Marks | None:
    """Return the board's corners and other known points; None without corners."""
    if "corner_column" not in session:
        return None
    corners = np.stack([session["corner_column"].to_numpy(), session["corner_row"].to_numpy()], axis=1)
    marks = Marks.of_corners(corners, width=float(session["board_width"]), height=float(session["board_height"]))
    if "point_column" not in session:
        return marks
    pixels = np.stack([session["point_column"].to_numpy(), session["point_row"].to_numpy()], axis=1)
    board = np.stack([session["point_x"].to_numpy(), session["point_y"].to_numpy()], axis=1)
    return Marks(np.concatenate([marks.board, board]), np.concatenate([marks.pixels, pixels]))


def board_view(session: xr.Dataset) -> BoardView | None:
    """Return where the board lies in the reference frame; None where the session file gives no corners.

    Four corners decide it; with further points all marks do, by least squares.
    """
    marks = session_marks(session)
    return None if marks is None else BoardView.of_marks(marks, session_lens(session))


def require_plausible(session: xr.Dataset, *, shape: tuple[int, int], warn: bool = True) -> None:
    """Refuse marks and coefficients that cannot be right, and warn of those that hardly can.

    Parameters
    ----------
    session : Dataset
        With what the session file says of camera and board.
    shape : (int, int)
        Rows and columns of the picture.
    warn : bool
        Say what is doubtful only.

    Raises
    ------
    InputError
        Says what is wrong.
    """
    lens = session_lens(session)
    if lens is not None and lens.folds_within(shape):
        wanted = "must map the whole picture one-to-one: check the order k1, k2, p1, p2, k3 and focal_px"
        raise InputError("camera.distortion", str(list(lens.coefficients)), wanted)
    marks = session_marks(session)
    if marks is None:
        return
    view = BoardView.of_marks(marks, lens)
    known = float(session["lens_focal_x"]) if "lens_focal_x" in session else None
    corners = judge_corners(marks, view, shape=shape, focal=known)
    _tell("board.corners_px", corners, warn=warn)
    _tell("board.points", judge_marks(marks, view), warn=warn)


def _tell(where: str, doubts: list[Doubt], *, warn: bool) -> None:
    for doubt in doubts:
        error = InputError(f"session.toml: {where}", doubt.found, doubt.wanted)
        if doubt.refused:
            raise error
        if warn:
            logger.warning("%s", error)


def mark_residuals(session: xr.Dataset) -> dict[str, Any]:
    """Return how far each mark is off the common fit; nothing where there are corners only."""
    marks, view = session_marks(session), board_view(session)
    if marks is None or view is None or len(marks.pixels) == 4:
        return {}
    off = residuals(view, marks)
    return {
        "mark_residual": ("mark", off.pixels),
        "mark_residual_length": ("mark", off.lengths),
        "mark_residual_rms": ((), off.rms),
        "mark": ("mark", np.array([mark_name(index) for index in range(len(off.pixels))])),
    }


def picture_scale(session: xr.Dataset) -> int:
    """Return how many pixels of the camera a side make one of the session's ``still_picture``."""
    return shrink_factor((session.sizes["row"], session.sizes["column"]))
