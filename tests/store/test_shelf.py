"""Pictures put aside."""

import gc
import os

import numpy as np

from heatwake.store.shelf import FileShelf


def test_pictures_come_back_in_any_order_and_leave_no_file(tmp_path):
    shelf = FileShelf(tmp_path, (3, 4))
    pictures = np.random.default_rng(1).random((5, 3, 4), dtype=np.float32)
    for number in (3, 0, 4, 1, 2):
        shelf.put(number, pictures[number])
    assert all((shelf.get(number) == picture).all() for number, picture in enumerate(pictures))
    assert list(tmp_path.iterdir()) == []


def test_a_shelf_that_nobody_holds_is_closed(tmp_path):
    before = len(os.listdir("/proc/self/fd"))
    shelf = FileShelf(tmp_path, (3, 4))
    assert len(os.listdir("/proc/self/fd")) == before + 1
    del shelf
    gc.collect()
    assert len(os.listdir("/proc/self/fd")) == before
