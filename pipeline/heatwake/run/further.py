"""The list of what to record next, as it stands in a results folder."""

from pathlib import Path

from heatwake.errors import InputError
from heatwake.report.further import Further, further_from
from heatwake.run.sessions import NEXT
from heatwake.store import tables


def further_of(folder: Path) -> list[Further]:
    """Return what a results folder says to record next; nothing where it holds no such list."""
    return [further_from(row) for row in tables.read_rows(folder / NEXT)]


def read_further(folder: Path) -> list[Further]:
    """Return what a results folder says to record next.

    Raises
    ------
    InputError
        It holds no such list.
    """
    if not (folder / NEXT).is_file():
        raise InputError(str(folder), f"without {NEXT}", "must be the results folder of a run, or of a session in it")
    return further_of(folder)
