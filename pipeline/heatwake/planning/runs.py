"""Runs in their order, and what they can show."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np

from heatwake.kernels.design import Factor, make_design
from heatwake.kernels.run_power import half_width, least_difference, mirrored_order, random_blocks, takes_for
from heatwake.planning.air import FactorForecast
from heatwake.planning.certainty import PartCertainty
from heatwake.planning.earlier import EarlierRepeats
from heatwake.planning.view import PlannedView
from heatwake.schema.plan import Level, Plan
from heatwake.stages.pair import TRUSTED_FREEDOM

ASSUMED_FREEDOM: Final = math.inf  # of a spread that is assumed: it is then known, rightly or not


@dataclass(frozen=True)
class PlannedRun:
    """One recording to be made.

    Attributes
    ----------
    number : int
        From 1, in order.
    name : str
        Of its folder.
    levels : mapping of str to level
    replicate, block : int
        Which take of its set-up, and where.
    """

    number: int
    name: str
    levels: dict[str, Level]
    replicate: int
    block: int


@dataclass(frozen=True)
class FactorPower:
    """What the planned runs can show of a factor, in the part of largest spread.

    Attributes
    ----------
    name : str
    takes : float
        Runs at each level.
    freedom : float
        Degrees of freedom of the spread.
    shown : float
        Smallest difference that they show, the spread found from them (and earlier ones) [K]; NaN where they leave no
        degree of freedom.
    shown_if_known : float
        The same if the spread is what was assumed or known.
    half_width : float
        Of the 95 % interval [K].
    needed, needed_if_known : int or None
        Runs at each level for the smallest difference that matters.
    forecast : FactorForecast
    verdict : str
    """

    name: str
    takes: float
    freedom: float
    shown: float
    shown_if_known: float
    half_width: float
    needed: int | None
    needed_if_known: int | None
    forecast: FactorForecast
    verdict: str


@dataclass(frozen=True)
class PlannedRuns:
    """All runs.

    Attributes
    ----------
    runs : tuple of PlannedRun
    order : str
        How it came about.
    seed : int or None
        Of a random order.
    spread, spread_part : float and str
        Largest standard deviation of one run [K], and whose; of parts that are resolved.
    spread_source : str
    factors : tuple of FactorPower
    earlier : EarlierRepeats or None
        What the laboratory's record tells of it; None where the plan names none.
    """

    runs: tuple[PlannedRun, ...]
    order: str
    seed: int | None
    spread: float
    spread_part: str
    spread_source: str
    factors: tuple[FactorPower, ...]
    earlier: EarlierRepeats | None = None


def planned_runs(plan: Plan) -> tuple[tuple[PlannedRun, ...], str, int | None]:
    """Return the runs in their order, how that came about, and the seed of a random one.

    Two set-ups taken an even number of times go A-B-B-A, which takes out steady drift; more go in blocks that each hold
    every set-up once, at random.
    """
    names = [factor.name for factor in plan.factors]
    set_ups = [dict(zip(names, chosen, strict=True)) for chosen in product(*(one.levels for one in plan.factors))]
    takes, seed = plan.runs.replicates, plan.runs.seed
    mirrored = len(set_ups) == 2 and takes % 2 == 0 and plan.runs.order == "auto"
    rng = np.random.default_rng(seed)
    order: list[tuple[int, int]] = []
    for block in range(1, plan.runs.blocks + 1):
        rounds = [mirrored_order(takes)] if mirrored else random_blocks(len(set_ups), blocks=takes, rng=rng)
        order += [(block, chosen) for one in rounds for chosen in one]
    taken = [0] * len(set_ups)
    runs, digits = [], len(str(len(order)))
    for number, (block, chosen) in enumerate(order, start=1):
        taken[chosen] += 1
        name = f"{number:0{max(digits, 2)}d}_{_label(set_ups[chosen])}"
        runs.append(PlannedRun(number, name, set_ups[chosen], taken[chosen], block))
    if len(set_ups) == 1:
        return tuple(runs), "one set-up, repeated", None
    if mirrored:
        return tuple(runs), "A-B-B-A: steady drift of camera and room drops out of the difference", None
    return tuple(runs), "at random, each round holding every set-up once", seed


def _label(levels: dict[str, Level]) -> str:
    """Return levels as part of a folder's name."""
    text = "_".join(
        f"{key}_{value}".lower() if isinstance(value, bool) else f"{key}_{value}" for key, value in levels.items()
    )
    return re.sub(r"[^A-Za-z0-9._-]+", "-", text).strip("-")[:80] or "run"


