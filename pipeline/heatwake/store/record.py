"""The laboratory's repeatability record: one SQLite file, each recording once.

Several processes may write at once. A writer takes the file's lock before it reads (``BEGIN IMMEDIATE``) and others
wait; what a killed one left is rolled back by whoever opens the file next. The journal is a rollback journal and not a
write-ahead log, which needs memory that all processes share and so does not work over a network file system
(sqlite.org/wal.html, "Overview"). On such a one the server must support locks, as NFS 4 does.
"""

import json
import math
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import astuple, fields
from pathlib import Path
from typing import Any, Final

from heatwake.errors import BusyError, InputError, StorageError, one_line
from heatwake.stages.takes import RegionTake, Take
from heatwake.store import results

APPLICATION: Final = 0x68774C52  # says in the file's head that it is a record
LAYOUT: Final = 2  # raised when tables change
WAIT_S: Final = 60.0  # for others to end their writing
MOST_BYTES: Final = 16 * 2**20  # of one value
WANTED: Final = "must be a repeatability record made by heatwake"
_SESSION_1: Final = """CREATE TABLE session (
    recording TEXT PRIMARY KEY,
    fingerprint TEXT NOT NULL,
    session TEXT NOT NULL,
    title TEXT NOT NULL,
    unit TEXT NOT NULL,
    is_repeat INTEGER NOT NULL,
    kind TEXT NOT NULL,
    bench TEXT NOT NULL,
    set_up TEXT NOT NULL,
    conditions TEXT NOT NULL,
    power REAL,
    recorded TEXT NOT NULL,
    source TEXT NOT NULL
)"""
_REGION_1: Final = """CREATE TABLE region (
    recording TEXT NOT NULL REFERENCES session (recording) ON DELETE CASCADE,
    name TEXT NOT NULL,
    is_known INTEGER NOT NULL,
    x REAL, y REAL, width REAL, height REAL,
    rise REAL, own REAL, uncertainty REAL,
    time_constant REAL,
    is_steady INTEGER NOT NULL,
    temperature REAL, "limit" REAL, margin REAL,
    PRIMARY KEY (recording, name)
)"""
_BY_KIND: Final = "CREATE INDEX session_kind ON session (kind)"
_BY_BENCH: Final = "CREATE INDEX session_bench ON session (bench)"
_SESSION: Final = _SESSION_1.removesuffix("\n)") + ",\n    camera_level REAL,\n    layout INTEGER NOT NULL\n)"
_REGION: Final = _REGION_1.replace("margin REAL,", "margin REAL, level_left REAL,")
_INDEXES: Final = {"session_kind": _BY_KIND, "session_bench": _BY_BENCH}
_SCHEMAS: Final = {  # by layout
    1: {"session": _SESSION_1, "region": _REGION_1} | _INDEXES,
    2: {"session": _SESSION, "region": _REGION} | _INDEXES,
}
_COLUMNS: Final = tuple(one.name for one in fields(Take))[:-1]
_REGION_COLUMNS: Final = tuple(f'"{one.name}"' for one in fields(RegionTake))
_ADDED: Final = {2: {"camera_level", '"level_left"'}}  # columns, by the layout that brought them


def check_record(path: Path) -> None:
    """Check that a file is a record that can be read, or is not there yet.

    Raises
    ------
    InputError
        It is something else, or damaged.
    """
    if path.exists():
        with _reading(path):
            pass


def enter(path: Path, take: Take) -> bool:
    """Enter a take in place of what was there of its recording; tell whether anything changed.

    Raises
    ------
    InputError
        The file is no record.
    BusyError
        Others write for longer than a minute.
    StorageError
        The disk refuses.
    """
    results.make_folder(path.parent)
    with _opened(path, mode="rwc") as file, _transaction(file, path):
        _prepare(file, path)
        where = "WHERE recording = ? AND layout = ?"
        if list(map(_cells, _stored(file, where, (take.recording, LAYOUT)))) == [_cells(take)]:
            return False
        file.execute("DELETE FROM session WHERE recording = ?", (take.recording,))
        places = ", ".join("?" * (1 + len(_COLUMNS)))
        columns = f"layout, {', '.join(_COLUMNS)}"
        file.execute(f"INSERT INTO session ({columns}) VALUES ({places})", (LAYOUT, *_row(take)))  # noqa: S608
        places = ", ".join("?" * (1 + len(_REGION_COLUMNS)))
        rows = [(take.recording, *map(_plain, astuple(one))) for one in take.regions]
        columns = f"recording, {', '.join(_REGION_COLUMNS)}"
        file.executemany(f"INSERT INTO region ({columns}) VALUES ({places})", rows)  # noqa: S608
    return True


