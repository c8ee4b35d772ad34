"""Linear systems whose unknowns come in a row of blocks, each coupled to its neighbours place by place.

Two layers of cells on a rectangular grid are such a system: a block holds the cells of both layers that stand side by
side across the board's short side, and the same cells of the next block are the only others that they meet.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from heatwake.kernels.compiled import compiled

Array = npt.NDArray[np.float64]


class BlockFactors:
    """Factors of one block tridiagonal matrix with diagonal off-diagonal blocks, for many right-hand sides.

    Block elimination without pivoting between blocks (Golub and Van Loan, Matrix Computations, section 4.5.1): stable
    where the diagonal dominates. The blocks' inverses are kept, so that a solution is a row of small matrix products.

    Parameters
    ----------
    inverse : (blocks, k, k) array
        Of what elimination leaves of the diagonal blocks.
    before, after : (blocks, k) arrays
        Coupling to the block before and to the block after; unused at the ends.
    """

    def __init__(self, inverse: Array, *, before: Array, after: Array) -> None:
        self.inverse = inverse
        self.before, self.after = np.ascontiguousarray(before), np.ascontiguousarray(after)

    def solve(self, right: Array) -> Array:
        """Return the solutions ``(blocks, k, m)`` for right-hand sides of that shape."""
        found = np.array(right, order="C")
        _substitute(self.inverse, self.before, self.after, found)
        return found


@compiled("void(float64[:,:,::1], float64[:,::1], float64[:,::1], float64[:,:,::1])")
def _substitute(inverse: Array, before: Array, after: Array, found: Array) -> None:
    """Turn right-hand sides into solutions, in place."""
    blocks, size, many = found.shape
    passed, taken = np.empty((size, many)), np.empty((size, many))
    for block in range(blocks):
        for row in range(size):
            for column in range(many):
                passed[row, column] = found[block, row, column]
                if block > 0:
                    passed[row, column] -= before[block, row] * found[block - 1, row, column]
        np.dot(inverse[block], passed, found[block])
    for block in range(blocks - 2, -1, -1):
        for row in range(size):
            for column in range(many):
                passed[row, column] = after[block, row] * found[block + 1, row, column]
        np.dot(inverse[block], passed, taken)
        for row in range(size):
            for column in range(many):
                found[block, row, column] -= taken[row, column]


def factorise(blocks: Array, *, before: Array, after: Array, added: Sequence[Array]) -> list[BlockFactors]:
    """Factorise a matrix with several diagonals added to it.

    Parameters
    ----------
    blocks : (blocks, k, k) array
        Diagonal blocks.
    before, after : (blocks, k) arrays
        Coupling to the block before and to the block after.
    added : sequence of (blocks, k) arrays
        A diagonal for each set of factors.
    """
    left = np.repeat(blocks[np.newaxis], len(added), axis=0)
    place = np.arange(blocks.shape[1])
    left[:, :, place, place] += np.stack(added)
    inverse = np.empty_like(left)
    inverse[:, 0] = np.linalg.inv(left[:, 0])
    for block in range(1, len(blocks)):
        passed = before[block][:, np.newaxis] * inverse[:, block - 1] * after[block - 1]
        inverse[:, block] = np.linalg.inv(left[:, block] - passed)
    return [BlockFactors(each, before=before, after=after) for each in inverse]
