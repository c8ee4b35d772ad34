"""All sessions of a workflow against its reference, once they are done."""

import json
from collections import ChainMap
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, cast

import xarray as xr

from heatwake import __version__
from heatwake.errors import InputError
from heatwake.report import outputs
from heatwake.run.events import Progress
from heatwake.run.fingerprints import comparison_determinants, fingerprint, pages_determinants, plain_json
from heatwake.run.further import further_of
from heatwake.run.guard import Steps
from heatwake.run.record import past_determinants, past_takes
from heatwake.run.sessions import MADE, NEXT, TABLES, Picture, figures_noted, filming, kept_figures, note, stands
from heatwake.schema.settings import Settings
from heatwake.schema.workflow import Movie, Workflow
from heatwake.stages import comparison, experiment
from heatwake.stages.map_reader import at_hand
from heatwake.stages.set_ups import conditions
from heatwake.stages.table import PRODUCTS
from heatwake.stages.takes import Take
from heatwake.store import results, tables
from heatwake.store.movie import movie_name

KEPT: Final = 8  # opened at a time
FILE: Final = "comparison.nc"
STUDY: Final = "experiment.nc"  # where the sessions are an experiment
EFFECTS: Final = "effects.csv"
TIDY: Final = "differences.csv"
TABLE: Final = "comparison.csv"
PAGE: Final = "comparison.html"
FILM: Final = movie_name("comparison")
PAGES: Final = (PAGE, FILM)
FILES: Final = (FILE, TABLE, TIDY, NEXT, *PAGES)


class Stored(Mapping[str, xr.Dataset]):
    """Results by session, opened when they are asked for and a few kept: memory does not grow with their number."""

    def __init__(self, openers: Mapping[str, Callable[[], xr.Dataset]]) -> None:
        self._openers = dict(openers)
        self._open = lru_cache(KEPT)(lambda name: self._openers[name]())

    def __getitem__(self, name: str) -> xr.Dataset:
        return self._open(name)

    def __iter__(self) -> Iterator[str]:
        return iter(self._openers)

    def __len__(self) -> int:
        return len(self._openers)


def comparison_steps(
    workflow: Workflow,
    root: Path,
    *,
    sessions: Mapping[str, xr.Dataset],
    flows: Mapping[str, xr.Dataset],
    spreads: Mapping[str, xr.Dataset],
    settings: Settings,
    names: list[str],
    pages: bool,
    record_file: Path | None = None,
    criterion: str = "",
) -> Steps:
    """Compare what is complete with the reference unless that stands; yield progress and return the state.

    ``record_file`` is that of the laboratory's record, where the workflow has one.

    Raises
    ------
    InputError
        The reference, or every other session, is missing.
    """
    reference = workflow.reference or names[0]
    require_reference(reference, sessions)
    if not isinstance(settings, comparison.ComparisonSettings):
        raise TypeError("comparison settings of another kind")
    marks = {name: results.read_fingerprint(root / name / PRODUCTS[-1].file) for name in sessions}
    past = past_takes(workflow.record, record_file, sessions=sessions, root=root)
    made_from = comparison_determinants(marks, reference, settings=settings, record=past_determinants(past))
    mark = fingerprint(made_from)
    stated = {name: _stated_in(root / name) for name in sessions}
    shown_from = shown_determinants(mark, workflow, stated=stated, criterion=criterion)
    if _data_stand(root, mark) and stands(root, shown_from, shown_files(root, pages=pages)):
        return "up to date"
    yield Progress("comparison", FILE, 0, 3)
    if not _data_stand(root, mark):
        products = (sessions, flows, spreads)
        yield from _compare(workflow, root, products=products, settings=settings, made_from=made_from, past=past)
    wanted = shown_files(root, pages=pages)
    if stands(root, shown_from, wanted):
        return "done"
    made = stored_comparison(root, reference)
    study = stored_experiment(root, mark)
    results.write_text(root / TABLE, tables.csv_text(outputs.comparison_rows(made, sessions)))
    results.write_text(root / TIDY, tables.csv_text(outputs.difference_rows(made, sessions)))
    further = outputs.further_of_comparison(
        made,
        sessions,
        reference=reference,
        settings=settings.model_dump(),
        own={name: further_of(root / name) for name in sessions},
    )
    results.write_text(root / NEXT, tables.csv_text(outputs.further_rows(further)))
    if study is None:
        results.remove(root / EFFECTS)
    else:
        results.write_text(root / EFFECTS, tables.csv_text(outputs.effect_rows(study)))
    if pages:
        yield Progress("comparison", PAGE, 2, 3)
        record = {"comparison": settings.model_dump(mode="json"), "reference": reference}
        near = _near(sessions, reference)
        frames = _film(workflow.movie, reference, sessions=near, flows=flows)
        with filming(root / FILM, frames, movie=workflow.movie) as film:
            with kept_figures(root, shown_from) as keep:
                page = outputs.comparison_page(
                    made,
                    near,
                    flows,
                    title=workflow.title,
                    settings=record,
                    experiment=study,
                    further=further,
                    stated=stated,
                    criterion=criterion,
                    keep=keep,
                )
            results.write_text(root / PAGE, page)
            yield Progress("comparison", FILM, 2, 3)
            film.result()
    elif not stands(root, shown_from, PAGES):
        for name in (*PAGES, *figures_noted(root)):
            results.remove(root / name)
    told = shown_files(root, pages=False)
    note(root, shown_from, (*told, *PAGES) if pages else told)
    yield Progress("comparison", wanted[-1], 3, 3)
    return "done"


