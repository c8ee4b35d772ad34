"""The runner: sessions through the stages, results to disk, outcomes to whoever watches."""

import json
import logging
import time
import traceback
from collections.abc import Generator, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

import xarray as xr
from threadpoolctl import threadpool_limits

from heatwake import __version__
from heatwake.errors import HeatwakeError, InputError
from heatwake.report import outputs
from heatwake.report.parts import part_rows
from heatwake.run.fingerprints import fingerprint, product_marks
from heatwake.run.workflows import read_workflow, session_folders
from heatwake.schema.settings import Settings
from heatwake.schema.variables import require
from heatwake.schema.workflow import Workflow
from heatwake.stages import comparison, film
from heatwake.stages.table import PRODUCTS, Product
from heatwake.store import results, tables
from heatwake.store.movie import write_movie
from heatwake.store.session import OpenSession, open_session

logger = logging.getLogger(__name__)

State = Literal["done", "up to date", "failed"]
MADE: Final = ".made.json"  # fingerprints of results that cannot carry their own
FRAME_DIMS: Final = {"frame", "bare_frame", "covered_frame", "row", "column"}


@dataclass(frozen=True)
class Progress:
    """A step on the way: ``done`` of ``total`` for one file of one session."""

    session: str
    file: str
    done: int
    total: int


@dataclass(frozen=True)
class Outcome:
    """How a session, or the comparison, ended."""

    name: str
    state: State
    reason: str = ""
    seconds: float = 0.0
    is_input_error: bool = False
    details: str = ""
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Finished:
    """The end of a run."""

    outcomes: tuple[Outcome, ...]
    results: Path
    sessions: dict[str, xr.Dataset] = field(default_factory=dict)
    flows: dict[str, xr.Dataset] = field(default_factory=dict)
    comparison: xr.Dataset | None = None

    @property
    def exit_code(self) -> int:
        """0 all done; 1 some failed; 2 nothing could run for what the input says."""
        failed = [outcome for outcome in self.outcomes if outcome.state == "failed"]
        if not failed:
            return 0
        return 2 if not self.sessions and all(outcome.is_input_error for outcome in failed) else 1


Event = Progress | Outcome | Finished


def run_workflow(path: Path) -> Iterator[Event]:
    """Run a workflow; yield progress, an outcome for each session, and the end.

    Raises
    ------
    InputError
        The workflow file is wrong. What is wrong with a session becomes its outcome.
    """
    # The fits solve many small systems: threads of the linear algebra cost them several times what they gain.
    with threadpool_limits(limits=1, user_api="blas"):
        yield from _run_all(path)


def _run_all(path: Path) -> Iterator[Event]:
    workflow, settings = read_workflow(path)
    folders = session_folders(workflow, path)
    root = path.parent / workflow.results
    with results.held(root):
        yield from _run_held(path, workflow, folders, root=root, settings=settings)


def _run_held(
    path: Path, workflow: Workflow, folders: Mapping[str, Path], *, root: Path, settings: Mapping[str, Settings]
) -> Iterator[Event]:
    outcomes: list[Outcome] = []
    sessions: dict[str, xr.Dataset] = {}
    flows: dict[str, xr.Dataset] = {}
    started = time.monotonic()
    for name, folder in folders.items():
        outcome = yield from _guarded(name, _run_session(folder, root / name, settings), into=(sessions, flows))
        outcomes.append(outcome)
        results.write_json(root / "run.json", _journal(path, workflow, outcomes, started=started))
        yield outcome
    compared: xr.Dataset | None = None
    if len(folders) > 1:
        holder: dict[str, xr.Dataset] = {}
        steps = _run_comparison(workflow, root, sessions=sessions, flows=flows, settings=settings, names=list(folders))
        outcome = yield from _guarded("comparison", steps, into=(holder, {}))
        compared = holder.get("comparison")
        outcomes.append(outcome)
        yield outcome
    results.write_json(root / "run.json", _journal(path, workflow, outcomes, started=started))
    yield Finished(tuple(outcomes), root, sessions, flows, compared)


Steps = Generator[Progress, None, tuple[State, dict[str, xr.Dataset], dict[str, xr.Dataset]]]


class _Collector(logging.Handler):
    """Keeps what is warned of while a session runs."""

    def __init__(self) -> None:
        super().__init__(level=logging.WARNING)
        self.messages: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        message = record.getMessage()
        if message not in self.messages:
            self.messages.append(message)


