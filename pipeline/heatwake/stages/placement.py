"""A board's corners for a session that gives none: its picture is matched with that of the reference session."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import Field, PositiveFloat

from heatwake.errors import InputError
from heatwake.kernels.geometry import board_corners
from heatwake.kernels.interpolation import resample_places
from heatwake.kernels.lens import Lens
from heatwake.kernels.picture_match import GOOD, Match, follow, match_pictures
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label, require
from heatwake.stages.board_place import board_view, picture_scale, session_lens
from heatwake.stages.stage import Stage

Array = npt.NDArray[Any]

WHERE: Final = "session.toml: board.corners_px"
SAME_SIZE: Final = 1e-3  # relative


class PlacementSettings(Settings):
    """When a picture counts as one of the reference's board."""

    good_quality: float = Field(default=GOOD, gt=0, le=1)  # share of the print that must agree, beyond chance
    uncertain_px: PositiveFloat = 0.7  # [px] standard uncertainty of a corner that is refused


def reference_board(reference: xr.Dataset, *, name: str) -> xr.Dataset:
    """Return what a session is placed by: the reference's picture and board, as an ideal lens would show them.

    Parameters
    ----------
    reference : Dataset
        The reference session's description, with corners; its ``still_picture``; and ``row`` and ``column``.
    name : str
        Its name, for messages.

    Returns
    -------
    Dataset
        ``reference_picture`` [K], ``reference_corner_column`` and ``reference_corner_row`` [px of an ideal lens],
        ``reference_width`` and ``reference_height`` [mm], ``reference_scale`` [px of the camera per px of the picture].
    """
    view = board_view(reference)
    if view is None:
        raise InputError(f"session {name}: board.corners_px", "missing", "must be given for the reference session")
    width, height = float(reference["board_width"]), float(reference["board_height"])
    on_board = np.column_stack([board_corners(width=width, height=height), np.ones(4)]) @ view.homography.T
    corners = on_board[:, :2] / on_board[:, 2:]
    made = xr.Dataset(
        {
            "reference_picture": (("reference_row", "reference_column"), ideal_picture(reference)),
            "reference_corner_column": ("corner", corners[:, 0]),
            "reference_corner_row": ("corner", corners[:, 1]),
            "reference_width": ((), width),
            "reference_height": ((), height),
            "reference_scale": ((), float(picture_scale(reference))),
        },
        attrs={"placed_by": name},
    )
    return label(made)


def place(session: xr.Dataset, settings: PlacementSettings) -> xr.Dataset:
    """Add ``corner_column``, ``corner_row`` [px], ``board_width``, ``board_height`` [mm] of the reference's board.

    Also ``match_quality``, the share of the print that agrees, and ``match_uncertainty`` [px], that of a corner.

    Parameters
    ----------
    session : Dataset
        With ``still_picture`` and what :func:`reference_board` gives.
    settings : PlacementSettings

    Raises
    ------
    InputError
        The pictures do not fit, or the board is said to be of another size.
    """
    require(session, STAGE.needs)
    _require_size(session)
    to_camera = _to_camera(picture_scale(session))
    to_reference = _to_camera(float(session["reference_scale"]))
    corners = np.stack([session[f"reference_corner_{axis}"].to_numpy() for axis in ("column", "row")], axis=1)
    match = match_pictures(
        session["reference_picture"].to_numpy(),
        ideal_picture(session),
        points=follow(np.linalg.inv(to_reference), corners),
        good=settings.good_quality,
    )
    _require_good(session, match, settings, scale=to_camera[0, 0])
    ideal = follow(to_camera @ match.homography @ np.linalg.inv(to_reference), corners)
    lens = session_lens(session)
    placed = ideal if lens is None else lens.distort(ideal)
    if not np.isfinite(placed).all():
        raise InputError(WHERE, "missing, and the lens does not reach the board's corners", "must be given")
    made = session.assign(
        {
            "corner_column": ("corner", placed[:, 0]),
            "corner_row": ("corner", placed[:, 1]),
            "board_width": session["reference_width"].reset_coords(drop=True),
            "board_height": session["reference_height"].reset_coords(drop=True),
            "match_quality": ((), match.quality),
            "match_uncertainty": ((), match.uncertainty * to_camera[0, 0]),
        }
    )
    return label(made)


def ideal_picture(session: xr.Dataset) -> Array:
    """Return a session's still picture [K] as a lens that keeps straight lines straight would show it."""
    picture = session["still_picture"].to_numpy()
    lens = session_lens(session)
    if lens is None or not picture.size:
        return np.asarray(picture)
    return _straightened(picture, lens, factor=picture_scale(session))


def _straightened(picture: Array, lens: Lens, *, factor: int) -> Array:
    rows, columns = np.indices(picture.shape, dtype=np.float64)
    middle = (factor - 1) / 2
    seen = lens.distort(np.stack([columns, rows], axis=-1) * factor + middle)
    places = np.ascontiguousarray(np.moveaxis((seen - middle) / factor, -1, 0))
    return resample_places(picture, places)


def _to_camera(factor: float) -> Array:
    """Return the map from the small picture's pixels to the camera's."""
    middle = (factor - 1) / 2
    return np.array([[factor, 0, middle], [0, factor, middle], [0, 0, 1.0]])


def _require_size(session: xr.Dataset) -> None:
    for name in ("width", "height"):
        own, wanted = float(session[f"board_{name}"]), float(session[f"reference_{name}"])
        if np.isfinite(own) and abs(own - wanted) > SAME_SIZE * wanted:
            must = f"must be {wanted:g} as of {session.attrs['placed_by']}, by which it is placed, or give corners_px"
            raise InputError(f"session.toml: board.{name}_mm", f"{own:g}", must)


def _require_good(session: xr.Dataset, match: Match, settings: PlacementSettings, *, scale: float) -> None:
    name = session.attrs["placed_by"]
    wanted = f"must be given, or the picture show the board of {name} (mm_per_px = 1 measures in pixels)"
    if not match.is_good:
        raise InputError(WHERE, f"missing, and the picture does not fit that of {name}: {match.reason}", wanted)
    if not match.uncertainty * scale <= settings.uncertain_px:
        found = f"missing, and by the picture of {name} known to {match.uncertainty * scale:.1f} px only"
        raise InputError(WHERE, found, f"must be given, or be known to {settings.uncertain_px:g} px")


STAGE: Final = Stage(
    name="placement",
    settings=PlacementSettings,
    apply=place,
    needs=("still_picture", "reference_picture", "reference_corner_column", "reference_corner_row"),
    makes=("corner_column", "corner_row", "board_width", "board_height", "match_quality", "match_uncertainty"),
    version=1,
)
