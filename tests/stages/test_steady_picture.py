"""How well a shaken camera is followed: recordings of a heating board with known movement.

Errors are rms over the four corners and the centre. Those "from late" are counted from the mean error over the last
half of the recording: what is left is drift, which is what turns the directions of flow.
"""

from functools import lru_cache

import numpy as np
import pytest

from heatwake.schema.variables import REASON
from heatwake.stages.registration import RegistrationSettings, register
from shaken_recordings import error_vectors, f1, pose_errors, shaken_recording, slow_bias

SIZE = "160x120"
FEWER = ("still", "inverted hand")  # frames, to be quick
POSE = ("shift_x", "shift_y", "rotation")


@lru_cache(maxsize=8)
def followed(variant):
    """Return a recording, what the registration makes of it, and the poses that it finds."""
    fewer = {"count": 60, "interval": 2.0} if variant in FEWER else {}
    recording = shaken_recording(variant, size=SIZE, **fewer)
    made = register(recording.session(), RegistrationSettings())
    return recording, made, np.stack([made[name].values for name in POSE], axis=1)


def flagged(made, reason):
    return made["reason"].values == REASON.index(reason)


def drift(variant):
    """Return errors from late (n,) [px] of a recording, and which frames are used."""
    recording, made, poses = followed(variant)
    errors = pose_errors(poses, recording.poses, shape=recording.shape, from_late=True)
    return errors, made["usable"].values == 1


def test_poses_are_found_to_a_twentieth_of_a_pixel():
    errors, used = drift("shaken")
    assert np.median(errors[used]) <= 0.05
    assert np.percentile(errors[used], 95) <= 0.10


def bias(variant):
    """Return the slow bias by tenth of a recording, (10,) [px]."""
    recording, _, poses = followed(variant)
    return slow_bias(error_vectors(poses, recording.poses, shape=recording.shape, from_late=True))


@pytest.mark.parametrize("variant", ["shaken", "bench", "inverted hand"])
def test_no_frame_that_is_used_is_off_by_a_pixel(variant):
    recording, made, poses = followed(variant)
    used = made["usable"].values == 1
    assert used[~recording.frozen].mean() >= 0.95
    assert (pose_errors(poses, recording.poses, shape=recording.shape)[used] <= 1).all()


@pytest.mark.xfail(reason="0.05 px in the third tenth, while the board heats fast; less than 0.03 px from the sixth on")
def test_slow_bias_stays_below_three_hundredths_of_a_pixel_after_the_first_tenth():
    assert bias("shaken")[1:].max() <= 0.03


def test_slow_bias_is_small_once_the_board_is_warm():
    assert bias("shaken")[5:].max() <= 0.03  # 0.032 px in the tenth before


def test_hand_repeats_and_steps_are_flagged():
    recording, made, _ = followed("bench")
    assert recording.obstructed.sum() >= 9
    for reason, true in (
        ("obstructed", recording.obstructed),
        ("frozen", recording.frozen),
        ("offset jump", recording.stepped),
    ):
        assert f1(flagged(made, reason), true) >= 0.95, reason


def test_a_camera_that_stands_still_has_not_moved():
    _, _, poses = followed("still")
    assert np.abs(poses).max() < 0.01
