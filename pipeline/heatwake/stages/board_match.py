"""How far the board maps of two sessions lie apart, by the pictures of the board itself."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.geometry import grid_to_board
from heatwake.kernels.interpolation import resample_places
from heatwake.kernels.picture_match import LEAST_CELLS, LEAST_OVERLAP, Match, follow, match_pictures, near_match
from heatwake.schema.variables import PLACE_STATE
from heatwake.stages.board_place import board_view, picture_scale

Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Residual:
    """What is left between the board maps of a session and of the reference.

    Attributes
    ----------
    state : str
        Of ``PLACE_STATE``.
    quality : float
        Share of the print that agrees beyond chance; NaN where it was not looked at.
    matrix : (3, 3) array
        From cells (column, row, 1) of the reference's grid to where in that grid the session has the same place.
    shift : (float, float)
        Of the session's map at the board's middle, x and y [mm].
    rotation : float
        [deg] counter-clockwise.
    uncertainty : float
        Standard uncertainty of a place along one direction [cells of the grid].
    """

    state: str
    quality: float = np.nan
    matrix: Array = field(default_factory=lambda: np.eye(3))
    shift: tuple[float, float] = (np.nan, np.nan)
    rotation: float = np.nan
    uncertainty: float = np.nan

    def variables(self) -> dict[str, Any]:
        """Return it as variables of the data model."""
        return {
            "place_state": ((), np.int8(PLACE_STATE.index(self.state))),
            "place_quality": ((), self.quality),
            "place_shift_x": ((), self.shift[0]),
            "place_shift_y": ((), self.shift[1]),
            "place_rotation": ((), self.rotation),
            "place_uncertainty": ((), self.uncertainty),
        }


def residual_place(session: xr.Dataset, base: xr.Dataset, *, farthest: float) -> Residual:
    """Return how far a session's board map lies from the reference's.

    Parameters
    ----------
    session, base : Dataset
        With corners, ``still_picture`` and the sizes of the camera's picture; ``base`` with the grid ``x``, ``y``.
    farthest : float
        [cells, rms over the board] more is no error of clicked corners.
    """
    if not all(_can_be_placed(one) for one in (session, base)) or base["x"].size < 2 or base["y"].size < 2:
        return Residual("not told")
    factor = max(picture_scale(session), picture_scale(base))
    x, y = base["x"].to_numpy()[::factor], base["y"].to_numpy()[::factor]
    pictures = [_board_picture(one, x, y) for one in (base, session)]
    match = near_match(pictures[0], pictures[1])
    if not match.is_good:
        match = match_pictures(pictures[0], pictures[1])
    if match.cells < LEAST_CELLS or match.overlap < LEAST_OVERLAP:
        return Residual("not told")
    if not match.is_good:
        return Residual("no match", match.quality)
    return _measured(match, base, factor=factor, farthest=farthest)


def _measured(match: Match, base: xr.Dataset, *, factor: int, farthest: float) -> Residual:
    shape = (base["y"].size, base["x"].size)
    fine = np.diag([1.0 / factor, 1.0 / factor, 1.0])
    matrix = np.linalg.inv(fine) @ match.homography @ fine
    rows, columns = np.meshgrid(*(np.linspace(0, size - 1, 9) for size in shape), indexing="ij")
    places = np.column_stack([columns.ravel(), rows.ravel()])
    apart = float(np.sqrt(((follow(matrix, places) - places) ** 2).sum(axis=1).mean()))
    middle = (np.array(shape[::-1]) - 1) / 2
    around = follow(matrix, middle + np.array([[0, 0], [0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]]))
    across, down = around[1] - around[2], around[3] - around[4]
    linear = grid_to_board(base["x"].to_numpy(), base["y"].to_numpy())[:2, :2]
    shift = linear @ (around[0] - middle)
    return Residual(
        "corrected" if apart <= farthest else "too far",
        match.quality,
        matrix,
        (float(shift[0]), float(shift[1])),
        float(np.degrees(np.arctan2(down[0] - across[1], across[0] + down[1]))),
        match.uncertainty * factor / np.sqrt(2),
    )


def _can_be_placed(session: xr.Dataset) -> bool:
    named = all(name in session for name in ("corner_column", "still_picture"))
    return named and all(dim in session.sizes for dim in ("row", "column")) and session["still_picture"].size > 0


def _board_picture(session: xr.Dataset, x: Array, y: Array) -> Array:
    """Return the still picture [K] on a grid of the board [mm]; NaN where the camera did not see it."""
    view = board_view(session)
    if view is None:
        raise ValueError("a session without corners")
    factor = picture_scale(session)
    seen = (view.pixels(np.stack(np.meshgrid(x, y), axis=-1)) - (factor - 1) / 2) / factor
    return resample_places(session["still_picture"].to_numpy(), np.ascontiguousarray(np.moveaxis(seen, -1, 0)))
