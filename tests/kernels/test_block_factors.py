"""Block elimination against a dense solver."""

import numpy as np
import pytest

from heatwake.kernels.block_factors import factorise


def test_blocks_solve_as_the_whole_matrix_does():
    rng = np.random.default_rng(0)
    count, size = 5, 4
    blocks = rng.normal(size=(count, size, size)) + 12.0 * np.eye(size)
    before, after = rng.normal(size=(2, count, size))
    added = [rng.uniform(0.0, 5.0, (count, size)), np.zeros((count, size))]
    right = rng.normal(size=(count, size, 3))
    for diagonal, factors in zip(added, factorise(blocks, before=before, after=after, added=added), strict=True):
        whole = np.zeros((count, size, count, size))
        for k in range(count):
            whole[k, :, k] = blocks[k] + np.diag(diagonal[k])
            if k > 0:
                whole[k, :, k - 1] = np.diag(before[k])
                whole[k - 1, :, k] = np.diag(after[k - 1])
        exact = np.linalg.solve(whole.reshape(count * size, -1), right.reshape(count * size, -1))
        assert factors.solve(right).reshape(count * size, -1) == pytest.approx(exact, rel=1e-10, abs=1e-12)
