"""Where the rise of every pixel is going, from maps that go by a block at a time."""

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.settling_maps import BINS, FEWEST, Bins, SettlingMap, fit_map, read_map
from heatwake.kernels.stretches import Stretch
from heatwake.stages.uncertainty import TemperatureSettings, rise_uncertainty

Array = npt.NDArray[Any]

MAPS: Final = ("final_rise", "final_rise_uncertainty", "rise_time_constant", "final_rise_status")
LATE_SHARE: Final = 0.05  # of the readings, whose noise a final value has


def final_maps(
    session: xr.Dataset, stretch: Stretch, *, began: str, settings: TemperatureSettings
) -> dict[str, xr.DataArray]:
    """Return the final rise of each pixel (y, x), its standard uncertainty, time constant and status.

    Parameters
    ----------
    session : Dataset
        What the temperature stage made.
    stretch : Stretch
        Through which nothing was changed.
    began : str
        ``at ambient`` where the rise began at 0, ``anywhere`` where at a level that is not known, ``before`` where it
        began before the recording: then there are last readings alone.
    settings : TemperatureSettings
    """
    elapsed = session["elapsed"].to_numpy().astype(np.float64)
    within = (elapsed > stretch.start) & (elapsed <= stretch.end)
    shape = (session.sizes["y"], session.sizes["x"])
    if within.sum() < FEWEST:
        return _labelled(session, SettlingMap.empty(shape[0] * shape[1]), shape)
    bins = Bins.of(elapsed[within] - stretch.start)
    means, counts = _binned(session["temperature_rise"], np.flatnonzero(within), bins.number)
    if began == "before":
        found = read_map(means, counts, bins=bins)
    else:
        air = session["ambient"].to_numpy().astype(np.float64)
        drifts = np.isfinite(air).all() and np.ptp(air) > 0
        ambient = (air, elapsed, within) if drifts else None
        found = fit_map(means, counts, bins=bins, ambient=ambient, free=began == "anywhere")
    made = _labelled(session, found, shape)
    last = int(np.flatnonzero(within)[-1])
    seen = xr.DataArray(np.maximum(LATE_SHARE * counts.sum(axis=0), 1).reshape(shape), dims=("y", "x"))
    level = session["ambient"].isel(time=last) + made["final_rise"]
    total, _ = rise_uncertainty(
        session.isel(time=last),
        temperature=level.transpose("y", "x"),
        emissivity=session["emissivity"],
        settings=settings,
        pixels=seen,
    )
    spread = xr.apply_ufunc(np.hypot, made["final_rise_uncertainty"], total.transpose("y", "x"))
    made["final_rise_uncertainty"] = spread.astype(np.float32)
    return made


def _binned(maps: xr.DataArray, steps: Array, number: Array) -> tuple[Array, Array]:
    """Return the mean over each bin of each pixel's readings, and how many they are, (bins, pixels)."""
    size = maps.sizes["y"] * maps.sizes["x"]
    sums = np.zeros((BINS, size))
    counts = np.zeros((BINS, size), dtype=np.uint32)
    of_step = np.full(maps.sizes["time"], -1)
    of_step[steps] = number
    for start, block in _blocks(maps):
        bins = of_step[start : start + len(block)]
        for one in np.unique(bins[bins >= 0]):
            chosen = block[bins == one].reshape(-1, size)
            seen = np.isfinite(chosen)
            sums[one] += np.where(seen, chosen, 0).sum(axis=0, dtype=np.float64)
            counts[one] += seen.sum(axis=0, dtype=np.uint32)
    return sums / np.maximum(counts, 1), counts


def _blocks(maps: xr.DataArray) -> Iterator[tuple[int, Array]]:
    """Yield the maps block by block as they are stored, with the number of the first."""
    ordered = maps.transpose("time", "y", "x")
    start = 0
    for size in ordered.chunksizes.get("time", (ordered.sizes["time"],)):
        yield start, ordered.isel(time=slice(start, start + size)).to_numpy()
        start += size


def _labelled(session: xr.Dataset, found: SettlingMap, shape: tuple[int, int]) -> dict[str, xr.DataArray]:
    columns = (found.final, found.uncertainty, found.time_constant, found.status)
    kinds = (np.float32, np.float32, np.float32, np.int8)
    coordinates = {name: session[name] for name in ("y", "x")}
    return {
        name: xr.DataArray(column.reshape(shape).astype(kind), dims=("y", "x"), coords=coordinates)
        for name, column, kind in zip(MAPS, columns, kinds, strict=True)
    }
