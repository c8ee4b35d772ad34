"""The uncertainty to be expected of a session's rises, from what its file says."""

from dataclasses import replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.budget import combine, contributions, rise_budget, temperature_budget
from heatwake.kernels.radiometry import Film
from heatwake.stages.band import band_table
from heatwake.stages.baseline import power_on_event
from heatwake.stages.film import FilmSettings
from heatwake.stages.uncertainty import TemperatureSettings, input_errors

Array = npt.NDArray[Any]

USUAL_TRANSMITTANCE: Final = 0.9  # of thin polyethylene, where a session's own is still to be measured
HOT: Final = 0.995  # quantile of readings that stands for the hottest parts
QUIET_S: Final = 10.0  # of the cold board before power-on, from where each pixel can be zeroed


def expected_uncertainty(dataset: xr.Dataset, pictures: Array, *, elapsed: Array, step: float) -> tuple[float, float]:
    """Return the standard uncertainty [K] to be expected of a hot pixel's rise, and the temperature [degC] it is for.

    By the budget that a run uses, with its default uncertainties; a film's transmittance that a run would measure is
    taken as usual. A recording that begins before power-on counts as zeroed.

    Parameters
    ----------
    dataset : Dataset
        A session as read.
    pictures : (n, rows, columns) array
        Some of its frames [degC].
    elapsed : (frame,) array
        [s]
    step : float
        Of the analysis [s].
    """
    seen = pictures[np.isfinite(pictures)]
    if not seen.size:
        return np.nan, np.nan
    settings = TemperatureSettings()
    given = dataset["frame_ambient"].to_numpy()
    ambient = float(np.nanmean(given)) if np.isfinite(given).any() else float(np.median(seen))
    film = _film(dataset)
    emissivity, spread = float(dataset["surface_emissivity"]), float(dataset["surface_emissivity_uncertainty"])
    errors = replace(
        input_errors(dataset, settings),
        emissivity=settings.emissivity_uncertainty if np.isnan(spread) else spread,
        transmittance=FilmSettings().transmittance_uncertainty if bool(dataset["film_present"]) else 0.0,
        film_temperature=settings.film_temperature_uncertainty_K if bool(dataset["film_present"]) else 0.0,
    )
    hot = float(np.quantile(seen, HOT))
    zeroed = ambient if power_on_event(dataset) >= QUIET_S else np.nan
    per_step = max(1.0, step * len(elapsed) / max(float(elapsed[-1]), step))
    lines = temperature_budget(
        hot,
        ambient,
        table=band_table(dataset),
        emissivity=emissivity,
        reflected=ambient,
        film=film,
        film_temperature=ambient,
        errors=errors,
        cold_ambient=zeroed,
        frames=per_step,
    )
    return float(combine(contributions(rise_budget(lines)))), hot


def _film(dataset: xr.Dataset) -> Film:
    if not bool(dataset["film_present"]):
        return Film()
    given, reflectance = (float(dataset[f"film_{name}_given"]) for name in ("transmittance", "reflectance"))
    transmittance = USUAL_TRANSMITTANCE if np.isnan(given) else given
    return Film(transmittance, min(0.0 if np.isnan(reflectance) else reflectance, 1 - transmittance))
