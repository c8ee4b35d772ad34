"""The page of a comparison."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from heatwake.report.answers import change_words, comparison_answer, reference_name
from heatwake.report.difference_figure import changes_figure, difference_figure, pair_figure
from heatwake.report.experiment_report import experiment_section
from heatwake.report.flow_reading import board_direction, pair_direction
from heatwake.report.further import Further
from heatwake.report.heating import criterion_text
from heatwake.report.page import Keep, explorer_of, identity, keep_stills, record, render, two_forms
from heatwake.report.shared_items import comparison_items
from heatwake.report.takes import take_words
from heatwake.report.unlike import lead, place_words, unlike, warning
from heatwake.report.words import number as shown
from heatwake.schema.report import Report
from heatwake.schema.variables import MATCH_STATE, OPENING_CHANGE, OPENING_ROLE, VARIABLES
from heatwake.stages.pair import ComparisonSettings

SIDE_BY_SIDE = 4  # sessions to look around in


@dataclass(frozen=True)
class DifferenceRow:
    """One region in two sessions; rises and differences of its mean [K].

    Attributes
    ----------
    name : str
    was, now : float
        Final rise in the reference and in the session.
    difference, uncertainty : float
        Session less reference, and standard uncertainty of what the two do not share.
    significant : bool
    change : str
        What became of the direction of its heat.
    low, high : float
        95 % interval of the difference.
    ratio : float
        Final rise over the reference's.
    faster, spread : str
        Change of the time constant and of the footprint's area, in words.
    match : str
        Which difference it is: a word of ``MATCH_STATE``.
    """

    name: str
    was: float
    now: float
    difference: float
    uncertainty: float
    significant: bool
    change: str
    low: float = np.nan
    high: float = np.nan
    ratio: float = np.nan
    faster: str = "–"
    spread: str = "–"
    match: str = ""


def comparison_page(
    comparison: xr.Dataset,
    sessions: Mapping[str, xr.Dataset],
    *,
    flows: Mapping[str, xr.Dataset],
    title: str,
    settings: Mapping[str, Any],
    provenance: Mapping[str, Any],
    experiment: xr.Dataset | None = None,
    further: Sequence[Further] = (),
    stated: Mapping[str, Report] | None = None,
    criterion: str = "",
    explore: bool = True,
    keep: Keep | None = None,
) -> str:
    """Return ``comparison.html``: what changed between each session and the reference; self-contained.

    Parameters
    ----------
    comparison : Dataset
        Session less reference: maps, regions and directions.
    sessions : mapping of str to Dataset
        Results of every session, the reference's among them.
    flows : mapping of str to Dataset
        Flow results of the sessions; may lack some.
    title : str
    settings, provenance : mapping
        For the record.
    experiment : Dataset, optional
        Effects over all sessions, where they are one experiment.
    further : sequence of Further
        What to record next.
    stated : mapping of str to Report, optional
        What the session files state for the record.
    criterion : str
        By which parts count as settled; by default as settings have it by default.
    explore : bool
        Also the part to look around in: some sixty maps of a few sessions are read.
    keep : callable, optional
        Is given each figure as files of its own.
    """
    reference = reference_name(comparison, sessions)
    pairs = [
        _pair(comparison, str(name), reference, sessions=sessions, flows=flows, number=number, settings=settings)
        for number, name in enumerate(comparison["session"].to_numpy())
    ]
    study = None if experiment is None else experiment_section(experiment, sessions[reference])
    changes = _changes(comparison, sessions, reference=reference, flows=flows)
    for figures in (changes, {} if study is None else study["figures"]):
        keep_stills(figures, keep)
    for pair in pairs:
        keep_stills({f"{name}-{pair['name']}": forms for name, forms in pair["figures"].items()}, keep)
    return render(
        "comparison.html",
        title=title,
        identity=identity(title, settings, provenance),
        reference=reference,
        pairs=pairs,
        changes=changes,
        experiment=study,
        further=further,
        items=comparison_items(
            {name: sessions[name] for name in [reference, *(pair["name"] for pair in pairs)]},
            stated=stated or {},
            criterion=criterion_text(criterion or "remaining rise"),
            settings=ComparisonSettings.model_validate(settings.get("comparison", {})),
        ),
        explorer=explorer_of(_side_by_side(comparison, reference, sessions)) if explore else None,
        settings=record(settings),
        provenance=record(provenance),
    )


def _changes(
    comparison: xr.Dataset, sessions: Mapping[str, xr.Dataset], *, reference: str, flows: Mapping[str, xr.Dataset]
) -> dict[str, dict[str, Any]]:
    """Return the figure that stands on top, by its name."""
    if not comparison.sizes["session"]:
        return {}
    forms = two_forms(
        lambda width: changes_figure(comparison, sessions, reference=reference, flows=flows, width=width),
        name="changes",
        alt=f"Maps of the final rise less that of {reference}, with openings and arrows along the heat of each session",
    )
    return {"changes": forms}


def _side_by_side(comparison: xr.Dataset, reference: str, sessions: Mapping[str, xr.Dataset]) -> dict[str, xr.Dataset]:
    """Return the reference and the first sessions that were compared with it."""
    others = [str(name) for name in comparison["session"].to_numpy()]
    return {name: sessions[name] for name in [reference, *others][:SIDE_BY_SIDE]}


def difference_rows(comparison: xr.Dataset, session: str, sessions: Mapping[str, xr.Dataset]) -> list[DifferenceRow]:
    """Return a row for each region in both sessions: significant changes first, the largest on top."""
    chosen = comparison.sel(session=session)
    base, own = sessions.get(reference_name(comparison, sessions)), sessions.get(session)
    rows = []
    for number, label in enumerate(chosen["region"].to_numpy()):
        name = str(label)
        kind = _match(chosen, number)
        difference = float(chosen[f"{kind}_rise_difference"][number])
        if not np.isfinite(difference):
            continue
        ends = [_value(chosen, f"{kind}_rise_difference_{end}", number) for end in ("low", "high")]
        row = DifferenceRow(
            name,
            _steady(base, name),
            _steady(own, name),
            difference,
            float(chosen[f"{kind}_rise_difference_uncertainty"][number]),
            bool(chosen["region_significant"][number] == 1),
            _change(chosen.isel(region=number), "region"),
            ends[0],
            ends[1],
            _value(chosen, "steady_rise_ratio", number),
            _plain_change(chosen, "time_constant_difference", number, unit="s"),
            _plain_change(chosen, "spread_area_difference", number, unit="mm²"),
            MATCH_STATE[int(chosen["match_state"][number])] if "match_state" in chosen else "",
        )
        rows.append(row)
    return sorted(rows, key=lambda row: (not row.significant, -abs(row.difference)))


def _match(chosen: xr.Dataset, number: int) -> str:
    """Return which difference of a region is judged: the final rises', or that at one time under power."""
    settled = "match_state" not in chosen or int(chosen["match_state"][number]) == MATCH_STATE.index("both settled")
    return "steady" if settled else "matched"


