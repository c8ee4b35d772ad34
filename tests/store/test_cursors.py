"""Files read onwards by several threads: no frame is decoded twice where one can wait, and all get their own."""

import time
from concurrent.futures import ThreadPoolExecutor
from threading import Event

import numpy as np
import pytest

from heatwake.store.frames.cursors import Cursors


class Counting:
    """A file whose frames are their numbers; all that pass are counted."""

    passed = 0
    opened = 0
    may_go_on = Event()

    def __init__(self, path):
        type(self).opened += 1
        self.position = 0

    def read(self, place):
        number = place[0]
        if number == 13:
            raise ValueError("frame 13 is damaged")
        assert number >= self.position
        type(self).passed += number + 1 - self.position
        self.position = number + 1
        self.may_go_on.wait(10)
        return np.array([[number]])

    def close(self):
        pass


@pytest.fixture
def kind():
    return type("Counted", (Counting,), {"may_go_on": Event()})


def read(cursors, path, start, stop):
    return cursors.read(path, np.arange(start, stop))[:, 0, 0].tolist()


def ask_in_turn(pool, cursors, path, parts):
    """Let each ask before the next does, and none be done before all have asked."""
    asked = []
    for number, part in enumerate(parts, start=1):
        asked.append(pool.submit(read, cursors, path, *part))
        while len(cursors._requests) < number:
            time.sleep(0.001)
    return asked


def test_blocks_side_by_side_pass_each_frame_once(tmp_path, kind):
    (tmp_path / "a").touch()
    cursors = Cursors(kind)
    parts = [(0, 3), (3, 6), (6, 9)]
    with ThreadPoolExecutor(3) as pool:
        asked = ask_in_turn(pool, cursors, tmp_path / "a", parts)
        kind.may_go_on.set()
        assert [one.result() for one in asked] == [list(range(*part)) for part in parts]
    assert (kind.opened, kind.passed) == (1, 9)


def test_nobody_waits_where_a_file_may_be_entered(tmp_path, kind):
    (tmp_path / "a").touch()
    cursors = Cursors(kind, start=lambda place: place[0] // 3 * 3)
    with ThreadPoolExecutor(2) as pool:
        asked = ask_in_turn(pool, cursors, tmp_path / "a", [(0, 3), (3, 6)])
        kind.may_go_on.wait(0.05)
        opened = kind.opened
        kind.may_go_on.set()
        assert [one.result() for one in asked] == [[0, 1, 2], [3, 4, 5]]
    assert opened == 2


def test_who_waits_goes_on_when_the_other_fails(tmp_path, kind):
    (tmp_path / "a").touch()
    cursors = Cursors(kind)
    with ThreadPoolExecutor(2) as pool:
        asked = ask_in_turn(pool, cursors, tmp_path / "a", [(12, 15), (15, 17)])
        kind.may_go_on.set()
        with pytest.raises(ValueError, match="frame 13 is damaged"):
            asked[0].result()
        assert asked[1].result() == [15, 16]


def test_whoever_reads_what_gets_it(tmp_path, kind):
    kind.may_go_on.set()
    (tmp_path / "a").touch()
    cursors = Cursors(kind, start=lambda place: place[0] // 40 * 40)
    rng = np.random.default_rng(3)
    parts = [(start, start + length) for start, length in rng.integers((20, 1), (200, 9), (400, 2)).tolist()]
    with ThreadPoolExecutor(4) as pool:
        for part, values in zip(parts, pool.map(lambda part: read(cursors, tmp_path / "a", *part), parts), strict=True):
            assert values == list(range(*part))
