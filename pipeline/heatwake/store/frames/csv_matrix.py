"""One CSV matrix a frame; NaN or an empty cell where there is no reading."""

import re
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from heatwake.errors import InputError, one_line, shorten
from heatwake.schema.settings import LONG
from heatwake.store.frames.recording import Array, Recording

HEAD_BYTES: Final = 2**18
MOST_BYTES: Final = 2**29  # of one frame as text
MOST_HEADER_LINES: Final = 100
SEPARATORS: Final = (";", "\t", ",")  # a comma may be decimal, so it comes last
TALL: Final = 20  # times as many rows as columns: no frame is so
FEW_COLUMNS: Final = 8
TIME_WORDS: Final = re.compile(r"^\W*(time|elapsed|timestamp|date|datetime|frame|second|seconds|zeit)", re.IGNORECASE)
TALL_HINT: Final = (
    "must be one matrix of temperatures a frame and file: a log of single values goes to ambient.log or thermocouples"
)


@dataclass(frozen=True)
class Layout:
    """How a matrix is written: its header lines, what stands between cells and in fractions, its encoding."""

    skip: int
    separator: str
    decimal: str
    encoding: str
    columns: int


def open_csv(paths: list[Path], *, key: str) -> Recording:
    """Open a series of CSV matrices, all written like the first: comma, semicolon or tab, decimal comma or point.

    Raises
    ------
    InputError
        It is no matrix of numbers, or one tall table with times.
    """
    layout = _find_layout(paths[0], key=key)
    rows, columns = shape = _read_one(paths[0], layout=layout, key=key).shape
    if len(paths) == 1 and columns <= FEW_COLUMNS and rows > TALL * columns:
        raise InputError(f"{key}: {paths[0]}", f"one tall table of {rows} rows and {columns} columns", TALL_HINT)
    read = partial(_read, shape, layout, key)
    return Recording((len(paths), rows, columns), np.dtype(np.float32), read, tuple(paths), tuple(paths))


def _read(shape: tuple[int, ...], layout: Layout, key: str, paths: tuple[Path, ...]) -> Array:
    return np.stack([_checked(path, shape=shape, layout=layout, key=key) for path in paths])


def _checked(path: Path, *, shape: tuple[int, ...], layout: Layout, key: str) -> Array:
    frame = _read_one(path, layout=layout, key=key)
    if frame.shape != shape:
        raise InputError(
            f"{key}: {path}",
            f"{frame.shape[1]}x{frame.shape[0]} cells",
            f"must be {shape[1]}x{shape[0]} like the first frame",
        )
    return frame


def _read_one(path: Path, *, layout: Layout, key: str) -> Array:
    where = f"{key}: {path}"
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InputError(where, f"larger than {MOST_BYTES // 2**20} MiB", "must be one frame a file")
        return pd.read_csv(
            path,
            header=None,
            skiprows=layout.skip,
            sep=layout.separator,
            decimal=layout.decimal,
            encoding=layout.encoding,
            encoding_errors="replace",
            compression=None,  # a small archive may hold a table without end
            usecols=range(layout.columns),
            dtype=np.float32,
        ).to_numpy()
    except (ValueError, OSError, OverflowError) as error:
        detail = shorten(one_line(str(error)), LONG)
        raise InputError(where, f"not a matrix of numbers ({detail})", "must be one frame a file") from None


def _find_layout(path: Path, *, key: str) -> Layout:
    """Return how a matrix is written, by its first lines."""
    where = f"{key}: {path}"
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError as error:
        raise InputError(where, f"unreadable ({error.strerror})", "must be one frame a file") from None
    encoding = "utf-16" if head[:2] in {b"\xff\xfe", b"\xfe\xff"} else "utf-8-sig"
    lines = head.decode(encoding, errors="replace").splitlines()
    if len(head) == HEAD_BYTES and len(lines) > 1:
        lines.pop()  # cut short
    for skip, line in enumerate(lines[:MOST_HEADER_LINES]):
        for separator in SEPARATORS:
            if (separator in line or len(lines) == 1) and (decimal := _decimal(line, separator)) is not None:
                _refuse_tall(lines[:skip], line.split(separator), where=where)
                return Layout(skip, separator, decimal, encoding, _width(line, separator))
    raise InputError(where, "not a matrix of numbers", "must be one frame a file")


def _decimal(line: str, separator: str) -> str | None:
    """Return the sign of fractions of a line of numbers; None where it is no such line."""
    cells = [cell.strip().strip('"') for cell in line.split(separator)]
    signs = (".",) if separator == "," else (".", ",")
    for sign in signs:
        if all(_is_number(cell.replace(sign, ".") if sign not in {"."} else cell) for cell in cells) and any(cells):
            return sign
    return None


def _is_number(cell: str) -> bool:
    if cell == "":
        return True
    try:
        float(cell)
    except ValueError:
        return False
    return "_" not in cell


def _width(line: str, separator: str) -> int:
    """Return the number of cells; a separator at the line's end closes the last cell."""
    cells = line.rstrip("\r\n").split(separator)
    return len(cells) - (cells[-1].strip() == "" and len(cells) > FEW_COLUMNS)


def _refuse_tall(header: list[str], cells: list[str], *, where: str) -> None:
    """Refuse a table with a column of times, by its last header line."""
    if not header or len(cells) > FEW_COLUMNS:
        return
    headings = [heading.strip() for heading in re.split(r"[;,\t]", header[-1])]
    named = next((heading for heading in headings if TIME_WORDS.match(heading)), None)
    if named is not None and len(headings) > 1:
        raise InputError(where, f"one table with a column {named!r}", TALL_HINT)
