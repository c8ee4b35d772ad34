"""A series of 16-bit grey PNG files."""

from functools import partial
from pathlib import Path
from typing import Final

import imagecodecs
import numpy as np

from heatwake.errors import InputError
from heatwake.store.frames.bounds import require_frame_size
from heatwake.store.frames.recording import Array, Recording

SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
WANTED: Final = "must be 16-bit grey PNG"


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
    where = f"{key}: {path}"
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError(where, f"unreadable ({error.strerror})", WANTED) from None
    _check_header(content, where=where)
    try:
        return np.asarray(imagecodecs.png_decode(content))
    except (imagecodecs.PngError, ValueError, MemoryError):
        raise InputError(where, "a damaged PNG picture", WANTED) from None


def _check_header(content: bytes, *, where: str) -> None:
    """Refuse by the file's first chunk what is not 16-bit grey, or is too large to unpack (ISO/IEC 15948, 11.2.2)."""
    if content[:8] != SIGNATURE or content[12:16] != b"IHDR" or len(content) < 29:
        raise InputError(where, "not a PNG picture", WANTED)
    columns, rows = (int.from_bytes(content[at : at + 4], "big") for at in (16, 20))
    depth, colour = content[24], content[25]
    if (depth, colour) != (16, 0):
        kind = {0: "grey", 2: "colour", 3: "indexed", 4: "grey with alpha", 6: "colour with alpha"}.get(colour, "other")
        raise InputError(where, f"{depth}-bit {kind}", WANTED)
    require_frame_size(rows, columns, where=where)
