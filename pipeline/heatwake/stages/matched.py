"""Two sessions brought to one condition: the same time after the same event, the same power."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.initial_slope import SlopeRatio, initial_slopes, slope_ratio
from heatwake.kernels.noise_correlation import correlation_area
from heatwake.kernels.rectangles import pixel_window
from heatwake.stages.surface_view import SurfaceView, moved, on_grid_of
from heatwake.stages.uncertainty import TemperatureSettings, rise_uncertainty

Array = npt.NDArray[Any]

MOST_MAPS: Final = 64  # of a stretch
NOISE_MAPS: Final = 12  # that tell how noise goes together
SAME_POWER: Final = 1e-4  # powers that differ by less are one


@dataclass(frozen=True)
class Late:
    """A session's rise at the matched time.

    Attributes
    ----------
    rise : DataArray (y, x)
        [K]
    own, local : DataArray (y, x)
        Standard uncertainty of what is the run's own, and of that without what all places share [K].
    noise_area : float
        Pixels that share one piece of noise; NaN where not told.
    surface : SurfaceView
        What the rise was made from.
    """

    rise: xr.DataArray
    own: xr.DataArray
    local: xr.DataArray
    noise_area: float
    surface: SurfaceView

    def laid_on(self, like: xr.DataArray, matrix: Array | None) -> "Late":
        """Return it on another map's grid, and moved.

        What moves is what the camera saw. Which emissivity it has is known by the place on the board: the edges of
        parts are taken where the board's description has them in both sessions, so that what corners were clicked
        beside them cancels too.

        Parameters
        ----------
        like : DataArray (y, x)
        matrix : (3, 3) array, optional
            From cells (column, row, 1) of the other's grid to where on that grid the session shows the same place.
        """
        if matrix is None and on_grid_of(self.rise, like) is self.rise:
            return self
        there = self.surface.on_grid(like)
        excess, own, local, left = (
            moved(on_grid_of(one, like), matrix)
            for one in (self.surface.excess(self.rise), self.own, self.local, self.surface.left)
        )
        return Late(there.rise(excess), own, local, self.noise_area, replace(there, left=left))


def onset(session: xr.Dataset, *, event: str = "") -> float:
    """Return the elapsed time of an event by its label, else of power-on, else 0 [s]."""
    if event and "event" in session.coords:
        labels = [str(label) for label in session["event"].to_numpy()]
        if event in labels:
            return float(session["event_elapsed"][labels.index(event)])
    power_on = float(session["power_on"]) if "power_on" in session else np.nan
    return power_on if np.isfinite(power_on) else 0.0


def has_event(session: xr.Dataset, event: str) -> bool:
    """Tell whether a session names an event."""
    return bool(event) and "event" in session.coords and event in [str(one) for one in session["event"].to_numpy()]


def late_rise(session: xr.Dataset, *, since: float, end: float, seconds: float, settings: TemperatureSettings) -> Late:
    """Return the mean rise over the last ``seconds`` before ``end`` seconds after ``since``.

    Parameters
    ----------
    session : Dataset
    since : float
        Elapsed time of the event [s].
    end, seconds : float
        [s]
    settings : TemperatureSettings
    """
    chosen = session.isel(time=_late(session, since=since, end=end, seconds=seconds))
    averaged = chosen.mean("time", keep_attrs=True).assign(frames_used=chosen["frames_used"].sum())
    averaged = averaged[[name for name in averaged if "region" not in averaged[name].dims]].compute()
    own = _own(averaged, settings)
    local = (own**2 - _common(averaged, settings) ** 2).clip(min=0) ** 0.5
    few = chosen["temperature_rise"].isel(time=slice(-NOISE_MAPS, None)).to_numpy()
    return Late(averaged["temperature_rise"], own, local, correlation_area(few), SurfaceView.of(averaged))


def _own(averaged: xr.Dataset, settings: TemperatureSettings) -> xr.DataArray:
    """Return the own terms' standard uncertainty (y, x) [K]; as a map of one time, which is done at once."""
    one = averaged["temperature"].expand_dims("time")
    _, own = rise_uncertainty(averaged, temperature=one, emissivity=averaged["emissivity"], settings=settings)
    return own.isel(time=0).compute()


