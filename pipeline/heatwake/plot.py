"""The report's figures for notebooks and scripts: one call each, axes of matplotlib back.

>>> from heatwake import plot                                                                   # doctest: +SKIP
>>> results, flow = plot.read("sample_frames/fan_out", "results/fan_direction/fan_out")         # doctest: +SKIP
>>> plot.rise(results, flow=flow).figure.savefig("rise.pdf")                                    # doctest: +SKIP

All take a ``width`` [inch]; below 6 a figure is laid out for a narrow column. What cannot be drawn from the results
given is a ``ValueError`` that says what is missing.
"""

from collections.abc import Callable, Mapping
from pathlib import Path

import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from heatwake.report import board_figure, curves_figure, difference_figure, experiment_figure
from heatwake.report.answers import reference_name
from heatwake.report.budget import has_budget
from heatwake.report.budget_figure import budget_figure
from heatwake.report.figure_style import house_style
from heatwake.report.film_figure import film_figure, has_film_map
from heatwake.report.heating import has_heating, heating_figure
from heatwake.report.parts import part_rows
from heatwake.report.probes import has_probes, probes_figure

__all__ = [
    "budget",
    "changes",
    "curves",
    "difference",
    "effect_maps",
    "effects",
    "film",
    "heating",
    "pair",
    "quality",
    "read",
    "read_comparison",
    "read_experiment",
    "rise",
    "settling",
    "spread",
    "thermocouples",
]


def read(session: str | Path, results: str | Path) -> tuple[xr.Dataset, xr.Dataset]:
    """Return a session's results with what its file says, maps lazily, and its flow results.

    Parameters
    ----------
    session : path
        The session's folder.
    results : path
        The folder of its results.

    Raises
    ------
    InputError
        The session file is missing or wrong.
    """
    from heatwake.run.sessions import stored_flow, stored_pages

    return stored_pages(Path(session), Path(results)), stored_flow(Path(results))


def read_comparison(results: str | Path) -> xr.Dataset:
    """Return a workflow's comparison from its results folder."""
    from heatwake.store.results import open_result

    return open_result(Path(results) / "comparison.nc").load()


def read_experiment(results: str | Path) -> xr.Dataset:
    """Return a workflow's experiment from its results folder; only sessions that are an experiment have one."""
    from heatwake.store.results import open_result

    return open_result(Path(results) / "experiment.nc").load()


def rise(results: xr.Dataset, *, flow: xr.Dataset | None = None, width: float = 9.0) -> Axes:
    """Draw the final rise with parts, footprints, openings and, where ``flow`` tells them, arrows along the heat."""
    return _drawn(lambda: board_figure.rise_figure(results, flow, width=width))


def spread(results: xr.Dataset, *, width: float = 9.0) -> Axes:
    """Draw the footprints of the parts' heat on the final rise."""
    _require(bool(board_figure.footprints(results)), "footprints")
    return _drawn(lambda: board_figure.spread_figure(results, width=width))


def curves(results: xr.Dataset, *, width: float = 9.0) -> Axes:
    """Draw the parts' rise over time with events and final values."""
    _require("rise_max" in results, "parts over time")
    return _drawn(lambda: curves_figure.curves_figure(results, width=width))


def heating(results: xr.Dataset, *, width: float = 9.0) -> Axes:
    """Draw the parts' heating curves on a logarithmic clock, as read and as fitted."""
    _require(has_heating(results), "fitted heating curves after a power-on")
    return _drawn(lambda: heating_figure(results, width=width))


def settling(results: xr.Dataset, *, width: float = 9.0) -> Axes:
    """Draw the time constant of each place."""
    _require(board_figure.has_settling_map(results), "time constants of places")
    return _drawn(lambda: board_figure.settling_figure(results, width=width))


def budget(results: xr.Dataset, *, width: float = 9.0) -> Axes:
    """Draw what makes up the uncertainty of each part's final rise."""
    _require(has_budget(results), "uncertainty budgets")
    return _drawn(lambda: budget_figure(results, part_rows(results), width=width))


def quality(results: xr.Dataset, *, width: float = 9.0) -> Axes:
    """Draw what became of each frame."""
    _require("reason" in results, "frames")
    return _drawn(lambda: curves_figure.quality_figure(results, width=width))


def film(results: xr.Dataset, *, width: float = 9.0) -> Axes:
    """Draw the film's transmittance over the camera's picture."""
    _require(has_film_map(results), "a map of the film")
    return _drawn(lambda: film_figure(results, width=width))


def thermocouples(results: xr.Dataset, *, width: float = 9.0) -> Axes:
    """Draw thermocouples beside what the camera reads at their places."""
    _require(has_probes(results), "thermocouples")
    return _drawn(lambda: probes_figure(results, width=width))


def difference(comparison: xr.Dataset, session: str, *, reference: xr.Dataset, width: float = 9.0) -> Axes:
    """Draw a session's final rise less the reference's, hatched where it is no more than noise."""
    known = [str(name) for name in comparison["session"].to_numpy()]
    _require(session in known, f"{session!r} (there are {', '.join(known)})")
    return _drawn(lambda: difference_figure.difference_figure(comparison, session, reference, width=width))


def changes(
    comparison: xr.Dataset,
    sessions: Mapping[str, xr.Dataset],
    *,
    flows: Mapping[str, xr.Dataset] | None = None,
    width: float = 9.0,
) -> Axes:
    """Draw the first sessions less the reference on one scale, each with openings and arrows; the first one's axes."""
    missing = [name for name in comparison["session"].to_numpy().tolist() if name not in sessions]
    _require(comparison.sizes["session"] > 0, "session that was compared")
    _require(not missing, f"{', '.join(missing)} among the sessions given")
    reference = reference_name(comparison, sessions)
    draw = difference_figure.changes_figure
    return _drawn(lambda: draw(comparison, sessions, reference=reference, flows=flows or {}, width=width))


def effects(experiment: xr.Dataset, *, width: float = 9.0) -> Axes:
    """Draw what each change of a condition does to each part's final rise, with 95 % intervals."""
    return _drawn(lambda: experiment_figure.effects_figure(experiment, width=width))


def effect_maps(experiment: xr.Dataset, *, reference: xr.Dataset, width: float = 9.0) -> Axes:
    """Draw the same place by place, hatched where it is no more than noise; the first effect's axes."""
    return _drawn(lambda: experiment_figure.maps_figure(experiment, reference, width=width))


def pair(
    reference: xr.Dataset, session: xr.Dataset, *, names: tuple[str, str] = ("reference", "session"), width: float = 9.0
) -> Axes:
    """Draw two sessions' final rise on one scale."""
    return _drawn(lambda: difference_figure.pair_figure(reference, session, names=names, width=width))


def _require(there: bool, what: str) -> None:
    if not there:
        raise ValueError(f"these results hold no {what}")


def _drawn(draw: Callable[[], Figure]) -> Axes:
    with house_style():
        figure = draw()
    figure.set_facecolor("white")
    axes: Axes = figure.axes[0]
    return axes
