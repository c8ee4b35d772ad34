"""From nearly where one picture shows what another shows to just where: a homography, fitted by local contrast."""

from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from heatwake.kernels.alignment import normalise_contrast

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

FINE: Final = 0.5  # [px] print differs from heat by how sharp it is: the finer what is compared, the less heat steers
COARSE: Final = 1.5
NEIGHBOURHOOD: Final = 7  # [px] the contrast is evened out over this width, twice
FLOOR: Final = 0.1  # share of the overall contrast below which a place isn't raised further
OUTLIER: Final = 0.4  # of the local contrast, from where a pixel counts for less
STEPS: Final = 6  # between two warpings
RIDGE: Final = 1e-3  # of the normal matrix's diagonal
STILL: Final = 1e-3  # [px] a smaller step is none
LEAST_FITTED: Final = 200  # pixels
AFFINE, FREE = 6, 8  # parameters


def print_contrast(picture: Array) -> Array:
    """Return the finest structure of a picture, evened out; 0 where masked. What heat makes is left out as smooth.

    Parameters
    ----------
    picture : (rows, columns) array
        NaN where masked.
    """
    seen = np.isfinite(picture)
    if not seen.any():
        return np.zeros(picture.shape, dtype=np.float32)
    known = seen.astype(np.float32)
    centred = np.where(seen, picture - picture[seen].mean(), 0).astype(np.float32)
    band = np.where(seen, _mean(centred, known, FINE) - _mean(centred, known, COARSE), 0).astype(np.float32)
    power = _box(band * band) / np.maximum(_box(known), 1e-3)
    overall = float(power[seen].mean())
    if overall <= (1e-6 * max(1.0, float(np.abs(picture[seen]).max()))) ** 2:  # rounding is no structure
        return np.zeros(picture.shape, dtype=np.float32)
    return np.asarray(band / np.sqrt(np.maximum(power, 0) + FLOOR**2 * overall), dtype=np.float32)


def _mean(image: Array, known: Array, reach: float) -> Array:
    smooth, share = (cv2.GaussianBlur(one, (0, 0), reach, borderType=cv2.BORDER_REFLECT) for one in (image, known))
    return np.asarray(smooth / np.maximum(share, 1e-3))


def _box(image: Array) -> Array:
    size = (NEIGHBOURHOOD, NEIGHBOURHOOD)
    once = cv2.blur(image, size, borderType=cv2.BORDER_REFLECT)
    again: Array = cv2.blur(once, size, borderType=cv2.BORDER_REFLECT)
    return again


def warp(picture: Array, matrix: Array, shape: tuple[int, ...]) -> Array:
    """Return what a picture shows at ``matrix @ (column, row, 1)`` of each pixel of a grid; NaN where it shows nothing.

    Parameters
    ----------
    picture : (rows, columns) array
        NaN where masked.
    matrix : (3, 3) array
    shape : (rows, columns)
        Of the grid.
    """
    known = np.isfinite(picture)
    filled = np.where(known, picture, 0).astype(np.float32)
    warped = _warped(filled, matrix, shape, how=cv2.INTER_CUBIC, border=cv2.BORDER_REPLICATE)
    share = _warped(known.astype(np.float32), matrix, shape)
    return np.where(share > 0.999, warped, np.float32(np.nan))


def _warped(
    layer: Array,
    matrix: Array,
    shape: tuple[int, ...],
    *,
    how: int = cv2.INTER_LINEAR,
    border: int = cv2.BORDER_CONSTANT,
) -> Array:
    flags = how | cv2.WARP_INVERSE_MAP
    warped: Array = cv2.warpPerspective(layer, matrix, (shape[1], shape[0]), flags=flags, borderMode=border)
    return warped


