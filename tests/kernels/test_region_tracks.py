"""Regions through time, on looks and onsets written down by hand."""

import numpy as np
import pytest

from heatwake.kernels.hot_blobs import Blob
from heatwake.kernels.load_steps import LoadStep
from heatwake.kernels.region_tracks import (
    BACK,
    FADED,
    HIDDEN,
    MERGED,
    NOT_YET,
    SEEN,
    Onset,
    follow_regions,
    sharp_onsets,
    story,
)

SIDE, LOOKS = 60, 24
ROWS, COLUMNS = np.mgrid[:SIDE, :SIDE]
LEAST = np.full(LOOKS, 0.5)


def bump(row, column, *, width=4.0):
    return np.exp(-((ROWS - row) ** 2 + (COLUMNS - column) ** 2) / 2 / width**2)


def looks_of(*loads):
    """Return looks (look, ny, nx) of loads: (height [K], first look, last look but one, bump)."""
    maps = np.random.default_rng(3).normal(0, 0.01, (LOOKS, SIDE, SIDE))
    for height, first, last, place in loads:
        maps[first:last] += height * place
    return maps.astype(np.float32)


def box(row, column, *, half, width=4.0, contrast=5.0):
    rows, columns = (slice(at - half, at + half + 1) for at in (row, column))
    return Blob(row, column, width, contrast, rows, columns, np.ones((2 * half + 1,) * 2, dtype=bool))


def onset(look, blob, *, sign=1, whole=True):
    return Onset(look, sign, blob, look + 2, 10.0, sharp=True, whole=whole)


def followed(looks, *sharp):
    return follow_regions(looks, least=LEAST, share=0.03, sharp=sharp)


def test_a_load_that_goes_and_comes_back_is_the_same_region():
    place = bump(20, 40)
    history = followed(looks_of((8.0, 2, 9, place), (8.0, 15, LOOKS, place)))
    assert len(history.tracks) == 1
    [states] = history.state
    assert states[[0, 5, 12, 20]].tolist() == [NOT_YET, SEEN, FADED, BACK]


def test_what_shows_within_the_edges_of_a_part_is_the_part():
    part, corner = box(30, 30, half=9, width=7.0), box(24, 36, half=2, width=2.0)
    looks = looks_of((8.0, 2, LOOKS, bump(30, 30, width=6.0)))
    history = followed(looks, onset(2, part), onset(2, corner, whole=False))
    assert [(track.best.row, track.best.column) for track in history.tracks] == [(30, 30)]


@pytest.mark.parametrize("whole", [True, False])
def test_a_weak_part_that_no_look_shows_by_itself_stays_where_its_edges_were_seen(whole):
    strong, weak = box(30, 22, half=9, width=8.0), box(30, 36, half=4, width=4.0, contrast=1.5)
    looks = looks_of((20.0, 2, LOOKS, bump(30, 24, width=9.0)))
    history = followed(looks, onset(2, strong), onset(2, weak, whole=whole))
    assert len(history.tracks) == 1 + whole
    assert history.tracks[-1].whole


def test_where_a_neighbour_takes_its_place_it_is_merged_into_it():
    looks = looks_of((5.0, 2, LOOKS, bump(30, 20)), (30.0, 12, LOOKS, bump(30, 29, width=7.0)))
    history = followed(looks, onset(2, box(30, 20, half=5)), onset(12, box(30, 29, half=8, width=7.0)))
    by_place = {track.best.column: number for number, track in enumerate(history.tracks)}
    small, large = by_place[20], by_place[29]
    assert history.state[small, 5] == SEEN
    assert history.state[small, -1] == MERGED
    assert history.partner[small, -1] == large


def test_onsets_of_load_steps_are_of_the_first_look_after_them():
    step = LoadStep(3, 1, box(30, 30, half=5), 4.0, whole=True)
    [found] = sharp_onsets([step], elapsed=np.arange(10) * 5.0, look_elapsed=np.array([7.5, 12.0, 17.0]), least=LEAST)
    assert (found.look, found.sign, found.sharp, found.whole) == (2, 1, True, True)
    assert found.peak == pytest.approx(4.0 / 0.5)


def test_a_story_tells_what_was_hidden_from_what_was_gone():
    there = np.array([0, 1, 1, 0, 1, 0, 1, 1], dtype=bool)
    own = np.array([0, 1, 0, 0, 1, 0, 1, 1], dtype=bool)
    hidden = np.array([0, 0, 0, 1, 0, 0, 0, 0], dtype=bool)
    assert story(there, own, hidden) == [NOT_YET, SEEN, MERGED, HIDDEN, SEEN, FADED, BACK, BACK]
