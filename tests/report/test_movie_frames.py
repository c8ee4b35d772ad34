"""The film's frames."""

from itertools import pairwise

import numpy as np
import pytest
import xarray as xr

from heatwake.report.figure_style import RISE_COLOURS
from heatwake.report.maps import extent
from heatwake.report.movie_frames import airflow_frames, side_by_side_frames
from heatwake.report.streaks import Streaks
from report import charger_results


@pytest.fixture(scope="module")
def film(charger: xr.Dataset, told: xr.Dataset) -> list[np.ndarray]:
    return list(airflow_frames(charger, told, frames=12, size=(641, 401)))


def test_frames_are_even_rgb_and_as_many_as_asked(film: list[np.ndarray]) -> None:
    assert len(film) == 12
    assert {frame.shape for frame in film} == {(400, 640, 3)}
    assert {frame.dtype for frame in film} == {np.dtype(np.uint8)}


def test_frames_change_with_time(film: list[np.ndarray]) -> None:
    changes = [np.abs(a.astype(int) - b).sum() for a, b in pairwise(film)]
    assert min(changes) > 0


def test_hottest_part_ends_in_the_scales_brightest_colours(film: list[np.ndarray]) -> None:
    # The scale is blue at its low and yellow at its high end: red over blue grows along it.
    import matplotlib as mpl

    low, high = (np.array(mpl.colormaps[RISE_COLOURS](end)[:3]) for end in (0.0, 1.0))
    assert high[0] - high[2] > 0.5 > low[0] - low[2]
    warmth = film[-1][..., 0].astype(int) - film[-1][..., 2]
    cold = film[0][..., 0].astype(int) - film[0][..., 2]
    assert ((warmth > 100) & (cold < 0)).sum() > 200
    assert ((cold > 100) & (warmth < 0)).sum() == 0


def test_same_session_gives_the_same_film(charger: xr.Dataset, told: xr.Dataset, film: list[np.ndarray]) -> None:
    again = list(airflow_frames(charger, told, frames=12, size=(641, 401)))
    assert all(np.array_equal(a, b) for a, b in zip(film, again, strict=True))


def streaks(charger: xr.Dataset, flow: xr.Dataset) -> Streaks:
    return Streaks(flow, extent=extent(charger), shape=(200, 320))


def test_no_streak_without_a_direction(charger: xr.Dataset) -> None:
    moving = streaks(charger, charger_results.flow(charger, told=False))
    assert all(not moving.advance(2).any() for _ in range(5))


def test_no_streak_before_power_on(charger: xr.Dataset, told: xr.Dataset) -> None:
    assert not streaks(charger, told).advance(None).any()


def test_no_streak_starts_where_the_direction_is_not_told(charger: xr.Dataset, told: xr.Dataset) -> None:
    moving = streaks(charger, told)
    light = sum(moving.advance(2).astype(int) for _ in range(20))
    # Nothing is told at x > 110 mm, y < 18 mm, that is right of column 220 and below row 164; a streak may still cross
    # the edge by one step of a few pixels.
    assert not light[172:, 228:].any()
    assert light[:150].any()


@pytest.mark.parametrize("direction", [0.0, 90.0, 180.0, -90.0])
def test_streaks_run_along_the_direction(charger: xr.Dataset, direction: float) -> None:
    flow = charger_results.flow(charger, direction=direction)
    flow = flow.assign(flow_direction=xr.full_like(flow["flow_direction"], direction))
    moving = streaks(charger, flow)
    first = moving.advance(2).astype(float)
    trails = moving.advance(2).astype(float)
    new = np.where(trails > first * 0.84 + 2, trails, 0.0)  # light of the second step alone
    shift = 3
    right, down = round(np.cos(np.radians(direction)) * shift), -round(np.sin(np.radians(direction)) * shift)
    ahead = (np.roll(first, (down, right), axis=(0, 1)) * new).sum()
    behind = (np.roll(first, (-down, -right), axis=(0, 1)) * new).sum()
    assert ahead > 1.5 * behind


def test_map_that_was_not_seen_is_grey_and_the_film_goes_on(charger: xr.Dataset, told: xr.Dataset) -> None:
    rise = charger["temperature_rise"].copy()
    rise[-1] = np.nan
    frame = list(airflow_frames(charger.assign(temperature_rise=rise), told, frames=2, size=(320, 200)))[-1]
    middle = frame[95:105, 120:140].astype(int)
    assert np.median(np.ptp(middle, axis=-1)) < 30


def test_side_by_side_shares_clock_and_scale(charger: xr.Dataset, told: xr.Dataset) -> None:
    # The second is the first, begun 30 s later on its own clock and half as warm.
    late = charger.assign(temperature_rise=charger["temperature_rise"] / 2, power_on=charger["power_on"] + 30.0)
    late = late.assign_coords(elapsed=charger["elapsed"] + 30.0)
    pictures = list(side_by_side_frames({"a": charger, "b": late}, {"a": told}, frames=3, size=(640, 400)))
    assert {picture.shape for picture in pictures} == {(400, 1280, 3)}
    left, right = pictures[-1][:, :640].astype(int), pictures[-1][:, 640:].astype(int)
    clock = np.s_[20:44, 540:]  # the same digits at the same place
    assert np.array_equal(left[clock], right[clock])
    assert left[clock].max() > 200
    warmth = [(half[..., 0] - half[..., 2] > 60).sum() for half in (left, right)]
    assert warmth[1] < 0.2 * warmth[0]
    alone = list(airflow_frames(late, told, frames=3, size=(640, 400)))[-1].astype(int)
    assert (alone[..., 0] - alone[..., 2] > 60).sum() > 2 * warmth[1]  # brighter on a scale of its own
