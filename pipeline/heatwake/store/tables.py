"""CSV tables in and out: parts, ambient logs, frame times, calibrations, summaries."""

import io
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatwake.errors import InputError, one_line, shorten
from heatwake.schema.session import Board
from heatwake.schema.settings import ABSOLUTE_ZERO, LONG
from heatwake.schema.surfaces import find_surface
from heatwake.store.part_places import Layout, find_layout, millimetres, of_side, on_board, turned, two_lengths

MOST_BYTES: Final = 512 * 2**20
LARGEST: Final = 1e12
WAVELENGTHS_UM: Final = (1.0, 100.0)  # of a thermal camera; a table in nm is beyond
CALIBRATED_DEGC: Final = (-100.0, 700.0)  # of the tables of radiance
LEAST_RESPONSE: Final = 1e-12  # what is less everywhere counts as none
LONGEST_S: Final = 1e9  # [s] about 30 years
NO_COLDER: Final = f"must be {ABSOLUTE_ZERO:g} or more"

Floats = npt.NDArray[np.float64]


def read_table(path: Path, *, key: str, columns: tuple[str, ...], **layout: Any) -> pd.DataFrame:
    """Return a CSV table that holds at least ``columns``; ``key`` names the file in messages.

    ``layout`` goes to pandas: the separator and the headings of tables that are not plain CSV.

    Raises
    ------
    InputError
        The file is missing, is not a table, is empty or lacks a column.
    """
    where = f"{key}: {path}"
    try:
        _require_plain_file(path, where=where)
        # Never decompressed by its name: a small archive may hold a table without end.
        table: pd.DataFrame = pd.read_csv(
            path, skipinitialspace=True, comment="#", compression=None, low_memory=False, **layout
        )
    except FileNotFoundError:
        raise InputError(where, "missing", "must be a CSV file") from None
    except (OSError, ValueError, OverflowError) as error:  # pandas' parser errors are ValueErrors
        why = shorten(one_line(str(error)), LONG)
        raise InputError(where, f"not a CSV table ({why})", "must be one") from None
    table.columns = [str(name).strip() for name in table.columns]
    if not isinstance(table.index, pd.RangeIndex):
        raise InputError(where, "a table with rows longer than its header", "must have a heading for each column")
    for column in columns:
        if column not in table.columns:
            raise InputError(f"{where}: column {column}", "missing", f"must be there, found {_names(table)}")
    if not table.columns.is_unique:
        raise InputError(where, "a table with two columns of a name", "must have each once")
    if table.empty:
        raise InputError(where, "empty", "must have at least one row")
    return table


def _require_plain_file(path: Path, *, where: str) -> None:
    """Refuse what has no end, such as a device, and what is no side table by its size."""
    if path.exists() and not path.is_file():
        raise InputError(where, "no file", "must be a CSV file")
    if path.stat().st_size > MOST_BYTES:
        raise InputError(where, f"larger than {MOST_BYTES // 2**20} MiB", "must be a table of single values")


def _names(table: pd.DataFrame) -> str:
    return shorten(", ".join(table.columns), LONG)


def numbers(table: pd.DataFrame, column: str, *, where: str, optional: bool = False) -> Floats:
    """Return a column as numbers, empty cells as NaN where ``optional``.

    Raises
    ------
    InputError
        A cell is not a number, or one beyond all measure; names its row.
    """
    if column not in table.columns:
        return np.full(len(table), np.nan)
    values = _to_numbers(table[column])
    bad = np.isnan(values) & (table[column].notna().to_numpy() if optional else np.full(len(table), fill_value=True))
    _refuse(bad, table[column], where=f"{where}: {column}", wanted="must be a number")
    _refuse(abs(values) > LARGEST, table[column], where=f"{where}: {column}", wanted=f"must be within ±{LARGEST:g}")
    return values


def _to_numbers(column: "pd.Series[Any]") -> Floats:
    """Return cells as numbers, NaN where they are none or not finite."""
    try:
        values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float)
    except (OverflowError, ValueError):  # whole numbers too long for a float
        values = pd.to_numeric(column.map(str).str.slice(0, LONG), errors="coerce").to_numpy(dtype=float)
    return np.where(np.isfinite(values), values, np.nan)


