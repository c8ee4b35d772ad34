"""A recording holds what was asked for: noise, pattern, movement, shutter, hand, and says so."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from heatwake.scene import (
    Ambient,
    Bump,
    Camera,
    Hand,
    Handling,
    Shake,
    Shutter,
    charger,
    record,
    simulate,
    uncovered,
)
from heatwake.scene.recording import HAND_CELSIUS, Recording

QUIET = Camera(noise=0.0, fixed_pattern=0.0, offset=0.0)


@pytest.fixture(scope="module")
def truth() -> xr.Dataset:
    """The charger warming for a minute, two frames a second, in a room of 30 degC, where the noise is defined."""
    return simulate(charger(cell=2.0, ambient=Ambient(start=30.0)), np.arange(0.0, 60.0, 0.5))


def frames(recording: Recording) -> np.ndarray:
    """Return all frames [degC]."""
    return np.stack(list(recording.frames())) * 0.01 - 100.0


def make(truth: xr.Dataset, camera: Camera = QUIET, *, seed: int = 1, **events: object) -> Recording:
    """Return a recording with the given events."""
    return record(truth, camera, Handling(**events), rng=np.random.default_rng(seed))


def test_noise_is_as_asked(truth: xr.Dataset) -> None:
    still = truth.isel(time=slice(0, 20))
    picture = frames(make(still, Camera()))
    spread = np.diff(picture, axis=0).std() / np.sqrt(2)
    # 50 mK and the rounding to 10 mK (2.9 mK): 50.1 mK; 365 000 differences give it to 0.2 %.
    assert spread == pytest.approx(0.0501, rel=0.01)


def test_pattern_stays_with_the_sensor(truth: xr.Dataset) -> None:
    camera = replace(QUIET, fixed_pattern=0.025)
    shaken = truth.isel(time=slice(0, 10))
    mean = frames(make(shaken, camera, shake=Shake(wander=1.0)))[:, :8].mean(axis=0)
    other = frames(make(shaken, camera, shake=Shake(wander=1.0), seed=2))[:, :8].mean(axis=0)
    # The top eight rows see only the bench, whatever the movement.
    assert mean.std() == pytest.approx(0.025, rel=0.2)
    assert np.corrcoef(mean.ravel(), other.ravel())[0, 1] > 0.95


def test_a_cold_scene_reads_room_temperature(truth: xr.Dataset) -> None:
    camera = replace(QUIET, offset=0.3)
    first = frames(make(truth.isel(time=slice(0, 1)), camera))[0]
    # All at 30 degC: emissivity and film drop out; the camera's own offset is left.
    np.testing.assert_allclose(first[40:80, 40:120], 30.3, atol=0.005)


def test_the_bench_is_cooler_than_the_room(truth: xr.Dataset) -> None:
    first = frames(make(uncovered(truth).isel(time=slice(0, 1))))[0]
    assert first[2, 2] == pytest.approx(29.2, abs=0.006)


def test_a_frozen_frame_repeats_the_one_before(truth: xr.Dataset) -> None:
    recording = make(truth.isel(time=slice(36, 46)), Camera(), shutters=(Shutter(20.2, 0.25, frozen=1.0),))
    stored = list(recording.frames())
    frozen = np.flatnonzero(recording.about["frozen"].values)
    np.testing.assert_array_equal(recording.about["elapsed"].values[frozen], [20.5, 21.0])
    for index in frozen:
        np.testing.assert_array_equal(stored[index], stored[frozen[0] - 1])
    assert not np.array_equal(stored[frozen[-1] + 1], stored[frozen[-1]])


def test_a_shutter_steps_all_pixels_alike(truth: xr.Dataset) -> None:
    some = truth.isel(time=slice(36, 46))
    stepped = make(some, shutters=(Shutter(20.2, 0.25),))
    difference = frames(stepped) - frames(make(some))
    after = some["elapsed"].values > 20.7
    np.testing.assert_allclose(difference[after], 0.25, atol=0.0101)
    np.testing.assert_array_equal(stepped.about["offset_step"].values, np.where(after, 0.25, 0.0))


def test_shake_is_measured_from_the_first_frame(truth: xr.Dataset) -> None:
    about = make(truth, shake=Shake(wander=0.5)).about
    assert about["shift_x"].values[0] == about["shift_y"].values[0] == about["rotation"].values[0] == 0
    assert 0.1 < about["shift_x"].values.std() < 1.5


def test_the_picture_moves_as_the_truth_says(truth: xr.Dataset) -> None:
    """A pure shift by whole pixels moves the picture's numbers by whole pixels."""
    hot = truth.isel(time=slice(-2, None))
    at = float(hot["elapsed"].values[-1])
    same = hot.copy(deep=True)
    for name in ("temperature", "film_temperature"):
        same[name].values[1] = same[name].values[0]
    before, after = frames(make(same, bumps=(Bump(at, 3.0, -2.0),)))
    # One count of rounding at most.
    np.testing.assert_allclose(after[8:108, 13:150], before[10:110, 10:147], atol=0.0101)


