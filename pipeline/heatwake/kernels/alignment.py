"""Rigid movements of a picture's content, and pictures of its local contrast to measure them by.

A *pose* is ``(shift_x, shift_y, rotation)``: the content of the reference turned about the picture's centre by
``rotation`` [deg, counter-clockwise as seen] and then moved by ``shift_x`` to the right and ``shift_y`` down [px].
"""

from math import cos, radians, sin
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

FINE: Final = 1.0  # [px] finer than this is noise and sampling
COARSE: Final = 3.0  # [px] coarser than this is heat that spreads, not what is printed on the board
NEIGHBOURHOOD: Final = 13  # [px] the contrast is evened out over this width, twice
CONTRAST_FLOOR: Final = 0.1  # share of the overall contrast below which a place isn't raised further


def pose_matrix(shift_x: float, shift_y: float, rotation: float, *, shape: tuple[int, int]) -> Array:
    """Return the matrix that maps pixels of the reference to pixels of the moved image.

    With ``a`` the rotation and ``(cx, cy)`` the picture's centre, a thing seen at ``(column, row)`` on the reference is
    seen at ``(cx, cy) + [[cos a, sin a], [-sin a, cos a]] (column - cx, row - cy) + (shift_x, shift_y)`` on the image
    (rows count down, hence the sign). ``cv2.warpAffine(image, matrix, (columns, rows), flags=cv2.INTER_LINEAR |
    cv2.WARP_INVERSE_MAP)`` resamples the image onto the reference's grid.

    Parameters
    ----------
    shift_x, shift_y : float
        [px] right, down.
    rotation : float
        [deg] counter-clockwise as seen.
    shape : (rows, columns)
        Of the picture; pixel centres are whole numbers, so its centre is ``((columns - 1) / 2, (rows - 1) / 2)``.

    Returns
    -------
    (2, 3) array
        ``image (column, row) = matrix @ (column, row, 1)`` of the reference.

    Examples
    --------
    >>> pose_matrix(2.0, -1.0, 0.0, shape=(5, 7)) @ [3.0, 2.0, 1.0]
    array([5., 1.])
    >>> (pose_matrix(0.0, 0.0, 90.0, shape=(5, 5)) @ [4.0, 2.0, 1.0]).round(6)  # right of the centre goes up
    array([2., 0.])
    """
    centre_row, centre_column = (shape[0] - 1) / 2, (shape[1] - 1) / 2
    cosine, sine = cos(radians(rotation)), sin(radians(rotation))
    right = centre_column - cosine * centre_column - sine * centre_row + shift_x
    down = centre_row + sine * centre_column - cosine * centre_row + shift_y
    return np.array([[cosine, sine, right], [-sine, cosine, down]])


def matrix_pose(matrix: npt.ArrayLike, *, shape: tuple[int, int]) -> Array:
    """Return the pose (3,) of a rigid matrix (2, 3) as :func:`pose_matrix` gives it.

    Examples
    --------
    >>> matrix_pose(pose_matrix(2.0, -1.0, 3.0, shape=(50, 70)), shape=(50, 70)).round(6)
    array([ 2., -1.,  3.])
    """
    rigid = np.asarray(matrix, dtype=np.float64)
    centre = (np.array(shape[::-1]) - 1) / 2
    shift = rigid[:, :2] @ centre + rigid[:, 2] - centre
    return np.array([*shift, np.degrees(np.arctan2(rigid[0, 1], rigid[0, 0]))])


def compose(outer: npt.ArrayLike, inner: npt.ArrayLike) -> Array:
    """Return the pose that moves by ``inner`` first and by ``outer`` then.

    Parameters
    ----------
    outer, inner : (..., 3) arrays
        Poses; they broadcast.

    Examples
    --------
    >>> compose([1.0, 0.0, 90.0], [2.0, 0.0, 0.0]).round(6)  # to the right, then turned: up
    array([ 1., -2., 90.])
    """
    outer, inner = np.asarray(outer, dtype=np.float64), np.asarray(inner, dtype=np.float64)
    shift = np.einsum("...ij,...j->...i", _turn(outer[..., 2]), inner[..., :2]) + outer[..., :2]
    turn = np.broadcast_to((outer[..., 2] + inner[..., 2])[..., None], (*shift.shape[:-1], 1))
    return np.concatenate([shift, turn], axis=-1)


def invert(pose: npt.ArrayLike) -> Array:
    """Return the pose that undoes a pose; (..., 3) arrays.

    Examples
    --------
    >>> compose(invert([3.0, -2.0, 4.0]), [3.0, -2.0, 4.0]).round(9) + 0.0
    array([0., 0., 0.])
    """
    pose = np.asarray(pose, dtype=np.float64)
    back = _turn(-pose[..., 2])
    return np.concatenate([-np.einsum("...ij,...j->...i", back, pose[..., :2]), -pose[..., 2:]], axis=-1)