def refine(
    first: Array, second: Array, start: Array, *, used: Mask | None = None, rounds: int, free: int = FREE, fine: bool
) -> Array:
    """Return the homography near a start under which the local contrasts of two pictures agree best.

    The second is warped before its contrast is taken, so that both are of one scale. Inverse compositional steps (Baker
    and Matthews, Int. J. Comput. Vis. 56 (2004) 221); pixels that disagree count for little, so that a crease of the
    film, which only one of them has, does not steer.

    Parameters
    ----------
    first, second : (rows, columns) arrays
        NaN where masked.
    start : (3, 3) array
        From pixels of the first to pixels of the second, right to a pixel or two.
    used : (rows, columns) array of bool, optional
        Pixels of the first that are fitted.
    rounds : int
        Of warping anew.
    free : int
        Parameters that are fitted: 8, or 6 without perspective.
    fine : bool
        By the print's finest structure, which is exact; else by coarser contrast, which is found from farther away.
    """
    contrast_of = print_contrast if fine else normalise_contrast
    to_unit = _unit(first.shape)
    known = np.isfinite(first) if used is None else np.isfinite(first) & used
    contrast = contrast_of(first)
    steepest = _steepest(contrast, to_unit)[:free]
    matrix = start
    for _ in range(rounds):
        warped = warp(second, matrix, first.shape)
        seen = (known & np.isfinite(warped)).astype(np.uint8)
        inner = cv2.erode(seen, np.ones((3, 3), np.uint8), borderValue=(0.0,)) > 0
        step = _fit((contrast, contrast_of(warped)), steepest, inner, to_unit)
        matrix = matrix @ step
        matrix = matrix / matrix[2, 2]
    return matrix


def _unit(shape: tuple[int, ...]) -> Array:
    """Return the map from pixels to coordinates of about -1 to 1, in which the parameters are of one size."""
    rows, columns = shape
    half = max(rows, columns) / 2
    return np.array([[1 / half, 0, -(columns - 1) / 2 / half], [0, 1 / half, -(rows - 1) / 2 / half], [0, 0, 1]])


def _steepest(contrast: Array, to_unit: Array) -> Array:
    """Return the change of the picture with each parameter of a homography of unit coordinates, (8, rows, columns)."""
    rows, columns = contrast.shape
    scale = to_unit[0, 0]
    across = cv2.Scharr(contrast, cv2.CV_32F, 1, 0, scale=1 / 32) / np.float32(scale)
    down = cv2.Scharr(contrast, cv2.CV_32F, 0, 1, scale=1 / 32) / np.float32(scale)
    x = (np.arange(columns) * scale + to_unit[0, 2]).astype(np.float32)[None, :]
    y = (np.arange(rows) * scale + to_unit[1, 2]).astype(np.float32)[:, None]
    along = across * x + down * y
    return np.stack([across, down, across * x, across * y, down * x, down * y, -along * x, -along * y])


def _fit(pair: tuple[Array, Array], steepest: Array, seen: Mask, to_unit: Array) -> Array:
    """Return the step of the homography in pixels of the first; none where there is too little to fit."""
    contrast, moving = pair
    back = np.linalg.inv(to_unit)
    step = np.eye(3)
    now, inside = moving, seen
    for number in range(STEPS):
        if number:
            now = _warped(moving, step, moving.shape)
            inside = seen & (_warped(seen.astype(np.float32), step, moving.shape) > 0.999)
        if np.count_nonzero(inside) < LEAST_FITTED:
            return np.eye(3)
        values = _solve(steepest[:, inside].astype(np.float64), (now - contrast)[inside].astype(np.float64))
        step = step @ back @ np.linalg.inv(_unit_matrix(values)) @ to_unit
        step = step / step[2, 2]
        if float(np.abs(values[:2]).max()) / to_unit[0, 0] < STILL:
            break
    return step


def _solve(columns: Array, residual: Array) -> Array:
    """Return the weighted least-squares parameters; none where the picture is empty."""
    weighted = columns / (1 + (residual / OUTLIER) ** 2)
    normal = weighted @ columns.T
    diagonal = np.diag_indices_from(normal)
    if not (normal[diagonal] > 0).all():
        return np.zeros(len(columns))
    normal[diagonal] *= 1 + RIDGE
    values: Array = np.linalg.solve(normal, weighted @ residual)
    return np.clip(values, -0.5, 0.5)


def _unit_matrix(values: Array) -> Array:
    p = np.zeros(FREE)
    p[: len(values)] = values
    return np.array([[1 + p[2], p[3], p[0]], [p[4], 1 + p[5], p[1]], [p[6], p[7], 1]])
