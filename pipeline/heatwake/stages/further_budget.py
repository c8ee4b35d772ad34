"""What a recording more, or a better known input, would do to the uncertainty of final rises."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.budget import InputErrors, combine, contributions, rise_budget, temperature_budget
from heatwake.kernels.radiometry import Film
from heatwake.stages.region_budget import TERMS
from heatwake.stages.uncertainty import Way, zero_of

Array = npt.NDArray[Any]

KEPT: Final = ("noise", "spot_size", "settling", "offset_steps")  # no change that is asked for here touches these


@dataclass(frozen=True)
class Better:
    """What is known better than in the recording; None leaves it as it is.

    Attributes
    ----------
    emissivity, emissivity_uncertainty : float
        Of all regions in question, as of a tape stuck on them.
    transmittance_uncertainty : float
        Of the film.
    ambient_uncertainty : float
        Of the sensor [K].
    zeroed : bool
        The unpowered board is seen at ambient.
    """

    emissivity: float | None = None
    emissivity_uncertainty: float | None = None
    transmittance_uncertainty: float | None = None
    ambient_uncertainty: float | None = None
    zeroed: bool | None = None


def has_budgets(results: xr.Dataset) -> bool:
    """Tell whether the regions carry budgets to reckon with."""
    return "budget_contribution" in results and bool(results.sizes.get("region", 0))


def is_zeroed(results: xr.Dataset) -> bool:
    """Tell whether each pixel was zeroed on the unpowered board."""
    if "cold_radiance" not in results:
        return bool(np.isfinite(results["cold_ambient"])) if "cold_ambient" in results else False
    return bool(np.isfinite(zero_of(results, xr.DataArray(np.zeros(1), dims="region"))))


def rise_contributions(results: xr.Dataset, better: Better = Better()) -> dict[str, Array]:
    """Return what each input brings to the standard uncertainty of the regions' final rises, were it known better.

    Parameters
    ----------
    results : Dataset
        Of a session, with the regions' budgets.
    better : Better
        By default nothing: what comes out is what the budgets say.

    Returns
    -------
    dict of (region,) arrays
        [K], by the budget's names.
    """
    value, unsure = (_by_input(results, f"budget_{name}") for name in ("value", "uncertainty"))
    way = Way.of(results)
    ambient = value["ambient"]
    zeroed = is_zeroed(results) if better.zeroed is None else better.zeroed
    lines = temperature_budget(
        ambient + results["steady_rise_max"].to_numpy(),
        ambient,
        table=way.table,
        emissivity=value["emissivity"] if better.emissivity is None else better.emissivity,
        reflected=value["reflected"],
        film=Film(value["transmittance"], value["film_reflectance"]),
        film_temperature=value["film_temperature"],
        errors=_errors(results, unsure, better),
        cold_ambient=_zero(results, ambient) if zeroed else np.nan,
        cold_reflected=results["surface_reflected"].to_numpy(),
        air_transmittance=way.air_transmittance,
        air_temperature=ambient,
        mirrors_board=way.mirrors_board,
    )
    stored = results["budget_contribution"].sel(budget_quantity="rise")
    terms = {name: np.broadcast_to(line, ambient.shape) for name, line in contributions(rise_budget(lines)).items()}
    return terms | {name: stored.sel(budget_input=name).to_numpy() for name in KEPT}


def rise_uncertainty(results: xr.Dataset, better: Better = Better()) -> Array:
    """Return the standard uncertainty of the regions' final rises, were inputs known better [K] (region,)."""
    return combine(rise_contributions(results, better), TERMS)


def _zero(results: xr.Dataset, ambient: Array) -> Array | float:
    """Return at which ambient the unpowered board was seen, or would be [degC]."""
    cold = float(results["cold_ambient"]) if "cold_ambient" in results else np.nan
    return cold if np.isfinite(cold) else ambient


def _by_input(results: xr.Dataset, name: str) -> dict[str, Array]:
    inputs = results["budget_input"].to_numpy().astype(str)
    columns = results[name].transpose("budget_input", "region").to_numpy()
    return dict(zip(inputs.tolist(), columns, strict=True))


def _errors(results: xr.Dataset, unsure: dict[str, Array], better: Better) -> InputErrors:
    """Return the inputs' errors: those of the budgets, and the camera's own statements."""
    errors = InputErrors(
        transmittance=unsure["transmittance"],
        film_reflectance=unsure["film_reflectance"],
        emissivity=unsure["emissivity"],
        reflected=unsure["reflected"],
        film_temperature=unsure["film_temperature"],
        ambient=unsure["ambient"],
        drift=float(np.nanmax(unsure["drift"])),
        accuracy=float(results["accuracy"]),
        accuracy_percent=float(results["accuracy_percent"]),
        air_transmittance=unsure["air_transmittance"],
    )
    known = {
        "emissivity": better.emissivity_uncertainty,
        "transmittance": better.transmittance_uncertainty,
        "ambient": better.ambient_uncertainty,
    }
    return replace(errors, **{name: value for name, value in known.items() if value is not None})