def what_they_show(
    plan: Plan,
    certainties: Sequence[PartCertainty],
    *,
    view: PlannedView,
    forecasts: Sequence[FactorForecast],
    earlier: EarlierRepeats | None = None,
) -> PlannedRuns:
    """Return the runs with what they can show of each factor."""
    runs, order, seed = planned_runs(plan)
    seen = {one.name: one.resolved for one in view.parts}
    known = [one for one in certainties if math.isfinite(one.run_spread)]
    resolved = [one for one in known if seen[one.name] == "measured"] or known
    worst = max(resolved, key=lambda one: one.run_spread, default=None)
    spread = worst.run_spread if worst else math.nan
    before = earlier.counted if earlier is not None else plan.runs.repeatability_freedom or 0.0
    powers = tuple(_power(plan, runs, forecast, spread=spread, before=before) for forecast in forecasts)
    source = _spread_source(plan, earlier)
    return PlannedRuns(runs, order, seed, spread, worst.name if worst else "", source, powers, earlier)


def _spread_source(plan: Plan, earlier: EarlierRepeats | None) -> str:
    refitted = plan.film is not None and plan.film.refitted
    if plan.runs.repeatability_K is not None:
        return f"found in earlier runs, {plan.runs.repeatability_freedom:g} degrees of freedom"
    if earlier is not None and earlier.is_told:
        few = "" if earlier.is_trusted else f"; fewer than {TRUSTED_FREEDOM:g}: no less than is otherwise assumed"
        anew = "; and a film laid on anew" if refitted and not earlier.refitted else ""
        return f"{earlier.words}{few}{anew}"
    why = "assumed" if earlier is None else f"assumed, for {earlier.words}"
    anew = ", and a film laid on anew" if refitted else ""
    return f"{why}: offset 0.2, ambient 0.1, placement 0.1, settling 0.1 K, and the power's half-width{anew}"


def error_freedom(plan: Plan, runs: Sequence[PlannedRun]) -> int:
    """Return what runs leave to tell their spread by: runs less mean, blocks, main effects and pairs of factors.

    Where pairs take all of it, without them: interactions are then taken to be none.
    """
    factors = [Factor(one.name, one.levels) for one in plan.factors]
    levels = [run.levels for run in runs]
    for order in (2, 1):
        design = make_design(levels, factors, blocks=[run.block for run in runs], order=order)
        if design is not None and design.freedom > 0:
            return design.freedom
    return 0


def _power(
    plan: Plan, runs: Sequence[PlannedRun], forecast: FactorForecast, *, spread: float, before: float
) -> FactorPower:
    factor = next(one for one in plan.factors if one.name == forecast.name)
    takes, wanted = len(runs) / len(factor.levels), plan.runs.smallest_difference_K
    freedom = error_freedom(plan, runs) + before
    chance = plan.runs.chance
    if math.isnan(spread):
        return FactorPower(
            forecast.name,
            takes,
            freedom,
            math.nan,
            math.nan,
            math.nan,
            None,
            None,
            forecast,
            "no rise is expected of any part",
        )
    shown = least_difference(takes, spread=spread, freedom=freedom, chance=chance)
    if_known = least_difference(takes, spread=spread, freedom=ASSUMED_FREEDOM, chance=chance)
    needed = takes_for(wanted, spread=spread, beforehand=before, chance=chance)
    needed_known = takes_for(wanted, spread=spread, beforehand=ASSUMED_FREEDOM, chance=chance)
    return FactorPower(
        name=forecast.name,
        takes=takes,
        freedom=freedom,
        shown=shown,
        shown_if_known=if_known,
        half_width=half_width(takes, spread=spread, freedom=freedom),
        needed=needed,
        needed_if_known=needed_known,
        forecast=forecast,
        verdict=_verdict(len(runs), shown, wanted, forecast),
    )


def _verdict(runs: int, shown: float, wanted: float, forecast: FactorForecast) -> str:
    if math.isnan(shown):
        return f"{runs} runs leave nothing to tell their spread by: nothing shows unless it is known beforehand"
    can = (
        f"{runs} runs can show {wanted:g} K"
        if shown <= wanted
        else f"{runs} runs cannot show {wanted:g} K, only {shown:.1f} K"
    )
    if not math.isfinite(forecast.high):
        return f"{can}; nothing tells beforehand how large the effect is"
    size = (
        f"{forecast.low:.1f}" if forecast.high - forecast.low < 0.05 else f"{forecast.low:.1f} to {forecast.high:.1f}"
    )
    if forecast.low >= shown:
        return f"{can}; the effect expected, {size} K, will show"
    return f"{can}; the effect expected, {size} K, " + ("may show" if forecast.high >= shown else "will not show")


def rounds_needed(plan: Plan, needed: int) -> int:
    """Return how many takes of each combination give so many runs at each level of the factor with most levels."""
    combinations = math.prod(len(one.levels) for one in plan.factors)
    most = max((len(one.levels) for one in plan.factors), default=1)
    return math.ceil(needed * most / max(combinations, 1))
