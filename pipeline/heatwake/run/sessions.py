"""One session through every stage, its results to disk: the piece of work that a process does on its own."""

import json
import time
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, contextmanager
from functools import partial
from itertools import chain, islice
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake import __version__
from heatwake.report import outputs
from heatwake.report.further import Further
from heatwake.report.parts import part_rows
from heatwake.run.events import Outcome, Progress
from heatwake.run.fingerprints import determinants, fingerprint, marks_of, pages_determinants, plain_json
from heatwake.run.guard import Steps, guarded
from heatwake.run.placing import Anchor, Placing, placing_of
from heatwake.schema.findings import Examination
from heatwake.schema.settings import Settings
from heatwake.schema.variables import require
from heatwake.schema.workflow import Movie
from heatwake.stages import board, film, pixels, placement
from heatwake.stages.examination import examine
from heatwake.stages.map_reader import at_hand
from heatwake.stages.regions import RegionsSettings
from heatwake.stages.spread import final_directions
from heatwake.stages.table import PRODUCTS, Product
from heatwake.store import results, tables
from heatwake.store.movie import movie_name, write_movie
from heatwake.store.session import OpenSession, open_description, open_session
from heatwake.store.shelf import FileShelf
from heatwake.workers import shelving_with

Picture = npt.NDArray[np.uint8]

MADE: Final = ".made.json"  # what results were made from that cannot say it themselves, by file
FRAME_DIMS: Final = {"frame", "bare_frame", "covered_frame", "row", "column"}
FRAMES_TO_SUM: Final = 4  # in an analysis step, on average
PLACED: Final = "registration.nc"  # where a session is placed by another's picture
FROM_FRAMES: Final = ("registration.nc", "rise.nc")
SUMS: Final = ("mean_radiance", "summed")  # made beside the registration, for the maps
NEXT: Final = "next.csv"
TABLES: Final = ("summary.csv", "budget.csv", "transients.csv", "lineage.csv", NEXT, "findings.csv")
PROBE_TABLE: Final = "thermocouples.csv"  # of sessions that have some
FILM: Final = movie_name("airflow")
PAGES: Final = ("report.html", FILM)
FIGURES: Final = "figures"  # folder of the page's figures as files of their own


def run_session(
    folder: Path,
    target: Path,
    settings: Mapping[str, Settings],
    *,
    pages: bool = True,
    anchor: Anchor | None = None,
    tell: Callable[[Progress], None] | None = None,
) -> Outcome:
    """Do what is not done yet of one session.

    Parameters
    ----------
    folder : Path
        The session's.
    target : Path
        Folder of its results.
    settings : mapping of str to Settings
        Of every stage, by its name.
    pages : bool
        Also write the report and the movie.
    anchor : Anchor, optional
        The reference session, by whose picture a session without a scale is placed.
    tell : callable, optional
        Is told of each step.

    Returns
    -------
    Outcome
        Results are on disk; nothing else comes back.
    """
    steps = session_steps(folder, target, settings, pages=pages, anchor=anchor)
    with closing(steps):
        while True:
            try:
                progress = next(steps)
            except StopIteration as end:
                outcome: Outcome = end.value
                return outcome
            if tell is not None:
                tell(progress)


def session_steps(
    folder: Path, target: Path, settings: Mapping[str, Settings], *, pages: bool = True, anchor: Anchor | None = None
) -> Generator[Progress, None, Outcome]:
    """Yield a session's progress, the first before any work is done, and return its outcome."""
    products: dict[str, float] = {}
    name = folder.resolve().name
    steps = _steps(folder, target, settings, pages=pages, anchor=anchor, products=products)
    return (yield from guarded(name, steps, products=products))


def stored_session(folder: Path, target: Path) -> xr.Dataset:
    """Return the results of a session that is done, with what its file says, but for flow and spread; maps lazily."""
    description, dataset = open_description(folder)
    made = {name: results.open_result(target / name) for name in ("registration.nc", "rise.nc", "regions.nc")}
    if description.camera.distortion is not None:  # the lens is not known here: pictures cannot be laid on the board
        made["registration.nc"] = made["registration.nc"].drop_vars("still_picture", errors="ignore")
    conditions = json.dumps(description.conditions, sort_keys=True)
    frames = {name: made["registration.nc"][name].variable for name in ("reason", "usable")}
    return _merge(dataset.assign_attrs(conditions=conditions), *_known(made)).assign(frames)


def stored_pages(folder: Path, target: Path) -> xr.Dataset:
    """Return all that a session's page is drawn from but flow; frames' clock is ``frame_elapsed``, maps lazily."""
    made = {name: results.open_result(target / name) for name in ("registration.nc", "spread.nc")}
    return _with_frames(stored_session(folder, target), made)


