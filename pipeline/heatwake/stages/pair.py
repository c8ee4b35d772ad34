"""A session beside the reference, and what brings the two to one condition."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import Field, NonNegativeFloat, PositiveFloat

from heatwake.kernels.repeats import Repeatability, coverage_factor
from heatwake.schema.settings import Settings
from heatwake.stages.flow import FlowSettings
from heatwake.stages.matched import has_event, onset, power_factor
from heatwake.stages.regions import RegionsSettings
from heatwake.stages.set_ups import FILM_FITTING, conditions
from heatwake.stages.uncertainty import TemperatureSettings

Array = npt.NDArray[Any]

TRUSTED_FREEDOM: Final = 4.0  # fewer degrees of freedom of repeats: no less than the budget counts


class ExperimentSettings(Settings):
    """Which conditions are factors, and what counts as an effect."""

    factors: tuple[str, ...] = ()  # by default all conditions that differ, but for replicate, block and film_fitting
    interaction_order: int = Field(default=2, ge=1, le=4)  # of how many factors an interaction may be
    false_discovery_rate: float = Field(default=0.05, gt=0, lt=1)  # of effects of regions
    map_false_discovery_rate: float = Field(default=0.01, gt=0, lt=1)  # of pixels


class ComparisonSettings(Settings):
    """What counts as a difference."""

    final_s: PositiveFloat = 30.0  # [s] both maps are averaged over the last so long of the shorter recording
    event: str = ""  # label of an event of both sessions from which time counts; by default power-on
    false_discovery_rate: float = Field(default=0.01, gt=0, lt=1)  # of pixels
    region_false_discovery_rate: float = Field(default=0.05, gt=0, lt=1)
    least_cluster_px: int = Field(default=9, ge=1)  # and three times the pixels that share one piece of noise
    placement_px: float = Field(default=0.5, ge=0)  # of a pixel between sessions that nothing aligned; uncertainty
    aligned_px: float = Field(default=0.05, ge=0)  # of a pixel between sessions aligned by their print, at least
    farthest_px: PositiveFloat = 4.0  # rms over the board; maps farther apart are not moved: no error of a click
    local_K: NonNegativeFloat = 0.05  # own to a place in one run: shading of the camera; measured on repeats
    compensate_power: bool = True  # where both powers are given, rises are brought to the reference's
    power_share: NonNegativeFloat = 0.001  # a meter's repeatability, not its accuracy (common practice, no source)
    refit_share: NonNegativeFloat = 0.0092  # of the rise, by a film laid on anew: transmittance 0.01 of 0.89 uncertain
    slope_s: PositiveFloat = 20.0  # from power-on, in which power is read off the first warming
    least_difference_K: PositiveFloat = 1.0  # the smallest that matters: how many takes it needs is told
    experiment: ExperimentSettings = ExperimentSettings()  # set by the workflow's [experiment] table
    flow: FlowSettings = FlowSettings()  # set by the workflow's [flow] table
    regions: RegionsSettings = RegionsSettings()  # set by the workflow's [regions] table
    uncertainty: TemperatureSettings = TemperatureSettings()  # set by the workflow's [temperature] table


@dataclass(frozen=True)
class Pair:
    """A session and the reference, and what brings them to one condition."""

    session: xr.Dataset
    base: xr.Dataset
    onsets: tuple[float, float]
    end: float
    factor: float
    repeats: Repeatability | None

    @property
    def trusts_repeats(self) -> bool:
        """Whether repeats are enough to stand for what is assumed of ambient sensor and camera."""
        return self.repeats is not None and self.repeats.freedom >= TRUSTED_FREEDOM

    @property
    def tells_refits(self) -> bool:
        """Whether repeats are enough to stand for what is assumed of a film that is laid on anew."""
        return self.trusts_repeats and self.repeats is not None and self.repeats.refitted

    def at_least(self, uncertainty: Array, rise: Array, *, constant: bool = True) -> tuple[Array, Array]:
        """Return the uncertainties of differences, but no less than repeats differ by, and their degrees of freedom.

        Those are the repeats' where these decide; what the budget holds is taken as known.
        """
        if self.repeats is None:
            return uncertainty, np.full_like(uncertainty, np.inf)
        spread = np.sqrt(2) * (self.repeats.spread(rise) if constant else self.repeats.share * np.abs(rise))
        decides = ~(uncertainty >= spread)
        return np.fmax(uncertainty, spread), np.where(decides, self.repeats.freedom, np.inf)


def reach(freedom: Array) -> Array:
    """Return half of a 95 % interval, in standard uncertainties."""
    return np.array([coverage_factor(float(one)) for one in freedom])


def pair_of(session: xr.Dataset, base: xr.Dataset, settings: ComparisonSettings, repeats: Repeatability | None) -> Pair:
    """Return a session beside the reference."""
    event = settings.event if all(has_event(one, settings.event) for one in (session, base)) else ""
    onsets = (onset(session, event=event), onset(base, event=event))
    end = min(float(one["elapsed"][-1]) - start for one, start in zip((session, base), onsets, strict=True))
    factor = power_factor(session, base) if settings.compensate_power else 1.0
    return Pair(session, base, onsets, end, factor, repeats)


def scaled_share(pair: Pair, settings: ComparisonSettings) -> float:
    """Return what of a difference goes with the rise, as a share: power, film laid on anew or measured anew.

    A film's transmittance that both runs take from one measurement drops out. What takes with the film laid on anew
    differ by replaces what is assumed of it.
    """
    terms = [np.sqrt(2) * settings.power_share]
    fitting = [conditions(one).get(FILM_FITTING) for one in (pair.session, pair.base)]
    if fitting[0] != fitting[1] and not pair.tells_refits:
        terms.append(np.sqrt(2) * settings.refit_share)
    if all("transmittance" in one for one in (pair.session, pair.base)):
        values = [float(one["transmittance"]) for one in (pair.session, pair.base)]
        if not np.isclose(values[0], values[1], rtol=1e-6):
            spread = [float(one["transmittance_uncertainty"]) for one in (pair.session, pair.base)]
            terms.append(float(np.hypot(spread[0] / values[0], spread[1] / values[1])))
    return float(np.sqrt(np.square(terms).sum()))