def _refuse(bad: npt.NDArray[np.bool_], column: "pd.Series[Any]", *, where: str, wanted: str) -> None:
    if bad.any():
        row = int(np.argmax(bad))
        cell = column.iloc[row]
        found = "empty" if pd.isna(cell) else repr(cell) if isinstance(cell, str) else str(cell)
        raise InputError(f"{where}, row {row + 1}", shorten(found, LONG), wanted)


def read_parts(path: Path, *, board: Board | None = None) -> pd.DataFrame:
    """Return the placement file's parts: name, x_mm, y_mm, width_mm, height_mm, emissivity, limit_degC, turned.

    Headings are recognised by trade words or mapped by ``board``, which also tells unit, origin and side. All but
    name and place are optional. An emissivity may be the name of a surface, whose spread is then its uncertainty;
    ``emissivity_uncertainty`` (a column as well) counts before that.

    Raises
    ------
    InputError
        A heading is missing, or a cell is not what it must be; names its row.
    """
    key = "board.parts"
    board = board or Board()
    where = f"{key}: {path}"
    table, layout = _placement_table(path, board=board, key=key)
    parts = pd.DataFrame({"name": table["name"].map(str).str.strip()})
    plain = table["name"].notna() & parts["name"].map(lambda name: bool(name) and name.isprintable())
    _refuse(~plain.to_numpy(dtype=bool), table["name"], where=f"{where}: name", wanted="must be a name")
    x, y = (
        millimetres(table[side], unit=layout.unit_of(side), where=f"{where}: {side}_mm", optional=False)
        for side in ("x", "y")
    )
    parts["x_mm"], parts["y_mm"] = on_board(x, y, board=board)
    parts["width_mm"], parts["height_mm"], parts["turned"] = _sizes(table, layout, where=where)
    for column in ("emissivity_uncertainty", "limit_degC"):
        parts[column] = numbers(table, column, where=where, optional=True)
    limit, spread = parts["limit_degC"].to_numpy(), parts["emissivity_uncertainty"].to_numpy()
    column = f"{where}: emissivity_uncertainty"
    _refuse((spread < 0) | (spread >= 1), parts["emissivity_uncertainty"], where=column, wanted="must lie in [0, 1)")
    parts["emissivity"], of_surface = _emissivities(table, where=where)
    parts["emissivity_uncertainty"] = np.where(np.isnan(spread), of_surface, spread)
    _refuse(limit < ABSOLUTE_ZERO, parts["limit_degC"], where=f"{where}: limit_degC", wanted=NO_COLDER)
    if "side" in table.columns:
        seen = of_side(table["side"], board=board, where=f"{where}: side")
        parts = parts[seen].reset_index(drop=True)
    twice = parts["name"].duplicated()
    if twice.any():
        raise InputError(f"{where}: name", f"{parts['name'][twice].iloc[0]!r} twice", "must be unique")
    return parts


def _placement_table(path: Path, *, board: Board, key: str) -> tuple[pd.DataFrame, Layout]:
    """Return a placement file's rows under our own headings, and how it is written."""
    where = f"{key}: {path}"
    try:
        _require_plain_file(path, where=where)
        layout = find_layout(path, board=board, where=where)
    except OSError:
        raise InputError(where, "missing", "must be a CSV file") from None
    for column, heading in board.parts_columns.items():
        if heading not in layout.headings:
            found = shorten(", ".join(layout.headings), LONG)
            raise InputError(f"board.parts_columns.{column}", repr(heading), f"must be a heading of {path}: {found}")
    names = [name or f"unnamed {number}" for number, name in enumerate(layout.headings)]
    wanted = tuple(layout.columns.values())
    table = read_table(
        path, key=key, columns=wanted, sep=layout.separator, skiprows=layout.skip, header=None, names=names
    )
    ours = {column: table[heading] for column, heading in layout.columns.items()}
    table = pd.DataFrame(ours).rename(columns={"limit": "limit_degC"})
    return table, layout


