"""Sound frames and others: made-up recordings in which it is known what happened."""

import numpy as np
import pytest

from heatwake.kernels.frame_quality import (
    carried_on,
    common_steps,
    departure,
    explained,
    gaps,
    is_repeat,
    obstructed_places,
    thumbnail,
)

PLACES = 48


def departed(picture, *, before, after):
    return departure(picture, *explained(before, after, shape=picture.shape))


def heating(elapsed, rng, *, on=10.0, fastest=20.0):
    """Places of a board that heat each to its own rise, most of them slowly and little; 5 mK of noise."""
    share = np.linspace(0, 1, PLACES) ** 4
    since = np.maximum(elapsed - on, 0)[:, None]
    rise = (1 + fastest * share) * (1 - np.exp(-since / (20 + 100 * (1 - share))))
    return 24 + rise + 0.005 * rng.standard_normal((len(elapsed), PLACES))


@pytest.mark.parametrize("at", [30, 70, 150])
@pytest.mark.parametrize("size", [0.25, -0.4])
def test_an_offset_step_is_found_while_the_board_heats(at, size):
    elapsed = np.concatenate([np.arange(0, 50, 0.5), np.arange(50, 300, 4.0)])
    levels = heating(elapsed, np.random.default_rng(1))
    levels[at:] += size
    steps = common_steps(levels, elapsed, least=0.1).sizes
    assert np.flatnonzero(steps).tolist() == [at]
    assert steps[at] == pytest.approx(size, abs=0.05)


@pytest.mark.parametrize("on", [0.0, 10.0, 60.0, 121.0])
@pytest.mark.parametrize("interval", [0.5, 4.0])
def test_power_on_is_not_a_step_of_the_camera(on, interval):
    elapsed = np.arange(0, 60 * interval + 150, interval)
    levels = heating(elapsed, np.random.default_rng(2), on=on)
    np.testing.assert_array_equal(common_steps(levels, elapsed, least=0.1).sizes, 0)


