"""Which variable of a file is the recording, which of its dimensions is which, and what its time coordinate says."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from heatwake.errors import InputError, one_line, shorten
from heatwake.schema.settings import LONG
from heatwake.store.frames.recording import Array, OwnTimes

# Names that people give dimensions, where no CF attribute says more (common practice, no source).
TIME_NAMES: Final = ("time", "elapsed_s", "elapsed", "timestamps", "timestamp", "t")
DIMS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("T", (*TIME_NAMES, "frame", "frames", "image", "sample", "n")),
    ("Y", ("y", "row", "rows", "height", "line", "lat", "latitude", "ny", "v")),
    ("X", ("x", "column", "columns", "col", "cols", "width", "lon", "longitude", "nx", "u")),
)
UNITS: Final = {
    **dict.fromkeys(("degc", "deg_c", "celsius", "degree_celsius", "degrees_celsius", "°c", "c"), "degC"),
    **dict.fromkeys(("k", "kelvin", "degk"), "K"),
}
SECONDS: Final = {
    **dict.fromkeys(("s", "sec", "second", "seconds", ""), 1.0),
    **dict.fromkeys(("ms", "millisecond", "milliseconds"), 1e-3),
    **dict.fromkeys(("us", "microsecond", "microseconds"), 1e-6),
    **dict.fromkeys(("min", "minute", "minutes"), 60.0),
    **dict.fromkeys(("h", "hour", "hours"), 3600.0),
}


def choose(variable: str | None, *, found: Sequence[str], fit: Sequence[str], where: str) -> str:
    """Return the variable that is the recording: the one named, or the only one that can be it.

    Raises
    ------
    InputError
        It is not there, is no stack of numbers, or several are and none is named.
    """
    listed = shorten(", ".join(fit) or "none", LONG)
    if variable is not None:
        if variable not in found:
            raise InputError("frames.variable", repr(variable), f"must be one of {where}: {listed}")
        if variable not in fit:
            wanted = f"must be numbers with three dimensions (frames, rows, columns), in {where}: {listed}"
            raise InputError("frames.variable", repr(variable), wanted)
        return variable
    if len(fit) == 1:
        return fit[0]
    if not fit:
        raise InputError(where, "without a stack of frames", "must hold numbers with three dimensions")
    raise InputError("frames.variable", "missing", f"must be one of {where}: {listed}")


def frame_order(dims: Sequence[str], attributes: Mapping[str, Mapping[str, Any]]) -> tuple[int, int, int]:
    """Return which of three dimensions are frames, rows and columns: by CF axes, else by name, else in this order.

    Parameters
    ----------
    dims : sequence of str
    attributes : mapping
        Of each dimension's coordinate variable.
    """
    places: list[int] = []
    for axis, names in DIMS:
        by_axis = [n for n, dim in enumerate(dims) if _axis(attributes.get(dim, {})) == axis]
        by_name = [n for n, dim in enumerate(dims) if dim.lower().rsplit("/", 1)[-1] in names]
        places.append(next(iter([*by_axis, *by_name]), -1))
    left = [n for n in range(3) if n not in places]
    filled = [place if place >= 0 else left.pop(0) for place in places]
    return (filled[0], filled[1], filled[2]) if len(set(filled)) == 3 else (0, 1, 2)


def _axis(attributes: Mapping[str, Any]) -> str:
    """Return T, Y or X of a coordinate (CF conventions, section 4)."""
    axis = str(attributes.get("axis", "")).upper()
    if axis in {"T", "Y", "X"}:
        return axis
    kinds = {"time": "T", "projection_y_coordinate": "Y", "latitude": "Y", "projection_x_coordinate": "X"}
    kind = kinds.get(str(attributes.get("standard_name", "")), "")
    return kind or ("T" if " since " in str(attributes.get("units", "")) else "")


@dataclass(frozen=True)
class Packing:
    """How stored numbers stand for values (CF conventions, section 8.1), and which stand for none."""

    scale: float = 1.0
    offset: float = 0.0
    missing: tuple[float, ...] = ()

    @property
    def is_plain(self) -> bool:
        """Whether stored numbers are the values."""
        return self == Packing()

    def dtype(self, stored: np.dtype[Any]) -> np.dtype[Any]:
        """Return the kind of the values of a kind of stored numbers."""
        if self.is_plain:
            return stored
        return np.dtype(np.float32 if stored.itemsize < 4 else np.float64)

    def unpack(self, stored: Array) -> Array:
        """Return values; NaN where there is none."""
        if self.is_plain:
            return stored
        values = stored.astype(np.float64)
        if (self.scale, self.offset) != (1.0, 0.0):
            values = values * self.scale + self.offset
        for number in self.missing:
            values[stored == number] = np.nan
        return values.astype(self.dtype(stored.dtype))


def packing(attributes: Mapping[str, Any], *, where: str) -> Packing:
    """Return a variable's packing by its attributes.

    Raises
    ------
    InputError
        An attribute that must be a number is none.
    """
    try:
        missing: list[float] = []
        for name in ("_FillValue", "missing_value"):
            if name in attributes:
                missing += np.atleast_1d(attributes[name]).astype(np.float64).tolist()
        scale, offset = (
            float(np.asarray(attributes.get(name, default)).item())
            for name, default in (("scale_factor", 1.0), ("add_offset", 0.0))
        )
    except (TypeError, ValueError, OverflowError):
        found = "packed by attributes that are no numbers"
        raise InputError(where, found, "must have numbers as scale_factor, add_offset and _FillValue") from None
    if not (np.isfinite([scale, offset]).all() and scale != 0):
        raise InputError(where, f"packed with {scale:g} and {offset:g}", "must have a scale_factor and add_offset")
    return Packing(scale, offset, tuple(number for number in missing if not np.isnan(number)))


def unit_of(attributes: Mapping[str, Any]) -> str:
    """Return ``degC`` or ``K`` where a variable's attributes say so, else nothing."""
    return UNITS.get(str(attributes.get("units", "")).strip().lower(), "")


def own_times(values: Array, attributes: Mapping[str, Any], *, where: str) -> OwnTimes | None:
    """Return a coordinate's times; None where its unit is none of time.

    Clock times are CF times (``seconds since 2026-03-04 09:30:00``) or datetime64, both UTC.
    """
    units = str(attributes.get("units", "")).strip()
    if values.dtype.kind == "M" or " since " in units:
        stamps = _stamps(values, attributes, where=where)
        if np.isnat(stamps).any():
            raise InputError(where, "without a time in places", "must have a time for each frame")
        seconds = (stamps - stamps[0]) / np.timedelta64(1, "ns") * 1e-9
        return OwnTimes(seconds.astype(np.float64), pd.Timestamp(stamps[0], tz="UTC"), where)
    factor = SECONDS.get(units.lower())
    if factor is None or values.dtype.kind not in "uif":
        return None
    return OwnTimes(values.astype(np.float64) * factor, None, where)


def _stamps(values: Array, attributes: Mapping[str, Any], *, where: str) -> npt.NDArray[np.datetime64]:
    known = {key: str(attributes[key]) for key in ("units", "calendar") if key in attributes}
    try:
        decoded = xr.decode_cf(xr.Dataset({"stamp": ("frame", values, known)}))["stamp"].to_numpy()
        return np.asarray(decoded, dtype="datetime64[ns]")
    except Exception as error:  # calendars, units and ranges fail in many ways
        detail = shorten(one_line(str(error)), LONG)
        raise InputError(where, f"no time ({detail})", "must be a CF time") from None
