"""Signs of a creased film in a look at a recording: a straight dark line across whatever lies below."""

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

WIDTH_PX: Final = 200  # of the picture that is searched: larger ones are made smaller
LEAST_RISE: Final = 3.0  # [K] above the surroundings, for a share of it to tell anything
ANGLES: Final = 72  # over half a turn
SIDES: Final = (3, 6)  # [px] off a line, that tell what would be seen without it
ALIKE: Final = 2.5  # times more or less than their median may losses along a fold be
LEAST_LOSS: Final = 0.01  # of the rise
EDGE: Final = 0.7  # of a loss, that both sides may differ by beside an even slope: the edge of a part differs by 1
LONG: Final = 0.3  # of the picture's width: shorter lines may be the edge of a part
AGREE: Final = 0.72  # of the line's length that tells anything
TELLS: Final = 0.6  # of the line's length must: edges of parts do not


@dataclass(frozen=True)
class Crease:
    """A dark line.

    Attributes
    ----------
    loss : float
        Median share of the rise that is lost along it.
    start, end : (float, float)
        Column and row [px].
    agrees : float
        Share of its length that is darker than both sides.
    effect : float
        Largest loss along it [K].
    """

    loss: float
    start: tuple[float, float]
    end: tuple[float, float]
    agrees: float
    effect: float


def find_crease(rise: Array, inside: Mask, *, outlines: Mask) -> Crease | None:
    """Return the line along which most of the way the same share of the rise is lost; None without one.

    A fold of the film passes less, so a share of what lies below is lost, over parts and board alike, and nothing is
    lost where nothing is warm. Across the line the middle is compared with the parabola through four places beside it,
    and must be darker than either side: neither a warm valley nor the edge of a part is. (Common practice, no source.)

    Parameters
    ----------
    rise : (rows, columns) array
        Hot less cold picture, or above the surroundings [K]; NaN where not seen.
    inside : (rows, columns) array of bool
        The board without its edge.
    outlines : (rows, columns) array of bool
        Edges of known parts and what lies so near that they show there: darker places there tell nothing.
    """
    factor = max(1, round(rise.shape[1] / WIDTH_PX))
    picture = np.where(inside & (rise > LEAST_RISE), rise, np.nan).astype(np.float32)
    if factor > 1:
        rows, columns = (side // factor for side in picture.shape)
        cut = picture[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
        picture = cut.mean(axis=(1, 3))
        near = outlines[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
        outlines = np.asarray(near.any(axis=(1, 3)))
    if not np.isfinite(picture).any():
        return None
    window = max(round(LONG * picture.shape[1]), 2 * SIDES[1])
    found: list[tuple[float, float, float, int, int]] = []
    for angle in np.arange(ANGLES) * 180.0 / ANGLES:
        turned = _turned(picture, float(angle)), _turned(outlines.astype(np.float32), float(angle))
        loss, darker, tells = _losses(*turned)
        dark, known, lost = (
            cv2.blur(np.asarray(one, dtype=np.float32), (window, 1), borderType=cv2.BORDER_CONSTANT)
            for one in (darker, tells, np.where(darker, loss, 0))
        )
        agrees = np.where(known >= TELLS, dark / np.maximum(known, TELLS), 0.0)
        score = np.where(agrees >= AGREE, lost, 0)
        row, column = np.unravel_index(int(np.argmax(score)), score.shape)
        if score[row, column] > 0:
            found.append((float(score[row, column]), float(agrees[row, column]), float(angle), int(column), int(row)))
    for one in sorted(found, reverse=True):
        crease = _told(one, picture, outlines, window=window, factor=factor)
        if crease is not None:
            return crease
    return None


def _told(
    one: tuple[float, float, float, int, int], picture: Array, outlines: Mask, *, window: int, factor: int
) -> Crease | None:
    """Return a line found in a turned picture, in pixels of the whole one; None for a row of spots.

    A row of bare pads is dark here and there, a fold alike all along.
    """
    _, agrees, angle, column, row = one
    turned = _turned(picture, angle)
    loss, darker, _ = _losses(turned, _turned(outlines.astype(np.float32), angle))
    within = slice(max(column - window // 2, 0), column + window // 2 + 1)
    along = loss[row, within][darker[row, within]]
    middle = float(np.median(along))
    alike = (along > middle / ALIKE) & (along < middle * ALIKE)
    if alike.mean() < AGREE or middle < LEAST_LOSS:
        return None
    dark = cv2.dilate(darker[row][None].astype(np.uint8), np.ones((1, 7), np.uint8))[0] > 0
    inside = np.flatnonzero(darker[row, within]) + within.start
    first, last = int(inside[0]), int(inside[-1])
    while first > 0 and dark[first - 1]:
        first -= 1
    while last < len(dark) - 1 and dark[last + 1]:
        last += 1
    back = cv2.invertAffineTransform(_matrix(picture.shape, angle)[0])
    ends = [back @ np.array([at, row, 1.0]) for at in (first, last)]
    drop = loss[row, first : last + 1] * turned[row, first : last + 1]
    effect = float(np.nanquantile(drop[darker[row, first : last + 1]], 0.95))
    (x0, y0), (x1, y1) = ((factor * end + (factor - 1) / 2).tolist() for end in ends)
    return Crease(middle, (x0, y0), (x1, y1), agrees, effect)


def _matrix(shape: tuple[int, ...], angle: float) -> tuple[Array, int]:
    """Return the turn about the middle into a square that holds the picture, and the square's side."""
    side = int(np.ceil(np.hypot(shape[0], shape[1]))) + 2
    matrix = cv2.getRotationMatrix2D(((shape[1] - 1) / 2, (shape[0] - 1) / 2), angle, 1.0)
    matrix[:, 2] += (side - 1) / 2 - np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    return np.asarray(matrix), side


def _turned(picture: Array, angle: float) -> Array:
    matrix, side = _matrix(picture.shape, angle)
    return np.asarray(
        cv2.warpAffine(picture, matrix, (side, side), flags=cv2.INTER_LINEAR, borderValue=(float("nan"),))
    )


def _losses(turned: Array, outlines: Array) -> tuple[Array, Mask, Mask]:
    """Return the share lost along each row against rows beside it, where it is a dark line's, and where it tells."""
    near, far = SIDES
    up, down = np.roll(turned, near, axis=0), np.roll(turned, -near, axis=0)
    up_far, down_far = np.roll(turned, far, axis=0), np.roll(turned, -far, axis=0)
    expected = (4 * (up + down) - (up_far + down_far)) / 6  # parabola through the four, at the middle
    loss = 1 - turned / expected
    odd = np.abs((up - down) - (up_far - down_far) * near / far) / expected  # of an edge, not of a slope
    tells = np.isfinite(loss) & ~(outlines > 0.3)  # NaN is beyond the picture
    tells[:far] = tells[-far:] = False
    darker = (loss > LEAST_LOSS) & (odd < EDGE * loss) & tells
    return np.nan_to_num(loss), darker, tells