def _with_frames(merged: xr.Dataset, made: Mapping[str, xr.Dataset]) -> xr.Dataset:
    frames = made["registration.nc"].rename({"time": "frame_time", "elapsed": "frame_elapsed"})
    spread = made["spread.nc"].rename(time="spread_time").drop_vars("elapsed")
    return _merge(frames, merged, spread)  # what the thermocouples say of the film counts, not what was said before


def stored_flow(target: Path) -> xr.Dataset:
    """Return the flow results of a session that is done."""
    return results.open_result(target / "flow.nc")


def stored_spread(target: Path) -> xr.Dataset:
    """Return the footprints of a session that is done."""
    return results.open_result(target / "spread.nc")


def _steps(
    folder: Path,
    target: Path,
    settings: Mapping[str, Settings],
    *,
    pages: bool,
    anchor: Anchor | None,
    products: dict[str, float],
) -> Steps:
    session = open_session(folder)
    if any(not (target / product.file).is_file() for product in PRODUCTS):
        yield Progress(session.name, "recording", 0, 1)  # before what takes time: reading the whole of it
    placing = placing_of(session, anchor, settings)
    made_from = determinants(session, settings, placed_by=None if placing is None else placing.about)
    marks = marks_of(made_from)
    stale = [product for product in PRODUCTS if results.read_fingerprint(target / product.file) != marks[product.file]]
    if stale:
        yield Progress(session.name, stale[0].file, 0, 1)
    read = _read(session)
    described = read.drop_dims(FRAME_DIMS & set(read.dims))
    frames = _frames(read, settings) if any(product.file in FROM_FRAMES for product in stale) else read
    made: dict[str, xr.Dataset] = {}
    for product in PRODUCTS:
        if product in stale:
            dataset = _inputs(product, frames, made, described=described)
            with _timed(product.file, products):
                if placing is not None and product.file == PLACED:
                    board_seen = yield from _reference(placing, told_by=session.name)
                    dataset = dataset.assign(board_seen.data_vars).assign_attrs(board_seen.attrs)
                whole = yield from _make(
                    product, dataset, target, settings=settings, session=session, made_from=made_from
                )
                if product.file == PLACED:
                    frames = frames.assign({name: whole[name] for name in SUMS if name in whole})
        made[product.file] = results.open_result(target / product.file)
    with _timed("pages" if pages else TABLES[0], products):
        merged = _merge(described, *_known(made))
        told = yield from _tell_people(session, target, (made, merged), settings=settings, marks=marks, pages=pages)
    if not told:
        products.pop("pages" if pages else TABLES[0])
    return "done" if stale or told else "up to date"


def _read(session: OpenSession) -> xr.Dataset:
    return session.dataset.assign_attrs(conditions=json.dumps(session.description.conditions, sort_keys=True))


def _frames(read: xr.Dataset, settings: Mapping[str, Settings]) -> xr.Dataset:
    """Frames with all that the first product's stages need."""
    checked = pixels.STAGE.apply(read, settings["pixels"])
    return _with_bins(film.STAGE.apply(checked, settings["film"]), settings)


def _reference(placing: Placing, *, told_by: str) -> Generator[Progress, None, xr.Dataset]:
    """Return the board that a session is placed by; the reference's registration is made where it does not stand.

    By the same steps as the reference itself would make it, so it is the same whoever comes first.
    """
    reference, made_from = placing.session, placing.determinants
    product = next(product for product in PRODUCTS if product.file == PLACED)
    file = placing.target / product.file
    if results.read_fingerprint(file) != marks_of(made_from)[product.file]:
        frames = _frames(_read(reference), placing.settings)
        steps = _make(
            product, frames, placing.target, settings=placing.settings, session=reference, made_from=made_from
        )
        for progress in steps:
            yield Progress(told_by, f"{reference.name}/{progress.file}", progress.done, progress.total)
    described = reference.dataset.drop_vars(["frame", "elapsed", "time"], errors="ignore")
    board_seen = described.assign(still_picture=results.open_result(file)["still_picture"].load())
    return placement.reference_board(board_seen, name=reference.name)


@contextmanager
def _timed(name: str, seconds: dict[str, float]) -> Iterator[None]:
    started = time.monotonic()
    yield
    seconds[name] = round(time.monotonic() - started, 3)


