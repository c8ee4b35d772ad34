"""Where each region's rise is going in each stretch of a recording, in a drifting ambient too, and how well known."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import NonNegativeFloat, PositiveFloat

from heatwake.kernels.ambient_lag import lagged
from heatwake.kernels.settling import Settling, as_on_a_board, last_reading
from heatwake.kernels.shared_modes import fit_together
from heatwake.kernels.steadiness import CriterionName
from heatwake.kernels.stretches import Stretch, fit_step, split
from heatwake.kernels.transient import fit_settling
from heatwake.schema.settings import Settings
from heatwake.schema.variables import STEADY_STATUS
from heatwake.stages.final_maps import MAPS, final_maps
from heatwake.stages.region_budget import final_budget
from heatwake.stages.region_settling import (
    impedance_variables,
    last_ambient,
    limit_variables,
    settled,
    settled_by_rate,
    transient_variables,
)
from heatwake.stages.uncertainty import TemperatureSettings, rise_uncertainty

Array = npt.NDArray[Any]
FinalOf = Literal["last stretch", "first stretch", "whole recording"]

NO_CHANGE: Final = frozenset(("note", "film", "camera", "shutter", "focus", "picture", "photo", "recording"))
STRETCHES: Final = (
    *("stretch_start", "stretch_end", "stretch_rise", "stretch_rise_uncertainty", "stretch_rise_own"),
    *("stretch_time_constant", "stretch_remaining", "stretch_steady", "stretch_status", "ambient_lag_correction"),
    "final_stretch",
    *MAPS,
)
LAG_PASSES: Final = 3
SMALL: Final = 0.2  # of the fit's uncertainty: what lag changes by less needs no fit of its own
LATE: Final = 0.05  # of a stretch: its last readings
SAME: Final = 0.01  # of the time constant: closer passes tell nothing new


class SettlingSettings(Settings):
    """When a region counts as settled, and of what its final value is."""

    final_s: PositiveFloat = 30.0  # the final map is averaged over so long
    final_of: FinalOf = "last stretch"  # events split a recording into stretches; "whole recording": they do not
    settling: CriterionName = "remaining rise"  # when a region has settled: by its forecast, or as a standard says
    steady_K: NonNegativeFloat = 0.5  # "remaining rise": no more than this is still to come ...
    steady_share: NonNegativeFloat = 0.02  # ... or no more than this share of the final rise
    first_order_share: PositiveFloat = 0.05  # by which trials may differ from a budget for it to hold
    uncertainty: TemperatureSettings = TemperatureSettings()  # set by the workflow's [temperature] table


@dataclass(frozen=True)
class Found:
    """A region's way through one stretch, and by how much it lags behind a drifting ambient [K] at its end."""

    settling: Settling
    lag: float
    unsure: float = 0.0  # of the lag [K]
    behind: Array | float = 0.0  # added to the rise over time


def add_final_values(session: xr.Dataset, regions: xr.Dataset, settings: SettlingSettings) -> xr.Dataset:
    """Return the regions with their final values, what these are of, and how well they are known.

    Parameters
    ----------
    session : Dataset
        What the temperature stage made, and events.
    regions : Dataset
        With series, emissivity, ``spot_bias_mean`` and ``pixels``.
    settings : SettlingSettings
    """
    stretches = find_stretches(session, settings)
    chosen = 0 if settings.final_of == "first stretch" else len(stretches) - 1
    way = _Way.of(session, regions, seconds=settings.final_s)
    rise = regions["rise_mean"].to_numpy()
    means = [[way.find(row, stretches, at) for row in rise] for at in range(len(stretches))]
    core = regions["rise_max"].to_numpy()
    own = [
        way.find(row, stretches, chosen, constant=mean.settling.time_constant)
        for row, mean in zip(core, means[chosen], strict=True)
    ]
    means[0] = way.together(rise, means[0], stretches[0])
    cores = [one.settling for one in (way.together(core, own, stretches[0]) if chosen == 0 else own)]
    rows = [[one.settling for one in found] for found in means]
    told = _stretch_variables(session, regions, stretches, means=means, settings=settings)
    power = float(session["power"]) if "power" in session else np.nan
    stretch = stretches[chosen]
    told |= {
        "final_stretch": ((), chosen),
        "steady_rise": ("region", told["stretch_rise"][1][:, chosen]),
        "steady_rise_uncertainty": ("region", told["stretch_rise_uncertainty"][1][:, chosen]),
        "steady_rise_own": ("region", told["stretch_rise_own"][1][:, chosen]),
        "steady_rise_max": ("region", np.array([row.final for row in cores])),
        "is_steady": ("region", told["stretch_steady"][1][:, chosen]),
        "ambient_lag_correction": ("region", np.array([one.lag for one in means[chosen]])),
        **transient_variables(rows[chosen]),
        **limit_variables(cores, room=_room(regions), after=stretch.end - stretch.start),
        **impedance_variables(
            way.until(rise, stretches[0]), elapsed=way.elapsed, onset=way.onset, rows=rows[0], power=power
        ),
    }
    budget = final_budget(
        session,
        regions,
        rise=told["steady_rise_max"][1],
        settling=np.array([row.uncertainty for row in cores]),
        settings=settings.uncertainty,
        tolerance=settings.first_order_share,
    )
    began = "anywhere" if chosen > 0 else ("at ambient" if np.isfinite(way.onset) else "before")
    maps = final_maps(session, stretch, began=began, settings=settings.uncertainty)
    labels = ("stretch", [one.label for one in stretches])
    return regions.assign(told).assign(budget).assign(maps).assign_coords(stretch=labels)


