"""Thermocouples beside the camera: rows for a table, sentences, and what is left between the two over time."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from heatwake.report import figure_style as style
from heatwake.report.curves_figure import draw_events, spread_apart, time_axis
from heatwake.report.parts import COVERAGE
from heatwake.report.words import number
from heatwake.schema.variables import AGREEMENT

_POINTS: Final = 600  # a curve; more than a screen shows


@dataclass(frozen=True)
class ProbeRow:
    """One thermocouple beside the camera; readings are means over the end of the recording.

    Attributes
    ----------
    name : str
    x, y : float
        Its place [mm].
    camera, thermocouple : float
        [degC]
    residual, mean, spread : float
        Camera minus thermocouple: at the end, and mean and standard deviation over the recording [K].
    expanded_uncertainty : float
        U = 2 u expected of the final residual [K].
    normalised_error : float
        Final residual over U.
    verdict : str
        One of :data:`heatwake.schema.variables.AGREEMENT`.
    """

    name: str
    x: float
    y: float
    camera: float
    thermocouple: float
    residual: float
    mean: float
    spread: float
    expanded_uncertainty: float
    normalised_error: float
    verdict: str


def has_probes(results: xr.Dataset) -> bool:
    """Whether thermocouples were compared."""
    return "probe_agreement" in results and results.sizes.get("probe", 0) > 0


def probe_rows(results: xr.Dataset) -> list[ProbeRow]:
    """Return a row for each thermocouple, in the order of the session file; none without them."""
    if not has_probes(results):
        return []
    return [_row(results, number) for number in range(results.sizes["probe"])]


def _row(results: xr.Dataset, index: int) -> ProbeRow:
    one = results[[name for name in results.variables if "probe" in results[name].dims]].isel(probe=index)
    camera, thermocouple = (one[f"probe_{name}"].to_numpy().astype(float) for name in ("camera", "temperature"))
    both = np.flatnonzero(np.isfinite(camera) & np.isfinite(thermocouple))
    residual = float(one["probe_residual_final"])
    last = float(thermocouple[both[-1]]) if both.size and np.isfinite(residual) else np.nan
    return ProbeRow(
        name=str(results["probe"].to_numpy()[index]),
        x=float(one["probe_x"]),
        y=float(one["probe_y"]),
        camera=last + residual,
        thermocouple=last,
        residual=residual,
        mean=float(one["probe_residual_mean"]),
        spread=float(one["probe_residual_spread"]),
        expanded_uncertainty=COVERAGE * float(one["probe_residual_uncertainty"]),
        normalised_error=float(one["probe_normalised_error"]),
        verdict=AGREEMENT[int(one["probe_agreement"])],
    )


def probe_table(rows: list[ProbeRow]) -> list[dict[str, Any]]:
    """Return rows for a CSV table, units in the headers."""
    return [
        {
            "thermocouple": row.name,
            "x_mm": row.x,
            "y_mm": row.y,
            "camera_degC": row.camera,
            "thermocouple_degC": row.thermocouple,
            "residual_K": row.residual,
            "residual_mean_K": row.mean,
            "residual_spread_K": row.spread,
            "expanded_uncertainty_K": row.expanded_uncertainty,
            "normalised_error": row.normalised_error,
            "verdict": row.verdict,
        }
        for row in rows
    ]


def probe_sentences(results: xr.Dataset) -> list[str]:
    """Return what there is to say of clock, film and camera by the thermocouples; nothing without them."""
    if not has_probes(results):
        return []
    return [_clock_sentence(results), *_solved_sentences(results)]


def _clock_sentence(results: xr.Dataset) -> str:
    if not bool(results["clock_offset_found"]):
        why = str(results["clock_offset"].attrs.get("comment", "")).removeprefix("not told: ")
        return f"The clocks of log and camera were taken to agree, for their offset cannot be told: {why}."
    offset, spread = float(results["clock_offset"]), float(results["clock_offset_uncertainty"])
    by = "behind" if offset >= 0 else "ahead of"
    return f"The log's clock was {number(abs(offset), digits=2)} ± {number(spread, digits=2)} s {by} the camera's."


def _solved_sentences(results: xr.Dataset) -> list[str]:
    found = []
    comment = str(results["transmittance"].attrs.get("comment", "")) if "transmittance" in results else ""
    if "thermocouples" in comment:
        value, spread = float(results["transmittance"]), float(results["transmittance_uncertainty"])
        found.append(
            f"The film's transmittance was solved for by them: {number(value, digits=3)} ± {number(spread, digits=3)}, "
            f"{comment}."
        )
    if "camera_offset" in results:
        value, spread = float(results["camera_offset"]), float(results["camera_offset_uncertainty"])
        comment = str(results["camera_offset"].attrs.get("comment", ""))
        found.append(
            f"An offset of the camera of {number(value, digits=2, signed=True)} ± {number(spread, digits=2)} "
            f"W m⁻² sr⁻¹ was taken off, {comment}."
        )
    if found:
        found.append("So the differences below are what the solution leaves, not an independent comparison.")
    return found


def probes_figure(results: xr.Dataset, *, width: float = 9.0) -> Figure:
    """Return camera minus thermocouple over time, a curve for each thermocouple, with the events."""
    figure = style.new_figure(width, 3.2)
    axes = figure.add_subplot()
    elapsed = results["elapsed"].to_numpy().astype(float)
    end = float(elapsed[-1]) if elapsed.size else 1.0
    residual = (results["probe_camera"] - results["probe_temperature"]).transpose("probe", "time").to_numpy()
    step = max(1, -(-elapsed.size // _POINTS))
    for rank, curve in enumerate(residual):
        dash = style.DASHES[rank // len(style.SERIES) % len(style.DASHES)]
        axes.plot(elapsed[::step], curve[::step], linewidth=1.3, color=_colour(rank), linestyle=dash)
    axes.axhline(0, color=style.MUTED, linewidth=0.9)
    axes.set_xlim(min(0.0, float(elapsed[0])) if elapsed.size else 0.0, end * 1.02)
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, -0.5), max(high, 0.5))
    _name_curves(axes, [str(name) for name in results["probe"].to_numpy()], residual, at=end * 1.03)
    axes.set_ylabel("camera − thermocouple, K")
    axes.grid(axis="y")
    axes.set_axisbelow(True)
    time_axis(axes)
    draw_events(axes, results)
    return figure


def _colour(rank: int) -> str:
    return style.SERIES[rank % len(style.SERIES)]


def _name_curves(axes: Axes, names: list[str], curves: npt.NDArray[Any], *, at: float) -> None:
    """Write names beside the curves' ends, moved apart where they would cover each other."""
    known = [curve[np.isfinite(curve)] for curve in curves]
    last = np.array([float(one[-1]) if one.size else 0.0 for one in known])
    order = np.argsort(-last, kind="stable")
    places = np.empty(len(last))
    places[order] = spread_apart(last[order], gap=0.085 * float(np.ptp(axes.get_ylim())))
    for rank, name in enumerate(names):
        text = style.plain_text(axes, at, places[rank], name, color=_colour(rank), fontsize=9, fontweight="bold")
        text.set_verticalalignment("center")
        text.set_clip_on(False)
