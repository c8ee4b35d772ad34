"""From each frame's own pose to the camera's: one pose for a stretch in which it stood still.

The jitter of an estimate is worse than none where nothing moved, so poses that scatter within a tolerance are one.
A sudden lasting movement starts another stretch; a camera that does move is followed frame by frame.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.moving import leading_medians, nearest, trailing_medians

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

SIDE: Final = 5  # frames each side that tell a bump from an outlier
SHORTEST: Final = 8  # frames; a shorter stretch is followed
STILL_SHARE: Final = 90  # [percent] of a stretch's frames that must lie within the tolerance
STILL_FACTOR: Final = 2.5  # standard uncertainties that a pose may stray and the camera stand
BUMP_FACTOR: Final = 6.0  # likewise, for a bump: smaller ones are followed
LEAST_NOISE: Final = 0.02  # [px] what else draws a pose (heat that spreads) is no less
MAD_TO_SIGMA: Final = 1.4826  # of a normal distribution
WILD: Final = 4.0  # standard deviations from which a step counts as no more
LAGS: Final = (1, 2, 4, 8, 16, 32)  # frames apart that tell how far a camera moves from frame to frame
TINY: Final = 1e-30


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


@dataclass(frozen=True)
class Track:
    """How a camera moved.

    Attributes
    ----------
    poses : (n, 3) array
        Poses to correct by.
    uncertainty : (n,) array
        Standard uncertainty that noise gives them [px rms over the picture]; infinite where nothing founds a pose.
    still : (n,) array of bool
        Frames of a stretch in which the camera stood.
    """

    poses: Array
    uncertainty: Array
    still: Mask


def settle_poses(
    poses: Array, uncertainty: Array, *, sound: Mask, shape: tuple[int, int], still: float, bump: float
) -> Track:
    """Return how the camera moved, from each frame's own pose.

    A stretch in which the poses scatter within the tolerance has one. A camera that moves is followed, and poses are
    evened out as far as their noise is larger than the steps between them (R. E. Kalman 1960; H. E. Rauch, F. Tung and
    C. T. Striebel, AIAA Journal 3 (1965) 1445: a level that takes random steps).

    Parameters
    ----------
    poses : (n, 3) array
        Each frame's own estimate.
    uncertainty : (n,) array
        Their standard uncertainty [px rms over the picture]; infinite where nothing was found.
    sound : (n,) array of bool
        Frames to go by; the others take the pose of their stretch, or lie between their neighbours'.
    shape : (rows, columns)
        Of the picture.
    still : float
        Scatter [px rms over the picture] within which a stretch has one pose; noisy frames may scatter more.
    bump : float
        Sudden lasting movement [px rms over the picture] that starts another stretch; likewise.
    """
    good = np.flatnonzero(sound & np.isfinite(uncertainty))
    if len(good) == 0:  # nothing to measure by: the camera is taken to stand still
        return Track(np.zeros_like(poses), np.full(len(poses), np.inf), np.ones(len(poses), dtype=np.bool_))
    settled, noise = poses[good].copy(), uncertainty[good].copy()
    stands = np.zeros(len(good), dtype=np.bool_)
    starts = find_bumps(settled, shape=shape, bump=np.hypot(bump, BUMP_FACTOR * noise))
    for start, end in zip([0, *starts], [*starts, len(good)], strict=True):
        one = slice(start, end)
        stands[one] = (end - start >= SHORTEST or not starts) and _stands(settled[one], noise[one], still, shape=shape)
        follow = _one_pose if stands[start] else _smoothed
        settled[one], noise[one] = follow(settled[one], noise[one], good[one], shape=shape)
    everywhere = np.arange(len(poses))
    filled = np.stack([np.interp(everywhere, good, column) for column in settled.T], axis=1)
    held = _hold_at_bumps(filled, good=good, starts=starts)
    return Track(held, np.interp(everywhere, good, noise), stands[nearest(good, everywhere)])


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


def _allowed(noise: Array, still: float) -> Array:
    return np.asarray(np.hypot(still, STILL_FACTOR * noise))


def _stands(poses: Array, noise: Array, still: float, *, shape: tuple[int, int]) -> bool:
    allowed = _allowed(noise, still)
    scatter = picture_reach(poses - _weighted_median(poses, 1 / allowed**2), shape=shape) / allowed
    return bool(np.percentile(scatter, STILL_SHARE) < 1)


def _one_pose(poses: Array, noise: Array, at: npt.NDArray[np.intp], *, shape: tuple[int, int]) -> tuple[Array, Array]:
    middle = _weighted_median(poses, 1 / np.maximum(noise, LEAST_NOISE) ** 2)
    scatter = float(np.sqrt(np.median(picture_reach(poses - middle, shape=shape) ** 2)))
    return np.broadcast_to(middle, poses.shape), np.full(len(at), scatter * np.sqrt(np.pi / 2 / len(at)))


def _smoothed(poses: Array, noise: Array, at: npt.NDArray[np.intp], *, shape: tuple[int, int]) -> tuple[Array, Array]:
    """Even poses out by their noise against the steps that the camera makes."""
    reach = picture_reach(np.eye(3), shape=shape)  # of a pixel right, of one down, of a degree
    variance = noise[:, None] ** 2 / 3 / reach**2  # of each number, which share the noise alike
    apart = np.maximum(np.diff(at), 1)[:, None].astype(np.float64)
    if len(poses) < SHORTEST:
        return poses, noise
    process = _step_variance(poses, variance) * apart
    level, spread = np.empty_like(poses), np.empty_like(poses)
    level[0], spread[0] = poses[0], variance[0]
    for k in range(1, len(poses)):
        before = spread[k - 1] + process[k - 1]
        gain = before / np.maximum(before + variance[k], TINY)
        level[k] = level[k - 1] + gain * (poses[k] - level[k - 1])
        spread[k] = (1 - gain) * before
    for k in range(len(poses) - 2, -1, -1):
        share = spread[k] / np.maximum(spread[k] + process[k], TINY)
        level[k] += share * (level[k + 1] - level[k])
        spread[k] += share**2 * (spread[k + 1] - spread[k] - process[k])
    return level, np.sqrt(np.maximum(spread, 0.0) @ reach**2)


def _step_variance(poses: Array, variance: Array) -> Array:
    """Variance (3,) of the steps between frames, from poses that lie some frames apart: what noise does not explain."""
    found = np.zeros(poses.shape[1])
    for apart in LAGS:
        if apart <= len(poses) // 2:
            moved = np.abs(poses[apart:] - poses[:-apart])
            usual = np.minimum(moved, WILD * MAD_TO_SIGMA * np.median(moved, axis=0))
            found = np.maximum(found, (np.mean(usual**2, axis=0) - 2 * np.mean(variance, axis=0)) / apart)
    return found


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
