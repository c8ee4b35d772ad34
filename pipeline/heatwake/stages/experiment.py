"""Many sessions as one experiment: what each change of a condition does, alone and together with others."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.design import Contrast, Design, find_factors, make_design
from heatwake.kernels.effects import Effects, fit_effects, map_weights
from heatwake.kernels.repeats import Repeatability, coverage_factor
from heatwake.kernels.significance import cluster_floor, significant
from heatwake.schema.variables import EFFECT_ERROR, label
from heatwake.stages.aligned import U_SHAPED, RegionChange, align, region_change, regions_of
from heatwake.stages.matched import late_regions, onset, power_factor
from heatwake.stages.pair import TRUSTED_FREEDOM, ComparisonSettings, ExperimentSettings, pair_of
from heatwake.stages.region_rises import shared_share
from heatwake.stages.set_ups import BLOCK, FILM_FITTING, conditions, factors, repeatability
from heatwake.stages.takes import Take

Array = npt.NDArray[Any]

LEAST_SESSIONS: Final = 4
LEAST_RESIDUAL: Final = 3  # degrees of freedom that what the model leaves must have to tell the spread of a run


@dataclass(frozen=True)
class _Study:
    """Sessions of one experiment, in order."""

    names: tuple[str, ...]
    design: Design
    contrasts: tuple[Contrast, ...]
    regions: tuple[str, ...]
    rises: Array  # (session, region) [K]
    own: Array  # of one run, without what repeats tell (session, region) [K]
    settled: Array  # whether rises are final values, else they are at one time (region,)
    shared: Array  # by what emissivity, film and camera scale an effect (region,)
    laid: "_Laid"


@dataclass(frozen=True)
class _Laid:
    """What all sessions laid on the reference tell, at one time under power in all of them."""

    changes: Mapping[str, RegionChange]
    values: Array  # effects (effect, y, x) [K]
    mean: Array  # of the sessions' rises (y, x) [K]
    variance: Array  # of a run's own terms, in the mean over sessions (y, x) [K2]
    area: float  # pixels that share one piece of noise


def analyse_experiment(
    sessions: Mapping[str, xr.Dataset],
    reference: str,
    *,
    settings: ComparisonSettings,
    past: Sequence[Take] = (),
) -> xr.Dataset | None:
    """Return effects per region and as maps, predictions and the best combination; None where there is no experiment.

    Effects are differences of the final rise: a level of a factor less its first, in the mean over all else; of an
    interaction half of what the one does more at the other's level. The spread of one run is that of repeats, else of
    what the model leaves, else of the runs' own terms of uncertainty.

    Parameters
    ----------
    sessions : mapping of str to Dataset
    reference : str
        Its levels are those that others are compared with.
    settings : ComparisonSettings
        With those of the experiment.
    past : sequence of Take
        Takes of like set-ups from the laboratory's record.

    Returns
    -------
    Dataset
        Dims (effect, region), (effect, y, x), (combination, region).
    """
    base, comparison, chosen = sessions[reference], settings, settings.experiment
    study = _study(sessions, base, comparison)
    if study is None:
        return None
    changes = {name: one.change for name, one in study.laid.changes.items()}
    repeats = repeatability(sessions, base, compensate=comparison.compensate_power, changes=changes, past=past)
    fits = [_fit(study, number, repeats) for number in range(len(study.regions))]
    if not any(fit is not None for fit in fits):
        return None
    made = xr.Dataset(
        coords={
            "x": base["x"],
            "y": base["y"],
            "region": ("region", np.array(study.regions, dtype=object)),
            "effect": ("effect", np.array([effect_name(one, study.design) for one in study.contrasts], dtype=object)),
            "combination": ("combination", np.array(_combination_names(study.design), dtype=object)),
        },
        attrs={"reference": reference, "design": json.dumps(_about(study, sessions), sort_keys=True, default=str)},
    )
    made = made.assign(_effects(study, fits, chosen)).assign(_predictions(study, fits, base, sessions))
    made["error_source"] = ((), np.int8(_source(study, repeats)))
    made["repeat_record_takes"] = ((), np.int32(len(past)))
    made = made.assign(_maps(study, comparison, repeats))
    return label(made)


def effect_name(contrast: Contrast, design: Design) -> str:
    """Return an effect in words: what is compared with what."""
    first = {factor.name: factor.levels[0] for factor in design.factors}
    parts = [f"{name}: {level} − {first[name]}" for name, level in zip(contrast.factors, contrast.levels, strict=True)]
    return " × ".join(parts)


def _study(sessions: Mapping[str, xr.Dataset], base: xr.Dataset, comparison: ComparisonSettings) -> _Study | None:
    settings = comparison.experiment
    names = tuple(sessions)
    if len(names) < LEAST_SESSIONS:
        return None
    runs = [factors(sessions[name]) for name in names]
    wanted = set(settings.factors)
    found = [one for one in find_factors(runs, first=factors(base)) if not wanted or one.name in wanted]
    blocks = [conditions(sessions[name]).get(BLOCK) for name in names]
    design = make_design(runs, found, blocks=blocks, order=settings.interaction_order)
    if design is None or design.freedom < 0:
        return None
    regions = tuple(str(name) for name in base["region"].to_numpy())
    contrasts = tuple(design.contrasts())
    laid = _lay(sessions, base, comparison, weights=map_weights(design, contrasts))
    table = _table(sessions, base, laid.changes, comparison)
    settled = (table["is_steady"] == 1).all(axis=0) & np.isfinite(table["steady_rise"]).all(axis=0)
    rises = np.where(settled, table["steady_rise"], table["matched_rise"])
    own = np.where(np.isfinite(table["steady_rise_own"]), table["steady_rise_own"], _sensor(comparison))
    share = np.hypot(comparison.power_share, _refit_share(sessions, comparison))
    place, level = (np.stack([getattr(laid.changes[name], key) for name in names]) for key in ("placement", "level"))
    own = np.sqrt(own**2 + comparison.local_K**2 + (share * rises) ** 2 + place**2 / 2 + level**2)
    shared = shared_share(*(sessions[name].reindex(region=list(regions)) for name in names[:1]))
    return _Study(names, design, contrasts, regions, rises, own, settled, shared, laid)


def _lay(sessions: Mapping[str, xr.Dataset], base: xr.Dataset, comparison: ComparisonSettings, weights: Array) -> _Laid:
    """Return what all sessions, one after the other, tell when they are laid on the reference; it on itself too."""
    end = min(float(session["elapsed"][-1]) - onset(session) for session in sessions.values())
    shape = (base.sizes["y"], base.sizes["x"])
    values, mean, variance, area = np.zeros((len(weights), *shape)), np.zeros(shape), np.zeros(shape), 1.0
    changes, there = {}, None
    for weight, (name, session) in zip(weights.T, sessions.items(), strict=True):
        pair = replace(pair_of(session, base, comparison, None), end=end)
        laid = align(pair, regions_of(pair), comparison, there=there)
        changes[name], there = region_change(pair, laid, comparison), laid.there
        level = pair.factor * laid.map_level
        rise, own = pair.factor * laid.here.rise.to_numpy() - level, pair.factor * laid.here.own.to_numpy()
        values += weight[:, None, None] * rise
        mean += rise / len(sessions)
        steepness = laid.placement_px(comparison) * np.hypot(*np.gradient(rise))
        beside = steepness**2 / 2 + comparison.local_K**2 + (comparison.power_share * rise) ** 2
        variance += (own**2 + beside + (level / U_SHAPED) ** 2) / len(sessions)
        area = float(np.fmax(area, laid.here.noise_area))
    return _Laid(changes, values, mean, variance, area)


def _table(
    sessions: Mapping[str, xr.Dataset],
    base: xr.Dataset,
    places: Mapping[str, RegionChange],
    comparison: ComparisonSettings,
) -> dict[str, Array]:
    """Return what is known of each session's regions (session, region); rises are at the reference's power [K]."""
    end = min(float(session["elapsed"][-1]) - onset(session) for session in sessions.values())
    keys = ("steady_rise", "steady_rise_own", "is_steady")
    rows: dict[str, list[Array]] = {key: [] for key in (*keys, "matched_rise")}
    for name, session in sessions.items():
        matched = late_regions(session, since=onset(session), end=end, seconds=comparison.final_s)
        known = session[list(keys)].assign(matched_rise=("region", matched)).reindex(region=base["region"])
        factor = power_factor(session, base) if comparison.compensate_power else 1.0
        for key, row in rows.items():
            change = places[name].change if key.endswith("_rise") else 0.0
            row.append((1.0 if key == "is_steady" else factor) * known[key].to_numpy().astype(float) + change)
    return {key: np.stack(row) for key, row in rows.items()}


def _sensor(comparison: ComparisonSettings) -> float:
    """Return what ambient sensor and camera bring to a rise that has no budget [K]."""
    return float(np.hypot(comparison.uncertainty.ambient_uncertainty_K, comparison.uncertainty.drift_uncertainty_K))


def _refit_share(sessions: Mapping[str, xr.Dataset], comparison: ComparisonSettings) -> float:
    """Return what a film laid on anew brings to a run, as a share of its rise; 0 where it stayed or nothing is said."""
    fittings = {str(conditions(session).get(FILM_FITTING)) for session in sessions.values()}
    return comparison.refit_share if len(fittings) > 1 else 0.0


def _source(study: _Study, repeats: Repeatability | None) -> int:
    if repeats is not None:
        return EFFECT_ERROR.index("repeats")
    return EFFECT_ERROR.index("residual" if study.design.freedom >= LEAST_RESIDUAL else "budget")


def _fit(study: _Study, region: int, repeats: Repeatability | None) -> Effects | None:
    values, own = study.rises[:, region], study.own[:, region]
    seen = np.isfinite(values)
    budget = float(np.sqrt(np.mean(own[seen] ** 2))) if seen.any() else np.nan
    if repeats is not None and seen.any():
        spread = float(np.sqrt(np.mean(repeats.spread(values[seen]) ** 2)))
        spread = spread if repeats.freedom >= TRUSTED_FREEDOM else max(spread, budget)
        return fit_effects(values, study.design, study.contrasts, spread=spread, freedom=repeats.freedom)
    if seen.sum() - study.design.matrix.shape[1] >= LEAST_RESIDUAL:
        return fit_effects(values, study.design, study.contrasts)
    return fit_effects(values, study.design, study.contrasts, spread=budget) if np.isfinite(budget) else None


def _effects(study: _Study, fits: Sequence[Effects | None], settings: ExperimentSettings) -> dict[str, Any]:
    shape = (len(study.contrasts), len(study.regions))
    values, spread, reach = (np.full(shape, np.nan) for _ in range(3))
    freedom = np.full(len(fits), np.nan)
    for number, fit in enumerate(fits):
        if fit is not None:
            values[:, number], spread[:, number] = fit.values, fit.uncertainty
            reach[:, number] = coverage_factor(fit.freedom)
            freedom[number] = fit.freedom if np.isfinite(fit.freedom) else 1e9
    half = np.hypot(reach * spread, coverage_factor(np.inf) * study.shared * np.abs(values))
    flags = significant(values, spread, rate=settings.false_discovery_rate, freedom=freedom)
    dims = ("effect", "region")
    return {
        "effect_rise": (dims, values),
        "effect_rise_uncertainty": (dims, spread),
        "effect_rise_low": (dims, values - half),
        "effect_rise_high": (dims, values + half),
        "effect_match": ("region", np.where(study.settled, 0, 1).astype(np.int8)),
        "effect_significant": (dims, flags.astype(np.int8)),
        "effect_freedom": ("region", np.where(freedom >= 1e9, np.inf, freedom)),
        "run_spread": ("region", np.array([np.nan if fit is None else fit.spread for fit in fits])),
        "effect_factors": ("effect", np.array([len(one.factors) for one in study.contrasts], dtype=np.int8)),
    }


def _predictions(
    study: _Study, fits: Sequence[Effects | None], base: xr.Dataset, sessions: Mapping[str, xr.Dataset]
) -> dict[str, Any]:
    """Return each combination's predicted rise with its interval, how often it was run, and which is best.

    Best is the combination whose worst part has most room to its limit at the highest ambient; where no limit is known,
    the one whose hottest part is coolest.
    """
    grid = study.design.combinations()
    shape = (len(grid), len(study.regions))
    values, spread, reach = (np.full(shape, np.nan) for _ in range(3))
    for number, fit in enumerate(fits):
        if fit is not None:
            values[:, number], spread[:, number] = fit.predicted, fit.predicted_uncertainty
            reach[:, number] = coverage_factor(fit.freedom)
    room = _room(base, study)
    worst = _worst(values - room)
    best = int(np.argmin(worst))
    decides = int(np.nanargmax(values[best] - room))
    second = int(np.argsort(worst, kind="stable")[1]) if len(grid) > 1 else best
    ahead, unsure = _ahead(fits, best, second, decides=int(np.nanargmax(values[second] - room)))
    runs = [factors(sessions[name]) for name in study.names]
    dims = ("combination", "region")
    return {
        "predicted_rise": (dims, values),
        "predicted_rise_uncertainty": (dims, spread),
        "predicted_rise_low": (dims, values - reach * spread),
        "predicted_rise_high": (dims, values + reach * spread),
        "times_run": ("combination", np.array([sum(_is(run, one) for run in runs) for one in grid])),
        "is_best": ("combination", (np.arange(len(grid)) == best).astype(np.int8)),
        "deciding_region": ((), np.int16(decides)),
        "second_best": ((), np.int16(second)),
        "best_ahead": ((), ahead),
        "best_ahead_uncertainty": ((), unsure),
    }


def _room(base: xr.Dataset, study: _Study) -> Array:
    """Return each region's limit less the highest ambient [K]; infinite without one, 0 where no region has one."""
    limits = base.get("region_limit", xr.full_like(base["region_x"], np.nan)).to_numpy().astype(float)
    if not np.isfinite(limits).any():
        return np.zeros(len(study.regions))
    highest = float(base["max_ambient"]) if "max_ambient" in base else np.nan
    ambient = highest if np.isfinite(highest) else float(base["ambient"][-1])
    return np.where(np.isfinite(limits), limits - ambient, np.inf)


