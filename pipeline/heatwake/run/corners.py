"""A proposal for the board's corners, with a picture to check it by."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.errors import InputError
from heatwake.kernels.board_outline import Outline, find_outline
from heatwake.kernels.interpolation import resample_places
from heatwake.kernels.lens import Lens
from heatwake.kernels.plausibility import CORNERS, WARPED
from heatwake.report.corners_figure import corners_png
from heatwake.stages.board_place import session_lens
from heatwake.stages.heated_picture import heated_picture
from heatwake.store import results
from heatwake.store.session import open_description, open_session

Array = npt.NDArray[Any]

SIDES: Final = ("top", "right", "bottom", "left")
WELL_COVERED: Final = 0.8  # of a side an edge: less is said
AFAR: Final = 2.0  # [px] from the session file's own corners: more is said


@dataclass(frozen=True)
class Proposal:
    """What was found.

    Attributes
    ----------
    picture : Path
        Written, whether an outline was found or not.
    line : str
        For ``[board]`` of the session file; empty where no outline was found.
    confidence : str
        ``high``, ``fair``, ``low`` or ``none``.
    uncertainty : float
        Largest standard uncertainty of a corner along an axis [px]; NaN where none was found.
    checks : tuple of str
        What to look at before the line is used.
    """

    picture: Path
    line: str
    confidence: str
    uncertainty: float
    checks: tuple[str, ...]


def propose_corners(folder: Path, *, output: Path | None = None) -> Proposal:
    """Look for the board's outline in a session's recording, and write a picture of it.

    Parameters
    ----------
    folder : Path
        The session's; corners and points that its file gives already play no part.
    output : Path, optional
        Of the picture (PNG); by default ``NAME-corners.png`` in the current folder.

    Raises
    ------
    InputError
        The session file or the recording is wrong.
    """
    session = open_session(folder, with_corners=False)
    picture, count = heated_picture(session.dataset)
    lens = session_lens(session.dataset)
    board = session.description.board
    size = (board.width_mm, board.height_mm) if board.width_mm and board.height_mm else None
    outline = find_outline(_ideal(picture, lens), size=size)
    corners = None if outline is None else _seen(outline.corners, lens).round(1)
    target = output or Path(f"{session.name}-corners.png")
    confidence = "none" if outline is None else outline.confidence
    image = corners_png(
        picture,
        corners,
        title=f"{session.name}: where is the board?",
        note=_note(outline, count),
        uncertainty=None if outline is None else outline.uncertainty,
        sides=None if outline is None or lens is None else _bent_sides(outline.corners, lens),
    )
    results.write_bytes(target, image)
    if outline is None or corners is None:
        return Proposal(target, "", confidence, np.nan, _without_outline(size))
    checks = _checks(outline, corners, shape=picture.shape, size=size, given=_given(folder))
    line = f"corners_px = {[[float(value) for value in corner] for corner in corners]}"
    return Proposal(target, line, confidence, float(outline.uncertainty.max()), checks)


def _ideal(picture: Array, lens: Lens | None) -> Array:
    """Return the picture as a lens that does not bend would have shown it."""
    if lens is None:
        return picture
    places = np.stack(np.meshgrid(*(np.arange(count, dtype=float) for count in picture.shape[::-1])), axis=-1)
    return resample_places(picture, np.moveaxis(lens.distort(places), -1, 0))


def _seen(places: Array, lens: Lens | None) -> Array:
    return places if lens is None else lens.distort(places)


def _bent_sides(corners: Array, lens: Lens) -> Array:
    share = np.linspace(0, 1, 60)[:, None]
    ends = zip(corners, np.roll(corners, -1, axis=0), strict=True)
    return np.array([lens.distort(start + share * (stop - start)) for start, stop in ends])


def _note(outline: Outline | None, count: int) -> str:
    frames = f"mean of {count} heated frames as the first usable frame sees the board"
    if outline is None:
        return f"no outline found; {frames}"
    return f"confidence {outline.confidence}; {frames}"


def _given(folder: Path) -> Array | None:
    """Return the corners that the session file gives already, where they can be read."""
    try:
        _, described = open_description(folder)
    except InputError:
        return None
    return _corner_array(described) if "corner_column" in described else None


def _corner_array(described: xr.Dataset) -> Array:
    return np.stack([described["corner_column"].to_numpy(), described["corner_row"].to_numpy()], axis=1)


def _without_outline(size: tuple[float, float] | None) -> tuple[str, ...]:
    told = (
        () if size is not None else ("width_mm and height_mm in [board] would help to tell the board from its parts",)
    )
    return ("read column and row of the four corners off the picture: top-left first, then clockwise", *told)


def _checks(
    outline: Outline,
    corners: Array,
    *,
    shape: tuple[int, ...],
    size: tuple[float, float] | None,
    given: Array | None,
) -> tuple[str, ...]:
    """Return what to look at before the corners are used."""
    found = [
        "corner 1 must be the board's own top-left, as x and y of its parts count: start elsewhere if it lies turned"
    ]
    if size is None:
        found.append("width_mm and height_mm are not given: that it has the board's shape was not checked")
    elif outline.mismatch > WARPED:
        found.append(f"its shape is {outline.mismatch:.0%} off one of {size[0]:g} x {size[1]:g} mm")
    if outline.turned:
        found.append("the board's width runs down the picture: corners are numbered so; the other end may be the top")
    for name, share in zip(SIDES, outline.covered, strict=True):
        if share < WELL_COVERED:
            found.append(f"the {name} side shows an edge along {share:.0%} of it only")
    rows, columns = shape
    for name, (column, row) in zip(CORNERS, corners, strict=True):
        if not (0 <= column <= columns - 1 and 0 <= row <= rows - 1):
            found.append(f"the {name} corner lies outside of the picture, where its sides meet")
    if given is not None:
        off = float(np.hypot(*(corners - given).T).max())
        where = "on these" if off < AFAR else "somewhere else"
        found.append(f"session.toml has corners {where}: up to {off:.1f} px away")
    return tuple(found)
