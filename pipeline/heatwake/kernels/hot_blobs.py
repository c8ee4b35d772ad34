"""Hot blobs of every size: what is hotter than its surroundings, on a slope and on another's shoulder too.

Scale space: the map is smoothed to a row of widths, and where the negative Laplacian of one of them, times its
variance, is highest in place and width, something about as wide as the smoothing stands over its surroundings
(Lindeberg 1998, Int. J. Comput. Vision 30:79). A plane adds nothing to it: neither a warm room nor a slope of the
background is a blob.
"""

from dataclasses import dataclass, replace
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
from scipy import ndimage

Array = npt.NDArray[Any]

FINEST: Final = 2.0  # [px] standard deviation of the narrowest smoothing
STEP: Final = 2**0.5  # from one width to the next
LARGEST_SHARE: Final = 0.16  # of the map's shorter side, the widest: parts of up to a third of it
CONTRAST: Final = np.e / 2  # of a disc over its highest response, where its radius is sqrt(2) widths
HALF: Final = 0.5  # of its response: a blob reaches so far
RISEN: Final = (
    0.7  # of its contrast that a blob must have risen: what is merely less cold than its surroundings has not
)
REACH: Final = 4.0  # [widths] a blob is followed so far to each side
ROUND: Final = 0.12  # weaker over stronger curvature: below it is a ridge or an edge
RIM: Final = 1.0  # [widths] along the rim of what is seen, where half of the surroundings is not
CHILD: Final = 0.6  # of a blob's response that each of two blobs must have for it to be the two ...
SADDLE: Final = 0.8  # ... and of the lower one's, what is left between them at most
DENSE: Final = 0.75  # of a blob's contrast that a much narrower one within it must have to be a part of its own ...
ASIDE: Final = 0.5  # ... and how far from its middle that must lie [radii] ...
REMAINS: Final = 0.4  # ... and what must be left of the blob without it
MOST: Final = 80  # candidates a map


@dataclass(frozen=True)
class Blob:
    """Something that stands over its surroundings.

    Attributes
    ----------
    row, column : int
        Where the response is highest.
    width : float
        Standard deviation of the smoothing that suits it [px]; a disc's radius is 1.4 times that.
    contrast : float
        By how much it is hotter than its surroundings [K], were it a disc.
    rows, columns : slice
        The pixels that it takes, at most.
    mask : (rows, columns) bool array
        Which of these it takes.
    """

    row: int
    column: int
    width: float
    contrast: float
    rows: slice
    columns: slice
    mask: Array

    def covers(self, row: float, column: float) -> bool:
        """Tell whether a pixel lies in it."""
        at = round(row) - self.rows.start, round(column) - self.columns.start
        inside = 0 <= at[0] < self.mask.shape[0] and 0 <= at[1] < self.mask.shape[1]
        return bool(inside and self.mask[at])


class ScaleSpace:
    """A map's responses at a row of widths.

    Attributes
    ----------
    widths : tuple of float
        [px].
    responses : list of (ny, nx) arrays
        [K]; a blob's contrast is :data:`CONTRAST` times its highest.
    level : (ny, nx) array
        The map, its narrow faults taken off.
    inside : (ny, nx) array
        How far each pixel is from what is not seen [px].
    """

    def __init__(self, rise: Array) -> None:
        """Take a map (ny, nx) [K]; NaN where masked."""
        seen = np.isfinite(rise)
        self.level = _without_marks(_filled(rise, seen))
        framed = np.pad(seen.astype(np.uint8), 1)
        self.inside = cv2.distanceTransform(framed, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1]
        self.widths = scale_widths(rise.shape)
        self.smooth, self.responses = map(
            list, zip(*(responses(self.level, width) for width in self.widths), strict=True)
        )

    def within(self, number: int) -> Array:
        """Tell where (ny, nx) enough is seen on all sides for a blob of a numbered width."""
        return np.asarray(self.inside > RIM * self.widths[number])

    def at(self, row: float, column: float, *, width: float) -> float:
        """Return the contrast [K] of a blob of a width at a place; the highest within two pixels."""
        nearest = int(np.argmin(np.abs(np.log(np.array(self.widths) / width))))
        r, c = round(row), round(column)
        around = self.responses[nearest][max(r - 2, 0) : r + 3, max(c - 2, 0) : c + 3]
        return float(CONTRAST * around.max()) if around.size else 0.0

    def roundness(self, number: int, row: int, column: int) -> float:
        """Return the ratio of the two curvatures of a blob of a numbered width, the weaker over the stronger."""
        around = self.smooth[number][row - 1 : row + 2, column - 1 : column + 2].astype(np.float64)
        across, along = -around[1] @ (1, -2, 1), -around[:, 1] @ (1, -2, 1)
        mixed = (around[0, 0] + around[2, 2] - around[0, 2] - around[2, 0]) / 4
        middle, half = (across + along) / 2, np.hypot((across - along) / 2, mixed)
        return float((middle - half) / (middle + half)) if middle + half > 0 else 0.0