def _worst(excess: Array) -> Array:
    """Return the largest of each row; infinite where nothing is known."""
    known = np.isfinite(excess)
    return np.where(known.any(axis=1), np.where(known, excess, -np.inf).max(axis=1), np.inf)


def _ahead(fits: Sequence[Effects | None], best: int, second: int, *, decides: int) -> tuple[float, float]:
    """Return by how much the second best is hotter in the part that decides there, and its standard uncertainty [K]."""
    fit = fits[decides]
    if fit is None or best == second:
        return np.nan, np.nan
    variance = fit.cover[best, best] + fit.cover[second, second] - 2 * fit.cover[best, second]
    return float(fit.predicted[second] - fit.predicted[best]), float(np.sqrt(max(variance, 0.0)))


def _is(run: Mapping[str, Any], combination: Mapping[str, Any]) -> bool:
    return all(run.get(name) == level for name, level in combination.items())


def _combination_names(design: Design) -> list[str]:
    return [", ".join(f"{name} {level}" for name, level in one.items()) for one in design.combinations()]


def _about(study: _Study, sessions: Mapping[str, xr.Dataset]) -> dict[str, Any]:
    design = study.design
    return {
        "factors": {one.name: list(one.levels) for one in design.factors},
        "straight_lines": [one.name for one in design.factors if one.is_line],
        "terms": [list(term) for term in design.terms],
        "aliases": [{"effect": list(one.term), "goes_with": list(map(list, one.others))} for one in design.aliases],
        "runs": {name: conditions(sessions[name]) for name in study.names},
        "blocks": design.blocks + 1 if design.blocks else 0,
        "freedom": design.freedom,
    }


def _maps(study: _Study, comparison: ComparisonSettings, repeats: Repeatability | None) -> dict[str, Any]:
    """Return effects place by place."""
    laid = study.laid
    spread, freedom = np.sqrt(laid.variance), np.inf
    if repeats is not None:
        spread, freedom = np.fmax(spread, repeats.spread(laid.mean)), repeats.freedom
    weights = map_weights(study.design, study.contrasts)
    uncertainty = np.sqrt((weights**2).sum(axis=1))[:, None, None] * spread
    least = cluster_floor(laid.area, least=comparison.least_cluster_px)
    rate = comparison.experiment.map_false_discovery_rate
    flags = [
        significant(one, sigma, rate=rate, least_cluster=least, freedom=freedom)
        for one, sigma in zip(laid.values, uncertainty, strict=True)
    ]
    dims = ("effect", "y", "x")
    return {
        "effect_map": (dims, laid.values),
        "effect_map_uncertainty": (dims, uncertainty),
        "effect_map_significant": (dims, np.array(flags, dtype=np.int8)),
    }
