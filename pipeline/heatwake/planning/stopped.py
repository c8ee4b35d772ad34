"""What the item is expected to do with its fan stopped: how hot, past which limits, and how soon."""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from heatwake.kernels.still_box import StillBox, soonest, stopped_rises
from heatwake.planning.air import FactorForecast
from heatwake.planning.lid import PlannedLid, film_over, hottest_under
from heatwake.planning.parts import ExpectedPart
from heatwake.schema.plan import Plan, PlannedFactor
from heatwake.schema.surfaces import resolve_emissivity

SEED: Final = 7  # of the trials: the same plan gives the same sheet
OPEN_GAP_MM: Final = 25.0  # height of the air where neither film nor channel is stated
MOST_NAMED: Final = 4
STEPS: Final = 20  # of the power, that a share without a passed limit is sought in

Array = npt.NDArray[Any]
Verdict = Literal["stays below", "may pass", "passes", "not told"]


@dataclass(frozen=True)
class StoppedPart:
    """A part with the fan stopped.

    Attributes
    ----------
    name : str
    low, high : float
        Its settled rise: 95 % of trials lie between [K].
    film_low, film_high : float
        The film over it then [degC]; NaN without one.
    limit : float
        Rise at which it, or the film over it, reaches a limit in this room [K]; NaN where none is known.
    of : str
        Whose limit that is.
    has_limit : bool
        Whether its own is known.
    verdict : str
        Whether it is expected to pass it.
    cold, settled : float
        No sooner than so long after power-on of a cold item, and after the fan of a settled one stops [s]; NaN where
        it stays below or its time constant is not known.
    """

    name: str
    low: float
    high: float
    film_low: float
    film_high: float
    limit: float
    of: str
    has_limit: bool
    verdict: Verdict
    cold: float
    settled: float


@dataclass(frozen=True)
class PlannedStop:
    """The item with its fan stopped, at the power stated.

    Attributes
    ----------
    is_planned : bool
        Whether runs with the fan off are planned.
    lacking : str
        What the plan has to state for it; empty where nothing lacks.
    parts : tuple of StoppedPart
    untimed : tuple of str
        Parts that may pass a limit, nobody knows when.
    cold, settled : float
        Longest that it may last, as in `StoppedPart`, by the first part [s]; infinite where all limits hold, NaN where
        it cannot be told or no limit is known.
    gain : (float, float)
        What each part's settled rise gains: 95 % of trials lie between [K].
    share : float
        Of the power at which all are expected to stay below; 1 where they do, NaN where none is found.
    """

    is_planned: bool
    lacking: str
    parts: tuple[StoppedPart, ...] = ()
    untimed: tuple[str, ...] = ()
    cold: float = math.nan
    settled: float = math.nan
    gain: tuple[float, float] = (math.nan, math.nan)
    share: float = math.nan

    @property
    def passing(self) -> list[StoppedPart]:
        """Parts that pass a limit or may, the first one first."""
        found = [one for one in self.parts if one.verdict in ("may pass", "passes")]
        return sorted(found, key=lambda one: (math.isnan(one.cold), one.cold))

    @property
    def words(self) -> str:
        """What is expected, in a line."""
        if self.lacking:
            return f"not foreseen, for the plan does not state {self.lacking}"
        known = [one for one in self.parts if math.isfinite(one.high)]
        hottest = max(known, key=lambda one: one.high)
        range_ = f"{hottest.name} settles {hottest.low:.0f} to {hottest.high:.0f} K above the room (95 %, first order)"
        if not self.passing:
            known_hold = "all limits hold" if all(one.has_limit for one in known) else "the limits that are known hold"
            return f"{range_}; {'no limit is known' if math.isnan(self.cold) else known_hold}"
        return f"{self.passed}, {self.when}; {range_}"

    @property
    def passed(self) -> str:
        """Whose limits may be passed, those of the first ones by name."""
        named = [one.name if one.of == one.name else f"{one.of} over {one.name}" for one in self.passing]
        more = f" and {len(named) - MOST_NAMED} more" if len(named) > MOST_NAMED else ""
        return f"{', '.join(named[:MOST_NAMED])}{more} may pass a limit"

    @property
    def when(self) -> str:
        """No sooner than when."""
        if self.untimed:
            return f"nobody knows when: state time_constant_s of {', '.join(self.untimed[:MOST_NAMED])}"
        after = f"{math.floor(self.settled)} s after the fan stops on a settled item"
        return f"no sooner than {math.floor(self.cold)} s after a cold power-on, or {after}"

    @property
    def hottest_film(self) -> tuple[float, float]:
        """The film where it gets hottest [degC]: low and high; NaN where that is not known."""
        known = [one for one in self.parts if math.isfinite(one.film_high)]
        hottest = max(known, key=lambda one: one.film_high, default=None)
        return (math.nan, math.nan) if hottest is None else (hottest.film_low, hottest.film_high)


