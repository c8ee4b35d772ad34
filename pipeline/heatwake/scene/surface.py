"""What the surface looks like in the infrared: emissivity of mask, print, pads and parts."""

import numpy as np
from scipy.ndimage import binary_dilation, gaussian_filter

from heatwake.scene.model import Array, Mask, Scene

PRINT_EMISSIVITY = 0.90  # white print on solder mask; a little below the mask (common practice, no source)
PAD_EMISSIVITY = 0.70  # tinned pad under flux residue and blurred by its size (common practice, no source)


def emissivity_map(scene: Scene) -> Array:
    """Return the emissivity of each cell (rows, columns).

    Solder mask with a fine texture, scattered marks and pads, a printed outline around each part, the parts' tops.
    Seeded by the board, so one board looks the same in every recording of it.
    """
    board = scene.board
    rng = np.random.default_rng(board.texture_seed)
    grain = gaussian_filter(rng.standard_normal(board.shape), 1.2, mode="wrap")
    grain *= board.texture / grain.std() if board.texture else 0.0
    surface = board.emissivity + grain
    for _ in range(board.marks):
        cells, value = _mark(board.shape, rng)
        surface[cells] = value + grain[cells]
    for part in scene.parts:
        cells = board.inside(part)
        if board.marks:
            surface[binary_dilation(cells) & ~cells] = PRINT_EMISSIVITY
    for part in scene.parts:
        cells = board.inside(part)
        surface[cells] = part.emissivity + 0.5 * (grain[cells] - grain[cells].mean())
    return np.asarray(np.clip(surface, 0.02, 0.99))


def _mark(shape: tuple[int, int], rng: np.random.Generator) -> tuple[Mask, float]:
    """Return the cells of one random mark, either a printed stroke or a pad, and its emissivity."""
    cells = np.zeros(shape, dtype=bool)
    row, column = rng.integers(0, shape[0] - 2), rng.integers(0, shape[1] - 2)
    printed = rng.random() < 0.7
    length = int(rng.integers(3, 9)) if printed else 2
    height, width = ((1, length) if rng.random() < 0.5 else (length, 1)) if printed else (2, 2)
    cells[row : row + height, column : column + width] = True
    return cells, PRINT_EMISSIVITY if printed else PAD_EMISSIVITY
