"""The page of a comparison."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from heatwake.report.answers import change_words, comparison_answer, reference_name
from heatwake.report.difference_figure import difference_figure, pair_figure
from heatwake.report.flow_reading import board_direction, pair_direction
from heatwake.report.page import Keep, explorer_of, identity, keep_stills, record, render, two_forms
from heatwake.report.unlike import place_words, unlike, warning
from heatwake.schema.variables import VARIABLES

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
    """

    name: str
    was: float
    now: float
    difference: float
    uncertainty: float
    significant: bool
    change: str


def comparison_page(
    comparison: xr.Dataset,
    sessions: Mapping[str, xr.Dataset],
    *,
    flows: Mapping[str, xr.Dataset],
    title: str,
    settings: Mapping[str, Any],
    provenance: Mapping[str, Any],
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
    explore : bool
        Also the part to look around in: some sixty maps of a few sessions are read.
    keep : callable, optional
        Is given each figure as files of its own.
    """
    reference = reference_name(comparison, sessions)
    pairs = [
        _pair(comparison, str(name), reference, sessions=sessions, flows=flows, number=number)
        for number, name in enumerate(comparison["session"].to_numpy())
    ]
    for pair in pairs:
        keep_stills({f"{name}-{pair['name']}": forms for name, forms in pair["figures"].items()}, keep)
    return render(
        "comparison.html",
        title=title,
        identity=identity(title, settings, provenance),
        reference=reference,
        pairs=pairs,
        explorer=explorer_of(_side_by_side(comparison, reference, sessions)) if explore else None,
        settings=record(settings),
        provenance=record(provenance),
    )


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
        difference = float(chosen["steady_rise_difference"][number])
        if not np.isfinite(difference):
            continue
        row = DifferenceRow(
            name,
            _steady(base, name),
            _steady(own, name),
            difference,
            float(chosen["steady_rise_difference_uncertainty"][number]),
            bool(chosen["region_significant"][number] == 1),
            _change(chosen.isel(region=number), "region"),
        )
        rows.append(row)
    return sorted(rows, key=lambda row: (not row.significant, -abs(row.difference)))


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
) -> dict[str, Any]:
    base, own = sessions[reference], sessions[name]
    differences = unlike(base, own)
    return {
        "name": name,
        "answer": comparison_answer(comparison, name, reference=reference),
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
