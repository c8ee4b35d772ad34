"""A series of 16-bit grey PNG files."""

from functools import partial
from pathlib import Path

import cv2
import numpy as np

from heatwake.errors import InputError
from heatwake.store.frames.recording import Array, Recording


def open_png(paths: list[Path], *, key: str) -> Recording:
    """Open a series of 16-bit grey PNG files, one a frame."""
    rows, columns = shape = _read_one(paths[0], key=key).shape

    return Recording(
        (len(paths), rows, columns), np.dtype(np.uint16), partial(_read, shape, key), tuple(paths), tuple(paths)
    )


def _read(shape: tuple[int, ...], key: str, paths: tuple[Path, ...]) -> Array:
    return np.stack([_checked(path, shape=shape, key=key) for path in paths])


def _checked(path: Path, *, shape: tuple[int, ...], key: str) -> Array:
    frame = _read_one(path, key=key)
    if frame.shape != shape:
        raise InputError(
            f"{key}: {path}",
            f"{frame.shape[1]}x{frame.shape[0]} pixels",
            f"must be {shape[1]}x{shape[0]} like the first frame",
        )
    return frame


def _read_one(path: Path, *, key: str) -> Array:
    frame = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if frame is None:
        raise InputError(f"{key}: {path}", "not a PNG picture", "must be 16-bit grey PNG")
    if frame.ndim != 2 or frame.dtype != np.uint16:
        raise InputError(f"{key}: {path}", f"{frame.dtype} of shape {frame.shape}", "must be 16-bit grey PNG")
    return np.asarray(frame)
