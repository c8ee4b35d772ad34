"""The simulated item of a plan, in the state of each of its runs."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from heatwake.errors import InputError
from heatwake.kernels.fan_air import flow_needed
from heatwake.planning.parts import ExpectedPart
from heatwake.planning.sheet import ASSUMED_INSIDE_K, PlannedTest
from heatwake.scene import Air, Ambient, Board, Film, Opening, Part, Scene, settle
from heatwake.schema.plan import Level, Plan
from heatwake.schema.session import Opening as PlannedOpening
from heatwake.stages.uncertainty import TemperatureSettings

Array = npt.NDArray[np.float64]

MOST_CELLS: Final = 5000  # of the board: a steady state takes a tenth of a second
CELLS_MM: Final = (0.5, 1.0, 1.25, 2.0, 2.5, 3.0, 4.0, 5.0, 8.0, 10.0, 20.0, 25.0)
LEAKS: Final = 0.1  # of a covered vent stays open
DENSE: Final = 5e-4  # [J/K/mm3] of a body, where neither power nor capacity is stated: half air, half solid
ROUNDS: Final = 6  # of tuning
WIDEST: Final = (0.2, 60.0)  # within which a part's area over its footprint is tuned
CLOSE: Final = 0.15  # of the expected rise that a tuned part may be off
POWER_ON_S: Final = 12.0


def item_of(plan: Plan, test: PlannedTest) -> tuple[Scene, tuple[str, ...]]:
    """Return the simulated item in its first set-up, cooled so that parts reach the rises expected; and what it is not.

    Parameters
    ----------
    plan : Plan
    test : PlannedTest

    Raises
    ------
    InputError
        The plan states no power, or no way for the air.
    """
    if not test.airflow.power > 0:
        raise InputError("parts.power_W", "missing", "must be given for a rehearsal")
    kinds = [one.kind for one in plan.openings]
    if "fan" not in kinds or "vent" not in kinds:
        raise InputError("openings", "without a fan and a vent", "must have one of each for a rehearsal")
    parts = tuple(_part(part) for part in test.parts)
    first = {factor.name: factor.levels[0] for factor in plan.factors}
    film, air = plan.film, plan.air
    scene = Scene(
        board=_board(plan),
        parts=parts,
        openings=tuple(_opening(plan, test, one) for one in plan.openings),
        air=Air(channel=plan.board.channel_mm or (film.height_mm if film else 25.0)),
        film=None
        if film is None or test.lid is None
        else Film(
            *(test.lid.transmittance, 1 - test.lid.transmittance - test.lid.reflectance, test.lid.reflectance),
            inner_exchange=air.inner_exchange,
            outer_exchange=air.outer_exchange,
        ),
        ambient=Ambient(start=plan.ambient.degC),
        power_on=POWER_ON_S,
    )
    tuned, remarks = _tuned(plan, test, scene, first)
    return _as_built(plan, test, tuned), remarks


def _as_built(plan: Plan, test: PlannedTest, scene: Scene) -> Scene:
    """Return the item with surfaces and film that differ from what is stated, as well as that is known."""
    rng, default = np.random.default_rng([plan.runs.seed, 0]), TemperatureSettings().emissivity_uncertainty
    spreads = [one.emissivity_uncertainty for one in test.parts]
    spreads = [default if math.isnan(one) else one for one in spreads]
    parts = tuple(
        replace(part, emissivity=float(np.clip(rng.normal(part.emissivity, spread), 0.02, 0.99)))
        for part, spread in zip(scene.parts, spreads, strict=True)
    )
    film = scene.film
    if film is not None and plan.film is not None:
        film = changed_film(film, rng.normal(0, plan.film.transmittance_uncertainty))
    return replace(scene, parts=parts, film=film)


def changed_film(film: Film, more: float) -> Film:
    """Return a film that lets so much more through and mirrors so much less."""
    shift = float(np.clip(more, film.reflectance - 1 + film.absorptance, film.reflectance))
    return replace(film, transmittance=film.transmittance + shift, reflectance=film.reflectance - shift)


def in_state(plan: Plan, scene: Scene, levels: Mapping[str, Level]) -> Scene:
    """Return the item with fans and vents as a run's levels say; what a factor without an opening does is not known."""
    factors = {factor.name: factor for factor in plan.factors}
    made = scene
    for name, level in levels.items():
        factor = factors[name]
        if factor.acts_on == "load":
            made = made.scaled(float(level))
        elif factor.acts_on == "fan flow":
            made = replace(made, openings=tuple(replace(one, flow=one.flow * float(level)) for one in made.openings))
        elif factor.opening is not None:
            made = _switched(made, factor.opening, level)
    return made


def _switched(scene: Scene, name: str, level: Level) -> Scene:
    def switched(one: Opening) -> Opening:
        if one.name != name:
            return one
        if one.kind == "fan":
            return replace(one, flow={"out": -1.0, "in": 1.0, "off": 0.0}[str(level)] * abs(one.flow))
        if level != "covered":
            return one
        start, end = np.array(one.start), np.array(one.end)
        left = start + max(LEAKS, _least_share(scene, one)) * (end - start)
        return replace(one, end=(float(left[0]), float(left[1])))

    return replace(scene, openings=tuple(switched(one) for one in scene.openings))


