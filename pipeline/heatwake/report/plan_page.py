"""The set-up sheet of a plan: what to see to, in the order of the work, for a bench and a printer."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from heatwake.kernels.run_power import half_width
from heatwake.planning.parts import ExpectedPart
from heatwake.planning.sheet import PlannedTest
from heatwake.report.as_json import plain
from heatwake.report.page import identity, render, two_forms
from heatwake.report.plan_figure import plan_figure
from heatwake.report.words import count, duration, number
from heatwake.schema.plan import Plan

SOURCES: Final = (
    ("pixels, field, tilt", "thin lens and plane mirror, by geometry"),
    ("10 and 4 pixels", "Pusnik and Gersak, Sensors 21 (2021) 607; Budzier and Gerlach, JSSS 10 (2021) 179"),
    ("drop by the film", "camera model of Minkina and Dudzik (2009) with a film as one more layer"),
    ("film's temperature, clearance", "heat balance of a thin sheet; conduction through still air"),
    ("bulge", "membrane under even pressure, Timoshenko and Goodier"),
    ("uncertainty of a rise", "JCGM 100:2008, the budget that a run uses"),
    ("runs needed", "power of Student's test, noncentral t"),
    ("order", "A-B-B-A by symmetry; randomised blocks, Fisher 1935"),
    ("length", "first order; information of a fit (Cramer and Rao)"),
    ("fan stopped", "heat balance, textbooks' free convection, trials (JCGM 101:2008); initial slope of heating"),
    ("exhaust rise", "heat balance, dry air at 1 atm"),
    ("covered vents", "straight fan curve against a quadratic resistance"),
)


@dataclass(frozen=True)
class PartLine:
    """A row of the parts' table; NaN where nothing is expected.

    ``difference`` is half the 95 % interval of a difference by the factor that has fewest runs a level.
    """

    name: str
    pixels: float
    resolved: str
    rise: float
    reading: float
    drop: float
    uncertainty: float
    most: str
    spread: float
    difference: float
    constant: float
    constant_assumed: bool
    clearance: float
    needed: float
    margin: float
    out_of_focus: float


def plan_page(plan: Plan, test: PlannedTest, *, rehearsal: Any = None) -> str:
    """Return ``plan.html``: self-contained, nothing fetched, one or two printed pages.

    Parameters
    ----------
    plan : Plan
    test : PlannedTest
        What it comes to.
    rehearsal : optional
        What a rehearsal found, with its figures.
    """
    alt = (
        f"Sketch: board with {count(len(test.parts), 'part')}, openings, sensors; camera {test.view.tilt:g}° off square"
    )
    figures = {"sketch": two_forms(lambda width: plan_figure(plan, test, width=width), name="sketch", alt=alt)}
    return render(
        "plan.html",
        explorer=None,
        title=plan.title,
        identity=identity(plan.title, plain(plan.model_dump(mode="json"))),
        plan=plan,
        test=test,
        tiles=list(_tiles(plan, test)),
        figures=figures,
        camera=list(_camera(plan, test)),
        film=list(_film(plan, test)),
        recording=list(_recording(plan, test)),
        parts=part_lines(test),
        runs=[(run, _set_up(run.levels)) for run in test.runs.runs],
        rehearsal=rehearsal,
        sources=SOURCES,
    )


def part_lines(test: PlannedTest) -> list[PartLine]:
    """Return the rows of the parts' table, the least resolved first, then the hottest."""
    views = {one.name: one for one in test.view.parts}
    lids = {one.name: one for one in test.lid.parts} if test.lid else {}
    known = {one.name: one for one in test.certainties}
    fewest = min(test.runs.factors, key=lambda one: one.takes, default=None)

    def line(part: ExpectedPart) -> PartLine:
        lid, found = lids.get(part.name), known[part.name]
        return PartLine(
            name=part.name,
            pixels=views[part.name].pixels,
            resolved=views[part.name].resolved,
            rise=part.rise,
            reading=lid.reading if lid else math.nan,
            drop=lid.drop if lid else math.nan,
            uncertainty=found.uncertainty,
            most=found.most,
            spread=found.run_spread,
            difference=half_width(fewest.takes, spread=found.run_spread, freedom=fewest.freedom)
            if fewest
            else math.nan,
            constant=part.constant,
            constant_assumed=part.constant_source == "assumed",
            clearance=lid.clearance if lid else math.nan,
            needed=lid.needed if lid else math.nan,
            margin=found.margin,
            out_of_focus=views[part.name].out_of_focus,
        )

    order = ("not resolved", "indicative", "measured")
    lines = [line(part) for part in test.parts]
    return sorted(lines, key=lambda one: (order.index(one.resolved), -(one.rise if math.isfinite(one.rise) else -1)))


def _set_up(levels: Mapping[str, object]) -> str:
    return ", ".join(f"{_name(key)} {_word(value)}" for key, value in levels.items())


def _name(key: str) -> str:
    return key.replace("_", " ")


