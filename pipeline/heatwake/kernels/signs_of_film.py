"""Signs of a creased film in a look at a recording: a thin dark line across whatever lies below."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

WIDTH_PX: Final = 200  # of the picture that is searched: larger ones are made smaller
LEAST_ACROSS_PX: Final = 90  # of the board: in coarser pictures heat bends as sharply as a fold
LEAST_RISE: Final = 6.0  # [K] above the surroundings, for a share of it to tell anything
TURNS: Final = 30  # over a quarter turn; each shows lines along both axes
SIDES: Final = (2, 4)  # [px] off a line, that tell what would be seen without it: heat is smooth over so little
SIDES_OF_ALL: Final = (4, 7)  # [px] off it, for all that it loses
SMOOTH_PX: Final = 3  # along a line
PARALLEL: Final = 20.0  # [deg] from a line, within which an outline looks like one
NEAR_OUTLINE_PX: Final = 4
LEVELS: Final = (  # loss against the sides, and how much must speak for it [picture's width]
    (0.014, 0.185),
    (0.017, 0.157),
    (0.028, 0.165),
    (0.045, 0.165),
)
LEAST: Final = 0.5  # of a level, that is as a fold of it loses ...
MOST: Final = 2.4  # ... and the most
AGAINST: Final = 2.0  # what a place without loss weighs against one that has it
ELSE: Final = -1.0  # of a level: brighter than this against its sides is an outline that crosses
ELSE_AGAINST: Final = 0.25
UNSEEN_AGAINST: Final = 0.08
LEAST_PLACES: Final = 8  # along a line, that tell what is lost
STEP: Final = 2e-4  # of a loss, in tables
BOUND: Final = 0.1


@dataclass(frozen=True)
class Crease:
    """A dark line.

    Attributes
    ----------
    loss : float
        Share of the rise that is lost along its middle.
    start, end : (float, float)
        Column and row [px].
    length : float
        Of what speaks for it less what speaks against it, as a share of the picture's width.
    effect : float
        What is lost along it at its warmest [K].
    """

    loss: float
    start: tuple[float, float]
    end: tuple[float, float]
    length: float
    effect: float


@dataclass(frozen=True, eq=False)
class _Line:
    """A stretch of a row in a turned picture; ``back`` brings (column, row, 1) to the picture before."""

    length: float
    turned: Array
    row: int
    first: int
    last: int
    back: Array

    @property
    def ends(self) -> tuple[Array, Array]:
        """Column and row of both ends in the picture that was turned."""
        first, last = (self.back @ np.array([at, self.row, 1.0]) for at in (self.first, self.last))
        return first, last


def shows_folds(inside: Mask) -> bool:
    """Tell whether a board (rows, columns) is seen in enough pixels for folds to be told from heat."""
    factor = _reduction(inside)
    return any(np.ptp(places) + 1 >= LEAST_ACROSS_PX * factor for places in np.nonzero(inside) if len(places))


def _reduction(picture: Array) -> int:
    return max(1, round(int(picture.shape[1]) / WIDTH_PX))


def find_crease(rise: Array, inside: Mask, *, outlines: Sequence[Array] = ()) -> Crease | None:
    """Return the line along which the same share of the rise is lost over most of the way; None without one.

    A fold of the film passes less, so a share of what lies below is lost, over parts and board alike, and nothing is
    lost where nothing is warm. In the logarithm of the rise it is the same dip all along. A place is compared with the
    parabola through four beside it, two and four pixels off, over which heat hardly bends. What crosses a line, an
    outline or a gradient, is as often brighter as darker there; what runs along it is not, so outlines of known parts
    that do are left out. Along each line places that lose alike speak for it, those that lose less against it; the
    stretch with the largest sum counts (Bentley, Communications of the ACM 27 (1984) 865). That a fold is a dark line
    is common practice, no source.

    Parameters
    ----------
    rise : (rows, columns) array
        Hot less cold picture, or above the surroundings [K]; NaN where not seen.
    inside : (rows, columns) array of bool
        The board without its edge.
    outlines : sequence of (n, 2) array
        Corners of known parts [px].
    """
    factor = _reduction(rise)
    picture = _searched(rise, inside)
    if not np.isfinite(picture).any() or not shows_folds(inside):
        return None
    closed = [np.concatenate([one, one[:1]]) for one in outlines]
    edges = np.concatenate([np.stack([one[:-1], one[1:]], axis=1) for one in closed]) if closed else np.zeros((0, 2, 2))
    lines = _clear_lines(picture, (edges - (factor - 1) / 2) / factor)
    best = max(lines, key=lambda line: line.length, default=None)
    return None if best is None else _measured(best, picture, factor)


def loss_along(rise: Array, inside: Mask, crease: Crease) -> float:
    """Return the share lost along a line against its sides in another picture (rows, columns) [K]; NaN if not seen.

    A fold loses the same share at any time; what heat draws grows blunter as it spreads.
    """
    factor = _reduction(rise)
    picture = _searched(rise, inside)
    first, last = (np.subtract(end, (factor - 1) / 2) / factor for end in (crease.start, crease.end))
    length = float(np.hypot(*(last - first)))
    way = (last - first) / max(length, 1e-9)
    along = np.arange(0.0, length)[None, :, None] * way
    across = np.arange(-1 - SIDES[1], 2 + SIDES[1])[:, None, None] * np.array([-way[1], way[0]])
    column, row = np.moveaxis((first + along + across).astype(np.float32), -1, 0)
    band = cv2.remap(picture, column, row, cv2.INTER_LINEAR, borderValue=(float("nan"),))
    dips = (_beside(band, SIDES) - band)[SIDES[1] : -SIDES[1]]
    told = [float(np.nanmedian(dip)) for dip in dips if np.isfinite(dip).sum() >= LEAST_PLACES]
    return max(told, default=float("nan"))


def _searched(rise: Array, inside: Mask) -> Array:
    """Return the logarithm of the rise on the board, made smaller where the picture is large; NaN where it is small."""
    factor = _reduction(rise)
    picture = np.log(np.where(inside & (rise > LEAST_RISE), rise, np.nan)).astype(np.float32)
    if factor == 1:
        return picture
    rows, columns = (side // factor for side in picture.shape)
    cut = picture[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
    return np.asarray(cut.mean(axis=(1, 3)))


def _clear_lines(picture: Array, edges: Array) -> Iterator[_Line]:
    """Yield lines that lose enough over enough of their length."""
    tables = [_weights(level) for level, _ in LEVELS]
    for angle in np.arange(TURNS) * 90.0 / TURNS:
        matrix, side = _matrix(picture.shape, float(angle))
        turned = cv2.warpAffine(picture, matrix, (side, side), flags=cv2.INTER_LINEAR, borderValue=(float("nan"),))
        ends = edges @ matrix[:, :2].T + matrix[:, 2]
        back = cv2.invertAffineTransform(matrix)
        for upright in (False, True):
            view = turned.T if upright else turned
            loss = _losses(view, ends[..., ::-1] if upright else ends)
            index = np.clip(np.nan_to_num(loss, nan=0.0) / STEP, -BOUND / STEP, BOUND / STEP).astype(np.int32)
            index = np.where(np.isfinite(loss), index + round(BOUND / STEP), -1)
            for table, (_, least) in zip(tables, LEVELS, strict=True):
                line = _best_stretch(table[index])
                if line[0] > least * picture.shape[1]:
                    way = back[:, [1, 0, 2]] if upright else back
                    yield _Line(line[0] / picture.shape[1], view, *line[1:], way)


def _weights(level: float) -> Array:
    """Return how much losses against the sides, by steps, speak for a fold of a level; last what is not seen."""
    share = np.arange(-round(BOUND / STEP), round(BOUND / STEP) + 1) * STEP / level
    weights = np.where(share < LEAST, -AGAINST * np.clip((LEAST - share) / LEAST, 0, 1), 1.0)
    weights[share <= ELSE] = -ELSE_AGAINST
    weights[share > MOST] = -UNSEEN_AGAINST
    return np.append(weights, -UNSEEN_AGAINST).astype(np.float32)


def _losses(turned: Array, ends: Array) -> Array:
    """Return the share lost at each place against rows beside it, at the darkest of three rows; NaN where not told."""
    sides = _beside(turned, SIDES) - turned
    seen = np.isfinite(sides) & (np.abs(sides) < 5 * BOUND)
    total = cv2.blur(np.where(seen, np.clip(sides, -BOUND, BOUND), 0).astype(np.float32), (SMOOTH_PX, 1))
    count = cv2.blur(seen.astype(np.float32), (SMOOTH_PX, 1))
    way = np.abs(ends[:, 1] - ends[:, 0])
    along = np.zeros(turned.shape, np.uint8)
    for one in ends[np.degrees(np.arctan2(way[:, 1], way[:, 0])) < PARALLEL]:
        first, last = one.round().astype(int).tolist()
        cv2.line(along, first, last, (1,), 2 * NEAR_OUTLINE_PX + 1)
    loss = np.where(seen & (along == 0), total / np.maximum(count, 0.2), -1.0).astype(np.float32)
    darkest = cv2.dilate(loss, np.ones((3, 1), np.uint8))
    return np.where(darkest > -1.0, darkest, np.nan)


def _beside(turned: Array, sides: tuple[int, int]) -> Array:
    """Return the parabola through four rows beside each, at its middle."""
    near, far = (np.roll(turned, side, axis=0) + np.roll(turned, -side, axis=0) for side in sides)
    a, b = (side**2 for side in sides)
    return np.asarray((b * near - a * far) / (2 * (b - a)))


def _best_stretch(weights: Array) -> tuple[float, int, int, int]:
    """Return the largest sum over a stretch of a row, with row, first and last column."""
    sums = np.pad(np.cumsum(weights, axis=1), ((0, 0), (1, 0)))
    gained = sums[:, 1:] - np.minimum.accumulate(sums[:, :-1], axis=1)
    row, last = (int(at) for at in np.unravel_index(int(np.argmax(gained)), gained.shape))
    return float(gained[row, last]), row, int(np.argmin(sums[row, : last + 1])), last


def _measured(line: _Line, picture: Array, factor: int) -> Crease:
    """Return a line with what is lost along it, in pixels of the whole picture."""
    rows = slice(max(line.row - 1, 0), line.row + 2)
    within = slice(line.first, line.last + 1)
    dips = [(_beside(line.turned, sides) - line.turned)[rows, within] for sides in (SIDES_OF_ALL, SIDES)]
    along = max((np.nanmedian(dip, axis=1).max() for dip in dips if np.isfinite(dip).any(axis=1).all()), default=0.0)
    loss = float(1 - np.exp(-max(along, 0.0)))
    warm = float(np.exp(np.nanquantile(line.turned[rows, within], 0.95)))
    (x0, y0), (x1, y1) = ((factor * end + (factor - 1) / 2).tolist() for end in line.ends)
    return Crease(loss, (x0, y0), (x1, y1), line.length, loss * warm)


def _matrix(shape: tuple[int, ...], angle: float) -> tuple[Array, int]:
    """Return the turn about the middle into a square that holds the picture, and the square's side."""
    side = int(np.ceil(np.hypot(shape[0], shape[1]))) + 2
    matrix = cv2.getRotationMatrix2D(((shape[1] - 1) / 2, (shape[0] - 1) / 2), angle, 1.0)
    matrix[:, 2] += (side - 1) / 2 - np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    return np.asarray(matrix), side
