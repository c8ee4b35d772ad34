"""Slice by slice is all at once."""

import numpy as np
import pytest

from heatwake.kernels.slicewise import slicewise


def sum_and_product(a, b, c):
    return a + b + c, (a * b * c).astype(np.float32)


@pytest.mark.parametrize("length", [0, 1, 5])
@pytest.mark.parametrize("second", ["full", "per slice", "map", "scalar"])
def test_slices_are_the_whole(length, second):
    rng = np.random.default_rng(length)
    shapes = {"full": (length, 4, 6), "per slice": (length, 1, 1), "map": (4, 6), "scalar": ()}
    arrays = [rng.random((length, 4, 6)), np.asarray(rng.random(shapes[second])), rng.random((1, 1, 6))]
    whole, sliced = sum_and_product(*arrays), slicewise(sum_and_product, *arrays)
    for expected, made in zip(whole, sliced, strict=True):
        assert made.dtype == expected.dtype
        np.testing.assert_array_equal(made, expected)


def test_only_one_slice_is_seen_at_a_time():
    seen = []

    def note(a):
        seen.append(a.shape)
        return (a,)

    slicewise(note, np.zeros((3, 2, 2)))
    assert seen == [(1, 2, 2)] * 3
