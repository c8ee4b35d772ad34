"""Sizes that a recording may declare: beyond them it is refused before memory is taken."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from heatwake.errors import InputError

MOST_PIXELS: Final = 2**24  # of a frame: sixteen times the largest thermal sensors (our own choice)
MOST_FRAMES: Final = 2**26  # two weeks at 50 frames a second
MOST_CHUNK_BYTES: Final = 2**27  # of one compressed piece, which is unpacked whole


def require_frame_size(rows: int, columns: int, *, where: str) -> None:
    """Refuse frames that no thermal camera makes.

    Raises
    ------
    InputError
        More pixels than ``MOST_PIXELS``.
    """
    if rows * columns > MOST_PIXELS:
        raise InputError(where, f"{columns}x{rows} pixels", f"must have no more than {MOST_PIXELS} pixels a frame")


def require_stack(shape: Sequence[int], *, where: str) -> None:
    """Refuse a stack (frames, rows, columns) beyond all measure."""
    count, rows, columns = shape
    require_frame_size(rows, columns, where=where)
    if count > MOST_FRAMES:
        raise InputError(where, f"{count} frames", f"must be no more than {MOST_FRAMES}")


def require_chunk(chunk: Sequence[int], dtype: np.dtype[Any], *, where: str) -> None:
    """Refuse compressed pieces that would not be unpacked in bounded memory."""
    size = dtype.itemsize
    for length in chunk:
        size *= int(length)
    if size > MOST_CHUNK_BYTES:
        wanted = f"must be no more than {MOST_CHUNK_BYTES // 2**20} MiB: store it in chunks of some frames"
        raise InputError(where, f"in compressed pieces of {size // 2**20} MiB", wanted)