def _common(averaged: xr.Dataset, settings: TemperatureSettings) -> float:
    """Return the standard uncertainty of what all places share [K]: ambient, drift and steps, at a middling place.

    They hardly depend on the temperature.
    """
    middle = {name: averaged[name].median() for name in ("temperature", "emissivity", "emissivity_uncertainty")}
    nothing = {"ambient_uncertainty_K": 0.0, "drift_uncertainty_K": 0.0}
    without = averaged.drop_vars("step_uncertainty", errors="ignore")
    pairs = ((averaged, settings), (without, settings.model_copy(update=nothing)))
    own = [
        rise_uncertainty(
            one,
            temperature=middle["temperature"],
            emissivity=middle["emissivity"],
            emissivity_uncertainty=middle["emissivity_uncertainty"],
            settings=chosen,
        )[1]
        for one, chosen in pairs
    ]
    return float(np.sqrt(max(float(own[0]) ** 2 - float(own[1]) ** 2, 0.0)))


def _late(session: xr.Dataset, *, since: float, end: float, seconds: float) -> Array:
    after = session["elapsed"].to_numpy() - since
    late = np.flatnonzero((after > end - seconds) & (after <= end) & (session["frames_used"].to_numpy() > 0))
    if not len(late):
        late = np.array([int(np.argmin(np.abs(after - end)))])
    return np.asarray(late[np.unique(np.linspace(0, len(late) - 1, MOST_MAPS).astype(int))])


def late_regions(session: xr.Dataset, *, since: float, end: float, seconds: float) -> Array:
    """Return each region's mean rise over the same stretch as :func:`late_rise` (region,) [K]."""
    rise = session["rise_mean"].to_numpy()[:, _late(session, since=since, end=end, seconds=seconds)]
    seen = np.isfinite(rise)
    return np.where(seen.any(axis=1), np.where(seen, rise, 0).sum(axis=1) / np.maximum(seen.sum(axis=1), 1), np.nan)


def power_factor(session: xr.Dataset, base: xr.Dataset) -> float:
    """Return what a session's rise is multiplied by to stand for the reference's power; 1 where that is not known."""
    own, there = (float(one["power"]) if "power" in one else np.nan for one in (session, base))
    if not (own > 0 and there > 0) or abs(own - there) <= SAME_POWER * there:
        return 1.0
    return there / own


def power_by_slope(session: xr.Dataset, base: xr.Dataset, *, seconds: float) -> SlopeRatio:
    """Return the session's power over the reference's, read from the first seconds after power-on.

    Regions are those of the reference that the session has too. Where either has no power-on, or warm already, nothing
    is told.
    """
    names = [str(name) for name in base["region"].to_numpy() if name in session["region"].to_numpy()]
    nothing = SlopeRatio(np.nan, np.nan, 0)
    if not names or any(not np.isfinite(one.get("power_on", np.nan)) for one in (session, base)):
        return nothing
    slopes = []
    for one in (session, base):
        chosen = one["rise_mean"].sel(region=names).to_numpy()
        since = one["elapsed"].to_numpy() - float(one["power_on"])
        first = (since >= 0) & (since <= seconds)
        slopes.append(initial_slopes(chosen[:, first], since=since[first]))
    return slope_ratio(slopes[0], slopes[1])


def region_window(base: xr.Dataset, region: int) -> tuple[slice, slice]:
    """Return the (rows, columns) of a region's rectangle."""
    values = [float(base[f"region_{key}"][region]) for key in ("x", "y", "width", "height")]
    return pixel_window((values[0], values[1]), (values[2], values[3]), x=base["x"].to_numpy(), y=base["y"].to_numpy())
