"""Signs of things mirrored, in a look at a recording: by the cold board's surface, by the film."""

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

FINE: Final = 0.8  # [px] the sensor's own pattern is averaged over this
COARSE_SHARE: Final = 1 / 32  # of the picture's width: structure coarser than this is no edge of a material
OFF: Final = 0.5  # of the least departure, that a patch must also have from the whole board's middle
LEAST_PATCH: Final = 5  # pixels
CELLS: Final = 32  # across the picture, in which a round image is sought
RADII: Final = (0.10, 0.14, 0.19, 0.25, 0.32)  # of the picture's width, to half height
OFF_AXIS: Final = 0.22  # of the picture's width: the camera's own image lies near the middle
EXPLAINED: Final = 0.55  # of what a plane leaves, by variance


@dataclass(frozen=True, eq=False)
class Patches:
    """Patches of a picture that stand out of their surroundings.

    Attributes
    ----------
    largest : float
        Departure of the strongest, with its sign [K]; 0 where there is none.
    centres : (n, 2) array
        Column and row, the strongest first.
    sizes : (n,) array
        Strongest departure of each [K].
    marked : (rows, columns) array of bool
    """

    largest: float
    centres: Array
    sizes: Array
    marked: Mask


def uneven_patches(picture: Array, inside: Mask, *, least: float) -> Patches:
    """Return what stands out of an unpowered board that is all of one temperature: emissivity, mirrored surroundings.

    Parameters
    ----------
    picture : (rows, columns) array
        Mean of pictures before power-on [degC].
    inside : (rows, columns) array of bool
        The board.
    least : float
        Smallest departure that counts [K].
    """
    known = inside & np.isfinite(picture)
    coarse = max(3.0, COARSE_SHARE * picture.shape[1])
    fine = _mean_within(picture, known, FINE)
    departure = np.where(known, fine - _mean_within(picture, known, coarse), 0.0)
    off = fine - (
        np.median(fine[known]) if known.any() else 0.0
    )  # what is beside a patch departs from it, not from this
    marked = (np.abs(departure) > least) & (off * np.sign(departure) > OFF * least)
    count, labels, statistics, centres = cv2.connectedComponentsWithStats(marked.astype(np.uint8), connectivity=8)
    large = [one for one in range(1, count) if statistics[one, cv2.CC_STAT_AREA] >= LEAST_PATCH]
    peaks = [_peak(departure[labels == one]) for one in large]
    order = sorted(range(len(large)), key=lambda one: -abs(peaks[one]))
    return Patches(
        peaks[order[0]] if order else 0.0,
        np.array([centres[large[one]] for one in order]).reshape(-1, 2),
        np.array([peaks[one] for one in order]),
        np.isin(labels, large),
    )


def _peak(values: Array) -> float:
    return float(values[np.argmax(np.abs(values))])


def _mean_within(picture: Array, known: Mask, reach: float) -> Array:
    """Return the Gaussian mean over known pixels."""
    weight = cv2.GaussianBlur(known.astype(np.float32), (0, 0), reach)
    level = float(picture[known].mean()) if known.any() else 0.0
    total = cv2.GaussianBlur(np.where(known, picture - level, 0).astype(np.float32), (0, 0), reach)
    return np.asarray(level + total / np.maximum(weight, 1e-3))


@dataclass(frozen=True)
class RoundImage:
    """A round brightening near the optical axis.

    Attributes
    ----------
    height : float
        [K]; 0 where there is none.
    column, row, radius : float
        [px]
    explained : float
        Share of the variance beside a plane.
    """

    height: float = 0.0
    column: float = np.nan
    row: float = np.nan
    radius: float = np.nan
    explained: float = 0.0


def round_image(picture: Array, inside: Mask) -> RoundImage:
    """Return the round, blurred patch near the picture's middle that explains most of a cold board's unevenness.

    A camera sees itself in a film that it faces; its image is a warm disc, out of focus, that stays with the sensor
    (common practice, no source).

    Parameters
    ----------
    picture : (rows, columns) array
        Mean of pictures before power-on, as the sensor saw them [degC].
    inside : (rows, columns) array of bool
        The board.
    """
    cells, column, row = _cells(picture, inside)
    if len(cells) < 40:
        return RoundImage()
    rows, columns = picture.shape
    plane = np.stack([np.ones_like(column), column / columns, row / columns], axis=1)
    project = np.eye(len(cells)) - plane @ np.linalg.pinv(plane)
    left = project @ cells
    total = float(left @ left)
    best = RoundImage()
    for centre in _centres(rows, columns):
        distance = np.hypot(column - centre[0], row - centre[1]) / columns
        for radius in RADII:
            disc = project @ (1 / (1 + np.exp((distance - radius) / (0.15 * radius))))
            power = float(disc @ disc)
            if power < 1e-6:
                continue
            height = float(disc @ left) / power
            explained = height**2 * power / max(total, 1e-12)
            if explained > best.explained:
                best = RoundImage(height, float(centre[0]), float(centre[1]), radius * columns, explained)
    return best


def _centres(rows: int, columns: int) -> Array:
    off = np.arange(-OFF_AXIS, OFF_AXIS + 1e-9, 0.04) * columns
    right, down = np.meshgrid(off, off)
    near = np.hypot(right, down) <= OFF_AXIS * columns
    return np.stack([(columns - 1) / 2 + right[near], (rows - 1) / 2 + down[near]], axis=1)


def _cells(picture: Array, inside: Mask) -> tuple[Array, Array, Array]:
    """Return medians of square cells that lie on the board, with the columns and rows of their middles."""
    side = max(1, round(picture.shape[1] / CELLS))
    rows, columns = (length // side for length in picture.shape)
    cut = picture[: rows * side, : columns * side].reshape(rows, side, columns, side)
    known = (inside & np.isfinite(picture))[: rows * side, : columns * side].reshape(rows, side, columns, side)
    full = known.all(axis=(1, 3))
    medians = np.median(cut.swapaxes(1, 2).reshape(rows, columns, -1), axis=2)
    row, column = np.nonzero(full)
    middle = (side - 1) / 2
    return medians[full], column * side + middle, row * side + middle