def _value(chosen: xr.Dataset, name: str, number: int) -> float:
    return float(chosen[name][number]) if name in chosen else np.nan


def _plain_change(chosen: xr.Dataset, name: str, number: int, *, unit: str) -> str:
    """Return a change with its standard uncertainty, in words."""
    value, spread = _value(chosen, name, number), _value(chosen, f"{name}_uncertainty", number)
    if not np.isfinite(value):
        return "–"
    return f"{shown(value, digits=0, signed=True)} ± {shown(spread, digits=0)} {unit}"


def opening_rows(chosen: xr.Dataset) -> list[tuple[str, str, str, str]]:
    """Return each opening with its role in the reference and in the session, and what became of it."""
    if "opening_change" not in chosen:
        return []
    rows: list[tuple[str, str, str, str]] = []
    for number, name in enumerate(chosen["opening"].to_numpy()):
        flags = [chosen[f"opening_{key}"].to_numpy()[number] for key in ("role_reference", "role_session", "change")]
        if np.isfinite(flags).all():
            roles = [OPENING_ROLE[int(flag)] for flag in flags[:2]]
            rows.append((str(name), roles[0], roles[1], OPENING_CHANGE[int(flags[2])]))
    return rows


def _steady(session: xr.Dataset | None, name: str) -> float:
    if session is None or name not in session["region"].to_numpy():
        return np.nan
    return float(session["steady_rise"].sel(region=name))


def _change(chosen: xr.Dataset, prefix: str) -> str:
    names = [f"{prefix}_flow_change", *(f"{prefix}_flow_direction_change{end}" for end in ("", "_uncertainty"))]
    if any(name not in chosen or name not in VARIABLES for name in names):
        return "not compared"
    return change_words(*(float(chosen[name]) for name in names))


def _pair(
    comparison: xr.Dataset,
    name: str,
    reference: str,
    *,
    sessions: Mapping[str, xr.Dataset],
    flows: Mapping[str, xr.Dataset],
    number: int,
    settings: Mapping[str, Any],
) -> dict[str, Any]:
    base, own, chosen = sessions[reference], sessions[name], comparison.sel(session=name)
    compared = ComparisonSettings.model_validate(settings.get("comparison", {}))
    differences = unlike(base, own, chosen, refit_share=compared.refit_share)
    return {
        "name": name,
        "lead": lead(differences),
        "answer": comparison_answer(comparison, name, reference=reference),
        "takes": take_words(comparison, chosen, base, settings.get("comparison", {})),
        "openings": opening_rows(chosen),
        "rows": difference_rows(comparison, name, sessions),
        "unlike": differences,
        "warning": " ".join(filter(None, [warning(differences), place_words(comparison.sel(session=name))])),
        "directions": {
            "reference": board_direction(flows.get(reference)).words,
            "own": board_direction(flows.get(name)).words,
            "together": pair_direction(comparison, name).words,
            "reference_together": pair_direction(comparison, name, prefix="reference").words,
            "change": _change(comparison.sel(session=name), "board"),
        },
        "figures": {
            "difference": two_forms(
                lambda width: difference_figure(comparison, name, base, width=width),
                name=f"difference{number}",
                alt=f"Map of the final rise of {name} less {reference}; hatched where it is no more than noise",
            ),
            "pair": two_forms(
                lambda width: pair_figure(base, own, names=(reference, name), width=width),
                name=f"pair{number}",
                alt=f"Maps of the final rise of {reference} and {name} on one scale",
            ),
        },
    }