def _guarded(
    name: str, steps: Steps, *, into: tuple[dict[str, xr.Dataset], dict[str, xr.Dataset]]
) -> Generator[Progress, None, Outcome]:
    """Run one session to its outcome; the only place that catches broadly, so that the batch goes on."""
    started = time.monotonic()
    collector = _Collector()
    root_logger = logging.getLogger("heatwake")
    root_logger.addHandler(collector)
    try:
        state, first, second = yield from steps
    except InputError as error:
        return Outcome(name, "failed", str(error), time.monotonic() - started, is_input_error=True)
    except Exception as error:
        reason = f"{type(error).__name__}: {' '.join(str(error).split())}"
        logger.debug("session failed", exc_info=True)
        details = "" if isinstance(error, HeatwakeError) else traceback.format_exc()
        return Outcome(name, "failed", reason, time.monotonic() - started, details=details)
    finally:
        root_logger.removeHandler(collector)
    into[0].update(first)
    into[1].update(second)
    return Outcome(name, state, seconds=time.monotonic() - started, warnings=tuple(collector.messages))


def _run_session(folder: Path, target: Path, settings: Mapping[str, Settings]) -> Steps:
    session = open_session(folder)
    marks = product_marks(session, settings)
    stale = [product for product in PRODUCTS if results.read_fingerprint(target / product.file) != marks[product.file]]
    frames = session.dataset.assign_attrs(conditions=json.dumps(session.description.conditions, sort_keys=True))
    if any(product.file in {"registration.nc", "rise.nc"} for product in stale):
        frames = film.STAGE.apply(frames, settings["film"])
    made: dict[str, xr.Dataset] = {}
    for product in PRODUCTS:
        if product in stale:
            dataset = _inputs(product, frames, made)
            yield from _make(product, dataset, target, settings=settings, session=session, mark=marks[product.file])
        made[product.file] = results.open_result(target / product.file)
    merged = _merge(_without_frames(frames), *_known(made))
    report_made = yield from _report_session(session, target, made, merged, settings=settings, mark=marks["flow.nc"])
    state: State = "done" if stale or report_made else "up to date"
    return state, {session.name: merged}, {session.name: made["flow.nc"]}


def _inputs(product: Product, frames: xr.Dataset, made: Mapping[str, xr.Dataset]) -> xr.Dataset:
    """What a product's first stage gets: frames before the maps are made, maps and description after."""
    if product.file == "registration.nc":
        return frames
    if product.file == "rise.nc":
        return _merge(frames, made["registration.nc"])
    return _merge(_without_frames(frames), *_known(made))


def _known(made: Mapping[str, xr.Dataset]) -> list[xr.Dataset]:
    """Results that later stages build on; of the registration only the film's scalars."""
    scalars = made["registration.nc"].drop_dims("frame")
    return [scalars, *(made[name] for name in ("rise.nc", "regions.nc") if name in made)]


def _without_frames(frames: xr.Dataset) -> xr.Dataset:
    return frames.drop_dims(FRAME_DIMS & set(frames.dims))


def _merge(*datasets: xr.Dataset) -> xr.Dataset:
    """Join datasets; where two hold one name, the later one's counts."""
    joined = datasets[0]
    for dataset in datasets[1:]:
        joined = joined.drop_vars([name for name in dataset.variables if name in joined.variables])
        joined = joined.assign_coords(dataset.coords).assign(dataset.data_vars)
    return joined


def _make(
    product: Product,
    dataset: xr.Dataset,
    target: Path,
    *,
    settings: Mapping[str, Settings],
    session: OpenSession,
    mark: str,
) -> Generator[Progress, None, None]:
    yield Progress(session.name, product.file, 0, 1)
    for stage in product.stages:
        require(dataset, stage.needs)
        dataset = stage.apply(dataset, settings[stage.name])
    if product.keeps:
        kept = [name for name in product.keeps if name in dataset]
        dataset = dataset[kept]
    used = {stage.name: settings[stage.name].model_dump(mode="json") for stage in product.stages}
    attributes = {
        "fingerprint": mark,
        "settings": results.settings_json(used),
        "input_sha256": results.settings_json(session.digests),
        "title": session.description.title,
    }
    history = f"heatwake {__version__}: " + ", ".join(stage.name for stage in product.stages)
    steps = results.write_result(target / product.file, dataset, attributes=attributes, history=history)
    for done, total in steps:
        yield Progress(session.name, product.file, done, total)


