"""The page of one session."""

import hashlib
import json
import re
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import Any, Final

import numpy as np
import xarray as xr
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup
from matplotlib.figure import Figure

from heatwake import __version__
from heatwake.report import words
from heatwake.report.answers import conditions, session_answer
from heatwake.report.board_figure import (
    footprints,
    has_settling_map,
    is_drawn_aside,
    rise_figure,
    settling_figure,
    spread_figure,
)
from heatwake.report.budget import BudgetLine, budget_lines, has_budget
from heatwake.report.budget_figure import budget_figure
from heatwake.report.checklist import CAUTIONS, decision_rule, film_text, report_items
from heatwake.report.curves_figure import curves_figure, frame_counts, quality_figure, reason_colour
from heatwake.report.data_quality import data_quality
from heatwake.report.figure_style import Still, for_page, house_style, png_of, svg_text
from heatwake.report.film_figure import film_figure, has_film_map
from heatwake.report.finding_figure import finding_figure
from heatwake.report.flow_reading import board_direction, opening_roles, region_direction, role_probability, told_share
from heatwake.report.further import Further
from heatwake.report.heating import (
    common_constants,
    criterion_text,
    has_heating,
    heating_figure,
    heating_rows,
    stretch_table,
)
from heatwake.report.lineage import lineage_sentences
from heatwake.report.maps import length_unit
from heatwake.report.margin_bar import margin_bars
from heatwake.report.parts import PartRow, final_ambient, part_rows, parts_off_board
from heatwake.report.probes import has_probes, probe_rows, probe_sentences, probes_figure
from heatwake.report.scripts import as_elements, security_policy
from heatwake.schema.findings import Examination, Finding
from heatwake.schema.report import Report
from heatwake.schema.variables import DECAY_AXIS, OPENING_KIND, SPREAD_STATUS
from heatwake.stages.flow_advice import further_recording

Keep = Callable[[str, bytes], None]  # is given a file's name and its content
BLANK_CELL: Final = re.compile(r"<td([^<>]*)>\s*(–?)\s*</td>")  # narrow screens leave it out
WIDE, NARROW = 9.0, 4.3  # [inch] widths of a figure's two forms


def session_page(
    results: xr.Dataset,
    *,
    flow: xr.Dataset | None,
    title: str,
    settings: Mapping[str, Any],
    provenance: Mapping[str, Any],
    stated: Report | None = None,
    further: Sequence[Further] = (),
    explore: bool = True,
    keep: Keep | None = None,
    examined: Examination | None = None,
) -> str:
    """Return ``report.html`` of one session: self-contained, nothing fetched.

    Parameters
    ----------
    results : Dataset
        Everything of registration, rise, regions and spread (there ``time`` may be called ``spread_time``), with what
        the session file says. Maps may be lazy: only those shown are loaded.
    flow : Dataset or None
        Flow results; None where there are none.
    title : str
    settings : mapping
        Of the stages, for the record.
    provenance : mapping
        Software, inputs and their digests, for the record.
    stated : Report, optional
        What the session file states for the record.
    further : sequence of Further
        What to record next.
    explore : bool
        Also the part to look around in: some sixty maps are read.
    keep : callable, optional
        Is given each figure as files of its own.
    examined : Examination, optional
        What the recording shows that is wrong or doubtful.
    """
    rows = part_rows(results)
    direction = board_direction(flow)
    heating = heating_rows(results)
    figures = _figures(results, flow, rows=rows)
    keep_stills(figures, keep)
    return render(
        "session.html",
        title=title,
        identity=identity(title, settings, provenance),
        answer=session_answer(results, flow),
        chips=_chips(results),
        tiles=_tiles(results, rows, flow=flow),
        figures=figures,
        explorer=explorer_of({title: results}) if explore else None,
        budget=_budget(results, rows),
        rows=list(zip(rows, margin_bars(rows), strict=True)),
        ambient=final_ambient(results),
        carried=rows[0].margin_ambient if rows else np.nan,
        carried_is_stated=bool("max_ambient" in results and np.isfinite(results["max_ambient"])),
        decision_rule=decision_rule(),
        direction=direction,
        advice="" if flow is None else further_recording(results, flow),
        further=further,
        told_share=told_share(flow, direction.window),
        openings=_openings(results, flow),
        lineage=lineage_sentences(results) if "region_state" in results else [],
        heating=heating,
        stretches=stretch_table(results),
        common_constants=common_constants(heating),
        has_delay=any(row.delay for row in heating),
        has_power=any(row.resistance != "–" for row in heating),
        criterion=criterion_text(_criterion(settings)),
        spread=_spread_rows(results, flow),
        unit=length_unit(results),
        frames=[(name, total, used, reason_colour(name)) for name, total, used in frame_counts(results)],
        data_quality=data_quality(results) + [text for text in (parts_off_board(results),) if text],
        film=film_text(results),
        zeroed=bool("cold_ambient" in results and np.isfinite(results["cold_ambient"])),
        items=report_items(results, criterion=criterion_text(_criterion(settings)), stated=stated),
        probes=probe_rows(results),
        probe_sentences=probe_sentences(results),
        findings=finding_entries(examined),
        untold=() if examined is None else examined.untold,
        examined=examined is not None,
        settings=record(settings),
        provenance=record(provenance),
    )