def _word(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _tiles(plan: Plan, test: PlannedTest) -> Iterator[tuple[str, str, str]]:
    resolved = sum(one.resolved == "measured" for one in test.view.parts)
    yield (
        "parts well resolved",
        f"{resolved} of {len(test.parts)}",
        f"{number(test.view.mm_per_px, digits=2)} mm a pixel",
    )
    known = [one for one in test.certainties if math.isfinite(one.uncertainty)]
    if known:
        usual = sorted(one.uncertainty for one in known)[len(known) // 2]
        yield "a rise will be known to", f"± {number(usual)} K", "k = 1; half of the parts better"
    shown = [one.shown for one in test.runs.factors if math.isfinite(one.shown)]
    if test.runs.factors:
        least = f"{number(max(shown))} K" if len(shown) == len(test.runs.factors) else "nothing"
        chance = f"{100 * plan.runs.chance:.0f} % chance to find it, 5 % two-sided"
        small = f"{plan.runs.smallest_difference_K:g} K matter; {chance}"
        yield f"{count(len(test.runs.runs), 'run')} can show", least, small
    length = test.length
    yield "bench time", f"{number(length.bench_hours)} h", f"{duration(length.total)} a run, cooling down between"


def _camera(plan: Plan, test: PlannedTest) -> Iterator[tuple[str, str]]:
    view, camera = test.view, plan.camera
    yield "distance", f"{camera.distance_mm:g} mm from lens to the board's middle"
    fits = "fits" if view.fits else f"does not fit: {view.distance_that_fits:.0f} mm would do"
    angles = " × ".join(f"{2 * half:.0f}°" for half in view.half_fields)
    field = f"{view.field[0]:.0f} × {view.field[1]:.0f} mm ({angles})"
    yield "field", f"{field}; the board takes {view.filled:.0%} of its tighter side: {fits}"
    if plan.film is not None:
        how = "as stated" if view.tilt_stated else "proposed"
        hides = "keeps" if view.hides_camera else "does not keep"
        cost = f"costs {1 - view.foreshortening:.1%} of the height, {view.depth_spread:.0f} mm of depth"
        turned = "the camera moved towards the board's lower edge"
        yield "tilt", f"{view.tilt:g}°, {turned} ({how}): {hides} the camera's image off the board; {cost}"
        yield (
            "tilt wanted",
            f"{view.tilt_for_board:.1f}° for the board, {view.tilt_for_field:.1f}° for the whole picture",
        )
    sharp = f"{view.depth_of_field:.0f} mm sharp, {view.depth_needed:.0f} mm needed"
    yield "focus", f"at {view.focus:.0f} mm; {sharp}"
    yield (
        "before",
        "on for 30 to 60 min, out of the exhaust and of any draught; range fixed, no overlay of a visible picture",
    )


def _film(plan: Plan, test: PlannedTest) -> Iterator[tuple[str, str]]:
    film, lid, air = plan.film, test.lid, test.airflow
    if film is None or lid is None:
        yield "film", "none"
    else:
        shares = f"{lid.transmittance:.3f} through, {lid.reflectance:.3f} mirrored, {lid.absorptance:.3f} absorbed"
        yield "film", f"{film.material}, {film.thickness_um:g} µm: {shares}"
        still = (
            f", {lid.hottest_still:.0f} °C over the hottest part as soon as the air stands still"
            if math.isfinite(lid.hottest_still)
            else ""
        )
        yield "its temperature", f"{lid.moving:.0f} °C, fan on{still}; it follows in {number(lid.settles)} s"
        bulge = f"{number(lid.bulge)} mm at {film.pressure_Pa:g} Pa and {film.tension_N_m:g} N/m"
        yield "bulge", f"{bulge}: {lid.bulge_share:.1%} of the air's height"
        own = f"+{number(lid.own_image, digits=2)} K in the hottest part"
        yield "own image", f"{own} where the film faces a camera {plan.camera.body_warmer_K:g} K above the room"
    if math.isfinite(air.exhaust_drawn):
        yield (
            "leaving air",
            (
                f"{number(air.exhaust_drawn)} K above the room drawn, {number(air.exhaust_blown)} K blown, at "
                f"{plan.air.flow_L_s:g} L/s and {number(air.power)} W; a grid of five sensors, weighted, checks it"
            ),
        )
    for forecast in air.factors:
        yield _name(forecast.name), forecast.source
        for sign in forecast.signs:
            yield "expect", sign


def _recording(plan: Plan, test: PlannedTest) -> Iterator[tuple[str, str]]:
    length = test.length
    cold = f"{duration(length.cold)} of the cold, unpowered board, then {duration(length.warm)} under power"
    after = "by then" if length.warm == length.wait else f"after {duration(length.wait)}"
    left = f"{after} no more than {plan.recording.remainder_K:g} K is to come in {length.slowest}, the slowest"
    yield "length", f"{cold}; {left}, by its own time constant"
    fit = (
        f"the final value to ± {plan.recording.remainder_K / 2:g} K after {duration(length.fit)} with one time constant"
    )
    fit += f", after {duration(length.fit_two)} with two" if math.isfinite(length.fit_two) else ""
    wrong = f"two fitted as one end {_off(length.one_fit_bias)}, the last reading is {_off(length.reading_bias)}"
    yield "by a fit", f"{fit}; {wrong}"
    hidden = f"up to {number(length.hidden)} K may be missing if 30 % of the rise is five times slower"
    yield "not sure", f"{hidden}: see the remainder that a run states, and record on where it is large"
    rate = f"{length.rate:g} a second in ± 60 s around power-on and every switching"
    short = "" if length.rate >= length.rate_wanted else f" ({length.rate_wanted:g} would show a shake)"
    yield "frames", f"{rate}{short}, {length.slow_rate:g} a second otherwise; keep each frame's time"
    volume = f"{length.thinned_megabytes:,.0f} MB a run so, {length.full_megabytes:,.0f} MB at the full rate"
    yield (
        "volume",
        f"{volume}; {count(length.runs, 'run')}: {length.runs * length.full_megabytes / 1e3:,.1f} GB at most",
    )
    if plan.film is not None:
        yield "film pair", "once, on the hot board: some seconds without the film, then with it, nothing else touched"
    yield (
        "keep equal",
        "power of each rail, supply and fan voltage and speed, film and camera untouched; cool down fully between runs",
    )


def _off(share: float) -> str:
    return f"{100 * abs(share):.0f} % too {'low' if share < 0 else 'high'}"
