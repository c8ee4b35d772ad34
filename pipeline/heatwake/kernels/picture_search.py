"""Where roughly one picture shows what another shows: turns and zooms one by one, shifts by Fourier transform."""

from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft

from heatwake.kernels.alignment import normalise_contrast

Array = npt.NDArray[np.floating[Any]]

SEARCH_PIXELS: Final = 7_500  # of a picture that is searched: 100x75
TURNS: Final = np.arange(-28.0, 28.1, 4.0)  # [deg]
ZOOMS: Final = np.exp(np.linspace(np.log(0.68), np.log(1.47), 11))
LEAST_SHARED: Final = 0.15  # of the smaller picture that both show, at least
PEAKS: Final = 3  # of one turn and zoom that are kept
RIVAL: Final = 0.6  # of the highest score, below which a place is not worth a look
APART: Final = 0.06  # of the picture's longer side: nearer places are one


def shrunk(picture: Array, pixels: int) -> tuple[Array, Array]:
    """Return a picture of about so many pixels at most, and the (3, 3) map from its pixels to those of the whole.

    Parameters
    ----------
    picture : (rows, columns) array
        NaN where masked: a pixel of which more than half is masked is NaN too.
    pixels : int
    """
    rows, columns = picture.shape
    factor = max(1.0, float(np.sqrt(rows * columns / pixels)))
    size = (max(1, round(columns / factor)), max(1, round(rows / factor)))
    known = np.isfinite(picture)
    share = cv2.resize(known.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    total = cv2.resize(np.where(known, picture, 0).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    small = np.where(share > 0.5, total / np.maximum(share, 1e-6), np.float32(np.nan))
    across, down = columns / size[0], rows / size[1]
    return small, np.array([[across, 0, (across - 1) / 2], [0, down, (down - 1) / 2], [0, 0, 1]])


def rough_matches(first: Array, second: Array, *, count: int) -> list[Array]:
    """Return similarities under which two pictures look alike, the likeliest first.

    Masked normalised correlation by fast Fourier transform (Padfield, IEEE Trans. Image Process. 21 (2012) 2706), of
    local contrast; each peak counts by how far it stands out of what chance gives in an overlap of its size.

    Parameters
    ----------
    first, second : (rows, columns) arrays
        NaN where masked; sizes may differ.
    count : int
        Of places at most.

    Returns
    -------
    list of (3, 3) arrays
        From pixels of the first to pixels of the second.
    """
    small, to_first = shrunk(first, SEARCH_PIXELS)
    other, to_second = shrunk(second, SEARCH_PIXELS)
    shape = [fft.next_fast_len(sum(sides), real=True) for sides in zip(small.shape, other.shape, strict=True)]
    still = _spectra(_clipped(small), np.isfinite(small).astype(np.float32), (shape[0], shape[1]))
    contrast, known = _clipped(other), np.isfinite(other).astype(np.float32)
    least = LEAST_SHARED * min(small.size, other.size)
    found: list[tuple[float, Array]] = []
    for zoom in ZOOMS:
        for turn in TURNS:
            matrix = _similarity(turn, zoom, small.shape, other.shape)
            moved = [_warp(layer, matrix, small.shape) for layer in (contrast, known)]
            scores = _scores(still, _spectra(moved[0], moved[1], (shape[0], shape[1])), shape, least=least)
            found += [(score, matrix @ shift) for score, shift in _peaks(scores)]
    found.sort(key=lambda one: -one[0])
    found = [one for one in found if one[0] >= RIVAL * found[0][0]]
    back = np.linalg.inv(to_first)
    chosen = _distinct([matrix for _, matrix in found], small.shape, count=count)
    return [to_second @ matrix @ back for matrix in chosen]


def _clipped(picture: Array) -> Array:
    """Local contrast, in which no line counts for more than print does: two boards may have one outline."""
    return np.clip(normalise_contrast(picture), -1.5, 1.5)


def _similarity(turn: float, zoom: float, shape: tuple[int, ...], other: tuple[int, ...]) -> Array:
    """Return the map that turns and zooms about the pictures' centres."""
    (row, column), (to_row, to_column) = ((np.array(one) - 1) / 2 for one in (shape, other))
    cos, sin = zoom * np.cos(np.radians(turn)), zoom * np.sin(np.radians(turn))
    linear = np.array([[cos, sin], [-sin, cos]])
    matrix = np.eye(3)
    matrix[:2, :2], matrix[:2, 2] = linear, np.array([to_column, to_row]) - linear @ [column, row]
    return matrix


def _warp(layer: Array, matrix: Array, shape: tuple[int, ...]) -> Array:
    warped: Array = cv2.warpPerspective(
        layer, matrix, (shape[1], shape[0]), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    return warped


def _spectra(contrast: Array, known: Array, shape: tuple[int, int]) -> list[Any]:
    return [fft.rfft2(layer, shape) for layer in (contrast, contrast * contrast, known)]


def _scores(still: list[Any], moved: list[Any], shape: list[int], *, least: float) -> Array:
    """Return for each shift of the first over the second the correlation by its own standard deviation."""
    pairs = ((0, 0), (1, 2), (2, 1), (2, 2))
    product, power, other, shared = (fft.irfft2(np.conj(still[a]) * moved[b], shape) for a, b in pairs)
    floor = 0.05 * least
    correlation = product / np.sqrt(np.maximum(power, floor) * np.maximum(other, floor))
    return np.where(shared >= least, correlation * np.sqrt(np.minimum(power, other).clip(0)), -np.inf)


def _peaks(scores: Array) -> list[tuple[float, Array]]:
    """Return the highest places, as (score, shift matrix); those beside a higher one do not count."""
    left = scores.copy()
    found = []
    for _ in range(PEAKS):
        row, column = (int(one) for one in np.unravel_index(int(np.argmax(left)), left.shape))
        if not np.isfinite(left[row, column]):
            break
        down, right = (
            place - size if place > size // 2 else place
            for place, size in zip((row, column), scores.shape, strict=True)
        )
        found.append((float(left[row, column]), np.array([[1.0, 0, right], [0, 1, down], [0, 0, 1]])))
        rows, columns = (
            (np.arange(-4, 5) + place) % size for place, size in zip((row, column), scores.shape, strict=True)
        )
        left[np.ix_(rows, columns)] = -np.inf
    return found


def _distinct(matrices: list[Array], shape: tuple[int, ...], *, count: int) -> list[Array]:
    """Return the first so many that put the picture's corners elsewhere than those before them."""
    chosen: list[Array] = []
    placed: list[Array] = []
    rows, columns = shape
    corners = np.array([[0, columns - 1, columns - 1, 0], [0, 0, rows - 1, rows - 1], [1, 1, 1, 1]], dtype=float)
    for matrix in matrices:
        corner = (matrix @ corners)[:2]
        if all(np.hypot(*(corner - other)).mean() > APART * max(shape) for other in placed):
            chosen.append(matrix)
            placed.append(corner)
        if len(chosen) == count:
            break
    return chosen
