"""How each region's rise differs between a session and the reference."""

from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.repeats import coverage_factor
from heatwake.stages.aligned import U_SHAPED, Aligned
from heatwake.stages.map_differences import MapDifference, stands_out
from heatwake.stages.matched import late_regions
from heatwake.stages.pair import ComparisonSettings, Pair, reach, scaled_share
from heatwake.stages.region_differences import ratio, settling_change

Array = npt.NDArray[Any]

BOTH_SETTLED, SAME_ELAPSED, NOT_MATCHED = range(3)


def region_rises(
    pair: Pair, regions: xr.DataArray, aligned: Aligned, *, maps: MapDifference, settings: ComparisonSettings
) -> dict[str, Any]:
    """Return the differences of final rises and of rises at the matched time, and which are more than noise.

    Final values are judged where both sessions have settled, else the rises at one time after the event. The session's
    regions are measured where the reference has them.
    """
    here, there = (one.sel(region=regions) for one in (pair.session, pair.base))
    rise = [pair.factor * (here["steady_rise"].to_numpy() + aligned.region_change), there["steady_rise"].to_numpy()]
    matched = [
        late_regions(one, since=start, end=pair.end, seconds=settings.final_s)
        for one, start in zip((here, there), pair.onsets, strict=True)
    ]
    matched[0] = pair.factor * (matched[0] + aligned.region_change)
    level = pair.factor * aligned.region_level / U_SHAPED
    beside = _beside(pair, rise, placement=aligned.region_placement(settings), settings=settings)
    fit, own, local = _own_terms(pair, here, there, maps)
    whole = (local, 0.0) if pair.trusts_repeats else (own, level)  # repeats tell what ambient sensor and camera bring
    steady, steady_freedom = pair.at_least(np.sqrt(whole[0] ** 2 + beside**2 + whole[1] ** 2), rise[1])
    settled_by_then = np.maximum(whole[0] ** 2 - fit**2, 0)
    at_time, time_freedom = pair.at_least(np.sqrt(settled_by_then + beside**2 + whole[1] ** 2), matched[1])
    both = (here["is_steady"].to_numpy() == 1) & (there["is_steady"].to_numpy() == 1)
    settled = both & np.isfinite(rise[0] - rise[1])
    state = np.where(settled, BOTH_SETTLED, np.where(np.isfinite(matched[0] - matched[1]), SAME_ELAPSED, NOT_MATCHED))
    judged = np.where(settled, rise[0] - rise[1], matched[0] - matched[1])
    level = level - pair.factor * aligned.middle_level / U_SHAPED
    alone = np.sqrt(np.where(settled, local**2, np.maximum(local**2 - fit**2, 0)) + beside**2 + level**2)
    local, local_freedom = pair.at_least(alone, rise[1], constant=False)
    flags = stands_out(
        judged,
        np.where(settled, steady, at_time),
        local=local,
        shift=maps.shift,
        common=maps.common,
        rate=settings.region_false_discovery_rate,
        freedom=np.minimum(np.where(settled, steady_freedom, time_freedom), local_freedom),
    )
    share = shared_share(here, there)
    return {
        **_with_interval("steady_rise_difference", rise[0] - rise[1], steady, freedom=steady_freedom, share=share),
        **_with_interval(
            "matched_rise_difference", matched[0] - matched[1], at_time, freedom=time_freedom, share=share
        ),
        "match_state": ("region", state.astype(np.int8)),
        "region_significant": ("region", flags.astype(np.int8)),
        **ratio(rise, [pair.factor * here["steady_rise_own"].to_numpy(), there["steady_rise_own"].to_numpy()]),
        **settling_change(here, there),
    }


def shared_share(*sessions: xr.Dataset) -> Array:
    """Return by what emissivity, film and camera, the same in all, scale differences (region,), k = 1."""
    shares = []
    for one in sessions:
        whole, own, rise = (one[f"steady_rise{end}"].to_numpy() for end in ("_uncertainty", "_own", ""))
        shares.append(np.sqrt(np.maximum(whole**2 - own**2, 0)) / np.maximum(np.abs(rise), 1.0))
    return np.asarray(np.nan_to_num(np.fmax.reduce(shares)))


def _with_interval(name: str, values: Array, uncertainty: Array, *, freedom: Array, share: Array) -> dict[str, Any]:
    """Return a difference with its 95 % interval, to which what both share brings its share of the difference."""
    half = np.hypot(reach(freedom) * uncertainty, coverage_factor(np.inf) * share * np.abs(values))
    return {
        name: ("region", values),
        f"{name}_uncertainty": ("region", uncertainty),
        f"{name}_low": ("region", values - half),
        f"{name}_high": ("region", values + half),
    }


def _beside(pair: Pair, rise: list[Array], *, placement: Array, settings: ComparisonSettings) -> Array:
    """Return the standard uncertainty of each region's difference from place, shading, power and film [K]."""
    scaled = scaled_share(pair, settings) * np.fmax(np.abs(rise[0]), np.abs(rise[1]))
    return np.sqrt(placement**2 + 2 * settings.local_K**2 + np.nan_to_num(scaled) ** 2)


def _own_terms(pair: Pair, here: xr.Dataset, there: xr.Dataset, maps: MapDifference) -> tuple[Array, Array, Array]:
    """Return the differences' standard uncertainties from the fits, from all own terms, and from those of a place."""
    scales = (pair.factor, 1.0)
    fit, own, common = (
        np.hypot(*(scale * read(one) for scale, one in zip(scales, (here, there), strict=True)))
        for read in (_fit_terms, lambda one: one["steady_rise_own"].to_numpy(), _common_terms)
    )
    told = np.isfinite(own)  # not where a final value could not be told
    own, common = np.where(told, own, maps.common), np.where(told, common, maps.common)
    return np.fmin(fit, own), own, np.sqrt(np.maximum(own**2 - common**2, 0))


def _fit_terms(session: xr.Dataset) -> Array:
    """Return what is still to come's part of a final value's uncertainty: the budget's line of settling."""
    return _budget_lines(session, ("settling",))


def _common_terms(session: xr.Dataset) -> Array:
    return _budget_lines(session, ("ambient", "drift", "offset_steps"))


def _budget_lines(session: xr.Dataset, names: tuple[str, ...]) -> Array:
    """Return the sum in squares of some lines of each region's budget of its rise [K]; 0 where there is no budget."""
    if "budget_contribution" not in session:
        return np.zeros(session.sizes["region"])
    labels = [str(name) for name in session["budget_input"].to_numpy()]
    quantity = [str(name) for name in session["budget_quantity"].to_numpy()].index("rise")
    table = session["budget_contribution"].transpose("region", "budget_quantity", "budget_input").to_numpy()
    chosen = [labels.index(name) for name in names if name in labels]
    return np.asarray(np.sqrt(np.nansum(table[:, quantity, chosen] ** 2, axis=-1)))
