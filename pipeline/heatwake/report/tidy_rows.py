"""Tables of one row a session, region and quantity, for pandas or R."""

import json
from typing import Any, Final

import numpy as np
import xarray as xr

from heatwake.kernels.repeats import coverage_factor
from heatwake.schema.variables import EFFECT_ERROR, VARIABLES

DIFFERENCES: Final = (
    "steady_rise_difference",
    "matched_rise_difference",
    "steady_rise_ratio",
    "time_constant_difference",
    "spread_area_difference",
    "spread_orientation_change",
    "decay_downstream_difference",
    "decay_upstream_difference",
    "region_flow_direction_change",
)


def tidy_rows(comparison: xr.Dataset) -> list[dict[str, Any]]:
    """Return what is known of each session less the reference: value, uncertainty (k = 1) and 95 % interval."""
    rows = []
    for session in comparison["session"].to_numpy():
        chosen = comparison.sel(session=session)
        for name in (one for one in DIFFERENCES if one in chosen):
            for number, region in enumerate(chosen["region"].to_numpy()):
                value = float(chosen[name][number])
                spread = float(chosen[f"{name}_uncertainty"][number])
                low, high = _interval(chosen, name, number)
                if np.isfinite(value):
                    rows.append(
                        {
                            "session": str(session),
                            "reference": comparison.attrs.get("reference", ""),
                            "region": str(region),
                            "quantity": name,
                            "unit": VARIABLES[name].units,
                            "value": value,
                            "uncertainty": spread,
                            "low_95": low,
                            "high_95": high,
                        }
                    )
    return rows


def _interval(chosen: xr.Dataset, name: str, number: int) -> tuple[float, float]:
    """Return the 95 % interval: as it stands where the comparison has one, else as of a normal distribution."""
    if f"{name}_low" in chosen:
        return float(chosen[f"{name}_low"][number]), float(chosen[f"{name}_high"][number])
    value, spread = float(chosen[name][number]), float(chosen[f"{name}_uncertainty"][number])
    reach = coverage_factor(np.inf)
    return value - reach * spread, value + reach * spread


def effect_rows(experiment: xr.Dataset) -> list[dict[str, Any]]:
    """Return the rows of ``effects.csv``: a row an effect and region, each region's largest first."""
    source = EFFECT_ERROR[int(experiment["error_source"])]
    return [
        {
            "region": region,
            "rank": rank,
            "effect": str(experiment["effect"][number].to_numpy()),
            "factors": int(experiment["effect_factors"][number]),
            "quantity": "steady_rise" if int(experiment["effect_match"].sel(region=region)) == 0 else "matched_rise",
            "unit": "K",
            "value": float(experiment["effect_rise"].sel(region=region)[number]),
            "uncertainty": float(experiment["effect_rise_uncertainty"].sel(region=region)[number]),
            "low_95": float(experiment["effect_rise_low"].sel(region=region)[number]),
            "high_95": float(experiment["effect_rise_high"].sel(region=region)[number]),
            "significant": int(experiment["effect_significant"].sel(region=region)[number]),
            "degrees_of_freedom": float(experiment["effect_freedom"].sel(region=region)),
            "spread_from": source,
        }
        for region in map(str, experiment["region"].to_numpy())
        for rank, number in enumerate(ranked(experiment, region), start=1)
    ]


def ranked(experiment: xr.Dataset, region: str) -> list[int]:
    """Return the numbers of the effects that are known of a region, the largest first."""
    values = experiment["effect_rise"].sel(region=region).to_numpy()
    known = np.flatnonzero(np.isfinite(values))
    return [int(number) for number in known[np.argsort(-np.abs(values[known]), kind="stable")]]


def design_of(experiment: xr.Dataset) -> dict[str, Any]:
    """Return the design: factors with their levels, terms, what goes together, runs."""
    stated = json.loads(str(experiment.attrs.get("design", "{}")))
    return stated if isinstance(stated, dict) else {}
