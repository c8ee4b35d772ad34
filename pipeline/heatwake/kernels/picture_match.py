"""Whether two pictures show one board, and which pixel of the one shows what a pixel of the other shows.

Heat differs between two recordings, and so does the film; what is printed and mounted on a board does not. What is
found is checked by what was not fitted: the picture is cut into cells like a chessboard, white and black ones are each
fitted alone, and each must fit the cells of the other. A cell that shows but a straight line says nothing, for a
line fits any line, and two boards may have one outline.
"""

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from heatwake.kernels.alignment import normalise_contrast
from heatwake.kernels.picture_fit import AFFINE, print_contrast, refine, warp
from heatwake.kernels.picture_search import SEARCH_PIXELS, rough_matches, shrunk

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

STARTS: Final = 4  # places that are refined
CLIPPED: Final = 2.0  # contrast from where more does not count for more
CELLS: Final = 20  # along a picture's longer side
LEAST_SIDE: Final = 6  # [px] of a cell
LEAST_SEEN: Final = 0.8  # of a cell's pixels
STRUCTURED: Final = 0.25  # mean square contrast that a cell has in both pictures
CORNERED: Final = 0.15  # of its gradients, the lesser principal square over the greater: below it is but a line
AGREES: Final = 0.5  # correlation from which a cell agrees
ELSEWHERE: Final = ((0.7, 0), (0, 0.7), (-1, 0), (0, -1), (1, 1), (-1, 1), (2, 1), (1, -2))  # wrong places [cells]
GOOD: Final = 0.42  # quality that a match needs; of 120 views of other boards in one outline the best had 0.41
LEAST_CELLS: Final = 12  # that say something
LEAST_OVERLAP: Final = 0.15  # of the first picture
SCALES: Final = (0.5, 2.0)  # of lengths in the second picture to those in the first, each by its picture's size
LEAST_PIXELS: Final = 24  # of either side of a picture


@dataclass(frozen=True)
class Match:
    """How two pictures fit.

    Attributes
    ----------
    homography : (3, 3) array
        From pixels (column, row, 1) of the first to those of the second.
    quality : float
        Share of the cells that agree, beyond what agrees in wrong places, less its own standard deviation: 0 by chance,
        1 where all do.
    uncertainty : float
        Standard uncertainty of a place [px of the second], rms over the points asked for.
    cells : int
        How many cells that share is of.
    overlap : float
        Share of the first picture that the second shows too.
    reason : str
        Why it is no match; empty for a match.
    """

    homography: Array
    quality: float
    uncertainty: float
    cells: int
    overlap: float
    reason: str = ""

    @property
    def is_good(self) -> bool:
        """Whether both show one board."""
        return not self.reason


def match_pictures(first: Array, second: Array, *, points: Array | None = None, good: float = GOOD) -> Match:
    """Return how a second picture shows what the first shows, or why that cannot be said.

    Parameters
    ----------
    first, second : (rows, columns) arrays
        [K] or any unit; NaN where masked. Sizes may differ.
    points : (n, 2) array, optional
        Columns and rows of the first whose uncertainty is asked for; default: all that both show.
    good : float
        Quality that a match needs.
    """
    if min(*first.shape, *second.shape) < LEAST_PIXELS:
        return _refused(f"a picture of less than {LEAST_PIXELS} pixels a side")
    pixels = min(first.size, second.size)
    (one, to_first), (other, to_second) = (shrunk(picture, pixels) for picture in (first, second))
    found = _find(one, other)
    if found is None:
        return _refused("nothing alike in the two pictures")
    return _judge(one, other, found, scales=(to_first, to_second), points=points, good=good)


def follow(matrix: Array, points: Array) -> Array:
    """Return where a homography puts points (n, 2)."""
    placed = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(placed[:, :2] / placed[:, 2:])


def near_match(first: Array, second: Array, *, good: float = GOOD) -> Match:
    """Return how a second picture shows what the first shows where they differ by a few pixels at most."""
    found = refine(first, second, np.eye(3), rounds=3, fine=False)
    found = refine(first, second, found, rounds=4, fine=True)
    return _judge(first, second, found, scales=(np.eye(3), np.eye(3)), points=None, good=good)


def _refused(reason: str) -> Match:
    return Match(np.eye(3), 0.0, float("nan"), 0, 0.0, reason)


