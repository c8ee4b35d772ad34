"""From each frame's own pose to the camera's: one pose for a stretch in which it stood still.

The jitter of an estimate is worse than none where nothing moved, so poses that scatter within a tolerance are one.
A sudden lasting movement starts another stretch; a camera that does move is followed frame by frame.
"""

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.moving import leading_medians, trailing_medians

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

SIDE: Final = 5  # frames each side that tell a bump from an outlier
SHORTEST: Final = 8  # frames; a shorter stretch is followed
STILL_SHARE: Final = 90  # [percent] of a stretch's frames that must lie within the tolerance
CLEAR: Final = 0.8  # quality from which noise is small beside what else draws a pose (heat that spreads)
POOR: Final = 0.3  # a pose founded worse than this is not followed: its neighbours' holds


def picture_reach(poses: Array, *, shape: tuple[int, int]) -> Array:
    """Return the rms movement over the whole picture of each pose.

    Parameters
    ----------
    poses : (..., 3) array
        Shift right and down [px], rotation [deg].
    shape : (rows, columns)

    Returns
    -------
    (...) array
        [px]; a turn by ``a`` moves a picture by ``a`` times its radius of gyration.

    Examples
    --------
    >>> picture_reach(np.array([3.0, 4.0, 0.0]), shape=(100, 100)).item()
    5.0
    """
    gyration = np.hypot(*shape) / np.sqrt(12)
    return np.asarray(np.sqrt(np.sum(poses[..., :2] ** 2, axis=-1) + (np.radians(poses[..., 2]) * gyration) ** 2))


def settle_poses(
    poses: Array, quality: Array, *, sound: Mask, shape: tuple[int, int], still: float, bump: float
) -> Array:
    """Return the poses to correct by.

    Parameters
    ----------
    poses : (n, 3) array
        Each frame's own estimate.
    quality : (n,) array
        0 to 1.
    sound : (n,) array of bool
        Frames to go by; the others take the pose of their stretch, or lie between their neighbours'.
    shape : (rows, columns)
        Of the picture.
    still : float
        Scatter [px rms over the picture] within which a stretch has one pose; noisy frames may scatter more.
    bump : float
        Sudden lasting movement [px rms over the picture] that starts another stretch; likewise.

    Returns
    -------
    (n, 3) array
    """
    good = np.flatnonzero(sound & (quality >= POOR))
    if len(good) == 0:  # nothing to measure by: the camera is taken to stand still
        return np.zeros_like(poses)
    settled, noise = poses[good].copy(), _noise_factor(quality[good])
    starts = find_bumps(settled, shape=shape, bump=bump * noise)
    for start, end in zip([0, *starts], [*starts, len(good)], strict=True):
        if end - start >= SHORTEST or not starts:
            settled[start:end] = _one_pose_if_still(settled[start:end], still * noise[start:end], shape=shape)
    everywhere = np.arange(len(poses))
    filled = np.stack([np.interp(everywhere, good, column) for column in settled.T], axis=1)
    return _hold_at_bumps(filled, good=good, starts=starts)


def find_bumps(poses: Array, *, shape: tuple[int, int], bump: npt.ArrayLike) -> list[int]:
    """Return the frames at which the picture jumps and stays: the medians before and after lie apart.

    Parameters
    ----------
    poses : (n, 3) array
    shape : (rows, columns)
    bump : float or (n,) array
        Least movement [px rms over the picture]; more where the poses are noisy.

    Returns
    -------
    list of int
        First frame of each new stretch, rising.
    """
    count = len(poses)
    least = np.broadcast_to(np.asarray(bump, dtype=np.float64), (count,))
    jump: Array = np.zeros(count)  # in units of the least one
    if count > 3:
        inner = slice(2, count - 1)
        apart = leading_medians(poses, SIDE)[:-1] - trailing_medians(poses, SIDE)[:-1]
        allowed = np.fmax(trailing_medians(least, SIDE)[:-1], leading_medians(least, SIDE)[:-1])
        jump[inner] = picture_reach(apart[inner], shape=shape) / allowed[inner]
    step = picture_reach(np.diff(poses, axis=0, prepend=poses[:1]), shape=shape) / least
    found: list[int] = []
    while (peak := float(jump.max(initial=0.0))) >= 1:
        # around a bump the medians lie apart for some frames: it's where the picture itself steps most
        near = np.flatnonzero(jump >= 0.8 * peak)
        near = near[np.abs(near - int(np.argmax(jump))) <= SIDE]
        at = int(near[np.argmax(step[near])])
        if step[at] >= 0.5:
            found.append(at)
        jump[max(0, at - SIDE) : at + SIDE + 1] = 0
    return sorted(found)


def _noise_factor(quality: Array) -> Array:
    """How much more a pose scatters than one of quality ``CLEAR``: as noise to signal, 1 at least."""
    return np.asarray(np.maximum(1.0, np.sqrt((1 / quality**2 - 1) / (1 / CLEAR**2 - 1))))


def _one_pose_if_still(poses: Array, allowed: Array, *, shape: tuple[int, int]) -> Array:
    middle = _weighted_median(poses, 1 / allowed**2)
    scatter = picture_reach(poses - middle, shape=shape) / allowed
    return np.broadcast_to(middle, poses.shape) if np.percentile(scatter, STILL_SHARE) < 1 else poses


def _weighted_median(poses: Array, weights: Array) -> Array:
    order = np.argsort(poses, axis=0)
    total = np.cumsum(weights[order], axis=0)
    half = np.argmax(total >= total[-1] / 2, axis=0)
    return np.asarray(np.take_along_axis(np.take_along_axis(poses, order, axis=0), half[None], axis=0)[0])


def _hold_at_bumps(poses: Array, *, good: npt.NDArray[np.intp], starts: list[int]) -> Array:
    """Frames left out just before a bump of a standing camera take the earlier pose: nothing moved on the way."""
    for start in starts:
        last, first = int(good[start - 1]), int(good[start])
        if start > 1 and np.array_equal(poses[last], poses[good[start - 2]]):
            poses[last + 1 : first] = poses[last]
    return poses
