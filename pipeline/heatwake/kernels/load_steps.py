"""Loads that come or go, found by the jump in slope that each makes where it is, before its heat has spread.

Whatever else a board does it does smoothly: heat spreads, fans and rooms drift, a part nears its end. A load that comes
or goes changes the slope of its own place at once, by power over heat capacity; right after it the departure from what
was to be expected is as sharp as the part itself, has none of what was hot before, and none of a neighbour that did
not come with it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from heatwake.kernels.hot_blobs import CONTRAST, Blob, ScaleSpace, find_blobs, responses, ripple
from heatwake.kernels.plates import Plate, find_plates, plate_contrast

Array = npt.NDArray[Any]

BLOCK: Final = 4  # [px] side of the blocks whose slopes are watched
CERTAIN: Final = 8.0  # [standard deviations] a block's jump in slope
SUDDEN: Final = 3.0  # times as large as just before: what relaxes after a step bends less and less
RELAXED: Final = 0.2  # of a jump within RECENT maps before, under which another is its heat on its way
RECENT: Final = 3  # maps
BEFORE: Final = 3  # maps at most whose slope tells what was to be expected
AFTER: Final = 2  # maps of which a departure is taken: with less, part of it may be from before the load came
LATER: Final = (2, 4, 8)  # maps after which it is asked how far a load has made its place stand out
SURE: Final = 6.0  # [standard deviations] a blob of a departure
LEVEL: Final = 0.05  # of the level where it lies: as much as emissivity is unsure, and edges
CLEAR: Final = 5.0  # [standard deviations] the response along an edge of a part ...
EDGE: Final = 0.02  # ... and that as a share of the level
DIP: Final = 0.25  # of the lower of two edges' responses that is left between two parts at most ...
FLAT: Final = 0.005  # ... and as a share of the level
ALONE: Final = 10  # [px] shorter side of a plate that is a part though it has no blob
PLAIN: Final = 0.012  # strength from which a smaller one is too
SPANNED: Final = 2  # plates that a blob is but the sum of
NARROW: Final = 0.7  # of a plate's width, below which a blob in it is but one of its corners
ROUND: Final = 2**0.5  # radius over width of a disc's blob
OWN: Final = 1.5  # times that a blob's bend must be what it was just before
MAD: Final = 0.6745  # of a standard deviation (normal)


@dataclass(frozen=True)
class LoadStep:
    """A load that came (+1) or went (-1) after a map.

    Attributes
    ----------
    base, sign : int
    blob : Blob
        Where.
    contrast : float
        Of its blob as far as it grew [K].
    whole : bool
        Whether its edges are seen on all sides.
    """

    base: int
    sign: int
    blob: Blob
    contrast: float
    whole: bool = False


def find_load_steps(maps: Array, elapsed: Array, *, least: float) -> list[LoadStep]:
    """Return the loads that came and went.

    Parameters
    ----------
    maps : (time, ny, nx) array
        In the order of time [K]; NaN where masked.
    elapsed : (time,) array
        [s], increasing.
    least : float
        Contrast that the load's place must reach within some maps [K].
    """
    if len(maps) < 2 * BEFORE:
        return []
    found: list[LoadStep] = []
    noise = _pixel_noise(maps)
    bases = step_times(maps, elapsed)
    for base, departure, spread in departures(maps, elapsed, bases):
        for sign in (1, -1):
            for blob, whole in _blobs(sign * departure, noise=spread * noise):
                contrast = _grows(maps, base, blob, sign=sign, whole=whole)
                if contrast >= least and _is_sudden(maps, elapsed, base, blob=blob, sign=sign):
                    found.append(LoadStep(base, sign, blob, contrast, whole))
    return found


def step_times(maps: Array, elapsed: Array) -> list[int]:
    """Return the maps after which some block's slope jumps, in the order of time; parameters as above."""
    size = maps.shape[2] // BLOCK, maps.shape[1] // BLOCK
    if not min(size):
        return []
    blocks = np.stack([cv2.resize(one.astype(np.float32), size, interpolation=cv2.INTER_AREA) for one in maps])
    bend = np.abs(np.nan_to_num(_bends(blocks, elapsed)))
    noise = np.median(bend[bend > 0]) / MAD if (bend > 0).any() else 1.0
    edge = np.zeros_like(bend[:1])
    before, after = np.concatenate([edge, bend[:-1]]), np.concatenate([bend[1:], edge])
    earlier = np.concatenate([edge, edge, bend[:-2]])
    sudden = (bend >= before) & (bend >= after) & (bend > CERTAIN * noise) & (bend + after > SUDDEN * earlier)
    height = np.where(sudden, bend, 0).max(axis=(1, 2)) / noise
    found: list[int] = []
    for number in np.flatnonzero(height):
        if height[max(number - RECENT, 0) : number].max(initial=0) * RELAXED > height[number]:
            continue
        partly = sudden[number] & (before[number] > CERTAIN / 2 * noise)
        base = int(number) - (2 * int(partly.sum()) > int(sudden[number].sum()))
        if base >= 0 and base not in found:
            found.append(base)
    return found


def departures(maps: Array, elapsed: Array, bases: Sequence[int]) -> Iterator[tuple[int, Array, float]]:
    """Yield for each base how far maps soon after it are from what its slope lets expect (ny, nx) [K].

    With each comes the standard deviation of its noise, in those of one map.
    """
    for rank, base in enumerate(bases):
        first = max(base - BEFORE, bases[rank - 1] + 1 if rank else 0, 0)
        end = min(base + AFTER, len(maps) - 1)
        span = elapsed[end] - elapsed[base]
        ratio = float(span / (elapsed[base] - elapsed[first])) if first < base else 0.0
        expected = maps[base] + ratio * (maps[base] - maps[first])
        yield base, maps[end] - expected, float(np.sqrt(1 + (1 + ratio) ** 2 + ratio**2))