def _report_session(
    session: OpenSession,
    target: Path,
    made: Mapping[str, xr.Dataset],
    merged: xr.Dataset,
    *,
    settings: Mapping[str, Settings],
    mark: str,
) -> Generator[Progress, None, bool]:
    """Write ``summary.csv``, ``report.html`` and ``airflow.mp4`` unless they stand; tell whether any was written."""
    mark = fingerprint({"parent": mark, "report": outputs.VERSION, "title": session.description.title})
    if _stands(target, mark, ("summary.csv", "report.html", "airflow.mp4")):
        return False
    yield Progress(session.name, "report.html", 0, 3)
    results.write_text(target / "summary.csv", tables.csv_text(outputs.summary_rows(part_rows(merged))))
    frames = made["registration.nc"].rename({"time": "frame_time", "elapsed": "frame_elapsed"})
    spread = made["spread.nc"].rename(time="spread_time").drop_vars("elapsed")
    page = outputs.session_page(
        _merge(merged, frames, spread),
        made["flow.nc"],
        description=session.description,
        digests=session.digests,
        settings={name: one.model_dump(mode="json") for name, one in settings.items()},
    )
    results.write_text(target / "report.html", page)
    yield Progress(session.name, "airflow.mp4", 1, 3)
    write_movie(target / "airflow.mp4", outputs.airflow_frames(merged, made["flow.nc"]), rate=outputs.MOVIE_RATE)
    _mark(target, mark)
    yield Progress(session.name, "airflow.mp4", 3, 3)
    return True


def _stands(folder: Path, mark: str, names: tuple[str, ...]) -> bool:
    return results.read_json(folder / MADE).get("fingerprint") == mark and all((folder / n).is_file() for n in names)


def _mark(folder: Path, mark: str) -> None:
    results.write_json(folder / MADE, {"fingerprint": mark})


def _run_comparison(
    workflow: Workflow,
    root: Path,
    *,
    sessions: Mapping[str, xr.Dataset],
    flows: Mapping[str, xr.Dataset],
    settings: Mapping[str, Settings],
    names: list[str],
) -> Steps:
    reference = workflow.reference or names[0]
    if reference not in sessions or len(sessions) < 2:
        raise InputError("comparison", "blocked", f"must have the reference {reference} and another session complete")
    marks = {name: results.read_fingerprint(root / name / "flow.nc") for name in sessions}
    parent = {"sessions": marks, "reference": reference, "version": [comparison.VERSION, outputs.VERSION]}
    mark = fingerprint(parent | {"settings": settings["comparison"].model_dump(mode="json")})
    path = root / "comparison.nc"
    others = ("comparison.csv", "comparison.html")
    if results.read_fingerprint(path) == mark and _stands(root, mark, others):
        return "up to date", {"comparison": results.open_result(path).load().assign_attrs(reference=reference)}, {}
    yield Progress("comparison", path.name, 0, 3)
    chosen = settings["comparison"]
    if not isinstance(chosen, comparison.ComparisonSettings):
        raise TypeError("comparison settings of another kind")
    made = comparison.compare(sessions, reference, settings=chosen)
    attributes = {
        "fingerprint": mark,
        "settings": results.settings_json(chosen.model_dump(mode="json")),
        "input_sha256": results.settings_json(marks),
        "title": workflow.title,
        "reference": reference,
        "conditions": made.attrs["conditions"],
    }
    history = f"heatwake {__version__}: comparison"
    for _ in results.write_result(path, made, attributes=attributes, history=history):
        yield Progress("comparison", path.name, 1, 3)
    made = results.open_result(path).load().assign_attrs(reference=reference)
    results.write_text(root / "comparison.csv", tables.csv_text(outputs.comparison_rows(made, sessions)))
    yield Progress("comparison", "comparison.html", 2, 3)
    record = {"comparison": chosen.model_dump(mode="json"), "reference": reference}
    page = outputs.comparison_page(made, sessions, flows, title=workflow.title, settings=record)
    results.write_text(root / "comparison.html", page)
    _mark(root, mark)
    yield Progress("comparison", "comparison.html", 3, 3)
    return "done", {"comparison": made}, {}


def _journal(path: Path, workflow: Workflow, outcomes: list[Outcome], *, started: float) -> dict[str, Any]:
    return {
        "workflow": str(path),
        "title": workflow.title,
        "heatwake": __version__,
        "seconds": round(time.monotonic() - started, 3),
        "outcomes": [
            {key: value for key, value in asdict(outcome).items() if value or key in {"name", "state"}}
            for outcome in outcomes
        ],
        "failed": [outcome.name for outcome in outcomes if outcome.state == "failed"],
    }
