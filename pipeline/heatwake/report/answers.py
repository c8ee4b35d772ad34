"""The answer in two sentences, of one session and of a comparison."""

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.report.flow_reading import board_direction, opening_roles
from heatwake.report.parts import PartRow, final_ambient, part_rows
from heatwake.report.words import count, listed, number
from heatwake.schema.variables import DIRECTION_CHANGE, MATCH_STATE, PLACE_STATE

Array = npt.NDArray[Any]

_NAMED: Final = 3  # parts named in a sentence; the table has the rest


def session_answer(results: xr.Dataset, flow: xr.Dataset | None) -> tuple[str, str]:
    """Return two sentences: how hot it gets and what that means for the limits; where the heat is carried."""
    return _heat_sentence(results), _flow_sentence(results, flow)


def comparison_answer(comparison: xr.Dataset, session: str, *, reference: str) -> str:
    """Return two sentences on one session against the reference: what changed beyond noise; where on the board."""
    chosen = comparison.sel(session=session)
    first = f"{session} against {reference}: {_changed_parts(chosen)}, and {_changed_direction(chosen)}."
    known = np.isfinite(chosen["rise_difference"].to_numpy())
    share = float((chosen["significant"].to_numpy() == 1)[known].mean()) if known.any() else np.nan
    if not np.isfinite(share):
        return f"{first} The two maps have nothing in common to compare."
    if "place_state" in chosen and PLACE_STATE[int(chosen["place_state"])] in ("too far", "no match"):
        return (
            f"{first} Its picture does not lie on the reference's board: check corners_px, or whether it is the same."
        )
    return f"{first} On {100 * share:.0f} % of the board the final rise differs by more than noise."


def reference_name(comparison: xr.Dataset, sessions: Mapping[str, xr.Dataset]) -> str:
    """Return the name of the reference: as the comparison says, else the session that it does not hold."""
    stated = comparison.attrs.get("reference")
    if stated:
        return str(stated)
    compared = {str(name) for name in np.atleast_1d(comparison["session"].to_numpy())}
    return next((name for name in sessions if name not in compared), "the reference")


def conditions(results: xr.Dataset) -> dict[str, Any]:
    """Return the session's own conditions, as its file states them."""
    stated = json.loads(str(results.attrs.get("conditions", "{}")))
    return stated if isinstance(stated, dict) else {}


def _heat_sentence(results: xr.Dataset) -> str:
    rows = [row for row in part_rows(results) if np.isfinite(row.rise) and row.is_measured]
    if not rows:
        return "No part was measured and no hot spot was found."
    hottest = max(rows, key=lambda row: row.rise)
    first = (
        f"{hottest.name} gets hottest, {number(hottest.temperature, unit='°C')} at an ambient of "
        f"{number(final_ambient(results), unit='°C')}: a rise of {number(hottest.rise)} ± "
        f"{number(hottest.uncertainty, unit='K')}"
    )
    stray = [row.name for row in rows if not row.is_known] if any(row.is_known for row in rows) else []
    said = [f"{listed(_some(stray))} {'lies' if len(stray) == 1 else 'lie'} in no known part"] if stray else []
    return "; ".join([first, *_limit_clauses(part_rows(results)), *said]) + "."


def _limit_clauses(rows: Sequence[PartRow]) -> list[str]:
    limited = [row for row in rows if np.isfinite(row.limit)]
    if not limited:
        return ["no limit is given to judge it by"]
    grown = limited[0].rise_factor
    thin = f" and by {number(grown, digits=2)} for altitude" if grown > 1 else ""
    at = f"carried to {number(limited[0].margin_ambient, digits=0, unit='°C')} ambient{thin}, "
    by = {word: [row for row in limited if row.verdict == word] for word in {row.verdict for row in limited}}
    clauses = []
    if over := by.get("over"):
        named = listed(_some([f"{row.name} ({_by(row)})" for row in sorted(over, key=lambda row: row.margin)]))
        clauses.append(f"{named} {'is over its limit' if len(over) == 1 else 'are over their limits'}")
    if near := by.get("inside but within the uncertainty"):
        named = listed(_some([f"{row.name} (margin {number(row.margin)} K)" for row in near]))
        clauses.append(f"{named} {'is' if len(near) == 1 else 'are'} inside but within the uncertainty")
    if inside := by.get("inside"):
        least = min(inside, key=lambda row: row.margin)
        whom = f"all {len(inside)} parts with a limit are" if len(inside) == len(limited) > 1 else _whom(inside)
        clauses.append(
            f"{whom} inside, with a least margin of {number(least.margin)} K ({least.name}, "
            f"U = {number(least.expanded_uncertainty)} K)"
        )
    if refused := [row for row in limited if not row.is_measured]:
        clauses.append(f"of {listed(_some([row.name for row in refused]))} no margin can be told, see the table")
    if waiting := by.get("not settled"):
        named = listed(_some([row.name for row in waiting]))
        clauses.append(f"{named} {'has' if len(waiting) == 1 else 'have'} not settled")
    return [at + clauses[0], *clauses[1:]]


