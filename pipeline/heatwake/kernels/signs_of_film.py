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
LEAST_LOSS: Final = 0.012  # of the rise
VALLEY: Final = 0.3  # of such a loss at least, against either side alone
LONG: Final = 0.25  # of the picture's width: shorter lines may be the edge of a part
AGREE: Final = 0.6  # of the line's length


@dataclass(frozen=True)
class Crease:
    """A dark line.

    Attributes
    ----------
    loss : float
        Mean share of the rise that is lost along it.
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
    best: tuple[float, float, float, float, float] | None = None
    for angle in np.arange(ANGLES) * 180.0 / ANGLES:
        loss, darker = _losses(_turned(picture, float(angle)), _turned(outlines.astype(np.float32), float(angle)))
        agrees = cv2.blur(darker.astype(np.float32), (window, 1), borderType=cv2.BORDER_CONSTANT)
        lost = cv2.blur(np.where(darker, loss, 0).astype(np.float32), (window, 1), borderType=cv2.BORDER_CONSTANT)
        row, column = np.unravel_index(np.argmax(np.where(agrees >= AGREE, lost, 0)), lost.shape)
        if agrees[row, column] >= AGREE and (best is None or lost[row, column] > best[0]):
            best = (float(lost[row, column]), float(agrees[row, column]), float(angle), float(column), float(row))
    return None if best is None else _told(best, picture, outlines, window=window, factor=factor)


def _told(
    best: tuple[float, float, float, float, float], picture: Array, outlines: Mask, *, window: int, factor: int
) -> Crease:
    """Return a line found in a turned picture in pixels of the whole one, as far as it goes on."""
    lost, agrees, angle, column, row = best
    turned = _turned(picture, angle)
    loss, darker = _losses(turned, _turned(outlines.astype(np.float32), angle))
    dark = cv2.dilate(darker[int(row)][None].astype(np.uint8), np.ones((1, 7), np.uint8))[0]
    first = last = int(column)
    while first > 0 and dark[first - 1]:
        first -= 1
    while last < len(dark) - 1 and dark[last + 1]:
        last += 1
    first, last = min(first, int(column) - window // 2), max(last, int(column) + window // 2)
    back = cv2.invertAffineTransform(_matrix(picture.shape, angle)[0])
    ends = [back @ np.array([one, row, 1.0]) for one in (first, last)]
    along = slice(max(first, 0), last + 1)
    drop = np.where(darker[int(row), along], loss[int(row), along] * turned[int(row), along], np.nan)
    effect = float(np.nanquantile(drop, 0.95)) if np.isfinite(drop).any() else np.nan
    (x0, y0), (x1, y1) = ((factor * end + (factor - 1) / 2).tolist() for end in ends)
    return Crease(lost / agrees, (x0, y0), (x1, y1), agrees, effect)


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


def _losses(turned: Array, outlines: Array) -> tuple[Array, Mask]:
    """Return the share lost along each row against rows beside it, and where it is lost against both sides.

    A line may bend by a pixel to either side.
    """
    near, far = SIDES
    middle = turned
    up, down = np.roll(turned, near, axis=0), np.roll(turned, -near, axis=0)
    up_far, down_far = np.roll(turned, far, axis=0), np.roll(turned, -far, axis=0)
    expected = (4 * (up + down) - (up_far + down_far)) / 6  # parabola through the four, at the middle
    loss = 1 - middle / expected
    valley = 1 - middle / np.minimum(up, down)
    darker = (loss > LEAST_LOSS) & (valley > VALLEY * LEAST_LOSS)
    darker &= ~(outlines > 0.3)  # NaN is beyond the picture, where nothing is darker
    darker[:far] = darker[-far:] = False
    bent = cv2.dilate(np.where(darker, loss, 0).astype(np.float32), np.ones((3, 1), np.uint8))
    return bent, bent > 0
