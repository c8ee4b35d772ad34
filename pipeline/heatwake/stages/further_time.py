"""How much longer a recording would have to be, and what its final values would then be worth."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.settling import Settling, as_on_a_board
from heatwake.kernels.transient import fit_settling

Array = npt.NDArray[Any]

MOST_CONSTANTS: Final = 6.0  # slowest time constants that a recording is drawn out to at most
MOST_POINTS: Final = 2000  # of a curve that is drawn out


@dataclass(frozen=True)
class Longer:
    """The same recording, drawn out.

    Attributes
    ----------
    seconds : float
        More than it has [s].
    settles : tuple of int
        Numbers of the regions that are not settled and then would be.
    now, then : tuple of float
        Their standard uncertainty by the fit of each alone, as it is and drawn out [K].
    """

    seconds: float
    settles: tuple[int, ...]
    now: tuple[float, ...]
    then: tuple[float, ...]


def foresee_longer(results: xr.Dataset, *, least: float, share: float) -> Longer | None:
    """Return by how much longer a recording would settle the regions that have not; None where nothing tells.

    Each region's fitted exponentials say when no more than ``least`` [K] or ``share`` of its rise is to come; its
    readings are drawn out by them, their scatter repeated, and fitted anew.

    Parameters
    ----------
    results : Dataset
        Of a session, with regions fitted from power-on on.
    least, share : float
        When a region counts as settled.
    """
    if "exponential_rise" not in results or not np.isfinite(results["power_on"]) or int(results["final_stretch"]) != 0:
        return None
    elapsed, onset = results["elapsed"].to_numpy().astype(float), float(results["power_on"])
    waits = {
        number: wait
        for number in np.flatnonzero(results["is_steady"].to_numpy() == 0).tolist()
        if np.isfinite(wait := _wait(*_terms(results, number), seen=elapsed[-1] - onset, least=least, share=share))
    }
    if not waits:
        return None
    more = max(waits.values())
    pairs = [_fits(results, number, elapsed=elapsed, onset=onset, more=more) for number in waits]
    told = [one for one in zip(waits, pairs, strict=True) if np.isfinite([each.uncertainty for each in one[1]]).all()]
    now, then = (tuple(pair[at].uncertainty for _, pair in told) for at in (0, 1))
    return Longer(more, tuple(number for number, _ in told), now, then) if told else None


def _terms(results: xr.Dataset, number: int) -> tuple[Array, Array]:
    rises, times = (results[f"exponential_{name}"][number].to_numpy() for name in ("rise", "time"))
    known = np.isfinite(rises) & np.isfinite(times)
    return rises[known], times[known]


def _wait(rises: Array, times: Array, *, seen: float, least: float, share: float) -> float:
    """Return after how much longer no more than enough is to come [s]; NaN where nothing tells."""
    if not rises.size:
        return np.nan
    enough = max(least, share * abs(float(rises.sum())))
    later = np.linspace(0.0, MOST_CONSTANTS * float(times.max()), 600)
    left = np.abs(np.exp(-(seen + later[:, np.newaxis]) / times) @ rises)
    reached = np.flatnonzero(left <= enough)
    return float(later[reached[0]]) if reached.size else np.nan


def _fits(results: xr.Dataset, number: int, *, elapsed: Array, onset: float, more: float) -> tuple[Settling, Settling]:
    rise = results["rise_mean"][number].to_numpy().astype(float)
    rises, times = _terms(results, number)
    delay = float(np.nan_to_num(results["heating_delay"][number])) if "heating_delay" in results else 0.0

    def curve(time: Array) -> Array:
        return np.asarray((1 - np.exp(-np.maximum(time - onset - delay, 0)[:, np.newaxis] / times)) @ rises)

    step = max(float(np.median(np.diff(elapsed[-10:]))), more / MOST_POINTS)
    later = elapsed[-1] + np.arange(step, more + step, step)
    scatter = (rise - curve(elapsed))[-10:]
    scatter = np.resize(scatter - np.nanmean(scatter), later.size)
    level = np.nanmean((rise - curve(elapsed))[-10:])
    whole = np.concatenate([elapsed, later]), np.concatenate([rise, curve(later) + level + np.nan_to_num(scatter)])
    return tuple(  # type: ignore[return-value]
        as_on_a_board(fit_settling(values, elapsed=time, onset=onset)) for time, values in ((elapsed, rise), whole)
    )