def find_stretches(session: xr.Dataset, settings: SettlingSettings) -> list[Stretch]:
    """Return what events split the recording into: from power-on on, or from its start where none is seen.

    Every event begins a stretch but those whose label has a word of `NO_CHANGE`.
    """
    elapsed, onset = session["elapsed"].to_numpy(), float(session["power_on"])
    first, label = (onset, "power on") if np.isfinite(onset) else (float(elapsed[0]), "start")
    events: list[tuple[float, str]] = []
    if "event" in session.dims and settings.final_of != "whole recording":
        pairs = zip(session["event_elapsed"].to_numpy(), session["event"].to_numpy(), strict=True)
        events = [(float(time), str(text)) for time, text in pairs if not NO_CHANGE & set(str(text).lower().split())]
    return split(events, first=first, end=float(elapsed[-1]), label=label)


@dataclass(frozen=True)
class _Way:
    """What all regions' ways have in common."""

    elapsed: Array
    onset: float
    ambient: Array
    seconds: float

    @classmethod
    def of(cls, session: xr.Dataset, regions: xr.Dataset, *, seconds: float) -> "_Way":
        return cls(
            regions["elapsed"].to_numpy(),
            float(session["power_on"]),
            session["ambient"].to_numpy().astype(np.float64),
            seconds,
        )

    def until(self, rise: Array, stretch: Stretch) -> Array:
        """Return a rise without what comes after a stretch."""
        return np.where(self.elapsed <= stretch.end, rise, np.nan)

    def find(self, rise: Array, stretches: Sequence[Stretch], at: int, *, constant: float = np.nan) -> Found:
        """Fit a region's way through a stretch, over the ambient that it feels through its own lag.

        The ambient's drift passes a part's slowest time constant, which the fit tells: both are found in turns. How
        well the time constant is known, and whether it is that of the whole rise, is in the uncertainty.
        """
        plain = self._fit(rise, stretches, at)
        drifts = np.isfinite(self.ambient).all() and np.ptp(self.ambient) > 0
        constant = constant if np.isfinite(constant) else plain.time_constant
        if not drifts or not np.isfinite(constant):
            return Found(plain, 0.0 if not drifts else np.nan)
        late = self._last(stretches[at])
        found, lag = plain, np.nan
        for _ in range(LAG_PASSES):
            behind = self.ambient - lagged(self.ambient, elapsed=self.elapsed, constants=np.array([constant]))[0]
            lag = float(behind[late].mean())
            if np.ptp(behind) < SMALL * plain.uncertainty:  # a change of level alone
                found = replace(plain, final=plain.final + lag, last=plain.last + lag)
                break
            found = self._fit(rise + behind, stretches, at)
            if not np.isfinite(found.time_constant) or abs(found.time_constant / constant - 1) < SAME:
                break
            constant = found.time_constant
        unsure = np.nan_to_num(abs(found.final - plain.final) * _share_unknown(found))
        return _with_lag(Found(found, lag, float(unsure), behind), found)

    def together(self, rises: Array, found: Sequence[Found], stretch: Stretch) -> list[Found]:
        """Replace fits of the heating after power-on by those with time constants that all regions share, if any."""
        if not np.isfinite(self.onset):
            return list(found)
        felt = (
            np.stack([self.until(row, stretch) + one.behind for row, one in zip(rises, found, strict=True)])
            if len(found)
            else rises
        )
        shared = fit_together(felt, elapsed=self.elapsed, onset=self.onset)
        return [
            one if settling is None else _with_lag(one, settling) for one, settling in zip(found, shared, strict=True)
        ]

    def _last(self, stretch: Stretch) -> Array:
        """Mark the last readings of a stretch."""
        return (self.elapsed > stretch.end - LATE * (stretch.end - stretch.start)) & (self.elapsed <= stretch.end)

    def _fit(self, rise: Array, stretches: Sequence[Stretch], at: int) -> Settling:
        stretch = stretches[at]
        if at > 0:
            return as_on_a_board(fit_step(rise, elapsed=self.elapsed, stretch=stretch, since=stretches[at - 1].start))
        if np.isfinite(self.onset):
            return as_on_a_board(fit_settling(self.until(rise, stretch), elapsed=self.elapsed, onset=self.onset))
        within = self.elapsed <= stretch.end
        return last_reading(rise[within], self.elapsed[within], seconds=self.seconds)


