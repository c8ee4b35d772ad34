"""Tables of a validation: readings of runs, pairs of camera and thermocouple, observed tufts."""

from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from heatwake.errors import InputError, shorten
from heatwake.schema.settings import ABSOLUTE_ZERO, LONG
from heatwake.store.tables import numbers, read_table

STATES: Final = ("film", "lid")
KINDS: Final = ("exhaust", "part")
TUFT_STATES: Final = ("steady", "unsteady", "limp")


def read_lid_runs(path: Path) -> pd.DataFrame:
    """Return a row a run and place: run, state, block, place, kind, rise_K, power_W, fan_rpm.

    ``block`` is empty where the table has none, ``fan_rpm`` NaN.

    Raises
    ------
    InputError
        A column is missing, a cell is not what it must be, or a run contradicts itself.
    """
    key = "film_lid.readings"
    where = f"{key}: {path}"
    columns = ("run", "state", "place", "kind", "degC", "ambient_degC", "power_W")
    table = read_table(path, key=key, columns=columns)
    made = pd.DataFrame({name: _words(table, name, where=where) for name in ("run", "place")})
    made["state"] = _words(table, "state", where=where, among=STATES)
    made["kind"] = _words(table, "kind", where=where, among=KINDS)
    made["block"] = _words(table, "block", where=where) if "block" in table.columns else ""
    degrees, ambient = (numbers(table, name, where=where) for name in ("degC", "ambient_degC"))
    for name, values in (("degC", degrees), ("ambient_degC", ambient)):
        if (values < ABSOLUTE_ZERO).any():
            raise InputError(f"{where}: {name}", f"{values.min():g}", f"must be {ABSOLUTE_ZERO:g} or more")
    made["rise_K"] = degrees - ambient
    made["power_W"] = numbers(table, "power_W", where=where)
    made["fan_rpm"] = numbers(table, "fan_rpm", where=where, optional=True)
    if (made["power_W"] <= 0).any():
        raise InputError(f"{where}: power_W", f"{made['power_W'].min():g}", "must be more than 0")
    _require_one_each(made, ("run", "place"), where=where)
    for name in ("state", "block", "power_W"):
        several = made.groupby("run")[name].nunique()
        if (several > 1).any():
            raise InputError(f"{where}: run {several.idxmax()}", f"with two of {name}", "must have one")
    return made


def read_pairs(path: Path) -> pd.DataFrame:
    """Return a row a reading: place, session, camera_degC, thermocouple_degC, rise_K, camera_u, thermocouple_u [K].

    Raises
    ------
    InputError
        A column is missing, or a cell is not what it must be.
    """
    key = "thermocouples.pairs"
    where = f"{key}: {path}"
    values = ("camera_degC", "thermocouple_degC", "ambient_degC")
    spreads = ("camera_uncertainty_K", "thermocouple_uncertainty_K")
    table = read_table(path, key=key, columns=("place", *values, *spreads))
    made = pd.DataFrame({"place": _words(table, "place", where=where)})
    made["session"] = _words(table, "session", where=where) if "session" in table.columns else ""
    for name in values:
        made[name] = numbers(table, name, where=where)
    for name, short in zip(spreads, ("camera_u", "thermocouple_u"), strict=True):
        made[short] = numbers(table, name, where=where)
        if (made[short] <= 0).any():
            raise InputError(f"{where}: {name}", f"{made[short].min():g}", "must be more than 0")
    made["rise_K"] = made["thermocouple_degC"] - made["ambient_degC"]
    return made.drop(columns="ambient_degC")


def read_probe_results(folder: Path, *, accuracy: float) -> pd.DataFrame:
    """Return the readings of a session's results as ``read_pairs`` does.

    The table gives U of the difference; what of it is the thermocouple's is ``accuracy`` over root 3, the rest is taken
    as the camera's.

    Raises
    ------
    InputError
        There is no such table, or no ambient temperature beside it.
    """
    from heatwake.store.results import open_result  # slow to import

    key = "thermocouples.results"
    path = folder / "thermocouples.csv"
    where = f"{key}: {path}"
    values = ("camera_degC", "thermocouple_degC", "expanded_uncertainty_K")
    table = read_table(path, key=key, columns=("thermocouple", *values))
    made = pd.DataFrame({"place": _words(table, "thermocouple", where=where)})
    for name in values:
        made[name] = numbers(table, name, where=where, optional=True)
    made["session"] = folder.resolve().name
    if not (folder / "rise.nc").is_file():
        raise InputError(f"{key}: {folder / 'rise.nc'}", "missing", "must be there beside the table")
    ambient = open_result(folder / "rise.nc")["ambient"].to_numpy().astype(float)
    known = ambient[np.isfinite(ambient)]
    if not known.size:
        raise InputError(f"{key}: {folder}", "without an ambient temperature", "must have one")
    whole = made.pop("expanded_uncertainty_K") / 2
    thermocouple = np.minimum(accuracy / np.sqrt(3), whole / np.sqrt(2))
    made["thermocouple_u"], made["camera_u"] = thermocouple, np.sqrt(whole**2 - thermocouple**2)
    made["rise_K"] = made["thermocouple_degC"] - known[-1]
    return made.dropna().reset_index(drop=True)


def read_tufts(path: Path) -> pd.DataFrame:
    """Return a row a tuft: x_mm, y_mm, direction_deg and spread_deg (NaN of a limp one), state.

    Raises
    ------
    InputError
        A column is missing, or a cell is not what it must be.
    """
    key = "directions.states.tufts"
    where = f"{key}: {path}"
    table = read_table(path, key=key, columns=("x_mm", "y_mm", "direction_deg", "spread_deg", "state"))
    made = pd.DataFrame({name: numbers(table, name, where=where) for name in ("x_mm", "y_mm")})
    made["state"] = _words(table, "state", where=where, among=TUFT_STATES)
    for name in ("direction_deg", "spread_deg"):
        made[name] = numbers(table, name, where=where, optional=True)
        missing = made[name].isna() & (made["state"] != "limp")
        if missing.any():
            row = int(missing.to_numpy().argmax()) + 1
            raise InputError(f"{where}: {name}, row {row}", "empty", "must be a number unless the tuft is limp")
    if (made["spread_deg"] < 0).any():
        raise InputError(f"{where}: spread_deg", f"{made['spread_deg'].min():g}", "must be 0 or more")
    if (made["direction_deg"].abs() > 360).any():
        raise InputError(f"{where}: direction_deg", f"{made['direction_deg'].abs().max():g}", "must be within ±360")
    return made


def _words(table: pd.DataFrame, column: str, *, where: str, among: tuple[str, ...] = ()) -> list[str]:
    """Return a column as printable words."""
    words = []
    for row, cell in enumerate(table[column], start=1):
        word = "" if pd.isna(cell) else str(cell).strip()
        if not word or not word.isprintable() or (among and word not in among):
            wanted = f"must be one of {', '.join(among)}" if among else "must be a name"
            raise InputError(f"{where}: {column}, row {row}", shorten(repr(word), LONG) if word else "empty", wanted)
        words.append(word)
    return words


def _require_one_each(table: pd.DataFrame, columns: tuple[str, ...], *, where: str) -> None:
    twice = table.duplicated(list(columns))
    if twice.any():
        row = table[twice].iloc[0]
        found = " and ".join(f"{name} {row[name]}" for name in columns)
        raise InputError(where, f"a table with two rows of {found}", "must have one")


def content(path: Path) -> bytes:
    """Return a table's bytes."""
    return path.read_bytes()
