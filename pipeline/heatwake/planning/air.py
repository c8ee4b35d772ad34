"""Air through the planned box: how warm it leaves, what a factor may do, where to put sensors."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from heatwake.kernels.fan_air import covered_flow, exhaust_rise, fan_life, rise_factors, thinner_air
from heatwake.planning.parts import ExpectedPart
from heatwake.schema.plan import Plan, PlannedFactor
from heatwake.schema.session import Opening

WIDTHS_OUTSIDE: Final = 1.5  # of an opening, that its sensor stands away from it: 1 to 2 (common practice, no source)
BARELY: Final = 0.5  # share of the vents from which covering them is plain to see
FULL: Final = 0.98  # covered: what is left leaks


@dataclass(frozen=True)
class Sensor:
    """A place for an ambient sensor: on the drawing [mm], NaN where it is not beside the board."""

    name: str
    x: float
    y: float
    why: str


@dataclass(frozen=True)
class FactorForecast:
    """What a factor is expected to do.

    Attributes
    ----------
    name : str
    low, high : float
        Size of the difference in the part that feels it most [K]; NaN where nothing is known.
    source : str
        Where that is from.
    signs : tuple of str
        What is expected to go which way.
    """

    name: str
    low: float
    high: float
    source: str
    signs: tuple[str, ...]


@dataclass(frozen=True)
class PlannedAirflow:
    """The air.

    Attributes
    ----------
    power : float
        Of all parts [W].
    exhaust_drawn, exhaust_blown : float
        Mixed rise of the leaving air [K]; blown with the fan's own heat. NaN without a flow.
    inside_rise : float
        Of the air under the film, taken as the exhaust's.
    sensors : tuple of Sensor
    factors : tuple of FactorForecast
    """

    power: float
    exhaust_drawn: float
    exhaust_blown: float
    inside_rise: float
    sensors: tuple[Sensor, ...]
    factors: tuple[FactorForecast, ...]


def planned_airflow(plan: Plan, parts: Sequence[ExpectedPart]) -> PlannedAirflow:
    """Return what is expected of the air."""
    power = float(np.nansum([part.power for part in parts]))
    drawn = blown = math.nan
    flow, ambient = plan.air.flow_L_s, plan.ambient.degC
    if flow is not None and power > 0:
        mass = thinner_air(exhaust_rise(power, flow=flow, ambient=ambient), ambient=ambient)
        blown = exhaust_rise(power + (plan.air.fan_power_W or 0.0), flow=flow, ambient=ambient)
        drawn = exhaust_rise(power, flow=flow, ambient=ambient) / mass
    inside = max((rise for rise in (drawn, blown) if math.isfinite(rise)), default=math.nan)
    return PlannedAirflow(
        power=power,
        exhaust_drawn=drawn,
        exhaust_blown=blown,
        inside_rise=inside,
        sensors=_sensors(plan),
        factors=tuple(_forecast(plan, one, parts, drawn=drawn, blown=blown) for one in plan.factors),
    )


def _sensors(plan: Plan) -> tuple[Sensor, ...]:
    beside = [_outside(plan, one) for one in plan.openings]
    if not beside:
        beside = [Sensor("inlet", math.nan, math.nan, "beside every opening that air may enter by")]
    if plan.film is not None:
        beside.append(Sensor("camera side of the film", math.nan, math.nan, "what the film mirrors and radiates to"))
    return (
        *beside,
        Sensor("camera body", math.nan, math.nan, "shows whether the camera has warmed up, or is blown at"),
    )


def _outside(plan: Plan, opening: Opening) -> Sensor:
    """Return a sensor's place outside an opening, along the normal of the edge that it is nearest to."""
    ends = np.array([opening.from_mm, opening.to_mm], dtype=float)
    middle, wide = ends.mean(axis=0), max(float(np.hypot(*(ends[1] - ends[0]))), 1.0)
    width, height = plan.board.width_mm, plan.board.height_mm
    reach = {(-1, 0): middle[0], (1, 0): width - middle[0], (0, -1): middle[1], (0, 1): height - middle[1]}
    out = np.array(min(reach, key=lambda side: abs(reach[side])))
    x, y = middle + out * WIDTHS_OUTSIDE * wide
    why = f"{WIDTHS_OUTSIDE * wide:.0f} mm outside"
    return Sensor(opening.name, float(x), float(y), why)


def _forecast(
    plan: Plan, factor: PlannedFactor, parts: Sequence[ExpectedPart], *, drawn: float, blown: float
) -> FactorForecast:
    hottest = max((part.rise for part in parts if math.isfinite(part.rise)), default=math.nan)
    kinds = {one.name: one.kind for one in plan.openings}
    kind = kinds.get(factor.opening or "", "")
    low = high = math.nan
    source = "nothing is known beforehand"
    signs: tuple[str, ...] = ()
    if kind == "vent" and set(factor.levels) == {"open", "covered"}:
        low, high, source = _covering(plan, factor, hottest)
        signs = ("parts near a vent that stays open get cooler, those behind the covered one warmer: both signs",)
    elif factor.acts_on == "load":
        shares = [float(level) for level in factor.levels]
        low = high = hottest * (max(shares) - min(shares))
        source = "the rise goes with the power"
    elif factor.acts_on == "fan flow":
        ends = rise_factors(min(map(float, factor.levels)) / max(map(float, factor.levels)))
        low, high = (hottest * (one - 1) for one in ends)
        source = "the rise goes with the flow to the power −0.5 to −0.8"
    elif kind == "fan" and {"in", "out"} <= set(factor.levels):
        source, signs = _turning(plan, drawn=drawn, blown=blown)
    if factor.expected_K is not None:
        low = high = factor.expected_K
        source = "as the plan states"
    return FactorForecast(factor.name, low, high, source, signs)


def _covering(plan: Plan, factor: PlannedFactor, hottest: float) -> tuple[float, float, str]:
    lengths = {
        one.name: math.hypot(one.to_mm[0] - one.from_mm[0], one.to_mm[1] - one.from_mm[1])
        for one in plan.openings
        if one.kind == "vent"
    }
    share = min(lengths[factor.opening or ""] / max(sum(lengths.values()), 1e-9), FULL)
    ratio = covered_flow(share, vents=plan.air.vent_resistance_share)
    low, high = rise_factors(ratio)
    words = f"covers {share:.0%} of the vents: flow × {ratio:.2f}, rises × {low:.2f} to {high:.2f} on the whole"
    if share < BARELY:
        words += "; less than half of the vents is hard to see"
    return hottest * (low - 1), hottest * (high - 1), words


def _turning(plan: Plan, *, drawn: float, blown: float) -> tuple[str, tuple[str, ...]]:
    source = "distribution decides, which no rule of thumb tells"
    if math.isfinite(drawn):
        life = fan_life(drawn)
        source = (
            f"the air leaves {drawn:.1f} K warmer drawn (thinner air), {blown:.1f} K blown (with the fan's own heat): "
        )
        source += (
            f"neither decides, distribution does; drawn, the fan runs in warm air and lives {life:.2f} times as long"
        )
    return source, (
        "blown: parts within one or two fan diameters cooler, a hot spot behind the hub, the fan itself cooler",
        "drawn: parts at the far vents cooler, for fresh air reaches them first; distribution more even",
        "wakes of parts far from the fan change sides; near the fan the two are no mirror images",
    )