def render(template: str, *, explorer: Any, **content: Any) -> str:
    """Return a page from a template; everything but figures and scripts is escaped."""
    environment = _environment()
    ours = ["sort.js", "fold.js"] if explorer is None else ["sort.js", "fold.js", "explore.js"]
    scripts = list(explorer.scripts) if explorer is not None else []
    scripts += [source_of(name) for name in ours]
    page: str = environment.get_template(template).render(
        version=__version__,
        cautions=CAUTIONS,
        explorer=explorer,
        scripts=as_elements(scripts),
        policy=security_policy(scripts),
        **content,
    )
    return BLANK_CELL.sub(r"<td\1 data-blank>\2</td>", page)


def source_of(name: str) -> str:
    """Return a file beside the templates as it is."""
    environment = _environment()
    if environment.loader is None:
        raise RuntimeError("no templates")
    return environment.loader.get_source(environment, name)[0]


def explorer_of(sessions: Mapping[str, xr.Dataset]) -> Any:
    """Return the part of a page to look around in; what draws it is loaded now."""
    from heatwake.report.explore import explorer

    return explorer(sessions)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("heatwake.report"),
        autoescape=select_autoescape(default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["number"] = words.number
    environment.filters["breakable"] = breakable
    return environment


def breakable(name: str) -> Markup:
    """Return a name, escaped, that may go on in the next line after each underscore.

    >>> breakable("fan_<in>")
    Markup('fan_<wbr>&lt;in&gt;')
    """
    return Markup("_<wbr>").join(name.split("_"))


def two_forms(draw: Callable[[float], Figure], *, name: str, alt: str) -> dict[str, Any]:
    """Return a figure's wide and narrow form as markup for a page, which shows one of them, and the wide one alone."""
    with house_style():
        wide = draw(WIDE)
        texts = {"wide": svg_text(wide), "narrow": svg_text(draw(NARROW))}
    # Made here from numbers and from text that the SVG writer escaped: safe to stand in the page as it is.
    forms = {form: Markup(for_page(text, name=f"{name}-{form}", alt=alt)) for form, text in texts.items()}  # noqa: S704
    return {**forms, "still": Still(texts["wide"], wide)}


def finding_entries(examined: Examination | None) -> list[tuple[Finding, Markup]]:
    """Return each finding with its picture as markup, empty where it has none."""
    entries = []
    for number, one in enumerate(() if examined is None else examined.findings):
        picture = Markup("")
        if one.evidence is not None:
            with house_style():
                text = svg_text(finding_figure(one))
            # Made here from numbers and from text that the SVG writer escaped, as are figures.
            picture = Markup(for_page(text, name=f"finding-{number}", alt=one.sentence))  # noqa: S704
        entries.append((one, picture))
    return entries


def keep_stills(figures: Mapping[str, Mapping[str, Any]], keep: Keep | None) -> None:
    """Hand the files of figures of their own to whoever keeps them."""
    if keep is None:
        return
    with ThreadPoolExecutor(1) as packing:  # of one picture while the next is drawn
        packed = {name: packing.submit(png_of, forms["still"].drawn()) for name, forms in figures.items()}
        for name, forms in figures.items():
            keep(f"{name}.svg", forms["still"].svg_file())
            keep(f"{name}.png", packed[name].result())


def record(content: Mapping[str, Any]) -> str:
    """Return settings or provenance as indented JSON."""
    return json.dumps(content, indent=2, sort_keys=True, default=str, ensure_ascii=False)


def identity(title: str, *content: Mapping[str, Any]) -> str:
    """Return the report's own mark: the same results give the same one."""
    whole = json.dumps([title, *content], sort_keys=True, default=str)
    return hashlib.sha256(whole.encode()).hexdigest()[:12]


def _figures(results: xr.Dataset, flow: xr.Dataset | None, *, rows: list[PartRow]) -> dict[str, dict[str, Any]]:
    told = board_direction(flow)
    alt = "Map of the board's final temperature rise with parts, openings and arrows where heat is carried"
    alt += f": {told.words}" if told.is_told else "; no arrows, for the direction is not identifiable"
    made = {"rise": two_forms(lambda width: rise_figure(results, flow, width=width), name="rise", alt=alt)}
    if footprints(results):
        alt = "Map of the rise with each part's footprint as an ellipse and a line from the part to its centre"
        made["spread"] = two_forms(lambda width: spread_figure(results, width=width), name="spread", alt=alt)
    if has_budget(results) and any(np.isfinite(row.uncertainty) for row in rows):
        alt = "Bars of each part's standard uncertainty, each cut into what camera, emissivity, film and others bring"
        made["budget"] = two_forms(lambda width: budget_figure(results, rows, width=width), name="budget", alt=alt)
    if results.sizes.get("region", 0) and "rise_max" in results:
        alt = "Curves of each part's rise over time with its final value and the events"
        made["curves"] = two_forms(lambda width: curves_figure(results, width=width), name="curves", alt=alt)
    if has_heating(results):
        alt = "Mean rise of each part on a logarithmic clock: readings as dots, the fitted curve drawn on beyond them"
        made["heating"] = two_forms(lambda width: heating_figure(results, width=width), name="heating", alt=alt)
    if has_settling_map(results):
        alt = "Map of the time constant of every place on the board"
        made["settling"] = two_forms(lambda width: settling_figure(results, width=width), name="settling", alt=alt)
    if results.sizes.get("frame", 0) and "reason" in results:
        alt = "Strip of what became of each frame, over curves of its agreement with the reference and its movement"
        made["quality"] = two_forms(lambda width: quality_figure(results, width=width), name="quality", alt=alt)
    if has_film_map(results):
        alt = "Map of the film's transmittance over the camera's picture, with places not to be trusted marked"
        made["film"] = two_forms(lambda width: film_figure(results, width=width), name="film", alt=alt)
    if has_probes(results):
        alt = "Curves of what the camera reads above each thermocouple over time"
        made["probes"] = two_forms(lambda width: probes_figure(results, width=width), name="probes", alt=alt)
    return made


def _budget(results: xr.Dataset, rows: list[PartRow]) -> tuple[PartRow, list[BudgetLine]] | None:
    """Return the part of least margin, else the hottest, with the lines of its rise, those that matter most first."""
    known = [one for one in enumerate(rows) if np.isfinite(one[1].uncertainty) and one[1].is_measured]
    if not has_budget(results) or not known:
        return None
    limited = [one for one in known if np.isfinite(one[1].margin)]
    index, row = min(limited, key=lambda one: one[1].margin) if limited else max(known, key=lambda one: one[1].rise)
    return row, sorted(budget_lines(results, index, quantity="rise"), key=lambda line: -line.contribution)


def _criterion(settings: Mapping[str, Any]) -> str:
    return str(settings.get("regions", {}).get("settling", "remaining rise"))


def _chips(results: xr.Dataset) -> list[tuple[str, str]]:
    names: Final = {"power_W": ("power", "W"), "max_ambient_degC": ("maximum ambient", "°C")}
    chips = []
    for key, value in conditions(results).items():
        name, unit = names.get(key, (key.replace("_", " "), ""))
        text = (
            ("yes" if value else "no") if isinstance(value, bool) else f"{value:g}" if _is_number(value) else str(value)
        )
        chips.append((name, f"{text} {unit}".strip()))
    return chips


def _is_number(value: object) -> bool:
    return isinstance(value, int | float)


def _tiles(results: xr.Dataset, rows: list[PartRow], *, flow: xr.Dataset | None) -> list[tuple[str, str, str]]:
    """Return the key numbers: name, value, small print."""
    tiles = []
    known = [row for row in rows if np.isfinite(row.rise) and row.is_measured]
    if known:
        hottest = max(known, key=lambda row: row.rise)
        spread = f"± {words.number(hottest.uncertainty)} K (k = 1)"
        tiles.append(("highest rise", f"{words.number(hottest.rise)} K", f"{hottest.name}, {spread}"))
    limited = [row for row in known if np.isfinite(row.margin)]
    if limited:
        least = min(limited, key=lambda row: row.margin)
        small = f"{least.name} at {least.margin_ambient:g} °C; U = {words.number(least.expanded_uncertainty)} K"
        tiles.append(("least margin", f"{words.number(least.margin)} K", small))
    told = board_direction(flow)
    degrees = f"{words.number(told.degrees, digits=0)}°" if told.is_told else "not identifiable"
    tiles.append(("heat is carried", degrees, told.words if told.is_told else "no direction is shown"))
    counts = frame_counts(results)
    if counts:
        total, used = sum(row[1] for row in counts), sum(row[2] for row in counts)
        tiles.append(("frames used", f"{used} of {total}", f"{total - used} left out, reasons below"))
    return tiles


def _openings(results: xr.Dataset, flow: xr.Dataset | None) -> list[tuple[str, str, str, str, str]]:
    if "opening" not in results.dims:
        return []
    rows = []
    for number, name in enumerate(results["opening"].to_numpy()):
        rise = np.nan
        if flow is not None and "opening_rise" in flow and name in flow["opening"].to_numpy():
            rise = float(flow["opening_rise"].sel(opening=name))
        kind = OPENING_KIND[int(results["opening_kind"][number])]
        chance = role_probability(flow, str(name))
        share = "–" if not np.isfinite(chance) else "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"
        rows.append((str(name), kind, opening_roles(flow, str(name)), share, words.number(rise, unit="K", signed=True)))
    return rows


def _spread_rows(results: xr.Dataset, flow: xr.Dataset | None) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "carried": region_direction(flow, name).words,
            "size": f"{words.number(row['spread_major'])} × {words.number(row['spread_minor'])}",
            "size_spread": _spread_of(row, "spread_major", digits=1),
            "area": words.number(row["spread_area"], digits=0),
            "area_spread": _spread_of(row, "spread_area", digits=0),
            "drift": f"{words.number(row['drift_x'], signed=True)}, {words.number(row['drift_y'], signed=True)}"
            if is_drawn_aside(row)
            else "none told",
            "decay": _decay(row),
            "cut": row["spread_cut"] == 1,
            "status": _status(row),
        }
        for name, _, row in footprints(results)
    ]


def _spread_of(row: Mapping[str, float], key: str, *, digits: int) -> str:
    value = row.get(f"{key}_uncertainty", np.nan)
    return f" ± {words.number(value, digits=digits)}" if np.isfinite(value) else ""


def _decay(row: Mapping[str, float]) -> str:
    """How far the tails reach, down and up the flow, or along both ends of the long axis."""
    keys = {"down": "decay_downstream", "up": "decay_upstream"}
    told = [
        f"{word} {words.number(row[key], digits=0)}{_spread_of(row, key, digits=0)}"
        for word, key in keys.items()
        if np.isfinite(row.get(key, np.nan))
    ]
    along = row.get("decay_axis", np.nan)
    axis = f" ({DECAY_AXIS[int(along)]})" if told and np.isfinite(along) and along > 0 else ""
    return (", ".join(told) or "–") + axis


def _status(row: Mapping[str, float]) -> str:
    flag = row.get("spread_status", np.nan)
    word = SPREAD_STATUS[int(flag)] if np.isfinite(flag) else "cut off" if row["spread_cut"] == 1 else ""
    return "" if word == "measured" else word
