"""TIFF: one stack, or one file a frame; uint16 or floating point."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import numpy as np
import tifffile

from heatwake.errors import InputError
from heatwake.store.frames.recording import Array, Recording


def open_tiff(paths: list[Path], *, key: str) -> Recording:
    """Open a TIFF stack, or a series of single-frame TIFFs."""
    return _open_stack(paths[0], key=key) if len(paths) == 1 else _open_series(paths, key=key)


def _open_stack(path: Path, *, key: str) -> Recording:
    with _open(path, key=key) as file:
        pages = _pages(file, path=path, key=key)
    shape = pages[0].shape
    if len(shape) != 2:
        raise InputError(f"{key}: {path}", f"made of pages of shape {shape}", "must be grey pages (rows, columns)")
    for number, page in enumerate(pages):
        if page.shape != shape:
            raise _size_error(f"{key}: {path}: frame {number}", page.shape, first=shape)

    def read(start: int, stop: int) -> Array:
        with path.open("rb") as raw:  # a handle of its own a call: blocks may be read side by side
            try:
                return np.stack([_decode(raw, page) for page in pages[start:stop]])
            except Exception as error:  # each codec has its own exception; all of them mean a damaged file
                raise _damaged(path, key=key, detail=str(error)) from error

    return Recording((len(pages), shape[0], shape[1]), np.dtype(pages[0].dtype), read, (path,))


def _decode(raw: BinaryIO, page: tifffile.TiffPage | tifffile.TiffFrame) -> Array:
    """Decode one page, strip by strip or tile by tile."""
    picture = np.zeros(page.shape, dtype=page.dtype)
    for number, (offset, count) in enumerate(zip(page.dataoffsets, page.databytecounts, strict=True)):
        raw.seek(offset)
        segment, (_, _, row, column, _), (_, rows, columns, _) = page.decode(raw.read(count), number)
        if segment is None:
            raise ValueError("a part of the frame holds nothing")
        part = picture[row : row + rows, column : column + columns]
        part[...] = segment[0, : part.shape[0], : part.shape[1], 0]
    return picture


def _open_series(paths: list[Path], *, key: str) -> Recording:
    with _open(paths[0], key=key) as first:
        page = _pages(first, path=paths[0], key=key)[0]
        shape, dtype = page.shape, np.dtype(page.dtype)

    def read(start: int, stop: int) -> Array:
        return np.stack([_read_one(path, shape=shape, key=key) for path in paths[start:stop]])

    for path in paths[1:]:
        with _open(path, key=key) as file:
            found = _pages(file, path=path, key=key)[0].shape
        if found != shape:
            raise _size_error(f"{key}: {path}", found, first=shape)
    return Recording((len(paths), shape[0], shape[1]), dtype, read, tuple(paths))


def _read_one(path: Path, *, shape: tuple[int, ...], key: str) -> Array:
    try:
        frame = tifffile.imread(path, key=0)
    except Exception as error:
        raise _damaged(path, key=key, detail=str(error)) from error
    return np.asarray(frame).reshape(shape)


def _open(path: Path, *, key: str) -> tifffile.TiffFile:
    try:
        return tifffile.TiffFile(path)
    except tifffile.TiffFileError as error:
        raise InputError(f"{key}: {path}", f"not a TIFF file ({error})", "must be one") from None
    except (OSError, ValueError, IndexError) as error:
        raise _damaged(path, key=key, detail=str(error)) from error


def _pages(file: tifffile.TiffFile, *, path: Path, key: str) -> list[tifffile.TiffPage | tifffile.TiffFrame]:
    """Return every page, having checked that the chain of pages is whole and all data lie inside the file."""
    with _complaints() as complaints:
        try:
            pages = [file.pages.get(number) for number in range(len(file.pages))]
        except Exception as error:  # a directory that is cut short fails in many ways
            raise _damaged(path, key=key, detail=str(error)) from error
        described = file.shaped_metadata[0] if file.shaped_metadata else {}
    if described.get("truncated"):
        raise InputError(f"{key}: {path}", "one page for many frames", "must have one page a frame")
    if complaints:
        raise _damaged(path, key=key, detail=complaints[0])
    size = path.stat().st_size
    wanted = described.get("shape", [len(pages)])[0] if len(described.get("shape", ())) == 3 else len(pages)
    whole = [page for page in pages if _end(page) <= size]
    if not pages or len(whole) < max(wanted, len(pages)):
        raise _damaged(path, key=key, detail=f"{len(whole)} whole frames of {max(wanted, len(pages))}")
    return pages


def _end(page: tifffile.TiffPage | tifffile.TiffFrame) -> int:
    ends = [offset + count for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True)]
    return max(ends, default=0)


@contextmanager
def _complaints() -> Iterator[list[str]]:
    """Collect what tifffile only logs: a chain of pages that points nowhere."""
    collected: list[str] = []
    handler = logging.Handler(level=logging.ERROR)
    handler.emit = lambda record: collected.append(record.getMessage())  # type: ignore[method-assign]
    source = logging.getLogger("tifffile")
    source.addHandler(handler)
    propagate, source.propagate = source.propagate, False
    try:
        yield collected
    finally:
        source.removeHandler(handler)
        source.propagate = propagate


def _damaged(path: Path, *, key: str, detail: str) -> InputError:
    first_line = (detail.splitlines() or ["?"])[0]
    return InputError(f"{key}: {path}", f"cut short or damaged ({first_line})", "must be a whole TIFF: record it again")


def _size_error(where: str, found: tuple[int, ...], *, first: tuple[int, ...]) -> InputError:
    return InputError(where, f"{found[1]}x{found[0]} pixels", f"must be {first[1]}x{first[0]} like the first frame")