def holds(path: Path, recording: str, *, fingerprint: str, session: str) -> bool:
    """Tell whether a record holds a recording by a result's fingerprint and a session's name, with all that it keeps.

    What an earlier layout kept less of is entered again.

    Raises
    ------
    InputError
        The file is no record, or damaged.
    """
    if not path.exists():
        return False
    with _reading(path) as file:
        if not _is_record(file) or _layout(file) < LAYOUT:
            return False
        wanted = "SELECT count(*) FROM session WHERE recording = ? AND fingerprint = ? AND session = ? AND layout = ?"
        return bool(file.execute(wanted, (recording, fingerprint, session, LAYOUT)).fetchone()[0])


def takes(path: Path, *, kinds: Sequence[str] = (), benches: Sequence[str] = ()) -> list[Take]:
    """Return what a record holds, by recording; of some kinds of set-up or benches only, where any are named.

    Raises
    ------
    InputError
        The file is missing, no record, or damaged.
    """
    with _reading(path) as file:
        if not _is_record(file):
            return []
        if not kinds and not benches:
            return _stored(file, "", ())
        column, wanted = ("kind", kinds) if kinds else ("bench", benches)
        found = [_stored(file, f"WHERE {column} = ?", (one,)) for one in dict.fromkeys(wanted)]
    return sorted((take for some in found for take in some), key=lambda take: take.recording)


def check_whole(path: Path) -> None:
    """Go through a record page by page.

    Raises
    ------
    InputError
        It is damaged.
    """
    with _reading(path) as file:
        said = [str(row[0]) for row in file.execute("PRAGMA integrity_check(1)")]
        if said != ["ok"]:
            raise InputError(str(path), f"damaged ({one_line(said[0])})", "must be whole: mend it from a copy")


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Yield a record opened to read, as it is at one moment."""
    if not path.exists():
        raise InputError(str(path), "missing", WANTED)
    with _opened(path, mode="rw") as file:
        file.execute("BEGIN")
        if not _is_empty(file):
            _require_ours(file, path)
        yield file


@contextmanager
def _opened(path: Path, *, mode: str) -> Iterator[sqlite3.Connection]:
    """Yield a connection; what SQLite finds wrong is told in one line.

    Opened for writing even to read, for what a killed writer left is to be rolled back; a file that may not be written
    is read as it is.
    """
    if path.exists() and not path.is_file():
        raise InputError(str(path), "no file", WANTED)
    try:
        with closing(
            sqlite3.connect(f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=WAIT_S, isolation_level=None)
        ) as file:
            file.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, MOST_BYTES)
            file.execute("PRAGMA trusted_schema = OFF")
            file.execute("PRAGMA foreign_keys = ON")
            yield file
    except sqlite3.Error as error:
        raise _in_words(error, path) from None


def _in_words(error: sqlite3.Error, path: Path) -> InputError | BusyError | StorageError:
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
    why = one_line(str(error))
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return BusyError(f"{path} is being written by others for longer than {WAIT_S:g} s: repeat the command later")
    if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_PERM):
        return StorageError(f"{path} cannot be written: {why}")
    if code == sqlite3.SQLITE_CANTOPEN:
        return StorageError(f"{path} cannot be opened: {why}")
    return InputError(str(path), f"not readable ({why})", WANTED)


@contextmanager
def _transaction(file: sqlite3.Connection, path: Path) -> Iterator[None]:
    """Hold the file's lock; at the end all is written, or after an error nothing."""
    file.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        file.rollback()
        raise
    file.commit()


def _prepare(file: sqlite3.Connection, path: Path) -> None:
    """Make the tables in a file that holds none yet; bring those of an earlier layout to this one."""
    has_tables = not _is_empty(file)
    if has_tables:
        _require_ours(file, path)
        if _layout(file) == LAYOUT:
            return
        _set_aside(file)
    for statement in _SCHEMAS[LAYOUT].values():
        file.execute(statement)
    if has_tables:
        _take_back(file)
    file.execute(f"PRAGMA application_id = {APPLICATION}")
    file.execute(f"PRAGMA user_version = {LAYOUT}")


def _set_aside(file: sqlite3.Connection) -> None:
    """Copy what the tables hold and drop them: made anew their own text is that of a new file's.

    Within a transaction: whoever is killed in between leaves the file as it was.
    """
    for table in ("region", "session"):  # regions first: they would go with their sessions
        file.execute(f"CREATE TEMP TABLE earlier_{table} AS SELECT * FROM main.{table} ORDER BY rowid")  # noqa: S608
        file.execute(f"DROP TABLE main.{table}")


