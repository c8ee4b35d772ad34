"""A plan file and the placement file that it names."""

from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from heatwake.errors import InputError
from heatwake.schema.plan import Plan
from heatwake.schema.settings import LARGEST
from heatwake.schema.validate import validate
from heatwake.store.part_places import find_layout
from heatwake.store.results import make_folder, write_text
from heatwake.store.tables import numbers, read_parts, read_table
from heatwake.store.toml import read_toml
from heatwake.store.within import require_within

EXPECTED: Final = ("rise_K", "power_W", "time_constant_s", "heat_capacity_J_K", "tall_mm")
"""Columns of a placement file that say what is expected of its parts."""


def read_plan(path: Path) -> tuple[Plan, pd.DataFrame]:
    """Return a plan and the parts of its placement file, with what that expects of them; without one an empty table.

    Raises
    ------
    InputError
        Something that either says is wrong.
    """
    plan = validate(Plan, read_toml(path), file=str(path))
    try:
        return plan, _parts(plan, path.parent)
    except InputError as error:
        raise InputError(f"{path}: {error.where}", error.found, error.wanted) from error


def _parts(plan: Plan, folder: Path) -> pd.DataFrame:
    board = plan.board
    if board.parts is None:
        return pd.DataFrame()
    path = folder / board.parts
    require_within(path, folder=folder, key="board.parts")
    parts = read_parts(path, board=board)
    where = f"board.parts: {path}"
    layout = find_layout(path, board=board, where=where)
    names = [name or f"unnamed {number}" for number, name in enumerate(layout.headings)]
    table = read_table(
        path, key="board.parts", columns=(), sep=layout.separator, skiprows=layout.skip, header=None, names=names
    )
    own = table[layout.columns["name"]].map(str).str.strip()
    for column in EXPECTED:
        if column not in table.columns:
            continue
        values = numbers(table, column, where=where, optional=True)
        bad = (values < 0) | (values > LARGEST)
        if bad.any():
            row = int(np.argmax(bad))
            raise InputError(f"{where}: {column}, row {row + 1}", f"{values[row]:g}", "must be 0 or more")
        parts[column] = parts["name"].map(dict(zip(own, values, strict=True)))
    return parts


def write_new(path: Path, text: str) -> bool:
    """Write a file and its folder unless it is there, for it may have been filled in; tell whether it holds this text.

    Raises
    ------
    StorageError
        It cannot be written.
    """
    if path.exists():
        try:
            return path.read_text(encoding="utf-8") == text
        except (OSError, UnicodeDecodeError):
            return False
    make_folder(path.parent)
    write_text(path, text)
    return True