def _sizes(table: pd.DataFrame, layout: Layout, *, where: str) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Return widths and heights [mm] on the board, and which parts are askew.

    Where length and width are given, the length lies along x at rotation 0 and a height is how tall the part stands
    (common practice, no source); else width lies along x and height along y.
    """
    first, second = ("length", "width") if {"length", "width"} <= set(table.columns) else ("width", "height")
    if "length" in table.columns and "width" not in table.columns:
        first = "length"
    sides = []
    for side in (first, second):
        values = np.full(len(table), np.nan)
        if side in table.columns:
            label = f"{where}: {side}_mm"
            values = millimetres(table[side], unit=layout.unit_of(side), where=label, optional=True)
            _refuse(values <= 0, table[side], where=label, wanted="must be more than 0")
        sides.append(values)
    if "size" in table.columns:
        pair = two_lengths(table["size"], unit=layout.unit_of("size"), where=f"{where}: size")
        _refuse((pair[0] <= 0) | (pair[1] <= 0), table["size"], where=f"{where}: size", wanted="must be more than 0")
        sides = [np.where(np.isnan(side), other, side) for side, other in zip(sides, pair, strict=True)]
    degrees = numbers(table, "rotation", where=where, optional=True)
    return turned(sides[0], sides[1], degrees=degrees)


def _emissivities(table: pd.DataFrame, *, where: str) -> tuple[Floats, Floats]:
    """Return emissivities, given as numbers or as names of surfaces, and the uncertainties of those named; else NaN."""
    if "emissivity" not in table.columns:
        return np.full(len(table), np.nan), np.full(len(table), np.nan)
    cells = table["emissivity"]
    kinds = [find_surface(cell) if isinstance(cell, str) else None for cell in cells]
    named = np.array([kind is not None for kind in kinds])
    words = np.array([isinstance(cell, str) for cell in cells]) & ~named & np.isnan(_to_numbers(cells))
    wanted = "must be a number in (0, 1] or a surface that heatwake surfaces lists"
    _refuse(words, cells, where=f"{where}: emissivity", wanted=wanted)
    values = numbers(table.assign(emissivity=cells.mask(named)), "emissivity", where=where, optional=True)
    _refuse((values <= 0) | (values > 1), cells, where=f"{where}: emissivity", wanted="must lie in (0, 1]")
    values = np.array([kind.emissivity if kind else value for kind, value in zip(kinds, values, strict=True)])
    return values, np.array([kind.uncertainty if kind else np.nan for kind in kinds])


def read_times(path: Path, *, key: str) -> tuple[Floats, pd.Timestamp | None]:
    """Return seconds since the first row, and the first row's clock time (UTC) where the column is ISO 8601.

    Raises
    ------
    InputError
        A cell is no time, or the times do not increase.
    """
    column = _time_column(read_table(path, key=key, columns=()), path=path, key=key)
    where = f"{key}: {path}: {column.name}"
    seconds = _to_numbers(column)
    clock: pd.Timestamp | None = None
    if np.isnan(seconds).all():
        stamps = _to_stamps(column)
        _refuse(stamps.isna().to_numpy(), column, where=where, wanted="must be ISO 8601 or seconds")
        clock = stamps.iloc[0]
        seconds = (stamps - stamps.iloc[0]).dt.total_seconds().to_numpy(dtype=np.float64)
    _refuse(np.isnan(seconds), column, where=where, wanted="must be a number of seconds")
    _refuse(~(abs(seconds - seconds[0]) <= LONGEST_S), column, where=where, wanted="must lie within 30 years")
    back = np.diff(seconds) <= 0
    if back.any():
        row = int(np.argmax(back)) + 1
        raise InputError(
            f"{where}, row {row + 1}",
            f"{column.iloc[row]} after {column.iloc[row - 1]}",
            "must be later than the row before",
        )
    return seconds, clock


def _to_stamps(column: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return cells as clock times of an age in which cameras are, NaT where they are none."""
    texts = column.map(str)
    stamps = pd.to_datetime(texts, errors="coerce", utc=True, format="ISO8601")
    years = stamps.dt.year
    return stamps.where((years >= 1900) & (years <= 2200))


def _time_column(table: pd.DataFrame, *, path: Path, key: str) -> "pd.Series[Any]":
    for name in ("time", "elapsed_s"):
        if name in table.columns:
            return table[name]
    raise InputError(f"{key}: {path}: column time", "missing", f"must be there, found {_names(table)}")


