"""The heating curves for people: rows of ``transients.csv``."""

from typing import Any, Final

import numpy as np
import xarray as xr

from heatwake.schema.variables import STEADY_STATUS

_REFUSED: Final = STEADY_STATUS[2:]


def transient_rows(results: xr.Dataset, *, criterion: str) -> list[dict[str, Any]]:
    """Return the rows of ``transients.csv``: a row a region, of its mean; units in the headings, uncertainties k = 1.

    Thermal resistances are per watt of the whole item's power, for no part's own is known. A network's terms are
    those of ``sum R_i (1 - exp(-t / tau_i))``: a fit, not places of the item.
    """
    return [
        _row(results.isel(region=number), str(name), criterion=criterion)
        for number, name in enumerate(results["region"].to_numpy())
    ]


def _row(region: xr.Dataset, name: str, *, criterion: str) -> dict[str, Any]:
    def value(variable: str, *, term: int | None = None) -> float:
        if variable not in region:
            return np.nan
        found = region[variable].to_numpy()
        return float(found if term is None else found[term])

    status = _status(value("steady_status"))
    row: dict[str, Any] = {
        "region": name,
        "final_rise_K": value("steady_rise"),
        "final_rise_uncertainty_K": value("steady_rise_uncertainty"),
        "final_rise_from": "" if status in _REFUSED else status,
        "refused_because": status if status in _REFUSED else "",
        "remaining_rise_K": value("remaining_rise"),
        "remaining_rise_uncertainty_K": value("remaining_rise_uncertainty"),
        "settled": int(value("is_steady") == 1),
        "settled_by": criterion,
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
        "item_power_W": float(region["power"]) if "power" in region else np.nan,
        "thermal_resistance_of_item_power_K_per_W": value("thermal_resistance"),
    }
    for term in range(region.sizes.get("foster_term", 0)):
        row |= {
            f"foster_{term + 1}_K_per_W": value("foster_resistance", term=term),
            f"foster_{term + 1}_s": value("foster_time", term=term),
        }
    return row


def _status(flag: float) -> str:
    return STEADY_STATUS[int(flag)] if np.isfinite(flag) else ""
