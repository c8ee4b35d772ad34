"""TIFF: one stack, or one file a frame; uint16 or floating point."""

import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import tifffile

from heatwake.errors import InputError
from heatwake.store.frames.bounds import require_frame_size
from heatwake.store.frames.recording import Array, Recording


def open_tiff(paths: list[Path], *, key: str) -> Recording:
    """Open a TIFF stack, or a series of single-frame TIFFs."""
    try:
        return _open_stack(paths[0], key=key) if len(paths) == 1 else _open_series(paths, key=key)
    except InputError:
        raise
    except Exception as error:  # tags may hold anything, and be missing
        raise _damaged(paths[0], key=key, detail=str(error)) from error


def _open_stack(path: Path, *, key: str) -> Recording:
    with _open(path, key=key) as file:
        pages = _pages(file, path=path, key=key)
        shape, dtype = pages[0].shape, _dtype(pages[0], where=f"{key}: {path}")
        if len(shape) != 2:
            raise InputError(f"{key}: {path}", f"made of pages of shape {shape}", "must be grey pages (rows, columns)")
        require_frame_size(shape[0], shape[1], where=f"{key}: {path}")
        for number, page in enumerate(pages):
            if page.shape != shape:
                raise _size_error(f"{key}: {path}: frame {number}", page.shape, first=shape)
            if (page.hash, page.dtype) != (pages[0].hash, pages[0].dtype):
                wanted = "must be stored alike in all pages"
                raise InputError(f"{key}: {path}: frame {number}", "stored otherwise than the first", wanted)
        segments = [list(zip(page.dataoffsets, page.databytecounts, strict=True)) for page in pages]
    index = np.array(segments, dtype=np.int64)
    read = partial(_read_pages, path, key)
    return Recording((len(segments), shape[0], shape[1]), dtype, read, index, (path,))


def _dtype(page: tifffile.TiffPage | tifffile.TiffFrame, *, where: str) -> np.dtype[Any]:
    if page.dtype is None or np.dtype(page.dtype).kind not in "uif":
        raise InputError(where, f"made of pages of {page.dtype}", "must be whole numbers or floating point")
    return np.dtype(page.dtype)


def _read_pages(path: Path, key: str, index: npt.NDArray[np.int64]) -> Array:
    """Return pages, by the offset and length of each of their strips or tiles (frames, segments, 2)."""
    try:
        page = _first_page(path, path.stat().st_mtime_ns)
        frames = np.zeros((len(index), *page.shape), dtype=page.dtype)
        with path.open("rb") as raw:  # a handle of its own a call: blocks may be read side by side
            for frame, segments in zip(frames, index, strict=True):
                _decode(raw, page, segments, frame=frame)
    except Exception as error:  # each codec has its own exception; all of them mean a damaged file
        raise _damaged(path, key=key, detail=str(error)) from error
    return frames


@lru_cache(maxsize=4)
def _first_page(path: Path, changed: int) -> tifffile.TiffPage:
    """Return the page that tells how all are stored, of a file as it was when last changed."""
    with _complaints(), tifffile.TiffFile(path) as file:
        page = file.pages.first
        page.decode  # noqa: B018  made once and kept in the page
        return page


def _decode(
    raw: BinaryIO, page: tifffile.TiffPage, segments: npt.NDArray[np.int64], *, frame: npt.NDArray[Any]
) -> None:
    """Decode one page into ``frame``, strip by strip or tile by tile."""
    for number, (offset, count) in enumerate(segments.tolist()):
        raw.seek(offset)
        segment, (_, _, row, column, _), (_, rows, columns, _) = page.decode(raw.read(count), number)
        if segment is None:
            raise ValueError("a part of the frame holds nothing")
        part = frame[row : row + rows, column : column + columns]
        part[...] = segment[0, : part.shape[0], : part.shape[1], 0]


def _open_series(paths: list[Path], *, key: str) -> Recording:
    with _open(paths[0], key=key) as first:
        page = _pages(first, path=paths[0], key=key)[0]
        shape, dtype = page.shape, _dtype(page, where=f"{key}: {paths[0]}")
    if len(shape) != 2:
        raise InputError(f"{key}: {paths[0]}", f"of shape {shape}", "must be one grey page (rows, columns)")
    require_frame_size(shape[0], shape[1], where=f"{key}: {paths[0]}")
    for path in paths[1:]:
        with _open(path, key=key) as file:
            found = _pages(file, path=path, key=key)[0].shape
        if found != shape:
            raise _size_error(f"{key}: {path}", found, first=shape)
    read = partial(_read_series, shape, key)
    return Recording((len(paths), shape[0], shape[1]), dtype, read, tuple(paths), tuple(paths))


def _read_series(shape: tuple[int, ...], key: str, paths: tuple[Path, ...]) -> Array:
    return np.stack([_read_one(path, shape=shape, key=key) for path in paths])


def _read_one(path: Path, *, shape: tuple[int, ...], key: str) -> Array:
    try:
        frame = tifffile.imread(path, key=0)
    except Exception as error:
        raise _damaged(path, key=key, detail=str(error)) from error
    return np.asarray(frame).reshape(shape)


def _open(path: Path, *, key: str) -> tifffile.TiffFile:
    try:
        with _complaints():  # what is wrong is told once
            return tifffile.TiffFile(path)
    except tifffile.TiffFileError as error:
        raise InputError(f"{key}: {path}", f"not a TIFF file ({error})", "must be one") from None
    except Exception as error:  # a damaged head fails in many ways
        raise _damaged(path, key=key, detail=str(error)) from error


def _pages(file: tifffile.TiffFile, *, path: Path, key: str) -> list[tifffile.TiffPage | tifffile.TiffFrame]:
    """Return every page, having checked that the chain of pages is whole and all data lie inside the file."""
    with _complaints() as complaints:
        try:
            pages = [file.pages.get(number) for number in range(len(file.pages))]
            described = file.shaped_metadata[0] if file.shaped_metadata else {}
        except Exception as error:  # a directory that is cut short fails in many ways
            raise _damaged(path, key=key, detail=str(error)) from error
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
    """Return where a page's data end in the file; beyond any file where offsets and lengths do not match."""
    if len(page.dataoffsets) != len(page.databytecounts):
        return sys.maxsize
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
    size, wanted = ("x".join(map(str, reversed(shape))) for shape in (found, first))
    return InputError(where, f"{size} pixels", f"must be {wanted} like the first frame")