def _find(first: Array, second: Array) -> Array | None:
    """Return the best homography from any start: sought in small pictures, refined in the whole."""
    (one, to_first), (other, to_second) = (shrunk(picture, SEARCH_PIXELS) for picture in (first, second))
    best, highest = None, 0.0
    for start in rough_matches(one, other, count=STARTS):
        matrix = refine(one, other, start, rounds=5, free=AFFINE, fine=False)
        matrix = refine(one, other, matrix, rounds=4, fine=False)
        score = _likeness(one, other, matrix)
        if score > highest:
            best, highest = matrix, score
    if best is None:
        return None
    whole = to_second @ best @ np.linalg.inv(to_first)
    whole = refine(first, second, whole, rounds=3, fine=False)
    return refine(first, second, whole, rounds=4, fine=True)


def _likeness(first: Array, second: Array, matrix: Array) -> float:
    """Return the correlation of local contrast, by its own standard deviation."""
    if _geometry(matrix, first.shape, second.shape):
        return 0.0
    warped = warp(second, matrix, first.shape)
    seen = np.isfinite(first) & np.isfinite(warped)
    a, b = (np.clip(normalise_contrast(one)[seen], -CLIPPED, CLIPPED) for one in (first, warped))
    power, other = float((a * a).sum()), float((b * b).sum())
    if min(power, other) <= 0:
        return 0.0
    return float((a * b).sum() / np.sqrt(max(power, other)))


def _geometry(matrix: Array, shape: tuple[int, ...], other: tuple[int, ...]) -> str:
    """Return what no camera before a flat board could see; empty where all is well."""
    rows, columns = shape
    corners = np.array([[0, 0], [columns - 1, 0], [columns - 1, rows - 1], [0, rows - 1]], dtype=float)
    depth = np.column_stack([corners, np.ones(4)]) @ matrix[2]
    if not np.isfinite(matrix).all() or (depth <= 0.2 * depth.max()).any():
        return "they would be seen from behind"
    placed = follow(matrix, corners)
    sides = np.roll(placed, -1, axis=0) - placed
    turn = sides[:, 0] * np.roll(sides, -1, axis=0)[:, 1] - sides[:, 1] * np.roll(sides, -1, axis=0)[:, 0]
    if (turn <= 0).any():
        return "one would be mirrored or folded"
    scales = np.linalg.norm(sides, axis=1) / np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    scales = scales * np.sqrt(rows * columns / (other[0] * other[1]))
    if scales.min() < SCALES[0] or scales.max() > SCALES[1]:
        return f"lengths would change by a factor of {scales.min():.2f} to {scales.max():.2f}"
    return ""


def _judge(
    first: Array, second: Array, matrix: Array, *, scales: tuple[Array, Array], points: Array | None, good: float
) -> Match:
    """Return the match with its quality, by what was not fitted."""
    wrong = _geometry(matrix, first.shape, second.shape)
    if wrong:
        return _refused(wrong)
    side = max(LEAST_SIDE, round(max(first.shape) / CELLS))
    halves = _chessboard(first.shape, side)
    fits = [refine(first, second, matrix, used=used, rounds=3, fine=True) for used in (halves, ~halves)]
    warped = warp(second, matrix, first.shape)
    overlap = float((np.isfinite(first) & np.isfinite(warped)).sum() / max(1, np.isfinite(first).sum()))
    agreement = _agreement(first, second, fits, side=side)
    telling = _cornered(first, warped, side=side) & np.isfinite(agreement)
    chance = _elsewhere(first, warped, telling, side=side)
    cells = int(telling.sum())
    share = float((agreement[telling] > AGREES).mean()) if cells else 0.0
    quality = _quality(share, chance, cells)
    back = np.linalg.inv(scales[0])
    fits = [scales[1] @ one @ back for one in fits]
    whole = scales[1] @ matrix @ back
    where = follow(scales[0], _seen_places(warped)) if points is None else points
    uncertainty = _half_spread(fits, where)
    reason = _poor(quality, cells=cells, overlap=overlap, good=good)
    return Match(whole / whole[2, 2], quality, uncertainty, cells, overlap, reason)


def _quality(share: float, chance: float, cells: int) -> float:
    """Return the share beyond chance less its own standard deviation: of a few cells many must agree."""
    if cells == 0 or chance >= 1:
        return 0.0
    beyond = float(np.clip((share - chance) / (1 - chance), 0, 1))
    return max(0.0, beyond - float(np.sqrt(beyond * (1 - beyond) / cells)))


