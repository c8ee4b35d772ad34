"""Damaged recordings of every kind: each is read, or refused in one line, quickly and in bounded memory."""

import os
import resource
import signal

import numpy as np
import pytest

from heatwake.errors import InputError
from heatwake.store.frames.trial import TrialError, try_first
from store.mutations import damaged, is_read_or_refused, peak, samples

MOST_BYTES = 2**30
CASES = {".nc": 12, ".h5": 12, ".csv": 80, ".mp4": 60, ".avi": 30, ".webm": 60, ".mov": 60, ".gif": 40, ".mkv": 90}
USUALLY = 150


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    return samples(tmp_path_factory.mktemp("sound"))


KINDS = (
    *("plain.tif", "zlib.tif", "lzw.tif", "a.png", "a.npy", "plain.npz", "packed.npz", "a.csv", "three.nc", "four.nc"),
    *("a.h5", "version2.zarr", "version3.zarr", "grey.mkv", "a.mp4", "a.avi", "a.webm", "a.mov", "a.gif"),
)


def test_all_kinds_are_here(sound):
    assert set(KINDS) == set(sound)


@pytest.mark.parametrize("name", KINDS)
def test_whatever_is_damaged_is_read_or_refused(sound, tmp_path, name):
    """Nearly two thousand in all; mutations.py runs as a script for more."""
    path = sound[name]
    assert is_read_or_refused(path)  # what is damaged is sound before
    before = peak()
    target = tmp_path / f"damaged{path.suffix}"
    read = 0
    for case in range(CASES.get(path.suffix, USUALLY)):
        damaged(path, target, np.random.default_rng([3, case]))
        read += is_read_or_refused(target)
    assert read < CASES.get(path.suffix, USUALLY)  # some damage is seen
    assert peak() - before < MOST_BYTES
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024 < before + MOST_BYTES


def lose():
    raise OSError("nothing there")


def refuse():
    raise InputError("a", "b", "must be c")


def test_a_library_that_dies_takes_nobody_with_it():
    with pytest.raises(TrialError, match="the library that reads it breaks down"):
        try_first(lambda: os.kill(os.getpid(), signal.SIGSEGV))
    with pytest.raises(TrialError, match="nothing there"):
        try_first(lose)
    with pytest.raises(InputError, match="a is b, must be c"):
        try_first(refuse)
    try_first(lambda: None)