def test_a_bump_stays(truth: xr.Dataset) -> None:
    about = make(truth, bumps=(Bump(30.0, 3.2, -2.1, rotation=0.3),)).about
    after = about["elapsed"].values >= 30.0
    np.testing.assert_array_equal(about["shift_x"].values, np.where(after, 3.2, 0.0))
    np.testing.assert_array_equal(about["rotation"].values, np.where(after, 0.3, 0.0))


def test_corners_move_with_the_picture(truth: xr.Dataset) -> None:
    about = make(truth, bumps=(Bump(30.0, 3.2, -2.1),)).about
    moved = about["corner_column"].values[-1] - about["corner_column"].values[0]
    np.testing.assert_allclose(moved, 3.2, atol=1e-9)


def test_a_hand_covers_and_goes(truth: xr.Dataset) -> None:
    reaching = truth.isel(time=slice(76, 90))
    recording = make(reaching, hands=(Hand(40.0, 3.0),))
    covered = np.flatnonzero(recording.about["obstructed"].values)
    assert 3 <= covered.size <= 6
    picture = frames(recording)[covered[covered.size // 2]]
    # The hand lies over the film: its own radiance, no film.
    assert (np.abs(picture - HAND_CELSIUS) < 0.006).mean() > 0.03
    np.testing.assert_array_equal(frames(recording)[:4], frames(make(reaching))[:4])


def test_equal_seeds_give_equal_recordings_and_others_do_not(truth: xr.Dataset) -> None:
    few = truth.isel(time=slice(0, 3))
    one, same, other = (list(make(few, Camera(), shake=Shake(), seed=seed).frames()) for seed in (1, 1, 2))
    np.testing.assert_array_equal(one, same)
    assert not np.array_equal(one, other)


def test_a_recording_cut_short_is_the_beginning_of_the_long_one(truth: xr.Dataset) -> None:
    short, long = (make(truth.isel(time=slice(0, count)), Camera(), shake=Shake()) for count in (3, 6))
    np.testing.assert_array_equal(list(short.frames()), list(long.frames())[:3])


def test_frames_come_again_at_each_call(truth: xr.Dataset) -> None:
    recording = make(truth.isel(time=slice(0, 3)), Camera())
    np.testing.assert_array_equal(list(recording.frames()), list(recording.frames()))


def test_lifting_the_film_off_shows_hotter_parts(truth: xr.Dataset) -> None:
    hot = truth.isel(time=slice(-1, None))
    covered, bare = frames(make(hot))[0], frames(make(uncovered(hot)))[0]
    warm = bare > 36
    # About 11 % of the rise goes missing; the warm film gives a little back.
    share = (covered[warm] - 30) / (bare[warm] - 30)
    assert 0.85 < share.mean() < 0.95


def test_low_emissivity_reads_low(truth: xr.Dataset) -> None:
    hot = uncovered(truth).isel(time=slice(-1, None))
    column, row = make(hot).corners.mean(axis=0)
    blackened = hot.assign(emissivity=hot["emissivity"] * 0 + 1.0)
    assert frames(make(hot))[0, int(row), int(column)] < frames(make(blackened))[0, int(row), int(column)]
