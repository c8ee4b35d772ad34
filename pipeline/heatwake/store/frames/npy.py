"""A NumPy array file, memory-mapped."""

from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from heatwake.errors import InputError
from heatwake.store.frames.bounds import require_stack
from heatwake.store.frames.recording import Array, Recording


def open_npy(paths: list[Path], *, key: str) -> Recording:
    """Open one ``.npy`` file of shape (frames, rows, columns); pickled objects are refused."""
    path = paths[0]
    if len(paths) > 1:
        raise InputError(key, f"{len(paths)} .npy files", "must be one file that holds all frames")
    stack = _map(path, key=key)
    if stack.ndim != 3 or stack.dtype.kind not in "uif":
        raise InputError(f"{key}: {path}", f"{stack.dtype} of shape {stack.shape}", "must be (frames, rows, columns)")
    count, rows, columns = stack.shape
    require_stack(stack.shape, where=f"{key}: {path}")
    return Recording((count, rows, columns), stack.dtype, partial(_read, path, key), np.arange(count), (path,))


def _map(path: Path, *, key: str) -> Array:
    try:
        return np.asanyarray(np.load(path, mmap_mode="r", allow_pickle=False))
    except Exception as error:  # a damaged header fails in many ways
        detail = (str(error).splitlines() or ["?"])[0]
        raise InputError(f"{key}: {path}", f"unreadable ({detail})", "must be a whole .npy file of numbers") from None


def _read(path: Path, key: str, numbers: npt.NDArray[np.int64]) -> Array:
    first, last = int(numbers[0]), int(numbers[-1])
    step = int(numbers[1]) - first if len(numbers) > 1 else 1
    return np.array(_map(path, key=key)[first : last + 1 : step])