def _turn(rotation: Array) -> Array:
    """Matrices (..., 2, 2) of a turn counter-clockwise as seen, for (column, row): rows count down."""
    cos, sin = np.cos(np.radians(rotation)), np.sin(np.radians(rotation))
    return np.stack([np.stack([cos, sin], axis=-1), np.stack([-sin, cos], axis=-1)], axis=-2)


def resample(image: Array, pose: npt.ArrayLike, *, fill: float = np.nan) -> Array:
    """Return the moved image brought back onto the grid of the reference.

    Parameters
    ----------
    image : (rows, columns) array
        The moved image; NaN spreads to the neighbours that it is interpolated into.
    pose : (3,) array
        Where the content has moved to.
    fill : float
        Value of what lies outside the image.

    Returns
    -------
    (rows, columns) array of float32
    """
    matrix = pose_matrix(*np.asarray(pose, dtype=np.float64).tolist(), shape=(image.shape[0], image.shape[1]))
    warped: Array = cv2.warpAffine(
        image.astype(np.float32),
        matrix,
        image.shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=fill,
    )
    return warped


def normalise_contrast(image: Array, *, mask: Mask | None = None) -> Array:
    """Return the picture's fine structure, evened out to the same contrast everywhere.

    A difference of two Gaussians, divided by its own local rms: invariant to an offset and a gain, global or slowly
    varying over the picture, which is what heating does to a textured board.

    Parameters
    ----------
    image : (rows, columns) array
        NaN is filled with the mean of its surroundings.
    mask : (rows, columns) array of bool, optional
        Pixels to use beside the finite ones.

    Returns
    -------
    (rows, columns) array of float32
        About unit rms; 0 where masked, and everywhere where the picture has no structure.
    """
    seen = np.isfinite(image) if mask is None else np.isfinite(image) & mask
    if not seen.any():
        return np.zeros(image.shape, dtype=np.float32)
    weighed = None if seen.all() else seen.astype(np.float32)
    whole = weighed is None
    level = np.float32(image.mean() if whole else image[seen].mean())
    centred = (image - level if whole else np.where(seen, image - level, 0)).astype(np.float32)
    band = _local_mean(centred, weighed, reach=FINE) - _local_mean(centred, weighed, reach=COARSE)
    if not whole:
        band = np.where(seen, band, np.float32(0))
    power = _box_mean(band * band, weighed)
    overall = float(np.mean(power) if whole else np.mean(power[seen]))
    # rounding of a level picture isn't structure: float32 temperatures are good to some 1e-6 of their value
    if overall <= (1e-6 * max(1.0, float(np.abs(image if whole else image[seen]).max()))) ** 2:
        return np.zeros(image.shape, dtype=np.float32)
    power += np.float32(CONTRAST_FLOOR**2 * overall)
    return np.asarray(band / np.sqrt(power), dtype=np.float32)


def gradient_magnitude(image: Array) -> Array:
    """Return the size of the gradient of a smoothed picture, NaN where it isn't known: blind to the contrast's sign."""
    seen = np.isfinite(image)
    if not seen.any():
        return np.full(image.shape, np.nan, dtype=np.float32)
    centred = np.where(seen, image - np.median(image[seen]), 0).astype(np.float32)
    smooth = _local_mean(centred, None if seen.all() else seen.astype(np.float32), reach=FINE)
    across, down = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    return np.where(seen, np.hypot(across, down), np.nan).astype(np.float32)


def _box_mean(image: Array, seen: Array | None) -> Array:
    """Mean over a neighbourhood, of the pixels with 1 in ``seen`` alone; ``image`` must be 0 elsewhere."""
    smooth = _twice_box(image)
    return smooth if seen is None else np.asarray(smooth / np.maximum(_twice_box(seen), 1e-3))


def _twice_box(image: Array) -> Array:
    """Box filter, twice: nearly Gaussian, in a time that doesn't grow with the width."""
    size = (NEIGHBOURHOOD, NEIGHBOURHOOD)
    once = cv2.blur(image, size, borderType=cv2.BORDER_REFLECT)
    again: Array = cv2.blur(once, size, borderType=cv2.BORDER_REFLECT)
    return np.asarray(np.maximum(again, 0))  # sums may round below 0


def _local_mean(image: Array, seen: Array | None, *, reach: float) -> Array:
    """Gaussian mean over the pixels with 1 in ``seen`` alone; ``image`` must be 0 elsewhere."""
    smooth = _gaussian(image, reach)
    return smooth if seen is None else np.asarray(smooth / np.maximum(_gaussian(seen, reach), 1e-3))


def _gaussian(image: Array, reach: float) -> Array:
    """Gaussian filter, cut off at three times its reach."""
    width = 2 * round(3 * reach) + 1
    filtered: Array = cv2.GaussianBlur(image, (width, width), reach, borderType=cv2.BORDER_REFLECT)
    return filtered
