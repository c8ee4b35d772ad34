"""The heating curves for people: rows of ``transients.csv``."""

from typing import Any, Final

import numpy as np
import xarray as xr

from heatwake.kernels.steadiness import left_by_criterion
from heatwake.report.parts import along
from heatwake.schema.variables import STEADY_STATUS

_REFUSED: Final = STEADY_STATUS[2:]


def transient_rows(results: xr.Dataset, *, criterion: str) -> list[dict[str, Any]]:
    """Return the rows of ``transients.csv``: a row a region and stretch, of its mean; uncertainties k = 1.

    What belongs to the stretch that final values are of stands in its row alone; units are in the headings. Thermal
    resistances and networks are of the heating from power-on on, per watt of the whole item's power, for no part's own
    is known. A network's terms are those of ``sum R_i (1 - exp(-t / tau_i))``: a fit, not places of the item.
    """
    main = int(results["final_stretch"])
    own, whole = results["stretch_rise_own"], results["stretch_rise_uncertainty"]
    results = results.assign(
        stretch_rise_shared=np.sqrt(np.maximum(whole**2 - own**2, 0.0)),
        thermal_resistance_uncertainty=whole.isel(stretch=0) / results.get("power", np.nan),
    )
    told = along(results, "region", "stretch")
    if "power" in results:
        told = told.assign(power=results["power"])
    return [
        _row(told.isel(region=number, stretch=stretch), str(name), criterion=criterion, main=stretch == main)
        for number, name in enumerate(results["region"].to_numpy())
        for stretch in range(results.sizes["stretch"])
    ]


def _row(region: xr.Dataset, name: str, *, criterion: str, main: bool) -> dict[str, Any]:
    def value(variable: str, *, term: int | None = None) -> float:
        if variable not in region or not (main or variable.startswith("stretch")):
            return np.nan
        found = region[variable].to_numpy()
        return float(found if term is None else found[term])

    status = _status(value("stretch_status"))
    since = value("stretch_end") - value("stretch_start")
    row: dict[str, Any] = {
        "region": name,
        "stretch": str(region["stretch"].to_numpy()),
        "stretch_start_s": value("stretch_start"),
        "stretch_end_s": value("stretch_end"),
        "final_rise_K": value("stretch_rise"),
        "final_rise_uncertainty_K": value("stretch_rise_uncertainty"),
        "final_rise_own_K": value("stretch_rise_own"),
        "final_rise_shared_K": value("stretch_rise_shared"),
        "final_rise_from": "" if status in _REFUSED else status,
        "refused_because": status if status in _REFUSED else "",
        "time_constant_s": value("stretch_time_constant"),
        "remaining_rise_K": value("stretch_remaining"),
        "remaining_rise_uncertainty_K": value("remaining_rise_uncertainty"),
        "settled": int(value("stretch_steady") == 1),
        "settled_by": criterion,
        "left_by_criterion_K": left_by_criterion(
            criterion, elapsed=since, time_constant=value("stretch_time_constant")
        ),
        "ambient_lag_correction_K": value("ambient_lag_correction"),
        "exponentials": value("exponentials"),
        "delay_s": value("heating_delay"),
    }
    for term in range(region.sizes.get("exponential", 0)):
        row |= {
            f"rise_{term + 1}_K": value("exponential_rise", term=term),
            f"time_constant_{term + 1}_s": value("exponential_time", term=term),
            f"time_constant_{term + 1}_uncertainty_s": value("exponential_time_uncertainty", term=term),
        }
    row |= {
        "time_to_limit_s": value("time_to_limit"),
        "time_to_limit_early_95_s": value("time_to_limit_early"),
        "time_to_limit_late_95_s": value("time_to_limit_late"),
        "item_power_W": value("power"),
        "thermal_resistance_of_item_power_K_per_W": value("thermal_resistance"),
        "thermal_resistance_uncertainty_K_per_W": value("thermal_resistance_uncertainty"),
    }
    for term in range(region.sizes.get("foster_term", 0)):
        row |= {
            f"foster_{term + 1}_K_per_W": value("foster_resistance", term=term),
            f"foster_{term + 1}_s": value("foster_time", term=term),
        }
    return row


def _status(flag: float) -> str:
    return STEADY_STATUS[int(flag)] if np.isfinite(flag) else ""