def scale_widths(shape: tuple[int, ...]) -> tuple[float, ...]:
    """Return the widths [px] at which a map of a shape is searched."""
    largest = max(LARGEST_SHARE * min(shape), FINEST)
    count = int(np.floor(np.log(largest / FINEST) / np.log(STEP))) + 1
    return tuple(FINEST * STEP**number for number in range(count))


def find_blobs(space: ScaleSpace, *, least: float, share: float, crowded: bool = False) -> list[Blob]:
    """Return blobs of at least ``least`` [K], and of a share of the rise where they lie, highest contrast first.

    In a crowded map a part whose neighbours answer with it at larger widths has no width of its own: there each width's
    maxima are blobs, corners of even parts too.

    Where several lie in one another the one of highest contrast stays: a large part is hotter in its corners at a small
    width, yet hotter as a whole at a large one.
    """
    found: list[Blob] = []
    for width, row, column, contrast in _candidates(space, least=least, share=share, crowded=crowded):
        if any(one.covers(row, column) for one in found):
            continue
        blob = _grown(space, width, (row, column), contrast)
        inside = [one for one in found if blob.covers(one.row, one.column)]
        if not inside or (len(inside) == 1 and _apart(blob, inside[0])):
            pieces = _split(space, blob, number=width)
            found += [one for one in pieces if not any(other.covers(one.row, one.column) for other in found)]
    return found


def _split(space: ScaleSpace, blob: Blob, *, number: int) -> list[Blob]:
    """Return the blobs that a blob falls apart into at the next narrower width, itself where it does not.

    Two that stand side by side answer together at a width that spans both.
    """
    if not number:
        return [blob]
    response = space.responses[number - 1][blob.rows, blob.columns]
    high = np.where(blob.mask, response, 0) >= CHILD * blob.contrast / CONTRAST
    top = response >= cv2.dilate(response, np.ones((3, 3), np.uint8))
    rows, columns = np.nonzero(high & top & space.within(number - 1)[blob.rows, blob.columns])
    peaks = sorted(zip(rows.tolist(), columns.tolist(), strict=True), key=lambda at: -response[at])
    kept: list[tuple[int, int]] = []
    for at in peaks:
        if all(_saddle(response, at, other) < SADDLE * response[at] for other in kept):
            kept.append(at)
    if len(kept) < 2:
        return _parted(space, blob, number=number)
    places = [(r + blob.rows.start, c + blob.columns.start) for r, c in kept]
    return [_grown(space, number - 1, at, float(CONTRAST * space.responses[number - 1][at])) for at in places]


def _parted(space: ScaleSpace, blob: Blob, *, number: int) -> list[Blob]:
    """Return a blob without the much narrower one that answers as strongly on its side, and that one; or itself.

    A small dense part that touches a large one hides it at every width: the corners of an even part answer half as
    strongly as the whole.
    """
    middle = np.argwhere(blob.mask).mean(axis=0) + np.array([blob.rows.start, blob.columns.start])
    best: Blob | None = None
    for narrow in range(number - 1):
        response = space.responses[narrow][blob.rows, blob.columns]
        high = np.where(blob.mask & space.within(narrow)[blob.rows, blob.columns], response, 0)
        row, column = (int(at) for at in np.unravel_index(np.argmax(high), high.shape))
        at, contrast = (row + blob.rows.start, column + blob.columns.start), float(CONTRAST * high[row, column])
        aside = np.hypot(*(at - middle)) > ASIDE * STEP * blob.width
        if contrast >= max(DENSE * blob.contrast, best.contrast if best else 0.0) and aside:
            best = _grown(space, narrow, at, contrast)
    if best is None:
        return [blob]
    rest = blob.mask.copy()
    rows, columns = np.nonzero(best.mask)
    rows, columns = rows + best.rows.start - blob.rows.start, columns + best.columns.start - blob.columns.start
    inside = (rows >= 0) & (rows < rest.shape[0]) & (columns >= 0) & (columns < rest.shape[1])
    rest[rows[inside], columns[inside]] = False
    if rest.sum() < REMAINS * blob.mask.sum():
        return [blob]
    row, column = (round(float(at)) for at in np.argwhere(rest).mean(axis=0))
    place = row + blob.rows.start, column + blob.columns.start
    return [best, replace(blob, row=place[0], column=place[1], mask=rest)]