def with_stop(plan: Plan, forecasts: Sequence[FactorForecast], stop: PlannedStop | None) -> tuple[FactorForecast, ...]:
    """Return what factors are expected to do, those that stop a fan by what parts gain, unless the plan states it."""
    if stop is None or math.isnan(stop.gain[1]):
        return tuple(forecasts)
    stopping = {one.name for one in plan.factors if _stops(plan, one) and one.expected_K is None}
    low, high = stop.gain
    source = "a stopped fan: heat balance of the shut box, first order"
    return tuple(
        replace(one, low=low, high=high, source=source if not one.signs else f"{source}; turned: {one.source}")
        if one.name in stopping
        else one
        for one in forecasts
    )


def _stops(plan: Plan, factor: PlannedFactor) -> bool:
    return "off" in factor.levels and any(one.kind == "fan" and one.name == factor.opening for one in plan.openings)


def planned_stop(plan: Plan, parts: Sequence[ExpectedPart], *, lid: PlannedLid | None) -> PlannedStop | None:
    """Return what is expected with the fan stopped; None where there is no fan."""
    if not any(one.kind == "fan" for one in plan.openings):
        return None
    is_planned = any(_stops(plan, one) for one in plan.factors)
    powerless = [part.name for part in parts if math.isnan(part.power)]
    if powerless:
        return PlannedStop(is_planned, f"the power of {', '.join(powerless[:6])}")
    rises = np.array([part.rise for part in parts])
    box = _box(plan, parts, lid)
    if not box.power > 0 or not np.isfinite(rises).any():
        return PlannedStop(is_planned, "powers and expected rises")
    low, high = stopped_rises(rises, box, rng=np.random.default_rng(SEED))
    found = tuple(
        _stopped(plan, part, lid, low=float(one), high=float(other))
        for part, one, other in zip(parts, low, high, strict=True)
    )
    passing = [one for one in found if one.verdict in ("may pass", "passes")]
    untimed = tuple(one.name for one in passing if math.isnan(one.cold))
    is_told = not untimed and any(one.verdict != "not told" for one in found)
    cold, settled = (
        min((getattr(one, name) for one in passing), default=math.inf) if is_told else math.nan
        for name in ("cold", "settled")
    )
    share = _share(rises, box, limits=np.array([one.limit for one in found]))
    gain = float(np.nanmin(low - rises)), float(np.nanmax(high - rises))
    return PlannedStop(is_planned, "", found, untimed, cold, settled, gain, share)


def _box(plan: Plan, parts: Sequence[ExpectedPart], lid: PlannedLid | None) -> StillBox:
    board, film = plan.board, plan.film
    areas = np.array([part.width * part.height for part in parts])
    bare = max(board.width_mm * board.height_mm - areas.sum(), 0.0)
    emissivities = np.array([part.emissivity for part in parts])
    plain, _ = resolve_emissivity(plan.surface.emissivity)
    return StillBox(
        power=float(sum(part.power for part in parts)),
        width=board.width_mm,
        height=board.height_mm,
        gap=film.height_mm if film else board.channel_mm or OPEN_GAP_MM,
        vents=sum(math.dist(one.from_mm, one.to_mm) for one in plan.openings if one.kind == "vent"),
        room=plan.ambient.degC,
        emissivity=float((areas @ emissivities + bare * plain) / (areas.sum() + bare)),
        film=None if lid is None else lid.transmittance,
        outer=plan.air.outer_exchange,
    )


def _stopped(plan: Plan, part: ExpectedPart, lid: PlannedLid | None, *, low: float, high: float) -> StoppedPart:
    room, clearance = plan.ambient.degC, math.nan
    film_low = film_high = bears = math.nan
    if lid is not None and plan.film is not None and math.isfinite(part.rise):
        clearance = plan.film.height_mm - part.tall
        film_low, film_high = (film_over(plan, room + rise, clearance=clearance) for rise in (low, high))
        bears = hottest_under(plan, clearance=clearance) - room
    own = part.limit - room
    limit, of = min(((own, part.name), (bears, "the film")), key=lambda one: (math.isnan(one[0]), one[0]))
    verdict: Verdict = "not told"
    if math.isfinite(part.rise) and not math.isnan(limit):
        verdict = "stays below" if high < limit else "passes" if low >= limit else "may pass"
    cold = settled = math.nan
    if verdict in ("may pass", "passes") and part.constant_source != "assumed":
        cold = soonest(limit, settled=part.rise, constant=part.constant)
        settled = soonest(limit, settled=part.rise, constant=part.constant, start=part.rise)
    has_limit = math.isfinite(own)
    return StoppedPart(part.name, low, high, film_low, film_high, limit, of, has_limit, verdict, cold, settled)


def _share(rises: Array, box: StillBox, *, limits: Array) -> float:
    """Return the largest share of the power at which no part may pass its limit; NaN where there is none."""

    def passes(step: int) -> bool:
        share = step / STEPS
        _, high = stopped_rises(share * rises, replace(box, power=share * box.power), rng=np.random.default_rng(SEED))
        return bool((high >= limits).any())

    held = bisect_left(range(1, STEPS + 1), x=True, key=passes)  # more power is never cooler
    return held / STEPS if held else math.nan
