"""Where the places of a pair's pictures lie in a session's frames and on its board."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.alignment import pose_matrix
from heatwake.kernels.board_view import GridView
from heatwake.kernels.transmittance import move_picture, picture_shift
from heatwake.kernels.transmittance_map import NOT_SEEN
from heatwake.stages.frame_blocks import reducer_for, some_frames

Array = npt.NDArray[Any]

LEAST_LIKENESS: Final = 0.7  # correlation of outlines from which two pictures show one view; one board askew has 0.9


def pair_view(session: xr.Dataset, picture: Array, *, largest: float) -> tuple[float, float]:
    """Return ``(rows, columns)`` to be added to a pixel of the last frame to find it in a pair's picture.

    Parameters
    ----------
    session : Dataset
        Frames as the camera wrote them.
    picture : (row, column) array
        Mean radiance of the pair's bare recording [W m-2 sr-1].
    largest : float
        Movement [pixel] beyond which the views are two.

    Returns
    -------
    tuple of float
        NaN and NaN where the two do not show one view: the film was measured elsewhere.
    """
    unlike = (np.nan, np.nan)
    if not session.sizes["frame"]:
        return unlike
    last = session.sizes["frame"] - 1
    frame = np.zeros(picture.shape)
    reducer_for(session).add(some_frames(session, last, last + 1).read()[0], frame)
    seen = np.isfinite(frame) & np.isfinite(picture)
    if np.count_nonzero(seen) < picture.size / 4 or min(np.ptp(frame[seen]), np.ptp(picture[seen])) == 0:
        return unlike
    shift = picture_shift(picture, frame)
    if not np.hypot(*shift) <= largest:
        return unlike
    outlines = [np.hypot(*np.gradient(one)) for one in (picture, move_picture(frame, shift))]
    both = np.isfinite(outlines[0]) & np.isfinite(outlines[1])
    if not both.any() or min(float(np.std(one[both])) for one in outlines) == 0:
        return unlike
    likeness = float(np.corrcoef(outlines[0][both], outlines[1][both])[0, 1])
    return shift if likeness >= LEAST_LIKENESS else unlike


def board_trust(session: xr.Dataset, view: GridView) -> Array:
    """Return what to trust of the film over each cell of the board's grid, as ``pair_trust`` has it.

    Parameters
    ----------
    session : Dataset
        With ``pair_trust``, ``pair_view_row``, ``pair_view_column`` and each frame's pose.
    view : GridView
        Where the grid lies in the reference frame.
    """
    rows, columns = session.sizes["row"], session.sizes["column"]
    pose = [float(session[name][-1]) for name in ("shift_x", "shift_y", "rotation")]
    moved = np.vstack([pose_matrix(pose[0], pose[1], pose[2], shape=(rows, columns)), [0, 0, 1]])
    to_pair = np.eye(3)
    to_pair[:2, 2] = float(session["pair_view_column"]), float(session["pair_view_row"])
    trust = session["pair_trust"].to_numpy().astype(np.uint8)
    return view.nearest(trust, (to_pair @ moved)[:2], outside=NOT_SEEN).astype(np.int8)
