"""Linear systems whose unknowns come in a row of blocks, each coupled to its neighbours place by place.

Two layers of cells on a rectangular grid are such a system: a block holds the cells of both layers that stand side by
side across the board's short side, and the same cells of the next block are the only others that they meet.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


class BlockFactors:
    """Factors of one block tridiagonal matrix with diagonal off-diagonal blocks, for many right-hand sides.

    Block elimination without pivoting between blocks (Golub and Van Loan, Matrix Computations, section 4.5.1): stable
    where the diagonal dominates. The blocks' inverses are kept, so that a solution is a row of small matrix products.

    Parameters
    ----------
    inverse : (blocks, k, k) array
        Of what elimination leaves of the diagonal blocks.
    before, after : (blocks, k, 1) arrays
        Coupling to the block before and to the block after; unused at the ends.
    """

    def __init__(self, inverse: Array, *, before: Array, after: Array) -> None:
        self.inverse, self.before, self.after = inverse, before, after

    def solve(self, right: Array) -> Array:
        """Return the solutions ``(blocks, k, m)`` for right-hand sides of that shape."""
        found = np.empty_like(right)
        np.matmul(self.inverse[0], right[0], out=found[0])
        for block in range(1, len(found)):
            np.matmul(self.inverse[block], right[block] - self.before[block] * found[block - 1], out=found[block])
        for block in range(len(found) - 2, -1, -1):
            found[block] -= self.inverse[block] @ (self.after[block] * found[block + 1])
        return found


def factorise(blocks: Array, *, before: Array, after: Array, added: Sequence[Array]) -> list[BlockFactors]:
    """Factorise a matrix with several diagonals added to it.

    Parameters
    ----------
    blocks : (blocks, k, k) array
        Diagonal blocks.
    before, after : (blocks, k, 1) arrays
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
        passed = before[block] * inverse[:, block - 1] * after[block - 1].T
        inverse[:, block] = np.linalg.inv(left[:, block] - passed)
    return [BlockFactors(each, before=before, after=after) for each in inverse]
