"""Whether marks on a board and in a picture can belong together: a rectangle, its size, and a camera that sees it."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.board_view import BoardView, Marks
from heatwake.kernels.geometry import is_convex

Array = npt.NDArray[Any]

CORNERS: Final = ("top-left", "top-right", "bottom-right", "bottom-left")
FOCAL_LENGTHS: Final = np.geomspace(0.4, 20.0, 60)  # of the picture's longer side: 100 to 3 degrees across
PLACES: Final = 25  # a side of the board, at which the view is looked at
WARPED: Final = 0.10  # a rectangle seen this much off its shape is warned of: clicks of 1 px in 100 px make 0.02
WRONG: Final = 0.25  # and refused; 3 : 4 taken for 1 : 1 is 0.29
LEAST_SEEN: Final = 0.5  # of the board in the picture: with less, most corners are guesses
WELL_SEEN: Final = 0.9
OBLIQUE_DEG: Final = 60.0
"""From the square view; emissivity of a painted or coated surface holds up to about there (Vollmer and Moellmann,
Infrared Thermal Imaging, 2nd ed., 2018, 1.4: non-metals)."""
TOO_OBLIQUE_DEG: Final = 75.0  # a pixel is stretched fourfold, and emissivity has fallen by a tenth and more
OFF_PX: Final = 2.0  # rms of marks from which a mark is wrong rather than clicked badly
FAR_OFF_PX: Final = 8.0  # no reading of a screen is so far off: another corner, another unit, another picture
CLEARER: Final = 1.7  # times the rms without any other mark: a neighbour may explain a corner as well
FITS_PX: Final = 1.0  # rms of the rest that shows one mark to be at fault


@dataclass(frozen=True)
class Doubt:
    """Something that speaks against the marks; what was found, what it should be, and whether to go on at all."""

    found: str
    wanted: str
    refused: bool


@dataclass(frozen=True)
class Residuals:
    """How marks fit the view that was fitted to them.

    Attributes
    ----------
    pixels, lengths : (n,) arrays
        Distance of each mark from where the view has it, in the picture [px] and on the board [mm].
    rms : float
        [px] of a mark, with the freedom of the fit allowed for; NaN with four marks, which any view fits.
    """

    pixels: Array
    lengths: Array
    rms: float


def mark_name(index: int) -> str:
    """Return what to call a mark.

    >>> mark_name(1), mark_name(4)
    ('corner 2 (top-right)', 'point 1')
    """
    return f"corner {index + 1} ({CORNERS[index]})" if index < 4 else f"point {index - 3}"


def residuals(view: BoardView, marks: Marks) -> Residuals:
    """Return how marks fit a view."""
    off = np.hypot(*(view.pixels(marks.board) - marks.pixels).T)
    lengths = np.hypot(*(view.board(marks.pixels) - marks.board).T)
    spare = len(off) - 4
    rms = float(np.sqrt((off**2).sum() / spare)) if spare > 0 else np.nan
    return Residuals(off, lengths, rms)


def odd_one(marks: Marks, view: BoardView) -> tuple[int, float, Array] | None:
    """Return the mark without which the rest fit: its index, the rest's rms [px], and where it should be [px].

    None with fewer than six marks: without any one of five, the rest fit exactly.
    """
    if len(marks.pixels) < 6:
        return None
    found = []
    for index in range(len(marks.pixels)):
        rest = marks.without(index)
        other = BoardView(BoardView.of_marks(rest, view.lens).homography, view.lens)
        found.append((residuals(other, rest).rms, index, other.pixels(marks.board[index])))
    found.sort(key=lambda one: one[0])
    (best, index, place), (second, _, _) = found[0], found[1]
    whole = residuals(view, marks).rms
    stands_out = best < FITS_PX and best < whole / 3 and best < second / CLEARER
    return (index, best, place) if stands_out else None


def judge_corners(marks: Marks, view: BoardView, *, shape: tuple[int, int], focal: float | None = None) -> list[Doubt]:
    """Return what speaks against a view, the gravest first; nothing of convex corners of a rectangle well seen.

    Parameters
    ----------
    marks : Marks
        The corners first.
    view : BoardView
    shape : (int, int)
        Rows and columns of the picture.
    focal : float, optional
        Focal length [px]; without it any of a usual camera is tried.
    """
    if np.isnan(view.homography).any() or (view.lens is not None and np.isnan(view.lens.undistort(marks.pixels)).any()):
        return [Doubt("beyond where the lens coefficients hold", "must be pixels that the lens can show", True)]
    if not is_convex(marks.pixels[:4]):
        return [
            Doubt("in no order round a convex area", "must run top-left, top-right, bottom-right, bottom-left", True)
        ]
    doubts = [*_shape_doubts(marks, view, shape=shape, focal=focal), *_sight_doubts(marks, view, shape=shape)]
    return sorted(doubts, key=lambda doubt: not doubt.refused)


def judge_marks(marks: Marks, view: BoardView) -> list[Doubt]:
    """Return what speaks against marks that do not fit each other."""
    rms = residuals(view, marks).rms
    if not rms > OFF_PX:
        return []
    found = f"{rms:.1f} px off the common fit (rms)"
    odd = odd_one(marks, view)
    if odd is None:
        worst = int(np.argmax(residuals(view, marks).pixels))
        wanted = f"must fit within {OFF_PX:g} px: look at {mark_name(worst)} first"
    else:
        index, rest, (column, row) = odd
        where = f"it should be near [{column:.1f}, {row:.1f}]"
        wanted = f"must fit: {mark_name(index)} is at fault, the rest fit to {rest:.1f} px and {where}"
    return [Doubt(found, wanted, rms > FAR_OFF_PX)]


def _shape_doubts(marks: Marks, view: BoardView, *, shape: tuple[int, int], focal: float | None) -> list[Doubt]:
    centre = np.array(view.lens.centre) if view.lens is not None else (np.array(shape[::-1]) - 1) / 2
    focals = FOCAL_LENGTHS * max(shape) if focal is None else np.array([focal])
    width, height = np.ptp(marks.board[:4], axis=0)
    off = shape_mismatch(view.homography, centre=centre, focals=focals)
    if off <= WARPED:
        return []
    found = f"no perspective view of {width:g} x {height:g} mm (its shape is off by {off:.0%})"
    wanted = "must be the corners of a board of that size: check corners, width_mm and height_mm"
    turned = BoardView.of_marks(Marks.of_corners(marks.pixels[:4], width=height, height=width), view.lens)
    other = shape_mismatch(turned.homography, centre=centre, focals=focals)
    if other < min(WARPED, off / 2):
        wanted = "must fit; width_mm and height_mm swapped would, or corners that start one corner further"
    return [Doubt(found, wanted, off > WRONG)]


def shape_mismatch(homography: Array, *, centre: Array, focals: Array) -> float:
    """Return by how much a homography is off one of a plane with two equal, square axes, for the best focal length.

    With ``h1``, ``h2`` the first two columns in units of the focal length from the optical centre, a camera with square
    pixels has ``|h1| = |h2|`` and ``h1 h2 = 0`` (Z. Zhang, IEEE Trans. Pattern Anal. 22 (2000) 1330, eq. 3 and 4).

    Parameters
    ----------
    homography : (3, 3) array
        From the plane [mm] to pixels.
    centre : (2,) array
        Optical centre [px].
    focals : (n,) array
        Focal lengths to try [px].

    Returns
    -------
    float
        The larger of the sides' ratio less one and the cosine of the angle between them; for small values about the
        relative error of the shape.
    """
    moved = np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, 1]]) @ homography
    first = np.stack([moved[0, 0] / focals, moved[1, 0] / focals, np.full(len(focals), moved[2, 0])])
    second = np.stack([moved[0, 1] / focals, moved[1, 1] / focals, np.full(len(focals), moved[2, 1])])
    lengths = np.linalg.norm(first, axis=0), np.linalg.norm(second, axis=0)
    ratio = np.maximum(lengths[0] / lengths[1], lengths[1] / lengths[0]) - 1
    cosine = np.abs((first * second).sum(axis=0)) / (lengths[0] * lengths[1])
    return float(np.maximum(ratio, cosine).min())


def _sight_doubts(marks: Marks, view: BoardView, *, shape: tuple[int, int]) -> list[Doubt]:
    width, height = np.ptp(marks.board[:4], axis=0)
    along = (np.arange(PLACES) + 0.5) / PLACES
    places = np.stack(np.meshgrid(width * along, height * along), axis=-1)
    seen = view.pixels(places)
    rows, columns = shape
    inside = (seen >= -0.5).all(axis=-1) & (seen[..., 0] <= columns - 0.5) & (seen[..., 1] <= rows - 0.5)
    share, angle = float(inside.mean()), _obliqueness(view, places)
    doubts = []
    if share < WELL_SEEN:
        wanted = f"must show {'half' if share < LEAST_SEEN else 'most'} of it: what lies outside is not measured"
        doubts.append(Doubt(f"a board of which the picture shows {share:.0%}", wanted, share < LEAST_SEEN))
    if angle > OBLIQUE_DEG:
        wanted = f"must be {TOO_OBLIQUE_DEG:g} or less, and {OBLIQUE_DEG:g} at most for emissivities to hold"
        doubts.append(Doubt(f"a view {angle:.0f} degrees off square at its steepest", wanted, angle > TOO_OBLIQUE_DEG))
    return doubts


def _obliqueness(view: BoardView, places: Array) -> float:
    """Return the largest angle [deg] between a line of sight and the board's normal, by how squares are squeezed."""
    squeezed = np.linalg.svd(view.slopes(places), compute_uv=False)
    ratio = squeezed[..., 1] / squeezed[..., 0]
    known = ratio[np.isfinite(ratio)]
    return float(np.degrees(np.arccos(known.min()))) if known.size else 0.0