def test_a_step_of_some_places_only_is_not_the_cameras():
    elapsed = np.arange(80) * 1.0
    levels = heating(elapsed, np.random.default_rng(3))
    levels[40:, : PLACES // 2] += 1.0
    np.testing.assert_array_equal(common_steps(levels, elapsed, least=0.1).sizes, 0)


def test_places_that_are_never_seen_do_not_hide_a_step():
    elapsed = np.arange(60) * 1.0
    levels = heating(elapsed, np.random.default_rng(4))
    levels[30:] += 0.3
    levels[:, ::3] = np.nan
    assert common_steps(levels, elapsed, least=0.1).sizes[30] == pytest.approx(0.3, abs=0.05)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_frames_have_no_steps(count):
    assert common_steps(np.zeros((count, 4)), np.arange(count) * 1.0, least=0.1).sizes.tolist() == [0.0] * count


def test_a_repeat_is_equal_to_the_last_digit_and_not_level():
    frame = np.random.default_rng(5).normal(25, 1, (6, 8)).astype(np.float32)
    frame[0, 0] = np.nan
    other = frame.copy()
    assert is_repeat(other, frame)
    other[3, 3] = np.nextafter(other[3, 3], np.float32(100))
    assert not is_repeat(other, frame)
    saturated = np.full((6, 8), 150.0)
    assert not is_repeat(saturated, saturated)


def test_a_thumbnail_keeps_the_mean_and_knows_what_it_has_not_seen():
    frame = np.arange(12 * 16, dtype=float).reshape(12, 16)
    small = thumbnail(frame, longest=4)
    np.testing.assert_allclose(small, frame.reshape(3, 4, 4, 4).mean(axis=(1, 3)), rtol=1e-6)
    frame[:4, :4] = np.nan
    frame[4:6, 4:8] = np.nan
    masked = thumbnail(frame, longest=4)
    assert np.isnan(masked[0, 0])
    assert masked[1, 1] == pytest.approx(frame[6:8, 4:8].mean(), rel=1e-6)
    assert thumbnail(np.ones((2, 3)), longest=64).shape == (2, 3)


def test_a_gap_is_longer_than_its_neighbours_on_both_sides():
    elapsed = np.arange(40) * 0.5
    elapsed[25:] += 3.0
    assert np.flatnonzero(gaps(elapsed, factor=2.5)).tolist() == [25]
    slower = np.concatenate([np.arange(0, 10, 0.5), np.arange(10, 60, 4.0)])
    assert not gaps(slower, factor=2.5).any()
    assert gaps(np.zeros(0), factor=2.5).shape == (0,)
    assert not gaps(np.array([0.0, 5.0]), factor=2.5).any()


def share_of(departures, *, least):
    """Share of the seen picture that something is in the way of."""
    return obstructed_places(departures, least=least).sum() / np.isfinite(departures).sum()


def pictures(times, rng):
    """A board with a spot that heats at 0.2 K/s."""
    down, right = np.mgrid[0:24, 0:32]
    spot = np.exp(-((right - 20) ** 2 + (down - 10) ** 2) / 18)
    return np.array([24 + 0.2 * t * spot + 0.02 * rng.standard_normal(spot.shape) for t in times])


def test_a_hand_departs_from_before_and_after_and_a_heating_spot_does_not():
    rng = np.random.default_rng(6)
    before, now, after = pictures(np.arange(10), rng)[::-1], pictures([10], rng)[0], pictures(np.arange(11, 21), rng)
    clean = departed(now, before=before, after=after)
    assert share_of(clean, least=1.0) == 0
    now[14:, 4:10] = 33
    share = share_of(departed(now, before=before, after=after), least=1.0)
    assert share == pytest.approx(60 / (24 * 32))


def test_at_the_ends_of_a_recording_the_trend_may_go_on():
    rng = np.random.default_rng(7)
    after = pictures(np.arange(1, 16), rng)
    first = pictures([0], rng)[0]
    assert share_of(departed(first, before=after[:0], after=after), least=1.0) == 0
    first[14:, 4:10] = 33
    assert share_of(departed(first, before=after[:0], after=after), least=1.0) > 0.05
    assert np.isnan(departed(first, before=after[:0], after=after[:0])).all()


@pytest.mark.parametrize("power_on", [0, 17, 19.5])
def test_heat_that_has_just_come_carries_on(power_on):
    rng = np.random.default_rng(9)
    elapsed = np.arange(0, 20.2, 0.2)
    pace = 10 * np.maximum(elapsed - power_on, 0)  # 2 K/s
    seen = pictures(pace, rng)
    band = carried_on(seen[:-1][::-1][:18], (elapsed[-1] - elapsed[:-1])[::-1][:18])
    assert share_of(departure(seen[-1], *band), least=1.0) == 0
    seen[-1, 14:, 4:10] = 33
    assert share_of(departure(seen[-1], *band), least=1.0) == pytest.approx(60 / (24 * 32))


def test_with_few_pictures_before_their_level_carries_on():
    seen = pictures(np.zeros(4), np.random.default_rng(10))
    low, high = carried_on(seen, np.arange(1.0, 5.0))
    assert ((low <= np.median(seen, axis=0)) & (np.median(seen, axis=0) <= high)).all()


def test_a_step_common_to_all_places_obstructs_nothing():
    rng = np.random.default_rng(8)
    sides = pictures(np.arange(20), rng)
    departures = departed(pictures([10], rng)[0] + 5.0, before=sides[:10][::-1], after=sides[10:])
    assert share_of(departures, least=1.0) == 0


@pytest.mark.parametrize("shared", [0.0, 0.01])
@pytest.mark.parametrize("heats", [False, True])
def test_errors_of_steps_scatter_as_their_uncertainty_says(shared, heats):
    # 5 mK of noise in each place, and as much again or none that all places of a frame share
    rng = np.random.default_rng(9)
    elapsed = np.arange(60) * 1.0
    errors = []
    for _ in range(120):  # know a standard deviation to 6 %
        levels = heating(elapsed, rng, on=-60.0 if heats else 1e9)
        levels += shared * rng.standard_normal(len(elapsed))[:, None]
        levels[30:] += 0.25
        found = common_steps(levels, elapsed, least=0.1)
        assert np.flatnonzero(found.uncertainties).tolist() == [30]
        errors.append((found.sizes[30] - 0.25) / found.uncertainties[30])
    assert np.std(errors) == pytest.approx(1.0, abs=0.2)
    assert abs(np.mean(errors)) < 0.4


def test_a_step_as_the_board_is_switched_on_is_less_certain():
    elapsed = np.arange(80) * 1.0
    levels = heating(elapsed, np.random.default_rng(10), on=38.5, fastest=100.0)
    levels[39:] += 1.5
    found = common_steps(levels, elapsed, least=0.1)
    quiet = heating(elapsed, np.random.default_rng(10), on=1e9)
    quiet[39:] += 1.5
    assert abs(found.sizes[39] - 1.5) < 2 * found.uncertainties[39]
    assert found.uncertainties[39] > 3 * common_steps(quiet, elapsed, least=0.1).uncertainties[39]


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_frames_have_no_uncertain_steps(count):
    assert not common_steps(np.zeros((count, 4)), np.arange(count) * 1.0, least=0.1).uncertainties.any()