def _least_share(scene: Scene, opening: Opening) -> float:
    """Return the share of an opening that still holds a cell of the board."""
    length = math.dist(opening.start, opening.end)
    return min(1.5 * scene.board.cell / length, 1.0)


def _part(part: ExpectedPart) -> Part:
    body = part.width * part.height * max(part.tall, 1.0)
    power = part.power if math.isfinite(part.power) else 0.0
    known = power > 0 and math.isfinite(part.rise)
    return Part(
        *(part.name, part.x, part.y, part.width, part.height),
        tall=max(part.tall, 0.5),
        power=power,
        capacity=part.constant * power / part.rise if known else DENSE * body,
        sheet=0.06 if part.tall < 15 else 0.15,
        area_factor=1 + 2 * (part.width + part.height) * part.tall / (part.width * part.height),
        emissivity=part.emissivity,
        limit=part.limit,
    )


def _board(plan: Plan) -> Board:
    width, height = plan.board.width_mm, plan.board.height_mm
    fit = [one for one in CELLS_MM if width * height / one**2 <= MOST_CELLS and min(width, height) / one >= 8]
    if not fit:
        raise InputError("board", f"{width:g} x {height:g} mm", "must be less long and narrow for a rehearsal")
    cell = min(fit, key=lambda one: (abs(width / one % 1 - 0.5) < 0.499, abs(height / one % 1 - 0.5) < 0.499, one))
    across, up = (round(side / cell) * cell for side in (width, height))
    thickness, conductivity = plan.board.thickness_mm, plan.board.conductivity_W_mK
    return Board(across, up, cell, thickness=thickness or 1.6, conductivity=conductivity or 4.0)


def _opening(plan: Plan, test: PlannedTest, opening: PlannedOpening) -> Opening:
    """Return an opening on the edge that it is nearest to; fans share the flow and draw out."""
    board = _board(plan)
    ends = np.array([opening.from_mm, opening.to_mm], dtype=float)
    middle = ends.mean(axis=0)
    reach = {(0, 0.0): middle[0], (0, board.width): board.width - middle[0]}
    reach |= {(1, 0.0): middle[1], (1, board.height): board.height - middle[1]}
    axis, place = min(reach, key=lambda edge: abs(reach[edge]))
    ends[:, axis] = place
    ends[:, 1 - axis] = np.clip(ends[:, 1 - axis], 0, board.height if axis == 0 else board.width)
    if math.dist(*ends) < 2 * board.cell:
        found = f"{opening.name!r}, {math.dist(*ends):.1f} mm along its edge"
        raise InputError("openings", found, f"must be {2 * board.cell:g} mm long or more for a rehearsal")
    fans = sum(one.kind == "fan" for one in plan.openings)
    flow = plan.air.flow_L_s or flow_needed(test.airflow.power, rise=ASSUMED_INSIDE_K, ambient=plan.ambient.degC)
    signed = -flow * 1e-3 / fans if opening.kind == "fan" else 0.0
    (x0, y0), (x1, y1) = ends.tolist()
    return Opening(opening.name, opening.kind, (x0, y0), (x1, y1), flow=signed)


def _tuned(plan: Plan, test: PlannedTest, scene: Scene, first: Mapping[str, Level]) -> tuple[Scene, tuple[str, ...]]:
    """Return the scene with each part's area such that it reaches the rise expected of it in the first set-up."""
    wanted = np.array([part.rise for part in test.parts])
    known = np.isfinite(wanted)
    reached = wanted
    for _ in range(ROUNDS if known.any() else 0):
        reached = settle(in_state(plan, scene, first))["part_rise_mean"].to_numpy()[:, -1]
        if (abs(reached - wanted)[known] < 0.02 * wanted[known]).all():
            break
        scene = replace(scene, parts=_retuned(scene.parts, reached, wanted))
    off = [
        f"{part.name} ({one:.0f} instead of {part.rise:.0f} K)"
        for part, one in zip(test.parts, reached, strict=True)
        if math.isfinite(part.rise) and abs(one - part.rise) > CLOSE * part.rise
    ]
    remarks = (f"The simulated item does not reach what is expected of {', '.join(off)}.",) if off else ()
    return scene, remarks


def _retuned(parts: Sequence[Part], reached: Array, wanted: Array) -> tuple[Part, ...]:
    def tuned(part: Part, one: float, goal: float) -> Part:
        if not math.isfinite(goal) or one <= 0:
            return part
        factor = float(np.clip((one / goal) ** 1.3, 0.4, 2.5))
        return replace(part, area_factor=float(np.clip(part.area_factor * factor, *WIDEST)))

    return tuple(tuned(part, float(one), float(goal)) for part, one, goal in zip(parts, reached, wanted, strict=True))