def _poor(quality: float, *, cells: int, overlap: float, good: float) -> str:
    if overlap < LEAST_OVERLAP:
        return f"only {overlap:.0%} of one picture is in the other, at least {LEAST_OVERLAP:.0%} is needed"
    if cells < LEAST_CELLS:
        return f"only {cells} places show print in both, at least {LEAST_CELLS} are needed"
    if quality < good:
        return f"quality {quality:.2f}, at least {good:g} is needed"
    return ""


def _half_spread(fits: list[Array], points: Array) -> float:
    """Return the standard uncertainty of the whole fit: half of what its two halves differ by, rms over points."""
    if not len(points):
        return float("nan")
    apart = follow(fits[0], points) - follow(fits[1], points)
    return float(np.sqrt((apart**2).sum(axis=1).mean()) / 2)


def _seen_places(warped: Array) -> Array:
    rows, columns = np.nonzero(np.isfinite(warped))
    return np.column_stack([columns, rows])[:: max(1, len(rows) // 500)].astype(np.float64)


def _chessboard(shape: tuple[int, ...], side: int) -> Mask:
    rows, columns = (np.arange(length) // side for length in shape)
    return np.asarray(np.add.outer(rows, columns) % 2 == 0)


def _agreement(first: Array, second: Array, fits: list[Array], *, side: int) -> Array:
    """Return each cell's correlation under the homography that was fitted to the others; NaN where it shows nothing."""
    own = _clip(first)
    maps = []
    for matrix in fits:
        warped = warp(second, matrix, first.shape)
        maps.append(_cell_correlations(own, _clip(warped), np.isfinite(first) & np.isfinite(warped), side=side))
    even = _chessboard(maps[0].shape, 1)
    return np.where(even, maps[1], maps[0])


def _clip(picture: Array) -> Array:
    return np.clip(print_contrast(picture), -CLIPPED, CLIPPED)


def _cells(values: npt.NDArray[Any], side: int) -> Array:
    """Return the sum over each cell; what is left over at the right and below is left out."""
    rows, columns = (length // side for length in values.shape)
    cut = values[: rows * side, : columns * side].reshape(rows, side, columns, side)
    return np.asarray(cut.sum(axis=(1, 3), dtype=np.float64))


def _cell_correlations(one: Array, other: Array, seen: Mask, *, side: int) -> Array:
    count = _cells(seen, side)
    a, b = one * seen, other * seen
    share = np.maximum(count, 1)
    mean, mean_other = _cells(a, side) / share, _cells(b, side) / share
    power = _cells(a * a, side) / share - mean**2
    other_power = _cells(b * b, side) / share - mean_other**2
    product = _cells(a * b, side) / share - mean * mean_other
    shown = (count > LEAST_SEEN * side * side) & (power > STRUCTURED) & (other_power > STRUCTURED)
    return np.where(shown, product / np.sqrt(np.maximum(power * other_power, 1e-12)), np.nan)


def _cornered(first: Array, warped: Array, *, side: int) -> Mask:
    """Tell which cells show more than a straight line in both pictures (Shi and Tomasi, CVPR 1994, 593)."""
    seen = np.isfinite(first) & np.isfinite(warped)
    return np.asarray(np.minimum(*(_least_turn(_clip(one) * seen, side=side) for one in (first, warped))) > CORNERED)


def _least_turn(contrast: Array, *, side: int) -> Array:
    across, down = cv2.Sobel(contrast, cv2.CV_32F, 1, 0), cv2.Sobel(contrast, cv2.CV_32F, 0, 1)
    xx, yy, xy = (_cells(product, side) for product in (across * across, down * down, across * down))
    middle, spread = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    return np.asarray((middle - spread) / np.maximum(middle + spread, 1e-9))


def _elsewhere(first: Array, warped: Array, telling: Mask, *, side: int) -> float:
    """Return the share of cells that agree in wrong places."""
    own, other = _clip(first), _clip(warped)
    seen = np.isfinite(warped)
    agree = count = 0
    for down, right in ELSEWHERE:
        moved = (round(down * side), round(right * side))
        both = np.isfinite(first) & np.roll(seen, moved, (0, 1))
        found = _cell_correlations(own, np.roll(other, moved, (0, 1)), both, side=side)[telling]
        count += int(np.isfinite(found).sum())
        agree += int((found > AGREES).sum())
    return agree / count if count else 1.0
