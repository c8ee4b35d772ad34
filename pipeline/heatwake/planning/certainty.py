"""How well rises will be known, and what one run is expected to be off by."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from heatwake.kernels.budget import (
    OWN_TERMS,
    SHARED_TERMS,
    InputErrors,
    combine,
    contributions,
    rise_budget,
    temperature_budget,
)
from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import NO_FILM
from heatwake.kernels.run_power import run_spread
from heatwake.kernels.spot_size import share_of_part, spot_bias
from heatwake.planning.earlier import EarlierRepeats
from heatwake.planning.lid import PlannedLid, optics
from heatwake.planning.parts import ExpectedPart
from heatwake.planning.view import PlannedView
from heatwake.schema.plan import Plan
from heatwake.stages.regions import RegionsSettings
from heatwake.stages.uncertainty import TemperatureSettings

AVERAGED_S: Final = 60.0  # of frames behind a final value
AROUND_SHARE: Final = 0.5  # of its own rise, that a part's surroundings are taken to have (our own choice)
WORDS: Final = {
    "camera": "camera",
    "emissivity": "emissivity",
    "reflected": "reflections",
    "transmittance": "film transmittance",
    "film_temperature": "film temperature",
    "film_reflectance": "film reflectance",
    "air_transmittance": "air path",
    "spot_size": "small part",
    "ambient": "ambient sensor",
    "drift": "drift",
    "offset_steps": "shutter steps",
    "noise": "noise",
}


@dataclass(frozen=True)
class PartCertainty:
    """What is expected of a part's result; NaN where no rise is expected.

    Attributes
    ----------
    name : str
    uncertainty, shared, own : float
        Standard uncertainty of the rise [K]: the whole, what all runs have in common, what is each run's own.
    most : str
        What brings most.
    run_spread : float
        Standard deviation of one run [K].
    margin : float
        Limit less the temperature at the highest ambient [K]; NaN without either.
    """

    name: str
    uncertainty: float
    shared: float
    own: float
    most: str
    run_spread: float
    margin: float


def certainties(
    plan: Plan,
    parts: Sequence[ExpectedPart],
    *,
    view: PlannedView,
    lid: PlannedLid | None,
    earlier: EarlierRepeats | None = None,
) -> tuple[PartCertainty, ...]:
    """Return how well each part's rise will be known, by the budget that a run has, with its default settings."""
    by_name = {one.name: one for one in view.parts}
    return tuple(_certainty(plan, part, pixels=by_name[part.name].pixels, lid=lid, earlier=earlier) for part in parts)


def _certainty(
    plan: Plan, part: ExpectedPart, *, pixels: float, lid: PlannedLid | None, earlier: EarlierRepeats | None
) -> PartCertainty:
    room, limit, highest = plan.ambient.degC, part.limit, plan.ambient.max_degC
    margin = math.nan if highest is None else limit - highest - part.rise
    if not math.isfinite(part.rise):
        nan = math.nan
        return PartCertainty(part.name, nan, nan, nan, "", nan, margin)
    settings = TemperatureSettings()
    table = BandTable.for_band(*plan.camera.band_um)
    film = plan.film
    frames = AVERAGED_S * plan.camera.frame_rate_Hz * max(pixels, 1.0) ** 2
    lines = temperature_budget(
        room + part.rise,
        room,
        table=table,
        emissivity=part.emissivity,
        reflected=room,
        film=NO_FILM if film is None else optics(film),
        film_temperature=room if lid is None else lid.moving,
        errors=_errors(plan, part, settings, bias=_bias(part, pixels=pixels, room=room, table=table)),
        cold_ambient=room,
        frames=frames,
        cold_frames=plan.recording.cold_s * plan.camera.frame_rate_Hz * max(pixels, 1.0) ** 2,
    )
    terms = contributions(rise_budget(lines))
    refit = float(terms["transmittance"]) if film is not None and film.refitted else 0.0
    return PartCertainty(
        name=part.name,
        uncertainty=float(combine(terms)),
        shared=float(combine(terms, SHARED_TERMS)),
        own=float(combine(terms, OWN_TERMS)),
        most=WORDS[max(terms, key=lambda name: float(terms[name]))],
        run_spread=plan.runs.repeatability_K or _run_spread(plan, part.rise, refit=refit, earlier=earlier),
        margin=margin,
    )


def _run_spread(plan: Plan, rise: float, *, refit: float, earlier: EarlierRepeats | None) -> float:
    """Return what one run is expected to be off by [K]: by earlier ones, no less than assumed where those are few."""
    assumed = run_spread(rise, power=plan.runs.power_percent / 100, refitted=refit)
    if earlier is None or not earlier.is_told:
        return assumed
    found = earlier.spread(rise, refit=refit)
    return found if earlier.is_trusted else max(found, assumed)


def _errors(plan: Plan, part: ExpectedPart, settings: TemperatureSettings, *, bias: float) -> InputErrors:
    film, spread = plan.film, part.emissivity_uncertainty
    return InputErrors(
        transmittance=film.transmittance_uncertainty if film else 0.0,
        film_reflectance=settings.film_reflectance_uncertainty if film else 0.0,
        emissivity=settings.emissivity_uncertainty if math.isnan(spread) else spread,
        reflected=settings.reflected_uncertainty_K,
        film_temperature=settings.film_temperature_uncertainty_K if film else 0.0,
        ambient=settings.ambient_uncertainty_K,
        drift=settings.drift_uncertainty_K,
        accuracy=plan.camera.accuracy_K,
        accuracy_percent=plan.camera.accuracy_percent,
        netd=plan.camera.netd_mK * 1e-3,
        spot_bias=bias,
    )


def _bias(part: ExpectedPart, *, pixels: float, room: float, table: BandTable) -> float:
    """Return what a part is expected to read too low for being small [K], from its middle half."""
    half = pixels / 2
    places = np.linspace(-half / 2, half / 2, 9)
    share = share_of_part(places, half_width=half, spot=RegionsSettings().spot_px) ** 2
    around = room + AROUND_SHARE * part.rise
    bias = float(spot_bias(room + part.rise, around, share=share, table=table))
    return bias if math.isfinite(bias) else AROUND_SHARE * part.rise
