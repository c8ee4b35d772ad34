"""The printed ends of a colour scale over time, and a colour video's places on it as temperatures."""

from pathlib import Path

import numpy as np
import numpy.typing as npt

from heatwake.errors import InputError
from heatwake.schema.session import Palette
from heatwake.schema.settings import ABSOLUTE_ZERO, HOTTEST
from heatwake.store.frames.colour import limits_applied
from heatwake.store.frames.recording import Recording
from heatwake.store.tables import numbers, read_table

Floats = npt.NDArray[np.float64]


def limits_file(palette: Palette | None) -> Path | None:
    """Return the file of a palette's limits; None where they are one pair of numbers."""
    return palette.limits if palette is not None and isinstance(palette.limits, Path) else None


def on_scale(recording: Recording, palette: Palette, *, elapsed: Floats, folder: Path) -> tuple[Recording, float]:
    """Return a colour video's recording in degC, and the widest span of its scale [K].

    Raises
    ------
    InputError
        The limits are not in order, or do not reach to the first frame.
    """
    if isinstance(palette.limits, Path):
        low, high = _held(*read_limits(folder / palette.limits), elapsed=elapsed)
    else:
        low, high = (np.full(len(elapsed), end) for end in palette.limits)
    changing = bool(np.ptp(low) > 0 or np.ptp(high) > 0)
    return limits_applied(recording, low, high, changing=changing), float(np.max(high - low))


def read_limits(path: Path) -> tuple[Floats, Floats, Floats]:
    """Return times [s since the first frame] and the scale's low and high ends [degC] from then on.

    Raises
    ------
    InputError
        A cell is no number, ends are not in order, times do not increase or begin after the first frame.
    """
    key = "palette.limits"
    where = f"{key}: {path}"
    table = read_table(path, key=key, columns=("low_degC", "high_degC"))
    low, high = (numbers(table, name, where=where) for name in ("low_degC", "high_degC"))
    seconds = numbers(table, "elapsed_s", where=where) if "elapsed_s" in table.columns else np.zeros(len(table))
    if len(table) > 1 and "elapsed_s" not in table.columns:
        raise InputError(f"{where}: column elapsed_s", "missing", "must be there with more than one row")
    bad = ~((low >= ABSOLUTE_ZERO) & (low < high) & (high <= HOTTEST))
    if bad.any():
        row = int(np.argmax(bad))
        found = f"{low[row]:g} to {high[row]:g}"
        raise InputError(f"{where}, row {row + 1}", found, "must be a colder and a hotter end in degC")
    if (np.diff(seconds) <= 0).any():
        row = int(np.argmax(np.diff(seconds) <= 0)) + 1
        raise InputError(f"{where}: elapsed_s, row {row + 1}", f"{seconds[row]:g}", "must be later than the row before")
    if seconds[0] > 0:
        raise InputError(f"{where}: elapsed_s, row 1", f"{seconds[0]:g}", "must be 0: limits hold from their row on")
    return seconds, low, high


def _held(seconds: Floats, low: Floats, high: Floats, *, elapsed: Floats) -> tuple[Floats, Floats]:
    row = np.searchsorted(seconds, elapsed + 1e-9, side="right") - 1
    return low[row], high[row]
