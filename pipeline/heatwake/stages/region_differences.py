"""What became of each region beside its rise: settling, footprint; and of each opening."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.schema.variables import OPENING_ROLE

Array = npt.NDArray[Any]

FOOTPRINT: Final = ("spread_area", "spread_orientation", "decay_downstream", "decay_upstream")
LATE_SHARE: Final = 0.25  # of a series of footprints: its end
HALF_TURN: Final = 180.0  # [deg] an axis is the same after it
UNCHANGED, CHANGED, UNDECIDED, IN_ONE = range(4)


def ratio(rise: Sequence[Array], own: Sequence[Array]) -> dict[str, Any]:
    """Return the ratio of final rises, the session's first: errors that both share in proportion cancel."""
    here, there = rise
    warm = (here > 0) & (there > 0)
    values = np.where(warm, here / np.where(warm, there, 1.0), np.nan)
    spread = values * np.hypot(own[0] / np.where(warm, here, 1.0), own[1] / np.where(warm, there, 1.0))
    return {"steady_rise_ratio": ("region", values), "steady_rise_ratio_uncertainty": ("region", spread)}


def settling_change(session: xr.Dataset, base: xr.Dataset) -> dict[str, Any]:
    """Return how the time constants changed."""
    values = [one["time_constant"].to_numpy() for one in (session, base)]
    spread = [_time_uncertainty(one) for one in (session, base)]
    return {
        "time_constant_difference": ("region", values[0] - values[1]),
        "time_constant_difference_uncertainty": ("region", np.hypot(spread[0], spread[1])),
    }


def _time_uncertainty(session: xr.Dataset) -> Array:
    """Return that of the exponential that has most of the rise; NaN where the fit does not tell."""
    names = ("exponential_rise", "exponential_time_uncertainty")
    if any(name not in session for name in names):
        return np.full(session.sizes["region"], np.nan)
    rise, spread = (session[name].transpose("region", "exponential").to_numpy() for name in names)
    largest = np.argmax(np.nan_to_num(np.abs(rise), nan=-1.0), axis=1)
    return np.asarray(spread[np.arange(len(spread)), largest])


def footprint_change(session: xr.Dataset | None, base: xr.Dataset | None, regions: Array) -> dict[str, Any]:
    """Return how footprints changed: in size, in the direction of their long axis, in their tails; at the end of both.

    Uncertainties are those stated of each footprint and the scatter along the end of its series: what separating the
    parts' heat leaves is not the same where the air has changed, so nothing of it is taken to cancel. Tails are
    compared where both are along the same kind of direction.
    """
    made = {}
    alike = _late_value(session, "decay_axis", regions)[0] == _late_value(base, "decay_axis", regions)[0]
    for name in FOOTPRINT:
        turn = name == "spread_orientation"
        values = [_late_value(one, name, regions, turn=turn) for one in (session, base)]
        change = values[0][0] - values[1][0]
        if name.startswith("decay"):
            change = np.where(alike, change, np.nan)
        word = "change" if turn else "difference"
        made[f"{name}_{word}"] = ("region", _folded(change) if turn else change)
        spread = np.hypot(values[0][1], values[1][1])
        made[f"{name}_{word}_uncertainty"] = ("region", np.where(np.isfinite(change), spread, np.nan))
    return made


def _late_value(spread: xr.Dataset | None, name: str, regions: Array, *, turn: bool = False) -> tuple[Array, Array]:
    """Return mean and its standard uncertainty over the end of a series (region,); NaN where there is none."""
    found = np.full((2, len(regions)), np.nan)
    if spread is None or name not in spread:
        return found[0], found[1]
    known = [str(label) for label in spread["region"].to_numpy()]
    late, stated = (_late(spread, one, of=name) for one in (name, f"{name}_uncertainty"))
    for number, label in enumerate(regions):
        row = late[known.index(str(label))] if str(label) in known else np.empty(0)
        seen = np.isfinite(row)
        if not seen.any():
            continue
        row = row[seen]
        middle = _axis_mean(row) if turn else float(row.mean())
        away = _folded(row - middle) if turn else row - middle
        scatter = (away**2).sum() / max(row.size - 1, 1) / row.size
        whole = np.nan_to_num(stated[known.index(str(label))][seen]).mean()
        found[:, number] = middle, np.sqrt(scatter + whole**2)
    return found[0], found[1]


def _late(spread: xr.Dataset, name: str, *, of: str) -> Array:
    """Return the end of a series (region, time); zeros as those of another where there is none of that name."""
    series = spread.get(name, xr.zeros_like(spread[of])).transpose("region", "time").to_numpy()
    return np.asarray(series[:, int((1 - LATE_SHARE) * series.shape[1]) :], dtype=np.float64)


def _axis_mean(degrees: Array) -> float:
    """Return the mean of axes: of doubled angles (Mardia and Jupp, Directional Statistics, Wiley 2000, 9.4)."""
    doubled = np.radians(2 * degrees)
    return float(np.degrees(np.arctan2(np.sin(doubled).mean(), np.cos(doubled).mean())) / 2)


def _folded(degrees: Array) -> Array:
    """Return turns of an axis, -90 to 90."""
    return np.asarray((degrees + HALF_TURN / 2) % HALF_TURN - HALF_TURN / 2)


def opening_changes(session: xr.Dataset | None, base: xr.Dataset | None) -> dict[str, Any]:
    """Return each opening's role in both sessions and what became of it, over the openings of either."""
    roles = [_roles(one) for one in (session, base)]
    names = list(dict.fromkeys([*roles[1], *roles[0]]))
    if not names:
        return {}
    undecided = OPENING_ROLE.index("undecided")
    pairs = [tuple(one.get(name, -1) for one in roles) for name in names]
    told = [
        IN_ONE if -1 in pair else UNDECIDED if undecided in pair else (UNCHANGED if pair[0] == pair[1] else CHANGED)
        for pair in pairs
    ]
    both = np.array([[undecided if role < 0 else role for role in pair] for pair in pairs], dtype=np.int8)
    return {
        "opening": ("opening", np.array(names, dtype=object)),
        "opening_role_session": ("opening", both[:, 0]),
        "opening_role_reference": ("opening", both[:, 1]),
        "opening_change": ("opening", np.array(told, dtype=np.int8)),
    }


def _roles(flow: xr.Dataset | None) -> Mapping[str, int]:
    if flow is None or "opening_role" not in flow:
        return {}
    names = [str(name) for name in flow["opening"].to_numpy()]
    return dict(zip(names, map(int, flow["opening_role"].to_numpy()), strict=True))