def _with_lag(found: Found, settling: Settling) -> Found:
    """Return a region's way by a settling of the rise that its lag was added to."""
    return replace(found, settling=replace(settling, uncertainty=float(np.hypot(settling.uncertainty, found.unsure))))


def _share_unknown(row: Settling) -> float:
    """Return the standard uncertainty of what lag is taken off, as a share of it: it grows with the time constant.

    Of two exponentials the slower counts, for an ambient moves the board as well; the mean over the rise bounds it.
    """
    if not row.constants:
        return 1.0
    constants, amplitudes = np.array(row.constants), np.abs(row.amplitudes)
    own = float(np.array(row.spreads)[constants.argmax()]) / row.time_constant
    mean = float(amplitudes @ constants / amplitudes.sum()) if amplitudes.sum() > 0 else row.time_constant
    return min(float(np.hypot(own, (1 - mean / row.time_constant) / np.sqrt(3))), 1.0)


def _stretch_variables(
    session: xr.Dataset,
    regions: xr.Dataset,
    stretches: Sequence[Stretch],
    *,
    means: Sequence[Sequence[Found]],
    settings: SettlingSettings,
) -> dict[str, Any]:
    """Return the final value of each region in each stretch (region, stretch), and what goes with it."""
    dims = ("region", "stretch")
    rows = [[one.settling for one in found] for found in means]

    def column(name: str) -> Array:
        return np.array([[getattr(row, name) for row in found] for found in rows]).T

    final, fit = column("final"), column("uncertainty")
    known = [
        _level_uncertainty(session, regions, final[:, at], end=one.end, settings=settings)
        for at, one in enumerate(stretches)
    ]
    total, own = (np.stack(parts, axis=1) for parts in zip(*known, strict=True))
    steady = [
        _steady(regions, found, stretch=one, settings=settings) for found, one in zip(rows, stretches, strict=True)
    ]
    status = [[STEADY_STATUS.index(row.status) for row in found] for found in rows]
    return {
        "stretch_start": ("stretch", np.array([one.start for one in stretches])),
        "stretch_end": ("stretch", np.array([one.end for one in stretches])),
        "stretch_rise": (dims, final),
        "stretch_rise_uncertainty": (dims, np.hypot(total, fit)),
        "stretch_rise_own": (dims, np.hypot(own, fit)),
        "stretch_time_constant": (dims, column("time_constant")),
        "stretch_remaining": (dims, column("remaining")),
        "stretch_steady": (dims, np.stack(steady, axis=1)),
        "stretch_status": (dims, np.array(status, dtype=np.int8).T),
    }


def _level_uncertainty(
    session: xr.Dataset, regions: xr.Dataset, final: Array, *, end: float, settings: SettlingSettings
) -> tuple[Array, Array]:
    """Return the standard uncertainty of regions' final rises without that of the fit, and a run's own part of it."""
    last = int(np.flatnonzero(session["elapsed"].to_numpy() <= end)[-1])
    level = (regions["temperature_mean"] - regions["rise_mean"]).isel(time=last) + final
    total, own = rise_uncertainty(
        session.isel(time=[last]),
        temperature=level.expand_dims(time=1).transpose("region", "time"),
        emissivity=regions["region_emissivity"],
        settings=settings.uncertainty,
        pixels=regions["pixels"],
        emissivity_uncertainty=regions["region_emissivity_uncertainty"],
        spot_bias=regions["spot_bias_mean"],
    )
    return total.to_numpy()[:, 0], own.to_numpy()[:, 0]


def _steady(regions: xr.Dataset, rows: Sequence[Settling], *, stretch: Stretch, settings: SettlingSettings) -> Array:
    if settings.settling == "remaining rise":
        return settled(rows, least=settings.steady_K, share=settings.steady_share)
    within = regions["elapsed"].to_numpy() <= stretch.end
    return settled_by_rate(
        regions["rise_mean"].to_numpy()[:, within],
        elapsed=regions["elapsed"].to_numpy()[within],
        start=stretch.start,
        name=settings.settling,
        average=settings.final_s,
    )


def _room(regions: xr.Dataset) -> Array:
    return np.asarray(regions["region_limit"].to_numpy() - last_ambient(regions))