def _bends(values: Array, elapsed: Array) -> Array:
    """Return how far the next map is from the line through a map and the one before, in the noise of equal steps.

    Before the first map nothing is known: what warms up from there on bends there, what cools down does not.
    """
    step, change = np.diff(elapsed), np.diff(values, axis=0)
    bend = np.zeros(values.shape)
    ratio = (step[1:] / step[:-1])[:, None, None]
    bend[1:-1] = (change[1:] - ratio * change[:-1]) / np.sqrt((1 + (1 + ratio) ** 2 + ratio**2) / 6)
    bend[0] = np.maximum(change[0], 0)
    return bend


def _pixel_noise(maps: Array) -> float:
    """Return the standard deviation of a map's noise [K], from second differences in time."""
    some = maps[:, ::2, ::2].astype(np.float64)
    bend = np.abs(some[2:] - 2 * some[1:-1] + some[:-2])
    bend = bend[np.isfinite(bend)]
    return float(np.median(bend) / MAD / np.sqrt(6)) if bend.size else 0.0


def _blobs(departure: Array, *, noise: float) -> list[tuple[Blob, bool]]:
    """Return the blobs of a departure, each part once, and whether the edges of each are seen."""
    space = ScaleSpace(departure)
    rippled = ripple(noise, space.widths[0])
    found: list[Blob] = []
    for blob in find_blobs(space, least=SURE * CONTRAST * rippled, share=LEVEL, crowded=True):
        if not any(_joined(space, blob, one, noise=rippled) for one in found):
            found.append(blob)
    whole: list[Blob] = []
    for plate in find_plates(space.level, noise=noise):
        within = [one for one in found if plate.holds(one.row, one.column)]
        found = [one for one in found if one not in within]
        if within or min(plate.sides) >= ALONE or plate.strength >= PLAIN:
            whole.append(_blob_of(plate, within[0] if within else None))
    rest = [one for one in found if sum(one.covers(plate.row, plate.column) for plate in whole) < SPANNED]
    return [*((one, True) for one in whole), *((one, False) for one in rest)]


def _blob_of(plate: Plate, blob: Blob | None) -> Blob:
    """Return the blob of a plate, as strong as the one that lies in it where there is one."""
    rows, columns = plate.rows, plate.columns
    least = min(plate.sides) / 2 / ROUND
    width, contrast = (blob.width, blob.contrast) if blob and blob.width > NARROW * least else (least, 0.0)
    middle = (rows.start + rows.stop) // 2, (columns.start + columns.stop) // 2
    return Blob(*middle, width, contrast, rows, columns, np.ones(plate.sides, dtype=bool))


def _joined(space: ScaleSpace, blob: Blob, other: Blob, *, noise: float) -> bool:
    """Tell whether a blob is a corner or an edge of a stronger one: even parts answer there too.

    Where one part ends and another begins the finest response falls to nothing between the edges of both; from a corner
    of a part to its middle it falls and does not rise again.
    """
    away = float(np.hypot(blob.row - other.row, blob.column - other.column))
    count = int(np.ceil(away)) + 1
    rows, columns = (
        np.round(np.linspace(a, b, count)).astype(int) for a, b in ((blob.row, other.row), (blob.column, other.column))
    )
    between, level = space.responses[0][rows, columns], np.abs(space.level[rows, columns])
    edges = np.minimum(np.maximum.accumulate(between), np.maximum.accumulate(between[::-1])[::-1])
    ends = (edges > CLEAR * noise + EDGE * level) & (between < np.minimum(DIP * edges, FLAT * level))
    return not bool(ends.any())


def _grows(maps: Array, base: int, blob: Blob, *, sign: int, whole: bool) -> float:
    """Return the highest contrast [K] that a load has made at its place some maps later."""
    highest = blob.contrast
    reach = int(np.ceil(4 * blob.width)) + 3
    rows, columns = (slice(max(at - reach, 0), at + reach + 1) for at in (blob.row, blob.column))
    place = blob.row - rows.start, blob.column - columns.start
    for later in LATER[1:]:
        if base + later < len(maps):
            change = sign * (maps[base + later] - maps[base])
            highest = max(highest, _contrast(change[rows, columns], place, width=blob.width))
            if whole:
                highest = max(highest, plate_contrast(change, blob.rows, blob.columns))
    return highest


def _contrast(change: Array, place: tuple[int, int], *, width: float) -> float:
    _, response = responses(np.nan_to_num(change.astype(np.float32)), width)
    return float(CONTRAST * response[place])


def _is_sudden(maps: Array, elapsed: Array, base: int, *, blob: Blob, sign: int) -> bool:
    """Tell whether a place bends more than just before: heat of an earlier step that eases off bends less and less."""
    first, end = max(base - 2, 0), min(base + AFTER + 1, len(maps))
    inside = maps[first:end, blob.rows, blob.columns][:, blob.mask]
    level = np.nanmean(inside, axis=1)[:, None, None] if np.isfinite(inside).any() else np.zeros((end - first, 1, 1))
    bend = sign * _bends(level, elapsed[first:end])[:, 0, 0]
    at = base - first
    own = bend[at : at + AFTER].max(initial=0.0)
    return bool(own > OWN * np.abs(bend[1:at]).max(initial=0.0)) if at > 1 else bool(own > 0)