def _saddle(response: Array, first: tuple[int, int], second: tuple[int, int]) -> float:
    """Return the lowest response on the straight line between two places."""
    count = int(max(abs(first[0] - second[0]), abs(first[1] - second[1]))) + 1
    rows, columns = (np.round(np.linspace(a, b, count)).astype(int) for a, b in zip(first, second, strict=True))
    return float(response[rows, columns].min())


def _apart(blob: Blob, other: Blob) -> bool:
    return float(np.hypot(blob.row - other.row, blob.column - other.column)) > STEP * max(other.width, blob.width)


def _candidates(space: ScaleSpace, *, least: float, share: float, crowded: bool) -> list[tuple[int, int, int, float]]:
    """Return number of the width, row, column and contrast of all maxima in place and width, highest first."""
    found = []
    tops = [cv2.dilate(response, np.ones((3, 3), np.uint8)) for response in space.responses]
    wanted = np.maximum(least, share * space.level) / CONTRAST
    for number, response in enumerate(space.responses):
        top = tops[number] if crowded else np.max(tops[max(number - 1, 0) : number + 2], axis=0)
        rows, columns = np.nonzero(
            (response >= top)
            & (response >= wanted)
            & space.within(number)
            & (space.level >= RISEN * CONTRAST * response)
        )
        found += [
            (number, row, column, float(CONTRAST * response[row, column]))
            for row, column in zip(rows.tolist(), columns.tolist(), strict=True)
            if space.roundness(number, row, column) >= ROUND
        ]
    return sorted(found, key=lambda one: -one[3])[: MOST * (1 + crowded)]


def _grown(space: ScaleSpace, number: int, place: tuple[int, int], contrast: float) -> Blob:
    """Return a blob with the pixels round its place where its response is at least half."""
    reach = int(np.ceil(REACH * space.widths[number]))
    shape = space.level.shape
    rows, columns = (
        slice(max(at - reach, 0), min(at + reach + 1, size)) for at, size in zip(place, shape, strict=True)
    )
    high = space.responses[number][rows, columns] >= HALF * contrast / CONTRAST
    pieces, _ = ndimage.label(high)
    mask = pieces == pieces[place[0] - rows.start, place[1] - columns.start]
    return Blob(*place, space.widths[number], contrast, rows, columns, mask)


def responses(level: Array, width: float) -> tuple[Array, Array]:
    """Return a map (ny, nx) float32 smoothed to a width [px], and how much it bends down there: its response [K]."""
    smooth = cv2.GaussianBlur(level, (0, 0), width, borderType=cv2.BORDER_REPLICATE)
    bend = -(width**2) * cv2.Laplacian(smooth, cv2.CV_32F, ksize=1, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(smooth), np.asarray(bend)


def ripple(noise: float, width: float) -> float:
    """Return the standard deviation of the response [K] to white noise of a standard deviation [K], in closed form."""
    return float(noise / np.sqrt(2 * np.pi) / width)


def _filled(rise: Array, seen: Array) -> Array:
    """Return the map with what is masked taken from the nearest that is seen."""
    if seen.all() or not seen.any():
        return np.where(seen, rise, 0).astype(np.float32)
    _, nearest = ndimage.distance_transform_edt(~seen, return_indices=True)
    return np.asarray(rise[tuple(nearest)], dtype=np.float32)


def _without_marks(level: Array) -> Array:
    """Return the map without what is narrower than two pixels: prints, pads, single noisy pixels."""
    return np.asarray(cv2.medianBlur(level, 5))
