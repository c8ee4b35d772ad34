"""CSV tables in and out: parts, ambient logs, frame times, calibrations, summaries."""

import io
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatwake.errors import InputError

Floats = npt.NDArray[np.float64]


def read_table(path: Path, *, key: str, columns: tuple[str, ...]) -> pd.DataFrame:
    """Return a CSV table that holds at least ``columns``; ``key`` names the file in messages.

    Raises
    ------
    InputError
        The file is missing, is not a table, is empty or lacks a column.
    """
    try:
        table = pd.read_csv(path, skipinitialspace=True, comment="#")
    except FileNotFoundError:
        raise InputError(f"{key}: {path}", "missing", "must be a CSV file") from None
    except (OSError, ValueError) as error:  # pandas' parser errors are ValueErrors
        raise InputError(f"{key}: {path}", f"not a CSV table ({str(error).splitlines()[0]})", "must be one") from None
    table.columns = [str(name).strip() for name in table.columns]
    for column in columns:
        if column not in table.columns:
            raise InputError(
                f"{key}: {path}: column {column}", "missing", f"must be there, found {list(table.columns)}"
            )
    if table.empty:
        raise InputError(f"{key}: {path}", "empty", "must have at least one row")
    return table


def numbers(table: pd.DataFrame, column: str, *, where: str, optional: bool = False) -> Floats:
    """Return a column as numbers, empty cells as NaN where ``optional``.

    Raises
    ------
    InputError
        A cell is not a number; names its row.
    """
    if column not in table.columns:
        return np.full(len(table), np.nan)
    values = pd.to_numeric(table[column], errors="coerce").to_numpy(dtype=float)
    bad = np.isnan(values) & (table[column].notna().to_numpy() if optional else np.full(len(table), fill_value=True))
    if bad.any():
        row = int(np.argmax(bad))
        found = table[column].iloc[row]
        raise InputError(f"{where}: {column}, row {row + 1}", repr(found), "must be a number")
    return values


def read_parts(path: Path) -> pd.DataFrame:
    """Return the placement file: name, x_mm, y_mm, width_mm, height_mm, emissivity, limit_degC (last four optional)."""
    key = "board.parts"
    table = read_table(path, key=key, columns=("name", "x_mm", "y_mm"))
    where = f"{key}: {path}"
    parts = pd.DataFrame({"name": table["name"].astype(str).str.strip()})
    for column, optional in (
        ("x_mm", False),
        ("y_mm", False),
        ("width_mm", True),
        ("height_mm", True),
        ("emissivity", True),
        ("limit_degC", True),
    ):
        parts[column] = numbers(table, column, where=where, optional=optional)
    outside = parts["emissivity"].notna() & ~parts["emissivity"].between(0, 1, inclusive="right")
    if outside.any():
        row = int(np.argmax(outside.to_numpy()))
        raise InputError(f"{where}: emissivity, row {row + 1}", f"{parts['emissivity'][row]}", "must lie in (0, 1]")
    twice = parts["name"].duplicated()
    if twice.any():
        raise InputError(f"{where}: name", f"{parts['name'][twice].iloc[0]!r} twice", "must be unique")
    return parts


def read_times(path: Path, *, key: str) -> tuple[Floats, pd.Timestamp | None]:
    """Return seconds since the first row, and the first row's clock time (UTC) where the column is ISO 8601.

    Raises
    ------
    InputError
        A cell is no time, or the times do not increase.
    """
    column = _time_column(read_table(path, key=key, columns=()), path=path, key=key)
    where = f"{key}: {path}: {column.name}"
    values = pd.to_numeric(column, errors="coerce")
    clock: pd.Timestamp | None = None
    if values.isna().all():
        stamps = pd.to_datetime(column, errors="coerce", utc=True, format="ISO8601")
        if stamps.isna().any():
            row = int(np.argmax(stamps.isna().to_numpy()))
            raise InputError(f"{where}, row {row + 1}", repr(column.iloc[row]), "must be ISO 8601 or seconds")
        clock = stamps.iloc[0]
        values = (stamps - stamps.iloc[0]).dt.total_seconds()
    if values.isna().any():
        row = int(np.argmax(values.isna().to_numpy()))
        raise InputError(f"{where}, row {row + 1}", repr(column.iloc[row]), "must be a number of seconds")
    seconds: Floats = values.to_numpy(dtype=np.float64)
    back = np.diff(seconds) <= 0
    if back.any():
        row = int(np.argmax(back)) + 1
        raise InputError(
            f"{where}, row {row + 1}",
            f"{column.iloc[row]} after {column.iloc[row - 1]}",
            "must be later than the row before",
        )
    return seconds, clock


def _time_column(table: pd.DataFrame, *, path: Path, key: str) -> "pd.Series[Any]":
    for name in ("time", "elapsed_s"):
        if name in table.columns:
            return table[name]
    raise InputError(f"{key}: {path}: column time", "missing", f"must be there, found {list(table.columns)}")


def read_ambient(path: Path, *, frames_start: pd.Timestamp | None) -> tuple[Floats, Floats]:
    """Return the log's times [s since the first frame] and ambient temperatures [degC].

    A log of clock times needs the recording's clock; one of seconds counts from the first frame.
    """
    key = "ambient.log"
    table = read_table(path, key=key, columns=("ambient_degC",))
    degrees = numbers(table, "ambient_degC", where=f"{key}: {path}")
    column = _time_column(table, path=path, key=key)
    seconds, clock = read_times(path, key=key) if len(table) > 1 else (np.zeros(1), None)
    if clock is not None:
        if frames_start is None:
            raise InputError(f"{key}: {path}", "in clock time", "must come with frames.start or clock timestamps")
        return seconds + (clock - frames_start).total_seconds(), degrees
    return seconds + float(pd.to_numeric(column).iloc[0]) * (len(table) == 1), degrees


def read_calibration(path: Path) -> tuple[Floats, Floats]:
    """Return counts and blackbody temperatures [degC], both increasing."""
    key = "frames.calibration"
    table = read_table(path, key=key, columns=("count", "blackbody_degC"))
    counts = numbers(table, "count", where=f"{key}: {path}")
    degrees = numbers(table, "blackbody_degC", where=f"{key}: {path}")
    order = np.argsort(counts)
    counts, degrees = counts[order], degrees[order]
    if len(counts) < 2 or (np.diff(counts) <= 0).any() or (np.diff(degrees) <= 0).any():
        raise InputError(f"{key}: {path}", "not increasing", "must have two rows or more, both columns increasing")
    return counts, degrees


def csv_text(rows: list[dict[str, Any]]) -> str:
    """Return rows as CSV text, numbers with six significant digits, NaN as an empty cell."""
    buffer = io.StringIO()
    pd.DataFrame(rows).to_csv(buffer, index=False, float_format="%.6g", lineterminator="\n")
    return buffer.getvalue()