def _by(row: PartRow) -> str:
    return f"by {number(-row.margin)} K" if row.margin < 0 else "by its last reading"


def _whom(inside: Sequence[PartRow]) -> str:
    return f"{inside[0].name} is" if len(inside) == 1 else f"{len(inside)} parts are"


def _some(names: list[str]) -> list[str]:
    rest = len(names) - _NAMED
    return names if rest <= 1 else [*names[:_NAMED], f"{rest} others"]


def _flow_sentence(results: xr.Dataset, flow: xr.Dataset | None) -> str:
    direction = board_direction(flow)
    if not direction.is_told:
        if direction.status == "not attempted":
            return "Where the heat is carried was not attempted."
        return "Where the heat is carried is not identifiable from this recording alone, so no direction is shown."
    turning = ", and turns during the recording" if direction.turns else ""
    return f"Heat is carried {direction.words}{turning}{_openings_clause(results, flow)}."


def _openings_clause(results: xr.Dataset, flow: xr.Dataset | None) -> str:
    names = [str(name) for name in results["opening"].to_numpy()] if "opening" in results.dims else []
    roles: dict[str, list[str]] = {"inlet": [], "outlet": [], "undecided": []}
    for name in names:
        roles[opening_roles(flow, name)].append(name)
    parts = []
    if roles["inlet"]:
        parts.append(f"air enters at the {listed(roles['inlet'])}")
    if roles["outlet"]:
        parts.append(
            f"leaves at the {listed(roles['outlet'])}" if parts else f"air leaves at the {listed(roles['outlet'])}"
        )
    return f": {' and '.join(parts)}" if parts else ""


def _changed_parts(chosen: xr.Dataset) -> str:
    rows = significant_parts(chosen)
    known = int(np.isfinite(judged_difference(chosen)[0]).sum())
    if not known:
        return "no part is in both sessions"
    if not rows:
        return f"none of {count(known, 'part')} changes by more than noise"
    verb = "changes" if len(rows) == 1 else "change"
    hotter = [row for row in rows if row[1] > 0]
    cooler = [row for row in rows if row[1] < 0]
    named = [_named(max(hotter, key=lambda row: row[1]), "hotter")] if hotter else []
    named += [_named(min(cooler, key=lambda row: row[1]), "cooler")] if cooler else []
    most = "" if len(rows) == 1 else "the most: "
    return f"{len(rows)} of {count(known, 'part')} {verb} by more than noise ({most}{', '.join(named)})"


def _named(row: tuple[str, float, float], word: str) -> str:
    name, difference, uncertainty = row
    return f"{name} {word} by {number(abs(difference))} ± {number(uncertainty)} K"


def significant_parts(chosen: xr.Dataset) -> list[tuple[str, float, float]]:
    """Return name, difference and standard uncertainty [K] of the parts that change by more than noise."""
    difference, spread = judged_difference(chosen)
    flags = chosen["region_significant"].to_numpy() == 1
    names = [str(name) for name in chosen["region"].to_numpy()]
    rows = zip(names, difference, spread, flags, strict=True)
    return [(name, float(d), float(u)) for name, d, u, flag in rows if flag and np.isfinite(d)]


def judged_difference(chosen: xr.Dataset) -> tuple[Array, Array]:
    """Return each region's difference and its standard uncertainty at matched condition [K].

    Of final rises where both sessions have settled, else of the rises at one time under power.
    """
    names = ("rise_difference", "rise_difference_uncertainty")
    steady = [chosen[f"steady_{name}"].to_numpy() for name in names]
    if "match_state" not in chosen:
        return steady[0], steady[1]
    settled = chosen["match_state"].to_numpy() == MATCH_STATE.index("both settled")
    found = [np.where(settled, one, chosen[f"matched_{name}"]) for name, one in zip(names, steady, strict=True)]
    return found[0], found[1]


def change_words(flag: float, degrees: float, uncertainty: float) -> str:
    """Return what became of a direction: a word of ``DIRECTION_CHANGE`` and the turn."""
    word = DIRECTION_CHANGE[int(flag)] if np.isfinite(flag) else "not identifiable"
    if word == "not identifiable" or not np.isfinite(degrees):
        return word
    spread = f" ± {number(uncertainty, digits=0)}" if np.isfinite(uncertainty) else ""
    return f"{word} ({number(degrees, digits=0, signed=True)}{spread}°)"


def _changed_direction(chosen: xr.Dataset) -> str:
    if "board_flow_change" not in chosen:
        return "the direction of the heat was not compared"
    names = ("board_flow_change", "board_flow_direction_change", "board_flow_direction_change_uncertainty")
    flag, degrees, uncertainty = (float(chosen[name]) for name in names)
    words = change_words(flag, degrees, uncertainty)
    if words == "not identifiable":
        return "whether the direction of the heat changes is not identifiable"
    if words.startswith("undecided"):
        return f"whether the direction of the heat changes is {words}"
    verb = "has" if words.startswith("turned") else "is"
    return f"the direction of the heat {verb} {words}"
