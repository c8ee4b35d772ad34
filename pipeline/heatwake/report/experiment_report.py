"""The part of a comparison's page that shows many sessions as one experiment."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import xarray as xr

from heatwake.report.experiment_figure import effects_figure, maps_figure
from heatwake.report.page import two_forms
from heatwake.report.tidy_rows import design_of, ranked
from heatwake.report.words import count, listed, number
from heatwake.schema.variables import EFFECT_ERROR

_SOURCES: Final = {
    "repeats": "what takes of one set-up differ by",
    "residual": "what the model leaves",
    "budget": "the runs' own terms of uncertainty: no set-up was repeated, so intervals hold for these takes only",
}


@dataclass(frozen=True)
class EffectRow:
    """One effect on one region [K].

    Attributes
    ----------
    region, effect : str
    value, low, high : float
        With its 95 % interval.
    significant : bool
    """

    region: str
    effect: str
    value: float
    low: float
    high: float
    significant: bool


def experiment_section(experiment: xr.Dataset, reference: xr.Dataset) -> dict[str, Any]:
    """Return what the page shows of an experiment.

    Parameters
    ----------
    experiment : Dataset
        Effects and predictions.
    reference : Dataset
        Results of the reference session, for the outlines of its parts.
    """
    design = design_of(experiment)
    rows = effect_rows_by_region(experiment)
    return {
        "answer": experiment_answer(experiment),
        "runs": len(design.get("runs", {})),
        "factors": [(name, " / ".join(map(str, levels))) for name, levels in design.get("factors", {}).items()],
        "source": _source_words(experiment),
        "aliases": alias_words(design),
        "rows": rows,
        "predictions": prediction_rows(experiment),
        "figures": {
            "effects": two_forms(
                lambda width: effects_figure(experiment, width=width),
                name="effects",
                alt="Main effects on each part's final rise with 95 % intervals",
            ),
            "maps": two_forms(
                lambda width: maps_figure(experiment, reference, width=width),
                name="effectmaps",
                alt="Maps of the main effects on the final rise; hatched where they are no more than noise",
            ),
        },
    }


def effect_rows_by_region(experiment: xr.Dataset, *, most: int = 3) -> list[EffectRow]:
    """Return each region's largest effects, the region with the largest first."""
    rows = []
    for region in map(str, experiment["region"].to_numpy()):
        chosen = experiment.sel(region=region)
        rows.append([_row(chosen, region, effect) for effect in ranked(experiment, region)[:most]])
    rows = sorted((one for one in rows if one), key=lambda one: -abs(one[0].value))
    return [row for one in rows for row in one]


def _row(chosen: xr.Dataset, region: str, effect: int) -> EffectRow:
    value, low, high = (float(chosen[f"effect_rise{end}"][effect]) for end in ("", "_low", "_high"))
    name = str(chosen["effect"][effect].to_numpy())
    return EffectRow(region, name, value, low, high, significant=bool(chosen["effect_significant"][effect] == 1))


def experiment_answer(experiment: xr.Dataset) -> str:
    """Return which change helps which part most, and the predicted best combination with its interval."""
    return f"{_most_helpful(experiment)} {_best(experiment)}"


def _most_helpful(experiment: xr.Dataset) -> str:
    main = experiment["effect_factors"].to_numpy() == 1
    values = experiment["effect_rise"].to_numpy()
    told = (experiment["effect_significant"].to_numpy() == 1) & main[:, None] & np.isfinite(values)
    if not told.any():
        return "No change of a condition brings more than noise to any part."
    effect, region = np.unravel_index(int(np.argmax(np.where(told, np.abs(values), -1))), values.shape)
    chosen = experiment.isel(effect=int(effect), region=int(region))
    value, low, high = (float(chosen[f"effect_rise{end}"]) for end in ("", "_low", "_high"))
    word = "cools" if value < 0 else "heats"
    ends = sorted(abs(one) for one in (low, high))
    return (
        f"The largest effect: {chosen['effect'].item()} {word} {chosen['region'].item()} by {number(abs(value))} K "
        f"({number(ends[0])} to {number(ends[1])} K) in the mean over all else."
    )


def _best(experiment: xr.Dataset) -> str:
    best = int(np.argmax(experiment["is_best"].to_numpy()))
    region = int(experiment["deciding_region"])
    chosen = experiment.isel(combination=best, region=region)
    value, low, high = (float(chosen[f"predicted_rise{end}"]) for end in ("", "_low", "_high"))
    ahead, unsure = float(experiment["best_ahead"]), float(experiment["best_ahead_uncertainty"])
    said = (
        f"Best is predicted to be {chosen['combination'].item()}: {chosen['region'].item()}, the part that decides, at "
        f"a rise of {number(value)} K ({number(low)} to {number(high)} K)"
    )
    times = int(chosen["times_run"])
    said += "; it was not run" if times == 0 else ""
    if np.isfinite(ahead):
        second = experiment["combination"].to_numpy()[int(experiment["second_best"])]
        clear = "" if abs(ahead) > 2 * unsure else ", which is no more than noise"
        said += f". Second best is {second}, hotter there by {number(ahead)} ± {number(unsure)} K{clear}"
    return f"{said}."


def _source_words(experiment: xr.Dataset) -> str:
    source = EFFECT_ERROR[int(experiment["error_source"])]
    freedom = experiment["effect_freedom"].to_numpy()
    known = freedom[np.isfinite(freedom)]
    degrees = f" ({count(int(known.min()), 'degree')} of freedom)" if known.size else ""
    takes = int(experiment.get("repeat_record_takes", 0)) if source == "repeats" else 0
    record = f", {count(takes, 'take')} of the laboratory's record among them" if takes else ""
    return f"Intervals come from {_SOURCES[source]}{record}{degrees}."


def alias_words(design: Mapping[str, Any]) -> list[str]:
    """Return a sentence for each effect that the runs cannot tell from others."""
    said = []
    for alias in design.get("aliases", []):
        others = listed([" × ".join(one) for one in alias["goes_with"]])
        said.append(f"{' × '.join(alias['effect'])} cannot be told from {others or 'the blocks'}.")
    return said


def prediction_rows(experiment: xr.Dataset) -> list[dict[str, Any]]:
    """Return each combination with the part that decides on it: the hottest, or the one nearest to its limit."""
    rows = []
    region = int(experiment["deciding_region"])
    for number_, name in enumerate(experiment["combination"].to_numpy()):
        chosen = experiment.isel(combination=number_, region=region)
        rows.append(
            {
                "name": str(name),
                "times": int(chosen["times_run"]),
                "value": float(chosen["predicted_rise"]),
                "low": float(chosen["predicted_rise_low"]),
                "high": float(chosen["predicted_rise_high"]),
                "is_best": bool(chosen["is_best"] == 1),
            }
        )
    return sorted(rows, key=lambda row: row["value"])
