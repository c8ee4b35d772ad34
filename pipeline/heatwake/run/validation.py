"""``heatwake validate``: readings of the protocols to one page."""

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from heatwake import __version__
from heatwake.errors import InputError
from heatwake.report.film_lid import FilmLidFinding, TooFewRunsError, film_lid_finding
from heatwake.report.probe_agreement import ProbeFinding, probe_finding
from heatwake.report.tuft_scores import DirectionFinding, direction_finding, state_score
from heatwake.report.validation_page import Findings, validation_page
from heatwake.schema.validate import validate
from heatwake.schema.validation import Directions, FilmLid, ThermocoupleCheck, TuftState, Validation
from heatwake.store import results, validation_tables
from heatwake.store.toml import read_toml

NEEDED = ("flow_direction", "flow_direction_uncertainty", "board_flow_direction")


def validate_method(path: Path) -> Findings:
    """Return what the readings that a validation file names say.

    Raises
    ------
    InputError
        The file, or a table that it names, is wrong.
    """
    stated = read_validation(path)
    folder = path.parent
    return Findings(
        film_lid=None if stated.film_lid is None else _film_lid(stated.film_lid, folder),
        thermocouples=None if stated.thermocouples is None else _thermocouples(stated.thermocouples, folder),
        directions=None if stated.directions is None else _directions(stated.directions, folder),
    )


def read_validation(path: Path) -> Validation:
    """Return a validation file.

    Raises
    ------
    InputError
        It is missing, not TOML, or says something wrong.
    """
    return validate(Validation, read_toml(path), file=str(path))


def write_page(path: Path, findings: Findings, output: Path) -> None:
    """Write the page of what a validation file found; the same readings make the same page."""
    stated = read_validation(path)
    settings = stated.model_dump(mode="json", exclude_none=True)
    provenance: dict[str, Any] = {"heatwake": __version__, "input_sha256": _digests(stated, path.parent)}
    page = validation_page(findings, title=stated.title, settings=settings, provenance=provenance)
    results.write_text(output, page)


def _film_lid(stated: FilmLid, folder: Path) -> FilmLidFinding:
    table = validation_tables.read_lid_runs(folder / stated.readings)
    try:
        return film_lid_finding(table, bound=stated.bound_K, power_percent=stated.power_percent)
    except TooFewRunsError as error:
        wanted = "must have two runs or more of film and of lid, and places that are in both"
        raise InputError(f"film_lid.readings: {folder / stated.readings}", str(error), wanted) from None


def _thermocouples(stated: ThermocoupleCheck, folder: Path) -> ProbeFinding:
    tables = [] if stated.pairs is None else [validation_tables.read_pairs(folder / stated.pairs)]
    for one in stated.results:
        tables.append(validation_tables.read_probe_results(folder / one, accuracy=stated.accuracy_K))
    pairs = pd.concat(tables, ignore_index=True)
    if pairs["place"].nunique() < 2:
        raise InputError("thermocouples", f"{pairs['place'].nunique()} with readings", "must be two or more")
    return probe_finding(pairs)


def _directions(stated: Directions, folder: Path) -> DirectionFinding:
    scores = [
        state_score(
            state.name,
            _flow(folder / state.results, state),
            None if state.tufts is None else validation_tables.read_tufts(folder / state.tufts),
            fan=state.fan,
            tuft_mm=stated.tuft_mm,
            openings=state.openings,
        )
        for state in stated.states
    ]
    return direction_finding(scores, limit=stated.wrong_way)


def _flow(place: Path, state: TuftState) -> xr.Dataset:
    where = f"directions.states: {state.name}: {place / 'flow.nc'}"
    if not (place / "flow.nc").is_file():
        raise InputError(where, "missing", "must be the results of a session that was run")
    try:
        flow = results.open_result(place / "flow.nc")
    except (OSError, ValueError):
        raise InputError(where, "not readable", "must be the results of a session that was run") from None
    lacking = [name for name in NEEDED if name not in flow]
    if lacking:
        raise InputError(where, f"without {', '.join(lacking)}", "must be a flow result")
    known = [str(name) for name in np.atleast_1d(flow["opening"].to_numpy())] if "opening" in flow.coords else []
    unknown = next((name for name in state.openings if name not in known), None)
    if unknown is not None:
        wanted = f"must be one of {', '.join(known)}" if known else "must be declared in session.toml before it is run"
        raise InputError(f"{where}: opening", repr(unknown), wanted)
    return flow


def _digests(stated: Validation, folder: Path) -> dict[str, str]:
    """Return SHA-256 of every table, and the fingerprints of results, by their names in the file."""
    tables: list[Path] = []
    marks: dict[str, str] = {}
    if stated.film_lid is not None:
        tables.append(stated.film_lid.readings)
    if stated.thermocouples is not None:
        tables += [] if stated.thermocouples.pairs is None else [stated.thermocouples.pairs]
        tables += [one / "thermocouples.csv" for one in stated.thermocouples.results]
    for state in () if stated.directions is None else stated.directions.states:
        tables += [] if state.tufts is None else [state.tufts]
        marks[str(state.results / "flow.nc")] = results.read_fingerprint(folder / state.results / "flow.nc") or ""
    digests = {str(one): hashlib.sha256(validation_tables.content(folder / one)).hexdigest() for one in tables}
    return digests | marks
