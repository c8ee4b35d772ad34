"""One CSV matrix a frame: comma-separated temperatures, NaN or an empty cell where there is no reading."""

from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from heatwake.errors import InputError
from heatwake.store.frames.recording import Array, Recording


def open_csv(paths: list[Path], *, key: str) -> Recording:
    """Open a series of CSV matrices."""
    rows, columns = shape = _read_one(paths[0], key=key).shape

    return Recording(
        (len(paths), rows, columns), np.dtype(np.float32), partial(_read, shape, key), tuple(paths), tuple(paths)
    )


def _read(shape: tuple[int, ...], key: str, paths: tuple[Path, ...]) -> Array:
    return np.stack([_checked(path, shape=shape, key=key) for path in paths])


def _checked(path: Path, *, shape: tuple[int, ...], key: str) -> Array:
    frame = _read_one(path, key=key)
    if frame.shape != shape:
        raise InputError(
            f"{key}: {path}",
            f"{frame.shape[1]}x{frame.shape[0]} cells",
            f"must be {shape[1]}x{shape[0]} like the first frame",
        )
    return frame


def _read_one(path: Path, *, key: str) -> Array:
    try:
        return pd.read_csv(path, header=None, dtype=np.float32).to_numpy()
    except (ValueError, OSError) as error:
        detail = str(error).splitlines()[0]
        raise InputError(f"{key}: {path}", f"not a matrix of numbers ({detail})", "must be one frame a file") from None