def _near(sessions: Mapping[str, xr.Dataset], reference: str) -> Mapping[str, xr.Dataset]:
    """Return sessions, the first ones with their maps in memory where those are small."""
    first = [reference, *(name for name in sessions if name != reference)][: KEPT // 2]
    return ChainMap({name: at_hand(sessions[name]) for name in first}, cast("dict[str, xr.Dataset]", sessions))


def has_experiment(root: Path) -> bool:
    """Tell whether the comparison that stands says that an experiment belongs to it."""
    return (results.read_origin(root / FILE) or {}).get("experiment") == STUDY


def shown_files(root: Path, *, pages: bool) -> tuple[str, ...]:
    """Return the tables, and what pages are made with them, that belong to the comparison that stands."""
    tables = (TABLE, TIDY, NEXT, EFFECTS) if has_experiment(root) else (TABLE, TIDY, NEXT)
    return (*tables, *PAGES, *figures_noted(root)) if pages else tables


def _data_stand(root: Path, mark: str) -> bool:
    files = (FILE, STUDY) if has_experiment(root) else (FILE,)
    return all(results.read_fingerprint(root / file) == mark for file in files)


def shown_determinants(
    mark: str, workflow: Workflow, *, stated: Mapping[str, Mapping[str, Any]], criterion: str
) -> dict[str, Any]:
    """Return what determines the comparison's tables, page and film.

    Parameters
    ----------
    mark : str
        The comparison's fingerprint.
    workflow : Workflow
    stated : mapping of str to mapping
        What session files state for the record, by session.
    criterion : str
        By which parts count as settled.
    """
    movie = workflow.movie.model_dump(mode="json", exclude_defaults=True)
    reports = {name: dict(table) for name, table in stated.items() if table}
    about = {"movie": movie, "report": reports, "settling": criterion}
    return pages_determinants(mark, workflow.title, stated=about)


def _stated_in(folder: Path) -> dict[str, Any]:
    """Return what a session's file states for the record, as its tables noted it."""
    noted = results.read_json(folder / MADE).get(TABLES[0])
    about = noted.get("stated") if isinstance(noted, dict) else None
    table = about.get("report") if isinstance(about, dict) else None
    return table if isinstance(table, dict) else {}


def _film(
    movie: Movie, reference: str, *, sessions: Mapping[str, xr.Dataset], flows: Mapping[str, xr.Dataset]
) -> Iterator[Picture]:
    """Return the film of the reference and another session side by side, frame by frame."""
    others = [name for name in sessions if name != reference]
    other = movie.beside if movie.beside in others else others[0]
    pair = {name: sessions[name] for name in (reference, other)}
    told = {name: flows[name] for name in pair if name in flows}
    return outputs.side_by_side_frames(pair, told, movie=movie)


def require_reference(reference: str, names: Collection[str]) -> None:
    """Check that there is something to compare.

    Raises
    ------
    InputError
        The reference, or every other session, is missing.
    """
    if reference not in names or len(names) < 2:
        raise InputError("comparison", "blocked", f"must have the reference {reference} and another session complete")


def _compare(
    workflow: Workflow,
    root: Path,
    *,
    products: tuple[Mapping[str, xr.Dataset], Mapping[str, xr.Dataset], Mapping[str, xr.Dataset]],
    settings: comparison.ComparisonSettings,
    made_from: Mapping[str, Any],
    past: Sequence[Take],
) -> Iterator[Progress]:
    """Write the experiment, where there is one, and the comparison unless that stands already."""
    sessions, flows, spreads = products
    stated = {name: conditions(session) for name, session in sessions.items()}
    attributes = {
        "fingerprint": fingerprint(made_from),
        "made_from": plain_json(made_from),
        "settings": results.settings_json(settings.model_dump(mode="json")),
        "input_sha256": results.settings_json(made_from["sessions"]),
        "title": workflow.title,
        "reference": made_from["reference"],
        "conditions": json.dumps(stated, sort_keys=True),
    }
    history = f"heatwake {__version__}: comparison"
    study = experiment.analyse_experiment(sessions, made_from["reference"], settings=settings, past=past)
    if study is None:
        results.remove(root / STUDY)
    else:
        about = attributes | {"design": study.attrs["design"]}
        for _ in results.write_result(root / STUDY, study, attributes=about, history=f"{history}, experiment"):
            yield Progress("comparison", STUDY, 0, 3)
    if results.read_fingerprint(root / FILE) == attributes["fingerprint"]:
        return
    made = comparison.compare(
        sessions, made_from["reference"], settings=settings, flows=flows, spreads=spreads, past=past
    )
    attributes["experiment"] = "" if study is None else STUDY
    for _ in results.write_result(root / FILE, made, attributes=attributes, history=history):
        yield Progress("comparison", FILE, 1, 3)


def stored_comparison(root: Path, reference: str) -> xr.Dataset:
    """Return the comparison that stands."""
    return results.open_result(root / FILE).load().assign_attrs(reference=reference)


def stored_experiment(root: Path, mark: str) -> xr.Dataset | None:
    """Return the experiment that belongs to the comparison of a fingerprint; None where there is none."""
    file = root / STUDY
    if results.read_fingerprint(file) != mark:
        return None
    design = (results.read_origin(file) or {}).get("design", "{}")
    return results.open_result(file).load().assign_attrs(design=design)