def _take_back(file: sqlite3.Connection) -> None:
    """Put back what was set aside of the earlier layout; what was not kept then is not known."""
    kept = ", ".join(_kept(_COLUMNS, layout=1))
    file.execute(f"INSERT INTO session (layout, {kept}) SELECT 1, {kept} FROM earlier_session")  # noqa: S608
    kept = ", ".join(("recording", *_kept(_REGION_COLUMNS, layout=1)))
    file.execute(f"INSERT INTO region ({kept}) SELECT {kept} FROM earlier_region")  # noqa: S608


def _is_empty(file: sqlite3.Connection) -> bool:
    return not _is_record(file) and not file.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]


def _is_record(file: sqlite3.Connection) -> bool:
    return int(file.execute("PRAGMA application_id").fetchone()[0]) == APPLICATION


def _layout(file: sqlite3.Connection) -> int:
    return int(file.execute("PRAGMA user_version").fetchone()[0])


def _kept(columns: Sequence[str], *, layout: int) -> list[str]:
    """Return those of the columns that a layout has."""
    later = {name for since, names in _ADDED.items() if since > layout for name in names}
    return [name for name in columns if name not in later]


def _require_ours(file: sqlite3.Connection, path: Path) -> None:
    """Refuse what is another program's, of a later layout, or has been given tables, views or triggers of its own."""
    if not _is_record(file):
        raise InputError(str(path), "a database of something else", WANTED)
    layout = _layout(file)
    if layout > LAYOUT:
        wanted = f"must be {LAYOUT} for this heatwake: install the one that wrote it; nothing was changed"
        raise InputError(f"{path}: layout", str(layout), wanted)
    made = file.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL")
    if dict(made.fetchall()) != _SCHEMAS.get(layout):
        raise InputError(str(path), "a record with tables that are not its own", WANTED)


def _row(take: Take) -> tuple[Any, ...]:
    return tuple(_plain(getattr(take, name)) for name in _COLUMNS)


def _cells(take: Take) -> tuple[Any, ...]:
    """Return all that is kept of a take; unlike NaN, NULL is equal to itself."""
    return _row(take), [tuple(map(_plain, astuple(one))) for one in take.regions]


def _plain(value: Any) -> Any:
    """Return a value as SQLite keeps it: numbers that are not known as NULL, tables as JSON."""
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if isinstance(value, str | int) else json.dumps(value, sort_keys=True)


def _stored(file: sqlite3.Connection, where: str, values: tuple[str | int, ...]) -> list[Take]:
    chosen = _read_columns(_COLUMNS, file)
    heads = file.execute(f"SELECT {chosen} FROM session {where} ORDER BY recording", values)  # noqa: S608
    read = [_take(row) for row in heads.fetchall()]
    chosen = _read_columns(_REGION_COLUMNS, file)
    regions = f"SELECT {chosen} FROM region WHERE recording = ? ORDER BY rowid"  # noqa: S608
    made = []
    for row in read:
        found = tuple(_region(one) for one in file.execute(regions, (row["recording"],)))
        made.append(Take(**row, regions=found))
    return made


def _read_columns(columns: Sequence[str], file: sqlite3.Connection) -> str:
    """Return the columns to select; NULL for those that a file's layout has not."""
    kept = _kept(columns, layout=_layout(file))
    return ", ".join(name if name in kept else "NULL" for name in columns)


def _take(row: tuple[Any, ...]) -> dict[str, Any]:
    made: dict[str, Any] = {name: str(value) for name, value in zip(_COLUMNS, row, strict=True)}
    cells = dict(zip(_COLUMNS, row, strict=True))
    made |= {"is_repeat": bool(cells["is_repeat"]), "power": _float(cells["power"])}
    made["camera_level"] = _float(cells["camera_level"])
    return made | {name: _table(cells[name]) for name in ("set_up", "conditions")}


def _region(row: tuple[Any, ...]) -> RegionTake:
    cells: dict[str, Any] = dict(zip((one.name for one in fields(RegionTake)), map(_float, row), strict=True))
    return RegionTake(**cells | {"name": str(row[0]), "is_known": row[1] == 1, "is_steady": cells["is_steady"] == 1})


def _float(value: Any) -> float:
    """Return a cell as a number: NaN where it is none, whatever was written there by hand."""
    return float(value) if isinstance(value, int | float) else math.nan


def _table(value: Any) -> dict[str, Any]:
    try:
        content = json.loads(value)
    except (TypeError, ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}