def read_ambient(path: Path, *, frames_start: pd.Timestamp | None) -> tuple[Floats, Floats]:
    """Return the log's times [s since the first frame] and ambient temperatures [degC].

    A log of clock times needs the recording's clock; one of seconds counts from the first frame.
    """
    key = "ambient.log"
    table = read_table(path, key=key, columns=("ambient_degC",))
    degrees = numbers(table, "ambient_degC", where=f"{key}: {path}")
    where = f"{key}: {path}: ambient_degC"
    _refuse(degrees < ABSOLUTE_ZERO, table["ambient_degC"], where=where, wanted=NO_COLDER)
    seconds, clock = read_times(path, key=key)
    if len(table) == 1:
        return np.zeros(1), degrees
    return _since_first_frame(seconds, clock, frames_start=frames_start, where=f"{key}: {path}"), degrees


def _since_first_frame(
    seconds: Floats, clock: pd.Timestamp | None, *, frames_start: pd.Timestamp | None, where: str
) -> Floats:
    if clock is None:
        return seconds
    if frames_start is None:
        raise InputError(where, "in clock time", "must come with frames.start or clock timestamps")
    return np.asarray(seconds + (clock - frames_start).total_seconds(), dtype=np.float64)


def read_thermocouples(
    path: Path, *, columns: tuple[str, ...], frames_start: pd.Timestamp | None
) -> tuple[Floats, Floats]:
    """Return the log's times [s since the first frame] and temperatures (column, row) [degC]; NaN in empty cells.

    Times as in :func:`read_ambient`.

    Raises
    ------
    InputError
        A column is missing or empty, a cell is no temperature, or the times are none.
    """
    key = "thermocouples.log"
    where = f"{key}: {path}"
    table = read_table(path, key=key, columns=columns)
    degrees = np.empty((len(columns), len(table)))
    for row, column in enumerate(columns):
        degrees[row] = numbers(table, column, where=where, optional=True)
        _refuse(degrees[row] < ABSOLUTE_ZERO, table[column], where=f"{where}: {column}", wanted=NO_COLDER)
        if np.isnan(degrees[row]).all():
            raise InputError(f"{where}: column {column}", "without a reading", "must have at least one")
    if len(table) < 2:
        raise InputError(where, "one row", "must be two or more, for readings are compared over time")
    seconds, clock = read_times(path, key=key)
    return _since_first_frame(seconds, clock, frames_start=frames_start, where=where), degrees


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
    low, high = CALIBRATED_DEGC
    if degrees[0] < low or degrees[-1] > high:
        span = f"{degrees[0]:g} to {degrees[-1]:g} degC"
        raise InputError(f"{key}: {path}: blackbody_degC", span, f"must lie within {low:g} to {high:g}")
    return counts, degrees


def read_response(path: Path) -> tuple[Floats, Floats]:
    """Return a spectral response: rising wavelengths [um] and the relative response there."""
    key = "camera.response"
    table = read_table(path, key=key, columns=("wavelength_um", "response"))
    where = f"{key}: {path}"
    wavelengths = numbers(table, "wavelength_um", where=where)
    response = numbers(table, "response", where=where)
    low, high = WAVELENGTHS_UM
    outside = (wavelengths < low) | (wavelengths > high)
    wanted = f"must lie between {low:g} and {high:g} um"
    _refuse(outside, table["wavelength_um"], where=f"{where}: wavelength_um", wanted=wanted)
    _refuse(response < 0, table["response"], where=f"{where}: response", wanted="must be 0 or more")
    falls = np.append(False, np.diff(wavelengths) <= 0)
    _refuse(falls, table["wavelength_um"], where=f"{where}: wavelength_um", wanted="must be more than the row before")
    if len(table) < 2:
        raise InputError(where, "1 row", "must have two rows or more")
    if not response.max() > LEAST_RESPONSE:
        raise InputError(f"{where}: response", "0 in every row", "must be more than 0 in one")
    return wavelengths, response


def read_rows(path: Path) -> list[dict[str, Any]]:
    """Return the rows of a table that `csv_text` wrote, empty cells as empty text; none where there is no table."""
    if not path.is_file():
        return []
    try:
        table = pd.read_csv(path, keep_default_na=False)
    except pd.errors.EmptyDataError:
        return []
    return [{str(key): value for key, value in row.items()} for row in table.to_dict(orient="records")]


def csv_text(rows: list[dict[str, Any]]) -> str:
    """Return rows as CSV text, numbers with six significant digits, NaN as an empty cell."""
    buffer = io.StringIO()
    pd.DataFrame(rows).to_csv(buffer, index=False, float_format="%.6g", lineterminator="\n")
    return buffer.getvalue()
