"""What a run found, for programs: plain values, units in the names as in the tables, null where there is none."""

from collections.abc import Mapping
from dataclasses import asdict, is_dataclass
from math import isfinite
from pathlib import PurePath
from typing import Any

import numpy as np
import xarray as xr

from heatwake.report.flow_reading import board_direction, pair_direction
from heatwake.report.outputs import comparison_rows
from heatwake.report.parts import part_rows
from heatwake.report.summary import summary_rows


def found_in(
    sessions: Mapping[str, xr.Dataset], flows: Mapping[str, xr.Dataset], comparison: xr.Dataset | None
) -> dict[str, Any]:
    """Return each session's parts and direction, and the rows of the comparison."""
    return {
        "sessions": {name: _session(one, flows.get(name), comparison, name) for name, one in sessions.items()},
        "comparison": plain(comparison_rows(comparison, sessions)) if comparison is not None else [],
    }


def plain(value: Any) -> Any:
    """Return a value as JSON holds it: NaN as None, paths as text, dataclasses as objects.

    >>> plain({"a": float("nan"), "b": (1, np.float32(2.5))})
    {'a': None, 'b': [1, 2.5]}
    """
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, PurePath):
        return str(value)
    return None if isinstance(value, float) and not isfinite(value) else value


def _session(session: xr.Dataset, flow: xr.Dataset | None, comparison: xr.Dataset | None, name: str) -> dict[str, Any]:
    alone, together = board_direction(flow), pair_direction(comparison, name)
    directions = {"from_this_recording": alone, "from_all_sessions": together}
    return {
        "title": str(session.attrs.get("title", "")),
        "parts": plain(summary_rows(part_rows(session))),
        "heat_carried": {
            key: plain({"degrees": told.degrees, "uncertainty_deg": told.uncertainty, "status": told.status})
            for key, told in directions.items()
        },
    }
