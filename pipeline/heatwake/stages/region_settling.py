"""Whether regions have settled, by the user's criterion; what they show of themselves on the way there."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.exponentials import Exponentials, fit_exponentials
from heatwake.kernels.settling import Settling, thin
from heatwake.kernels.steadiness import CRITERIA, change_at_end
from heatwake.kernels.transient import time_to_reach
from heatwake.schema.variables import STEADY_STATUS

Array = npt.NDArray[Any]

TERMS: Final = 4  # exponentials of a heating curve: two of its own, up to four that all regions share
FOSTER: Final = (2, 3, 4)  # terms of a network
FOSTER_POINTS: Final = 120
REACHED: Final = 1.96  # standard deviations: 95 % of a normal distribution


def settled(rows: Sequence[Settling], *, least: float, share: float) -> Array:
    """Tell which regions are predicted to rise no more than ``least`` [K] or ``share`` of their final rise."""
    known = [np.isfinite(row.final) and abs(row.remaining) <= max(least, share * abs(row.final)) for row in rows]
    return np.array(known, dtype=np.int8)


def settled_by_rate(rise: Array, *, elapsed: Array, start: float, name: str, average: float) -> Array:
    """Tell which regions (region, time) meet a published criterion; a record shorter than it meets none.

    One that speaks of the slowest part is met by all or by none.
    """
    criterion = CRITERIA[name]
    changes = np.array(
        [change_at_end(row, elapsed=elapsed, start=start, criterion=criterion, average=average) for row in rise]
    )
    if criterion.slowest and np.isfinite(changes).any():
        changes = np.full(len(changes), np.nanmax(changes))
    return np.asarray(changes <= criterion.limit, dtype=np.int8)


def transient_variables(rows: Sequence[Settling]) -> dict[str, Any]:
    """Return what the heating curve of each region's mean tells: terms, delay, remainder, and why where nothing."""
    return {
        "remaining_rise": ("region", np.array([row.remaining for row in rows])),
        "remaining_rise_uncertainty": ("region", np.array([row.remaining_uncertainty for row in rows])),
        "steady_status": ("region", np.array([STEADY_STATUS.index(row.status) for row in rows], dtype=np.int8)),
        "time_constant": ("region", np.array([row.time_constant for row in rows])),
        "heating_delay": ("region", np.array([row.delay for row in rows])),
        "exponentials": ("region", np.array([row.terms for row in rows], dtype=np.int8)),
        "exponential_rise": (("region", "exponential"), _filled([row.amplitudes for row in rows], TERMS)),
        "exponential_time": (("region", "exponential"), _filled([row.constants for row in rows], TERMS)),
        "exponential_time_uncertainty": (("region", "exponential"), _filled([row.spreads for row in rows], TERMS)),
    }


def limit_variables(rows: Sequence[Settling], *, room: Array, after: float) -> dict[str, Any]:
    """Return when each region's core is predicted to reach its limit, counted from the end, with a 95 % interval.

    Parameters
    ----------
    rows : sequence of Settling
        Of the cores.
    room : (region,) array
        Limit less ambient [K].
    after : float
        From power-on to the end of the recording [s].
    """
    ends = {"time_to_limit": 0.0, "time_to_limit_early": REACHED, "time_to_limit_late": -REACHED}
    found = {name: np.full(len(rows), np.nan) for name in ends}
    for number, (row, level) in enumerate(zip(rows, room, strict=True)):
        for name, factor in ends.items():
            final = row.final + factor * row.uncertainty
            found[name][number] = time_to_reach(float(level), settling=row, elapsed=after, final=final)
    return {name: ("region", values) for name, values in found.items()}


def impedance_variables(
    rise: Array, *, elapsed: Array, onset: float, rows: Sequence[Settling], power: float
) -> dict[str, Any]:
    """Return thermal resistance and Foster network of each region, per watt of the whole item's power.

    Terms of a Foster network are a fit, not places of the item.
    """
    resistance = np.full((len(rows), max(FOSTER)), np.nan)
    constants = np.full_like(resistance, np.nan)
    if np.isfinite(power) and power > 0 and np.isfinite(onset):
        for number, row in enumerate(rows):
            found = _network(rise[number] / power, elapsed - onset - row.delay) if np.isfinite(row.final) else None
            if found is not None:
                order = np.argsort(found.constants)
                resistance[number, : len(order)] = found.amplitudes[order]
                constants[number, : len(order)] = found.constants[order]
    per_watt = 1 / power if power > 0 else np.nan
    return {
        "thermal_resistance": ("region", np.array([row.final for row in rows]) * per_watt),
        "foster_resistance": (("region", "foster_term"), resistance),
        "foster_time": (("region", "foster_term"), constants),
    }


def _network(impedance: Array, time: Array) -> Exponentials | None:
    """Two to four terms, by AICc; None where nothing rises."""
    chosen = np.isfinite(impedance) & (time > 0)
    seconds, values = thin(time[chosen], impedance[chosen], most=FOSTER_POINTS)
    if len(seconds) < 8 or not (values > 0).any():
        return None
    fits = [fit for terms in FOSTER if (fit := fit_exponentials(seconds, values, terms=terms)) is not None]
    return min(fits, key=lambda fit: fit.criterion, default=None)


def _filled(rows: Sequence[tuple[float, ...]], width: int) -> Array:
    filled = np.full((len(rows), width), np.nan)
    for number, row in enumerate(rows):
        filled[number, : len(row)] = row
    return filled


def last_ambient(regions: xr.Dataset) -> Array:
    """Return the ambient that each region's last readings rise above [degC] (region,)."""
    level = (regions["temperature_max"] - regions["rise_max"]).to_numpy()
    seen = np.isfinite(level)
    latest = level.shape[1] - 1 - seen[:, ::-1].argmax(axis=1)
    return np.asarray(level[np.arange(len(level)), latest])