def _inputs(
    product: Product, frames: xr.Dataset, made: Mapping[str, xr.Dataset], *, described: xr.Dataset
) -> xr.Dataset:
    """What a product's first stage gets: frames before the maps are made, maps and description after."""
    if product.file == "registration.nc":
        return frames
    if product.file == "rise.nc":
        return _merge(frames, made["registration.nc"])
    inputs = _merge(described, *_known(made))
    return inputs.assign(final_directions(made["flow.nc"])) if product.file == "spread.nc" else inputs


def _with_bins(frames: xr.Dataset, settings: Mapping[str, Settings]) -> xr.Dataset:
    """Mark each frame's analysis step where a step has several: frames are then summed while their motion is measured.

    Fewer are as quickly read once more as their sums are put aside.
    """
    chosen = settings["board"]
    if not isinstance(chosen, board.BoardSettings) or not frames.sizes["frame"]:
        return frames
    bins = board.analysis_bins(frames["elapsed"].to_numpy(), chosen)
    return frames.assign(bin=("frame", bins)) if len(bins) >= FRAMES_TO_SUM * (bins[-1] + 1) else frames


def _known(made: Mapping[str, xr.Dataset]) -> list[xr.Dataset]:
    """Results that later stages build on; of the registration only the film's scalars."""
    scalars = made["registration.nc"].drop_dims("frame")
    return [scalars, *(made[name] for name in ("rise.nc", "regions.nc") if name in made)]


def _merge(*datasets: xr.Dataset) -> xr.Dataset:
    """Join datasets; where two hold one name, the later one's counts."""
    joined = datasets[0]
    for dataset in datasets[1:]:
        joined = joined.drop_vars([name for name in dataset.variables if name in joined.variables])
        # without their coordinates, which are in by then: aligning every variable takes longer than many a stage
        joined = joined.assign_coords(dataset.coords).assign({name: dataset.variables[name] for name in dataset})
    return joined


def _make(
    product: Product,
    dataset: xr.Dataset,
    target: Path,
    *,
    settings: Mapping[str, Settings],
    session: OpenSession,
    made_from: Mapping[str, Mapping[str, Any]],
) -> Generator[Progress, None, xr.Dataset]:
    """Make and write one result; return all that its stages made."""
    yield Progress(session.name, product.file, 0, 1)
    results.make_folder(target)
    placed = (placement.STAGE,) if "reference_picture" in dataset else ()
    stages = (*product.stages, *placed)
    with shelving_with(partial(FileShelf, target)):
        for stage in stages:
            require(dataset, stage.needs)
            dataset = stage.apply(dataset, settings[stage.name])
    keeps = (*product.keeps, *(name for stage in placed for name in stage.makes))
    kept = dataset[[name for name in keeps if name in dataset]] if product.keeps else dataset
    used = {stage.name: settings[stage.name].model_dump(mode="json") for stage in stages}
    attributes = {
        "fingerprint": fingerprint(made_from[product.file]),
        "made_from": plain_json(made_from[product.file]),
        "settings": results.settings_json(used),
        "input_sha256": results.settings_json(session.digests),
        "title": session.description.title,
    }
    history = f"heatwake {__version__}: " + ", ".join(stage.name for stage in stages)
    steps = results.write_result(target / product.file, kept, attributes=attributes, history=history)
    for done, total in steps:
        yield Progress(session.name, product.file, done, total)
    return dataset


def _tell_people(
    session: OpenSession,
    target: Path,
    known: tuple[Mapping[str, xr.Dataset], xr.Dataset],
    *,
    settings: Mapping[str, Settings],
    marks: Mapping[str, str],
    pages: bool,
) -> Generator[Progress, None, bool]:
    """Write tables and pages unless they stand; tell whether any was written. Pages that no longer hold are removed."""
    made, merged = known
    mark = marks[PRODUCTS[-1].file]
    made_from = pages_determinants(mark, session.description.title, stated=stated_in(session, settings))
    told = tables_of(session)
    wanted = (*told, *PAGES, *figures_noted(target)) if pages else told
    if stands(target, made_from, wanted):
        return False
    yield Progress(session.name, TABLES[0], 0, 3)
    rows = part_rows(merged)
    made_rows = [outputs.summary_rows(rows), outputs.budget_rows(merged, rows)]
    made_rows += [outputs.transient_rows(merged, criterion=criterion_in(settings)), outputs.lineage_rows(merged)]
    stated = {name: one.model_dump(mode="json") for name, one in settings.items()}
    further = outputs.further_recordings(merged, made["flow.nc"], stated)
    made_rows += [outputs.further_rows(further)]
    examined = examine(_read(session), offsets=made["registration.nc"]["offset_step"].to_numpy())
    made_rows += [outputs.finding_rows(examined)]
    made_rows += [outputs.thermocouple_rows(merged)] if PROBE_TABLE in told else []
    for name, content in zip(told, made_rows, strict=True):
        results.write_text(target / name, tables.csv_text(content))
    if PROBE_TABLE not in told:
        results.remove(target / PROBE_TABLE)
    if not pages:
        if not stands(target, made_from, PAGES):
            for name in (*PAGES, *figures_noted(target)):
                results.remove(target / name)
        note(target, made_from, told)
        return True
    yield Progress(session.name, "report.html", 0, 3)
    merged = at_hand(merged)
    movie = movie_of(settings)
    frames = outputs.airflow_frames(merged, made["flow.nc"], movie=movie)
    with filming(target / FILM, frames, movie=movie) as film:
        with kept_figures(target, made_from) as keep:
            page = _page(session, made, merged, settings=stated, further=further, keep=keep, examined=examined)
        results.write_text(target / "report.html", page)
        yield Progress(session.name, FILM, 1, 3)
        film.result()
    note(target, made_from, (*told, *PAGES))
    yield Progress(session.name, FILM, 3, 3)
    return True


