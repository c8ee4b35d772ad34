"""A camera that stands, is knocked, or wanders."""

import numpy as np
import pytest

from heatwake.kernels.pose_track import find_bumps, picture_reach, settle_poses

SHAPE = (120, 160)
TOLERANCE = {"shape": SHAPE, "still": 0.2, "bump": 0.3}


def jitter(count, rng, size=0.04):
    return size * rng.standard_normal((count, 3)) * (1, 1, 0.5)


def test_a_turn_reaches_as_far_as_it_moves_the_pixels_on_average():
    down, right = np.mgrid[0:120, 0:160]
    distance = np.hypot(down - 59.5, right - 79.5)
    expected = np.sqrt(np.mean((np.radians(1.5) * distance) ** 2))
    # the closed form is of the rectangle, the sum of its pixel centres: 1/n^2 apart
    assert picture_reach(np.array([0, 0, 1.5]), shape=SHAPE) == pytest.approx(expected, rel=1e-3)


def test_a_still_camera_has_one_pose():
    poses = np.array([2.0, -1.0, 0.3]) + jitter(80, np.random.default_rng(1))
    settled = settle_poses(poses, np.full(80, 0.03), sound=np.ones(80, bool), **TOLERANCE).poses
    assert np.ptp(settled, axis=0).max() == 0
    np.testing.assert_allclose(settled[0], [2.0, -1.0, 0.3], atol=0.02)


def test_a_bump_starts_another_pose_at_its_frame():
    rng = np.random.default_rng(2)
    poses = jitter(90, rng)
    poses[37:] += (1.5, -0.8, 0.2)
    assert find_bumps(poses, shape=SHAPE, bump=0.3) == [37]
    settled = settle_poses(poses, np.full(90, 0.03), sound=np.ones(90, bool), **TOLERANCE).poses
    assert len(np.unique(settled, axis=0)) == 2
    np.testing.assert_allclose(settled[37] - settled[36], [1.5, -0.8, 0.2], atol=0.04)


def test_single_wild_poses_neither_bump_nor_move_a_still_camera():
    rng = np.random.default_rng(3)
    poses = jitter(60, rng)
    poses[[12, 40]] += 5.0
    settled = settle_poses(poses, np.full(60, 0.03), sound=np.ones(60, bool), **TOLERANCE).poses
    np.testing.assert_allclose(settled, 0, atol=0.03)
    assert len(np.unique(settled, axis=0)) == 1


def wander(count):
    frames = np.arange(count)
    return np.stack([0.8 * np.sin(frames / 9), 0.5 * np.cos(frames / 14), 0 * frames], axis=1)


def test_a_camera_that_wanders_is_followed():
    track = settle_poses(wander(120), np.zeros(120), sound=np.ones(120, bool), **TOLERANCE)
    np.testing.assert_allclose(track.poses, wander(120), atol=1e-12)
    assert not track.still.any()


def test_what_is_noise_and_not_movement_is_evened_out_and_its_rest_is_told():
    rng = np.random.default_rng(11)
    errors, told = [], []
    for _ in range(40):
        true = np.cumsum(0.02 * rng.standard_normal((200, 3)) * (1, 1, 0.2), axis=0) + wander(200)
        seen = true + 0.1 / np.sqrt(3) * rng.standard_normal((200, 3)) / picture_reach(np.eye(3), shape=SHAPE)
        track = settle_poses(seen, np.full(200, 0.1), sound=np.ones(200, bool), **TOLERANCE)
        errors.append(picture_reach(track.poses - true, shape=SHAPE))
        told.append(track.uncertainty)
    left = np.sqrt(np.mean(np.square(errors)))
    assert left < 0.085
    assert np.sqrt(np.mean(np.square(told))) == pytest.approx(left, rel=0.2)


def test_frames_that_cannot_be_told_lie_between_their_neighbours():
    frames = np.arange(60)
    poses = np.stack([0.1 * frames, 0.0 * frames, 0.0 * frames], axis=1)
    sound, uncertainty = np.ones(60, bool), np.zeros(60)
    sound[20:24], uncertainty[40] = False, np.inf
    broken = poses.copy()
    broken[20:24], broken[40] = 9.0, -9.0
    settled = settle_poses(broken, uncertainty, sound=sound, **TOLERANCE).poses
    np.testing.assert_allclose(settled, poses, atol=1e-9)


def test_with_nothing_to_go_by_the_camera_is_taken_to_stand():
    poses = jitter(10, np.random.default_rng(4), size=3.0)
    nothing = np.full(10, np.inf)
    track = settle_poses(poses, nothing, sound=np.ones(10, bool), **TOLERANCE)
    assert not track.poses.any()
    assert track.still.all()
    assert np.isinf(track.uncertainty).all()
    assert settle_poses(poses[:0], nothing[:0], sound=np.ones(0, bool), **TOLERANCE).poses.shape == (0, 3)


def test_noisy_cold_frames_do_not_make_a_still_camera_wander():
    rng = np.random.default_rng(5)
    poses, uncertainty = jitter(60, rng), np.full(60, 0.05)
    poses[:20], uncertainty[:20] = jitter(20, rng, size=0.2), 0.25
    settled = settle_poses(poses, uncertainty, sound=np.ones(60, bool), **TOLERANCE).poses
    assert np.ptp(settled, axis=0).max() == 0
    np.testing.assert_allclose(settled[0], 0, atol=0.02)
