"""Loads that come and go in maps written down by hand: when, where, and that nothing else is one."""

import numpy as np
import pytest

from heatwake.kernels.load_steps import find_load_steps, step_times

SIDE, STEPS, STEP, NOISE = 60, 60, 10.0, 0.03
ELAPSED = np.arange(STEPS) * STEP
ROWS, COLUMNS = np.mgrid[:SIDE, :SIDE]


def plate(row, column, half):
    return ((np.abs(ROWS - row) <= half) & (np.abs(COLUMNS - column) <= half)).astype(float)


def warming(on, *, off=np.inf, rise=10.0, constant=80.0):
    """Return the first-order response to a load between two times, in closed form."""

    def share(start):
        return np.where(start < ELAPSED, 1 - np.exp(-np.maximum(ELAPSED - start, 0) / constant), 0.0)

    return rise * (share(on) - share(off))


def maps_of(*loads):
    noise = np.random.default_rng(5).normal(0, NOISE, (STEPS, SIDE, SIDE))
    return noise + sum(course[:, None, None] * place for course, place in loads)


def told(maps, *, least=0.5):
    found = find_load_steps(maps, ELAPSED, least=least)
    return sorted((one.base, one.sign, one.blob.row, one.blob.column) for one in found)


def test_a_load_that_comes_and_goes_is_told_twice_at_its_place():
    maps = maps_of((warming(100.0, off=300.0), plate(20, 40, 4)))
    assert [(base, sign) for base, sign, *_ in told(maps)] == [(10, 1), (30, -1)]
    for _, _, row, column in told(maps):
        assert np.hypot(row - 20, column - 40) <= 1


@pytest.mark.parametrize("late", [0.0, 3.0, 8.0])
def test_the_map_before_is_the_last_that_shows_nothing_of_it(late):
    maps = maps_of((warming(200.0 + late), plate(20, 40, 4)))
    [(base, *_)] = told(maps)
    assert base in (19, 20)


def test_a_part_that_comes_beside_a_hot_one_that_touches_it_is_alone_in_its_departure():
    maps = maps_of((warming(50.0, rise=40.0), plate(30, 25, 8)), (warming(350.0, rise=6.0), plate(30, 37, 3)))
    [_, second] = told(maps)
    assert second[:2] == (35, 1)
    assert np.hypot(second[2] - 30, second[3] - 37) <= 1


def test_of_parts_that_come_together_each_is_told_though_the_weaker_is_no_peak():
    maps = maps_of((warming(100.0, rise=30.0), plate(30, 20, 7)), (warming(100.0, rise=10.0), plate(30, 34, 6)))
    assert [(base, sign) for base, sign, *_ in told(maps)] == [(10, 1)] * 2


def test_noise_drift_and_slow_warming_are_no_steps():
    drift = 0.02 * ELAPSED + 2 * np.sin(ELAPSED / 200)
    slow = 5 * (ELAPSED / ELAPSED[-1]) ** 2
    maps = maps_of((drift, np.ones((SIDE, SIDE))), (slow, plate(30, 30, 5)))
    assert told(maps) == []
    assert set(step_times(maps, ELAPSED)) <= {0}  # what warms from the first map on bends there


def test_what_never_grows_to_the_least_contrast_is_left_out():
    maps = maps_of((warming(100.0, rise=2.0), plate(20, 40, 4)))
    assert len(told(maps, least=0.5)) == 1
    assert told(maps, least=4.0) == []


def test_masked_and_few_maps_are_borne():
    maps = maps_of((warming(100.0), plate(20, 40, 4)))
    maps[:, 40:, :20] = np.nan
    assert [(base, sign) for base, sign, *_ in told(maps)] == [(10, 1)]
    assert find_load_steps(maps[:3], ELAPSED[:3], least=0.5) == []
    assert find_load_steps(np.full((20, 30, 30), np.nan), ELAPSED[:20], least=0.5) == []
