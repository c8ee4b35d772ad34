"""Everything a plan comes to, with what is wrong with it, what is open, and what keeps people safe."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from heatwake.kernels.camera_view import MOST_TILT
from heatwake.kernels.film_lid import FILM_LIMIT, LEAST_CLEARANCE
from heatwake.planning.air import PlannedAirflow, planned_airflow
from heatwake.planning.certainty import PartCertainty, certainties
from heatwake.planning.earlier import earlier_repeats
from heatwake.planning.lid import BULGE_SHARE, HOT_PART, PlannedLid, planned_lid
from heatwake.planning.parts import ExpectedPart, expected_parts
from heatwake.planning.recording import PlannedLength, planned_length
from heatwake.planning.runs import PlannedRuns, rounds_needed, what_they_show
from heatwake.planning.stopped import PlannedStop, planned_stop, with_stop
from heatwake.planning.view import FITS, PlannedView, planned_view
from heatwake.schema.plan import Plan
from heatwake.stages.regions import RegionsSettings
from heatwake.stages.takes import Take

ASSUMED_INSIDE_K: Final = 10.0  # of the air under the film where no flow is stated (our own choice)


@dataclass(frozen=True)
class PlannedTest:
    """A planned test.

    Attributes
    ----------
    title, question : str
    parts : tuple of ExpectedPart
    view : PlannedView
    lid : PlannedLid or None
    airflow : PlannedAirflow
    certainties : tuple of PartCertainty
    runs : PlannedRuns
    length : PlannedLength
    stop : PlannedStop or None
        The item with its fan stopped; None without a fan.
    warnings : tuple of str
        What will go wrong as planned, with its cure.
    questions : tuple of str
        What is not known yet.
    safety : tuple of str
        Before power comes on.
    """

    title: str
    question: str
    parts: tuple[ExpectedPart, ...]
    view: PlannedView
    lid: PlannedLid | None
    airflow: PlannedAirflow
    certainties: tuple[PartCertainty, ...]
    runs: PlannedRuns
    length: PlannedLength
    stop: PlannedStop | None
    warnings: tuple[str, ...]
    questions: tuple[str, ...]
    safety: tuple[str, ...]


def plan_test(plan: Plan, table: pd.DataFrame, *, past: Sequence[Take] | None = None) -> PlannedTest:
    """Return what a plan comes to.

    Parameters
    ----------
    plan : Plan
    table : DataFrame
        Parts of its placement file, empty without one.
    past : sequence of Take, optional
        What the record that it names holds; None where that is not there yet.

    Raises
    ------
    InputError
        Its parts are wrong.
    """
    parts = expected_parts(plan, table)
    view, airflow = planned_view(plan, parts), planned_airflow(plan, parts)
    inside = airflow.inside_rise if math.isfinite(airflow.inside_rise) else ASSUMED_INSIDE_K
    lid = planned_lid(plan, parts, inside_rise=inside)
    stop = planned_stop(plan, parts, lid=lid)
    airflow = replace(airflow, factors=with_stop(plan, airflow.factors, stop))
    earlier = earlier_repeats(plan, parts, past)
    known = certainties(plan, parts, view=view, lid=lid, earlier=earlier)
    runs = what_they_show(plan, known, view=view, forecasts=airflow.factors, earlier=earlier)
    length = planned_length(plan, parts, runs=len(runs.runs))
    warnings = (
        *_view_warnings(plan, view),
        *_lid_warnings(plan, lid, parts),
        *_part_warnings(plan, parts, known),
        *_run_warnings(plan, runs),
        *_length_warnings(plan, length),
        *_stop_warnings(stop, length),
    )
    questions = tuple(_questions(plan, parts, runs, stop))
    return PlannedTest(
        title=plan.title,
        question=plan.question,
        parts=parts,
        view=view,
        lid=lid,
        airflow=airflow,
        certainties=known,
        runs=runs,
        length=length,
        stop=stop,
        warnings=warnings,
        questions=questions,
        safety=tuple(safety(plan, parts, lid, stop)),
    )


def _named(names: Sequence[str]) -> str:
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _view_warnings(plan: Plan, view: PlannedView) -> Iterator[str]:
    if not view.fits:
        fits = f"the board takes {view.filled:.0%} of half the picture, {FITS:.0%} is as much as may be"
        cure = f"stand {view.distance_that_fits:.0f} mm away, or take a shorter lens"
        yield f"The board does not fit into the picture: {fits}; {cure}."
    lost = [one.name for one in view.parts if one.resolved == "not resolved"]
    if lost:
        yield f"Not resolved: {_named(lost)}: below 4 pixels across they read far too low; come nearer."
    weak = [one.name for one in view.parts if one.resolved == "indicative"]
    if weak:
        yield f"Indicative only: {_named(weak)}: 4 to 10 pixels across; differences are sound, values read low."
    blurred = [one.name for one in view.parts if one.out_of_focus > 0]
    if blurred:
        need = f"{view.depth_needed:.0f} mm are needed, {view.depth_of_field:.0f} mm are sharp"
        yield f"Out of focus: {_named(blurred)}: {need}; stand farther away, or focus on what matters most."
    if not view.hides_camera:
        need = f"{view.tilt_for_board:.1f}° would be needed, planned are {view.tilt:g}°"
        limit = "" if view.tilt_for_board <= MOST_TILT else f", more than the {MOST_TILT:g}° that a film bears"
        cure = "tilt the film itself, take a narrower lens farther away, or lay matt black cloth round the lens"
        yield f"The camera sees itself in the film over the board: {need}{limit}; {cure}."


def _lid_warnings(plan: Plan, lid: PlannedLid | None, parts: Sequence[ExpectedPart]) -> Iterator[str]:
    film = plan.film
    if lid is None or film is None:
        yield "No film is planned: an open box cools differently; results hold for the open box alone."
        return
    near = [one for one in lid.parts if one.clearance < one.needed]
    for one in near:
        found = "touches the film" if one.clearance <= 0 else f"has {one.clearance:.0f} mm to the film"
        keeps = f"at least {one.needed:.0f} mm keep it below {FILM_LIMIT:g} °C with the fan off"
        yield f"{one.name} {found}, {keeps}."
    rises = {part.name: plan.ambient.degC + part.rise for part in parts}
    hot = [
        one for one in lid.parts if rises[one.name] > HOT_PART and one.clearance < LEAST_CLEARANCE and one not in near
    ]
    if hot:
        where = f"Above {HOT_PART:g} °C and nearer than {LEAST_CLEARANCE:g} mm to the film"
        yield f"{where}: {_named([one.name for one in hot])}."
    if lid.moving > FILM_LIMIT:
        yield f"The film reaches {lid.moving:.0f} °C with the fan on: keep it below {FILM_LIMIT:g} °C."
    if lid.bulge_share > BULGE_SHARE:
        flips = ", and to the other side when the fan is turned round" if _turns_fan(plan) else ""
        cure = "tighten it, or put a thin cross-bar under it"
        yield f"The film bulges by {lid.bulge:.1f} mm, {lid.bulge_share:.0%} of the air's height{flips}; {cure}."
    if lid.transmittance > 0.92 or (film.material == "PVC" and film.transmittance is None):
        why = (
            "a single plain film cannot let more than 0.92 through"
            if lid.transmittance > 0.92
            else "PVC swallows twice as much"
        )
        yield f"Film transmittance {lid.transmittance:.2f}: {why}; take polyethylene of about 10 µm and measure it."


def _turns_fan(plan: Plan) -> bool:
    return any({"in", "out"} <= set(factor.levels) for factor in plan.factors)


def _part_warnings(plan: Plan, parts: Sequence[ExpectedPart], known: Sequence[PartCertainty]) -> Iterator[str]:
    shiny = [part.name for part in parts if part.emissivity < RegionsSettings().least_emissivity]
    if shiny:
        yield f"Mostly reflection: {_named(shiny)}: an emissivity below 0.6 gives no temperature; put matt tape on it."
    over = [one.name for one in known if one.margin < 0]
    if over:
        yield f"Expected over its limit at {plan.ambient.max_degC:g} °C: {_named(over)}."
    near = [one.name for one in known if 0 <= one.margin < 2 * one.uncertainty]
    if near:
        yield f"Expected margin within the uncertainty (2 u): {_named(near)}: the verdict will be open."


def _run_warnings(plan: Plan, runs: PlannedRuns) -> Iterator[str]:
    wanted = plan.runs.smallest_difference_K
    for one in runs.factors:
        if one.shown <= wanted or not math.isfinite(runs.spread):
            continue
        now = (
            f"{len(runs.runs)} runs show {one.shown:.1f} K at best"
            if math.isfinite(one.shown)
            else f"{len(runs.runs)} runs alone show nothing"
        )
        cures = []
        if one.needed is not None:
            cures.append(f"take replicates = {math.ceil(rounds_needed(plan, one.needed) / plan.runs.blocks)}")
        is_known = plan.runs.repeatability_K is not None or (runs.earlier is not None and runs.earlier.counted > 0)
        if not is_known and one.needed_if_known is not None:
            few = math.ceil(rounds_needed(plan, one.needed_if_known) / plan.runs.blocks)
            cures.append(f"state the repeatability found in earlier runs (then replicates = {few} will do)")
        cures.append("hold the power closer")
        yield f"{one.name}: {now}, {wanted:g} K matter: {', or '.join(cures)}."
    if not runs.factors and len(runs.runs) == 1:
        yield "One run of one set-up: nothing tells how far a second one would lie off."


def _length_warnings(plan: Plan, length: PlannedLength) -> Iterator[str]:
    if length.warm < length.wait:
        why = f"{length.slowest} has {plan.recording.remainder_K:g} K to come only after {length.wait:.0f} s"
        yield f"{length.warm:.0f} s under power are too short: {why}."
    if length.rate < length.rate_wanted and plan.camera.frame_rate_Hz < 5:
        yield f"{plan.camera.frame_rate_Hz:g} frames a second do not show a shutter, a shake or a touch of the film."


def _stop_warnings(stop: PlannedStop | None, length: PlannedLength) -> Iterator[str]:
    if stop is None or not stop.is_planned or not stop.passing or length.warm <= stop.cold:
        return
    when = stop.when if stop.untimed else f"no sooner than {math.floor(stop.cold)} s after a cold power-on"
    end = "stay beside them" if stop.untimed else "end these runs before"
    less = f", or run them at {100 * stop.share:.0f} % of the power" if math.isfinite(stop.share) else ""
    yield f"Fan off for {length.warm:.0f} s: {stop.passed}, {when}; {end}{less}."


def _questions(plan: Plan, parts: Sequence[ExpectedPart], runs: PlannedRuns, stop: PlannedStop | None) -> Iterator[str]:
    blank = [part.name for part in parts if not np.isfinite(part.rise)]
    if blank:
        yield f"No rise is expected of {_named(blank)}: a test with no prediction finds no surprises."
    powerless = [part.name for part in parts if math.isnan(part.power)]
    if powerless:
        yield f"No power is stated of {_named(powerless)} (0 for none)."
    guessed = [part.name for part in parts if part.constant_source == "assumed"]
    if guessed:
        yield f"Time constants of {_named(guessed)} are taken as 10 min: state time_constant_s, or heat_capacity_J_K."
    tall = [part.name for part in parts if part.tall == 0]
    if tall:
        yield f"Heights of {_named(tall)} are taken as 0: state tall_mm, for focus and film."
    if plan.air.flow_L_s is None:
        taken = "the air under the film is taken as 10 K warmer than the room"
        yield f"No flow is stated: {taken}, and no exhaust rise is told."
    if plan.ambient.max_degC is None and any(math.isfinite(part.limit) for part in parts):
        yield "No highest ambient is stated: limits cannot be judged."
    if plan.film is not None and plan.film.transmittance is None:
        yield "The film's transmittance is its material's: record the hot board for seconds without and with it."
    yield from _open_spread(plan, runs)
    if stop is not None and stop.is_planned and stop.lacking:
        yield f"Runs with the fan off are planned, and how hot they get is {stop.words}."
    elif stop is not None and stop.is_planned:
        hottest = max((part for part in parts if np.isfinite(part.rise)), key=lambda part: part.rise)
        low, high = ((hottest.rise + gain) / hottest.rise for gain in stop.gain)
        slower = f"{hottest.name} settles {low:.1f} to {high:.1f} times as slowly (same heat capacity, first order)"
        held = "" if stop.passing else f", and {stop.words}"
        yield f"Rises and length are those with the fan on; off, {slower}{held}."
    for factor in plan.factors:
        if factor.opening is None and factor.acts_on is None:
            yield f"What {factor.name} acts on is not stated (opening or acts_on): it cannot be rehearsed."
    if not plan.factors:
        yield "Nothing is changed on purpose: no comparison is planned."


def _open_spread(plan: Plan, runs: PlannedRuns) -> Iterator[str]:
    """Yield what is not known of how far runs lie apart."""
    apart, earlier = f"How far runs of one set-up lie apart ({runs.spread:.2f} K)", runs.earlier
    if earlier is None and plan.runs.repeatability_K is None:
        yield f"{apart} is assumed: replace it by what repeats show."
    elif earlier is not None and not earlier.is_told:
        yield f"{apart} is assumed, for {earlier.words}: the planned runs will be entered."
    elif earlier is not None and earlier.found == "camera":
        yield f"{apart} is that of other boards with such a camera and film: this one's may differ."


def safety(
    plan: Plan, parts: Sequence[ExpectedPart], lid: PlannedLid | None, stop: PlannedStop | None
) -> Iterator[str]:
    """Yield what to see to before power comes on. Local rules and licensed practice come first."""
    yield "Local rules, standards and licensed practice come before this list, which certifies nothing."
    yield "Isolated supply below 50 V, or a qualified person and a barrier; capacitors discharged before hands go in."
    if plan.film is not None and lid is not None:
        still = f"{lid.hottest_still:.0f} °C" if math.isfinite(lid.hottest_still) else "not known"
        worst = f"as soon as the fan stops, over the hottest part: {still}"
        if stop is not None and math.isfinite(stop.hottest_film[1]):
            low, high = stop.hottest_film
            worst += f", settled {low:.0f} to {high:.0f} °C"
        yield f"Film is no enclosure, guard or fire barrier; {worst}; limit {FILM_LIMIT:g} °C."
        yield f"No film within {LEAST_CLEARANCE:g} mm of a part above {HOT_PART:g} °C; stop at once if it sags."
        yield "Fit the film unpowered and discharged, with an ioniser or conductive frame; peel none over a live board."
        yield "Fan guard under the film, loose edges taped outside."
    else:
        yield "Fan guard on; nothing loose near the blades."
    yield "Over-temperature cut-off set and tried; the criterion to stop is written down."
    if stop is not None:
        soonest = f"a limit may be passed, {stop.when}" if stop.passing else stop.words
        yield f"Fan stopped, on purpose or not: {soonest}."
    if any(factor.opening for factor in plan.factors):
        yield "Vent covers do not burn; somebody stays while the fan stands or a vent is covered."
    hot = [part.name for part in parts if plan.ambient.degC + part.rise > 60]
    yield f"Hot surfaces marked, time to cool down kept{f': {_named(hot)} above 60 °C' if hot else ''}."
    yield "Extinguisher for electrical fires at hand; smoke tracers on an unpowered item only, aired."
