"""The few maps that a report shows, loaded a few at a time."""

from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.stages.map_reader import mean_map

Array = npt.NDArray[np.float64]

_SHOWN = 12  # of the maps in the last stretch; enough to see through noise, few enough to read at once


def final_rise(results: xr.Dataset, *, seconds: float = 15.0) -> Array:
    """Return the mean rise (y, x) [K] over the last ``seconds``; NaN where nothing was seen. Loads a few maps."""
    elapsed = results["elapsed"].to_numpy()
    if not elapsed.size:
        return np.full((results.sizes["y"], results.sizes["x"]), np.nan)
    last = np.flatnonzero(elapsed >= elapsed[-1] - seconds)
    chosen = last[np.unique(np.linspace(0, last.size - 1, _SHOWN).astype(int))]
    return mean_map(results["temperature_rise"], chosen)


def extent(dataset: xr.Dataset) -> tuple[float, float, float, float]:
    """Return left, right, bottom and top of a map's outer edges, for a picture whose first row is the top."""
    x, y = dataset["x"].to_numpy(), dataset["y"].to_numpy()
    half_x, half_y = _half_step(x), _half_step(y)
    return float(x[0] - half_x), float(x[-1] + half_x), float(y[-1] - half_y), float(y[0] + half_y)


def length_unit(dataset: xr.Dataset) -> str:
    """Return mm, or px where no scale is given."""
    return "px" if dataset["x"].attrs.get("units") == "pixel" else "mm"


def highest(values: Array, *, least: float = 1.0) -> float:
    """Return a round number just over the largest value, for the end of a scale."""
    known = values[np.isfinite(values)]
    top = max(float(known.max()) if known.size else 0.0, least)
    step = 10.0 ** np.floor(np.log10(top)) / 2
    return float(np.ceil(top / step) * step)


def _half_step(axis: npt.NDArray[Any]) -> float:
    return abs(float(axis[1] - axis[0])) / 2 if axis.size > 1 else 0.5