@contextmanager
def filming(path: Path, frames: Iterator[Picture], *, movie: Movie) -> Iterator[Future[None]]:
    """Write a film beside what else is done; the block ends when it is written.

    Its first frame is drawn at once: from there on nothing is drawn by matplotlib, whose styles all threads share.
    """
    begun = chain(list(islice(frames, 1)), frames)
    with ThreadPoolExecutor(1) as beside:
        yield beside.submit(write_movie, path, begun, rate=movie.frames_per_s, count=movie.frames)


def movie_of(settings: Mapping[str, Settings]) -> Movie:
    """Return how films are to be."""
    chosen = settings.get("movie")
    return chosen if isinstance(chosen, Movie) else Movie()


def figures_noted(folder: Path) -> tuple[str, ...]:
    """Return the names of the figures that were written beside a page."""
    return tuple(name for name in results.read_json(folder / MADE) if name.startswith(f"{FIGURES}/"))


@contextmanager
def kept_figures(folder: Path, made_from: Mapping[str, Any]) -> Iterator[Callable[[str, bytes], None]]:
    """Yield what takes a figure's file; at the end those of before that were not made again are removed."""
    before, kept = figures_noted(folder), list[str]()

    def keep(name: str, content: bytes) -> None:
        results.write_bytes(folder / FIGURES / name, content)
        kept.append(f"{FIGURES}/{name}")

    yield keep
    for name in set(before) - set(kept):
        results.remove(folder / name)
    noted = {name: one for name, one in results.read_json(folder / MADE).items() if name not in before}
    results.write_json(folder / MADE, noted | dict.fromkeys(kept, made_from))


def criterion_in(settings: Mapping[str, Settings]) -> str:
    """Return the criterion by which parts count as settled."""
    chosen = settings["regions"]
    return str(chosen.settling) if isinstance(chosen, RegionsSettings) else ""


def tables_of(session: OpenSession) -> tuple[str, ...]:
    """Return the names of the tables that a session gets."""
    return (*TABLES, PROBE_TABLE) if "probe" in session.dataset.dims else TABLES


def stated_in(session: OpenSession, settings: Mapping[str, Settings]) -> dict[str, Any]:
    """Return what pages depend on and results do not: what is stated for the record, and how films are to be."""
    report = session.description.report
    return {
        "report": {} if report is None else report.model_dump(mode="json", exclude_none=True),
        "movie": movie_of(settings).model_dump(mode="json", exclude_defaults=True, exclude={"beside"}),
    }


def _page(
    session: OpenSession,
    made: Mapping[str, xr.Dataset],
    merged: xr.Dataset,
    *,
    settings: Mapping[str, Any],
    further: Sequence[Further],
    keep: Callable[[str, bytes], None] | None = None,
    examined: Examination | None = None,
) -> str:
    return outputs.session_page(
        _with_frames(merged, made),
        made["flow.nc"],
        description=session.description,
        digests=session.digests,
        settings=settings,
        further=further,
        keep=keep,
        examined=examined,
    )


def stands(folder: Path, made_from: Mapping[str, Any], names: tuple[str, ...]) -> bool:
    """Tell whether files are there and were made from this."""
    noted = results.read_json(folder / MADE)
    return all(noted.get(name) == made_from and (folder / name).is_file() for name in names)


def note(folder: Path, made_from: Mapping[str, Any], names: tuple[str, ...]) -> None:
    """Remember what files were made from."""
    results.write_json(folder / MADE, results.read_json(folder / MADE) | dict.fromkeys(names, made_from))
