"""Repairs of faulty pixels: closed forms."""

import numpy as np

from heatwake.kernels.pixel_faults import DEAD
from heatwake.kernels.pixel_repair import plan_repair


def flagged(*spots):
    flags = np.zeros((12, 14), dtype=np.int8)
    for row, column in spots:
        flags[row, column] = DEAD
    return flags


def test_a_repair_is_the_median_of_sound_neighbours():
    frames = np.arange(3 * 12 * 14, dtype=np.float32).reshape(3, 12, 14)
    before = frames.copy()
    frames[:, 5, 6] = frames[:, 0, 13] = 1e6
    plan = plan_repair(flagged((5, 6), (0, 13)))
    made = plan.apply(frames)
    np.testing.assert_allclose(made[:, 5, 6], before[:, 5, 6])  # a plane is kept
    corner = [np.median([frame[0, 12], frame[1, 12], frame[1, 13]]) for frame in before]
    np.testing.assert_allclose(made[:, 0, 13], corner)
    made[:, 5, 6], made[:, 0, 13] = before[:, 5, 6], before[:, 0, 13]
    np.testing.assert_array_equal(made, before)
    assert (frames[:, 5, 6] == 1e6).all()


def test_clusters_are_repaired_up_to_two_by_two_and_larger_ones_masked():
    plan = plan_repair(flagged((2, 2), (2, 3), (3, 2), (3, 3), (7, 5), (7, 6), (7, 7)))
    assert plan.repaired.tolist() == [[2, 2], [2, 3], [3, 2], [3, 3]]
    assert plan.masked.tolist() == [[7, 5], [7, 6], [7, 7]]
    made = plan.apply(np.full((2, 12, 14), 7.0))
    assert (made[:, 2:4, 2:4] == 7).all()
    assert np.isnan(made[:, 7, 5:8]).all()
    assert np.count_nonzero(np.isnan(made)) == 6


def test_levels_without_a_reading_take_no_part():
    levels = np.full((1, 12, 14), 500, dtype=np.uint16)
    levels[0, 4, 5:8], levels[0, 6, 5:8] = 502, 504
    temperatures = np.arange(2**16, dtype=np.float32)
    temperatures[0], temperatures[504] = np.nan, np.inf
    plan = plan_repair(flagged((5, 6), (9, 1), (9, 2), (9, 3)))
    made = plan.apply(levels, temperatures=temperatures, no_reading=0)
    assert made.dtype == np.uint16
    assert made[0, 5, 6] == 502  # of 502, 502, 502, 500, 500
    assert made[0, 9, 1:4].tolist() == [0, 0, 0]
    temperatures[502] = np.nan
    assert plan.apply(levels, temperatures=temperatures, no_reading=0)[0, 5, 6] == 0  # most of them are none
