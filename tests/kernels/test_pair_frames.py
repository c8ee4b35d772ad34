"""Which frames of a pair are averaged."""

import numpy as np
import pytest

from heatwake.kernels.pair_frames import steady_frames

ELAPSED = np.arange(20) * 0.5


def pictures(rng, *, count=20):
    scene = np.linspace(24, 60, 24 * 32).reshape(24, 32)
    return (scene + 0.01 * rng.standard_normal((count, 24, 32))).astype(np.float32)


def chosen(frames, **options):
    given = {"repeats": np.zeros(len(frames), dtype=bool), "window": 5.0, "least_step": 0.1} | options
    return np.flatnonzero(steady_frames(frames, ELAPSED[: len(frames)], **given)).tolist()


def test_the_first_seconds_are_taken():
    assert chosen(pictures(np.random.default_rng(0))) == list(range(11))
    assert chosen(pictures(np.random.default_rng(0)), window=1.2) == [0, 1, 2]
    assert chosen(pictures(np.random.default_rng(0), count=1)) == [0]


def test_repeats_are_left_out():
    repeats = np.isin(np.arange(20), [3, 4])
    assert chosen(pictures(np.random.default_rng(1)), repeats=repeats) == [0, 1, 2, 5, 6, 7, 8, 9, 10]


@pytest.mark.parametrize(("at", "kept"), [(7, range(7)), (3, range(3, 11))])
def test_of_two_stretches_about_a_shutter_event_the_longer_is_taken(at, kept):
    frames = pictures(np.random.default_rng(2))
    frames[at:] += 0.3
    assert chosen(frames) == list(kept)


def test_a_hand_is_left_out():
    frames = pictures(np.random.default_rng(3))
    frames[0:2, 10:20, 8:14] = 33.0
    assert chosen(frames) == list(range(2, 11))


def test_parts_that_warm_evenly_are_no_reason():
    frames = pictures(np.random.default_rng(4))
    frames += np.linspace(0, 1, 20, dtype=np.float32)[:, None, None] * (frames[0] - 24) / 30
    assert chosen(frames) == list(range(11))


def test_frames_without_a_reading_are_left_out_and_may_leave_none():
    frames = pictures(np.random.default_rng(5))
    frames[4] = np.nan
    assert chosen(frames) == [0, 1, 2, 3, 5, 6, 7, 8, 9, 10]
    assert chosen(np.full_like(frames, np.nan)) == []
