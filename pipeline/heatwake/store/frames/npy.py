"""A NumPy array file, memory-mapped."""

from pathlib import Path

import numpy as np

from heatwake.errors import InputError
from heatwake.store.frames.recording import Array, Recording


def open_npy(paths: list[Path], *, key: str) -> Recording:
    """Open one ``.npy`` file of shape (frames, rows, columns); pickled objects are refused."""
    path = paths[0]
    if len(paths) > 1:
        raise InputError(key, f"{len(paths)} .npy files", "must be one file that holds all frames")
    try:
        stack = np.load(path, mmap_mode="r", allow_pickle=False)
    except (ValueError, OSError, EOFError) as error:
        raise InputError(f"{key}: {path}", f"unreadable ({error})", "must be a whole .npy file of numbers") from None
    if stack.ndim != 3 or stack.dtype.kind not in "uif":
        raise InputError(f"{key}: {path}", f"{stack.dtype} of shape {stack.shape}", "must be (frames, rows, columns)")

    def read(start: int, stop: int) -> Array:
        return np.asarray(stack[start:stop])

    return Recording((stack.shape[0], stack.shape[1], stack.shape[2]), stack.dtype, read, (path,))
