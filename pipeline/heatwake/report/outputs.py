"""Everything that a run writes for people, as text, rows and frames.

What draws is imported where it is needed: runs without pages, and those that end at a wrong key, start quicker.
"""

import gc
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake import __version__
from heatwake.report.answers import reference_name
from heatwake.report.budget import budget_rows
from heatwake.report.further import Further, further_recordings, further_rows
from heatwake.report.further_pairs import further_of_comparison
from heatwake.report.lineage import lineage_rows
from heatwake.report.summary import comparison_lines, flow_sentences, summary_rows
from heatwake.report.summary import comparison_rows as plain_rows
from heatwake.report.tidy_rows import effect_rows, tidy_rows
from heatwake.report.transients import transient_rows
from heatwake.schema.findings import Examination
from heatwake.schema.report import Report
from heatwake.schema.session import Session
from heatwake.schema.workflow import Movie

__all__ = [
    "airflow_frames",
    "budget_rows",
    "comparison_lines",
    "comparison_page",
    "comparison_rows",
    "difference_rows",
    "effect_rows",
    "finding_rows",
    "flow_sentences",
    "further_of_comparison",
    "further_recordings",
    "further_rows",
    "lineage_rows",
    "session_page",
    "side_by_side_frames",
    "summary_rows",
    "thermocouple_rows",
    "transient_rows",
]

VERSION: Final = 10  # raised whenever pages, tables or the film change


def session_page(
    results: xr.Dataset,
    flow: xr.Dataset | None,
    *,
    description: Session,
    digests: Mapping[str, str],
    settings: Mapping[str, Any] | None = None,
    further: Sequence[Further] = (),
    keep: Callable[[str, bytes], None] | None = None,
    examined: Examination | None = None,
) -> str:
    """Return ``report.html`` of one session; ``keep`` is given each figure as files of its own."""
    from heatwake.report import explore, page  # noqa: F401

    provenance = {
        "heatwake": __version__,
        "input_sha256": dict(digests),
        "session": description.model_dump(mode="json", exclude_none=True),
    }
    with _imports_left_alone():
        return page.session_page(
            results,
            flow=flow,
            title=description.title,
            settings=settings or {},
            provenance=provenance,
            stated=description.report,
            further=further,
            examined=examined,
            keep=keep,
        )


@contextmanager
def _imports_left_alone() -> Iterator[None]:
    """Keep what was there before out of garbage collection: to look through what drawing imports takes a third of a
    second each time."""
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def airflow_frames(
    results: xr.Dataset, flow: xr.Dataset | None, *, movie: Movie | None = None
) -> Iterator[npt.NDArray[np.uint8]]:
    """Yield the RGB frames of ``airflow.mp4``."""
    from heatwake.report import movie_frames

    chosen = movie or Movie()
    yield from movie_frames.airflow_frames(results, flow, frames=chosen.frames, size=chosen.size)


def side_by_side_frames(
    sessions: Mapping[str, xr.Dataset], flows: Mapping[str, xr.Dataset], *, movie: Movie | None = None
) -> Iterator[npt.NDArray[np.uint8]]:
    """Yield the RGB frames of ``comparison.mp4``."""
    from heatwake.report import movie_frames

    chosen = movie or Movie()
    yield from movie_frames.side_by_side_frames(sessions, flows, frames=chosen.frames, size=chosen.size)


def comparison_page(
    comparison: xr.Dataset,
    sessions: Mapping[str, xr.Dataset],
    flows: Mapping[str, xr.Dataset],
    *,
    title: str,
    settings: Mapping[str, Any] | None = None,
    provenance: Mapping[str, Any] | None = None,
    experiment: xr.Dataset | None = None,
    further: Sequence[Further] = (),
    stated: Mapping[str, Mapping[str, Any]] | None = None,
    criterion: str = "",
    keep: Callable[[str, bytes], None] | None = None,
) -> str:
    """Return ``comparison.html`` of a workflow; ``experiment`` where its sessions are one.

    ``stated`` is what session files state for the record, by session, ``criterion`` that by which parts count as
    settled; ``keep`` is given each figure as files of its own.
    """
    from heatwake.report import comparison_report, explore  # noqa: F401

    origin = {"heatwake": __version__, "sessions": sorted(sessions)} | dict(provenance or {})
    with _imports_left_alone():
        return comparison_report.comparison_page(
            comparison,
            sessions,
            flows=flows,
            title=title,
            settings=settings or {},
            provenance=origin,
            experiment=experiment,
            further=further,
            stated={name: Report.model_validate(table) for name, table in (stated or {}).items()},
            criterion=criterion,
            keep=keep,
        )


def finding_rows(examined: Examination) -> list[dict[str, Any]]:
    """Return the rows of ``findings.csv``: a row a finding, the worst first; and what could not be judged."""
    rows: list[dict[str, Any]] = []
    for one in examined.findings:
        rows.append(
            {
                "finding": one.kind,
                "severity": one.severity,
                "effect_K": one.effect_K,
                "sentence": one.sentence,
                "cure": one.cure,
                "frames": " ".join(map(str, one.frames)),
                "elapsed_s": " ".join(f"{at:g}" for at in one.elapsed_s),
                "places_px": "; ".join(f"{x:.1f} {y:.1f}" for x, y in one.places_px),
                "places_mm": "; ".join(f"{x:.1f} {y:.1f}" for x, y in one.places_mm),
            }
        )
    names = ("finding", "severity", "effect_K", "sentence", "cure", "frames", "elapsed_s", "places_px", "places_mm")
    nothing: dict[str, Any] = {name: float("nan") if name == "effect_K" else "" for name in names}
    rows += [nothing | {"finding": "not told", "sentence": one} for one in examined.untold]
    return rows or [nothing | {"finding": "none"}]


def thermocouple_rows(results: xr.Dataset) -> list[dict[str, Any]]:
    """Return the rows of ``thermocouples.csv``: a row a sensor, beside the camera."""
    from heatwake.report import probes

    return probes.probe_table(probes.probe_rows(results))


def comparison_rows(comparison: xr.Dataset, sessions: Mapping[str, xr.Dataset] | None = None) -> list[dict[str, Any]]:
    """Return the rows of ``comparison.csv``: a row a session and region, and one a session for its board.

    ``sessions`` tell the reference's name where the comparison does not.
    """
    name = reference_name(comparison, sessions or {})
    return plain_rows(comparison.assign_attrs(reference=name))


def difference_rows(comparison: xr.Dataset, sessions: Mapping[str, xr.Dataset] | None = None) -> list[dict[str, Any]]:
    """Return the rows of ``differences.csv``: a row a session, region and quantity."""
    name = reference_name(comparison, sessions or {})
    return tidy_rows(comparison.assign_attrs(reference=name))
