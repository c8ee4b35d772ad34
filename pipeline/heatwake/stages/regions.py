"""Parts and hot spots: where they are, how warm they get, and whether they have settled."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import NonNegativeFloat, NonNegativeInt, PositiveFloat, PositiveInt
from scipy import ndimage

from heatwake.kernels.hot_spots import HotSpot, find_hot_spots
from heatwake.kernels.moments import centroid
from heatwake.kernels.rectangles import core, equally_likely, pixel_window, smallest_containing, surroundings
from heatwake.kernels.steadiness import CriterionName
from heatwake.kernels.transient import Settling, fit_settling, refused
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label
from heatwake.stages.map_reader import maps_at
from heatwake.stages.region_budget import final_budget
from heatwake.stages.region_settling import (
    impedance_variables,
    last_ambient,
    limit_variables,
    settled,
    settled_by_rate,
    transient_variables,
)
from heatwake.stages.small_parts import measure_sizes
from heatwake.stages.stage import Stage
from heatwake.stages.uncertainty import TemperatureSettings, rise_uncertainty

Array = npt.NDArray[Any]

WHOLE: Final = 0.95  # of the pixels of a region that a map must show, of those that others of its block show
SERIES: Final = (
    "temperature_max",
    "temperature_mean",
    "rise_max",
    "rise_mean",
    "area",
    "centroid_x",
    "centroid_y",
)


class RegionsSettings(Settings):
    """How hot spots are told from noise, and when a region counts as settled."""

    least_rise_K: PositiveFloat = 0.5  # prominence of a hot spot
    least_share: NonNegativeFloat = 0.02  # the same, as a share of the highest rise
    noise_factor: PositiveFloat = 8.0  # the same, in standard deviations of the final map's noise
    margin_mm: NonNegativeFloat = 2.0  # a hot spot so near a part is the part's
    default_size_mm: PositiveFloat = 6.0  # of parts whose size is not given
    rim_px: NonNegativeInt = 1  # pixels along a part's edge that the optics mix with its surroundings: not measured ...
    rim_least_px: PositiveInt = 6  # ... unless the part is narrower than this
    ring_px: PositiveInt = 5  # the surroundings that a known part must stand out of
    final_s: PositiveFloat = 30.0  # the final map is averaged over so long
    settling: CriterionName = "remaining rise"  # when a region has settled: by its forecast, or as a standard says
    steady_K: NonNegativeFloat = 0.5  # "remaining rise": no more than this is still to come ...
    steady_share: NonNegativeFloat = 0.02  # ... or no more than this share of the final rise
    spot_px: NonNegativeFloat = (
        2.0  # [px of the recording] optics and detector smear a point so wide, at half its height
    )
    least_emissivity: NonNegativeFloat = 0.6  # below it mostly reflection is seen (common practice, no source)
    first_order_share: PositiveFloat = 0.05  # by which trials may differ from a budget for it to hold
    uncertainty: TemperatureSettings = TemperatureSettings()  # set by the workflow's [temperature] table


def measure_regions(session: xr.Dataset, settings: RegionsSettings) -> xr.Dataset:
    """Return the regions with their series over time, final values and how they were found.

    Known parts and regions are measured over their own rectangles; hot spots outside all of them become regions
    ``unassigned 1``, ``unassigned 2``, ... (``spot 1``, ... where no part is known). One pass over the maps, a block
    of time at a time.
    """
    final = final_map(session, seconds=settings.final_s)
    least = _least_prominence(session, final, settings)
    regions = _regions(session, find_hot_spots(final, least=least), settings)
    windows = region_windows(regions, x=session["x"].to_numpy(), y=session["y"].to_numpy())
    regions["region_found"] = regions["region_found"] | _stands_out(final, windows, least=least, settings=settings)
    inner = [core(window, rim=settings.rim_px, least=settings.rim_least_px) for window in windows]
    series = _series(session, inner)
    for name in SERIES:
        regions[name] = (("region", "time"), series[name])
    regions = regions.assign_coords({name: session[name] for name in ("time", "elapsed")})
    regions = regions.assign(_surface(session, inner, least=settings.least_emissivity))
    regions["region_beyond_range"] = ("region", _beyond_range(session, final, windows))
    sizes = measure_sizes(
        session, regions, final=final, windows=(windows, inner), ring=settings.ring_px, spot=settings.spot_px
    )
    regions = regions.assign(sizes)
    regions["pixels"] = ("region", np.array([(r.stop - r.start) * (c.stop - c.start) for r, c in inner]))
    regions = _add_uncertainty(session, regions, settings)
    return label(_add_final_values(session, regions, settings).drop_vars("pixels"))


def final_map(session: xr.Dataset, *, seconds: float) -> Array:
    """Return the mean rise (y, x) [K] over the last ``seconds``, from at most 64 maps spread over them."""
    elapsed = session["elapsed"].to_numpy()
    last = np.flatnonzero((elapsed >= elapsed[-1] - seconds) & (session["frames_used"].to_numpy() > 0))
    if not len(last):
        return np.full((session.sizes["y"], session.sizes["x"]), np.nan)
    chosen = last[np.unique(np.linspace(0, len(last) - 1, 64).astype(int))]
    total = np.zeros((session.sizes["y"], session.sizes["x"]))
    count = np.zeros_like(total)
    for rise in maps_at(session["temperature_rise"], chosen):
        seen = np.isfinite(rise)
        total[seen] += rise[seen]
        count += seen
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _beyond_range(session: xr.Dataset, final: Array, windows: list[tuple[slice, slice]]) -> Array:
    """Mark the regions of which something is not seen at the end though the rest is, where readings end at a bound."""
    if "range_high" not in session or not np.isfinite(session["range_high"]):
        return np.zeros(len(windows), dtype=np.int8)
    seen = [np.isfinite(final[window]) for window in windows]
    return np.array([one.any() and not one.all() for one in seen], dtype=np.int8)


def _least_prominence(session: xr.Dataset, final: Array, settings: RegionsSettings) -> float:
    noise = session["rise_noise"].isel(time=-1).to_numpy()
    typical = float(np.nanmedian(noise)) if np.isfinite(noise).any() else 0.0
    highest = float(np.nanmax(final)) if np.isfinite(final).any() else 0.0
    return max(settings.least_rise_K, settings.least_share * highest, settings.noise_factor * typical)


def _regions(session: xr.Dataset, spots: list[HotSpot], settings: RegionsSettings) -> xr.Dataset:
    """Known parts first, in their order, then the hot spots that fall in none of them."""
    names, columns = _known(session, settings)
    found, ambiguous = np.zeros(len(names), dtype=np.int8), np.zeros(len(names), dtype=np.int8)
    x, y = session["x"].to_numpy(), session["y"].to_numpy()
    centres, sizes = columns[:, :2], columns[:, 2:4]
    step = abs(float(x[1] - x[0])) if len(x) > 1 else 1.0
    rest = []
    for spot in spots:
        place = (float(x[spot.column]), float(y[spot.row]))
        owner = smallest_containing(place, centres=centres, sizes=sizes, margin=settings.margin_mm)
        if owner is None:
            rest.append(_bounding_box(spot, x, y))
        else:
            found[owner] = 1
            likely = equally_likely(place, centres=centres, sizes=sizes, margin=settings.margin_mm, tolerance=step)
            ambiguous[likely] |= len(likely) > 1
    word = "unassigned" if names else "spot"
    names = names + [f"{word} {number}" for number in range(1, len(rest) + 1)]
    rows = np.vstack([columns, np.array(rest).reshape(-1, 5)])
    keys = ("region_x", "region_y", "region_width", "region_height", "region_limit")
    data: dict[str, Any] = {key: ("region", rows[:, number]) for number, key in enumerate(keys)}
    data["region_found"] = ("region", np.concatenate([found, np.ones(len(rest), dtype=np.int8)]))
    none = np.zeros(len(rest), dtype=np.int8)
    turned = session["part_turned"].to_numpy() if "part_turned" in session else np.zeros_like(found)
    data["region_known"] = ("region", np.concatenate([np.ones_like(found), none]))
    data["region_ambiguous"] = ("region", np.concatenate([ambiguous, none]))
    data["region_turned"] = ("region", np.concatenate([turned, none]).astype(np.int8))
    return xr.Dataset(data, coords={"region": np.array(names, dtype=object)}, attrs=session.attrs)


def _known(session: xr.Dataset, settings: RegionsSettings) -> tuple[list[str], Array]:
    if "part" not in session.dims:
        return [], np.empty((0, 5))
    size = [session[f"part_{side}"].fillna(settings.default_size_mm).to_numpy() for side in ("width", "height")]
    columns = [session["part_x"].to_numpy(), session["part_y"].to_numpy(), *size, session["part_limit"].to_numpy()]
    return [str(name) for name in session["part"].to_numpy()], np.stack(columns, axis=1)


def _bounding_box(spot: HotSpot, x: Array, y: Array) -> tuple[float, float, float, float, float]:
    rows, columns = np.nonzero(spot.mask)
    step = abs(float(x[1] - x[0])) if len(x) > 1 else 1.0
    left, right = x[columns.min()] - step / 2, x[columns.max()] + step / 2
    low, high = y[rows.max()] - step / 2, y[rows.min()] + step / 2
    return (left + right) / 2, (low + high) / 2, right - left, high - low, np.nan


def region_windows(regions: xr.Dataset, *, x: Array, y: Array) -> list[tuple[slice, slice]]:
    """Return the (rows, columns) of each region's rectangle."""
    columns = [regions[f"region_{key}"].to_numpy() for key in ("x", "y", "width", "height")]
    return [pixel_window((cx, cy), (w, h), x=x, y=y) for cx, cy, w, h in zip(*columns, strict=True)]


def _stands_out(
    final: Array, windows: list[tuple[slice, slice]], *, least: float, settings: RegionsSettings
) -> xr.DataArray:
    """Tell which regions are warmer than the board round them: a part on another's shoulder has no peak of its own."""
    bare = final.copy()
    for window in windows:
        bare[window] = np.nan
    found = []
    for window in windows:
        ring = bare[surroundings(window, width=settings.ring_px, shape=(final.shape[0], final.shape[1]))]
        own = final[window]
        known = np.isfinite(own).any() and np.isfinite(ring).any()
        found.append(bool(known) and float(np.nanmean(own) - np.nanmedian(ring)) >= least)
    return xr.DataArray(np.array(found, dtype=np.int8), dims="region")


def _series(session: xr.Dataset, windows: list[tuple[slice, slice]]) -> dict[str, Array]:
    shape = (len(windows), session.sizes["time"])
    series = {name: np.full(shape, np.nan) for name in SERIES}
    x, y = session["x"].to_numpy(), session["y"].to_numpy()
    blocks = session["temperature_rise"].chunksizes.get("time", (session.sizes["time"],))
    start = 0
    for size in blocks:
        block = session[["temperature", "temperature_rise"]].isel(time=slice(start, start + size)).load()
        for region, (rows, columns) in enumerate(windows):
            temperature = block["temperature"].to_numpy()[:, rows, columns]
            rise = block["temperature_rise"].to_numpy()[:, rows, columns]
            values = _measure(temperature, rise, x=x[columns], y=y[rows])
            for name in SERIES:
                series[name][region, start : start + size] = values[name]
        start += size
    return series


def _measure(temperature: Array, rise: Array, *, x: Array, y: Array) -> dict[str, Array]:
    """All series of one region over a block of maps (time, rows, columns)."""
    cell = (abs(x[1] - x[0]) if len(x) > 1 else 1.0) * (abs(y[1] - y[0]) if len(y) > 1 else 1.0)
    seen = np.isfinite(rise).sum(axis=(1, 2))
    rise = np.where((seen < WHOLE * seen.max(initial=0))[:, None, None], np.nan, rise)  # something is in the way
    core = _core(rise)
    centres = np.array([centroid(picture, x=x, y=y) for picture in rise])
    mean_rise = _mean(rise)
    ambient = _mean(temperature) - mean_rise
    return {
        "temperature_mean": mean_rise + ambient,
        "temperature_max": core + ambient,
        "rise_mean": mean_rise,
        "rise_max": core,
        "area": np.nansum(rise > 0.5 * core[:, None, None], axis=(1, 2)) * np.where(np.isfinite(core), cell, np.nan),
        "centroid_x": centres[:, 0],
        "centroid_y": centres[:, 1],
    }


def _mean(values: Array) -> Array:
    seen = np.isfinite(values)
    count = seen.sum(axis=(1, 2))
    total = np.where(seen, values, 0).sum(axis=(1, 2), dtype=np.float64)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _core(rise: Array) -> Array:
    """Hottest mean over 3 x 3 pixels: no single noisy pixel sets it."""
    seen = np.isfinite(rise)
    total = ndimage.uniform_filter(np.where(seen, rise, 0).astype(np.float64), (0, 3, 3), mode="nearest")
    share = ndimage.uniform_filter(seen.astype(np.float64), (0, 3, 3), mode="nearest")
    means = np.where(seen, total / np.maximum(share, 1e-9), -np.inf)
    highest = means.max(axis=(1, 2))
    return np.where(np.isfinite(highest), highest, np.nan)


def _surface(session: xr.Dataset, inner: list[tuple[slice, slice]], *, least: float) -> dict[str, Any]:
    """Return each region's emissivity, how well it is known, and whether it is too low for a temperature."""
    emissivity, uncertainty = (
        _window_means(session[name].to_numpy(), inner) for name in ("emissivity", "emissivity_uncertainty")
    )
    return {
        "region_emissivity": ("region", emissivity),
        "region_emissivity_uncertainty": ("region", uncertainty),
        "region_emissivity_low": ("region", (emissivity < least - 1e-6).astype(np.int8)),  # of float32
    }


def _window_means(values: Array, windows: list[tuple[slice, slice]]) -> Array:
    return np.array([values[window].mean() for window in windows])


def _add_uncertainty(session: xr.Dataset, regions: xr.Dataset, settings: RegionsSettings) -> xr.Dataset:
    total, _ = rise_uncertainty(
        session,
        temperature=regions["temperature_mean"],
        emissivity=regions["region_emissivity"],
        settings=settings.uncertainty,
        pixels=regions["pixels"],
        emissivity_uncertainty=regions["region_emissivity_uncertainty"],
        spot_bias=regions["spot_bias_mean"],
    )
    regions["rise_uncertainty"] = (("region", "time"), total.to_numpy())
    return regions


def _add_final_values(session: xr.Dataset, regions: xr.Dataset, settings: RegionsSettings) -> xr.Dataset:
    power_on = float(session["power_on"])
    elapsed = session["elapsed"].to_numpy()
    onset = power_on if np.isfinite(power_on) else np.nan
    means = [_settle(row, elapsed, onset, settings) for row in regions["rise_mean"].to_numpy()]
    cores = [_settle(row, elapsed, onset, settings) for row in regions["rise_max"].to_numpy()]
    steady = np.array([row.final for row in means])
    level = regions["temperature_mean"].isel(time=-1) - regions["rise_mean"].isel(time=-1) + steady
    total, own = rise_uncertainty(
        session.isel(time=[-1]),
        temperature=level.expand_dims(time=1).transpose("region", "time"),
        emissivity=regions["region_emissivity"],
        settings=settings.uncertainty,
        pixels=regions["pixels"],
        emissivity_uncertainty=regions["region_emissivity_uncertainty"],
        spot_bias=regions["spot_bias_mean"],
    )
    fit = np.array([row.uncertainty for row in means])
    final = {
        "steady_rise": steady,
        "steady_rise_uncertainty": np.hypot(total.to_numpy()[:, 0], fit),
        "steady_rise_own": np.hypot(own.to_numpy()[:, 0], fit),
        "steady_rise_max": np.array([row.final for row in cores]),
    }
    told = {
        **transient_variables(means),
        **limit_variables(cores, room=_room(regions), after=float(elapsed[-1]) - onset),
        **impedance_variables(
            regions["rise_mean"].to_numpy(), elapsed=elapsed, onset=onset, rows=means, power=_power(session)
        ),
        "is_steady": ("region", _steady(regions, means, onset=onset, settings=settings)),
    }
    budget = final_budget(
        session,
        regions,
        rise=final["steady_rise_max"],
        settling=np.array([row.uncertainty for row in cores]),
        settings=settings.uncertainty,
        tolerance=settings.first_order_share,
    )
    return regions.assign({name: ("region", values) for name, values in final.items()}).assign(told).assign(budget)


def _room(regions: xr.Dataset) -> Array:
    return np.asarray(regions["region_limit"].to_numpy() - last_ambient(regions))


def _power(session: xr.Dataset) -> float:
    return float(session["power"]) if "power" in session else np.nan


def _steady(regions: xr.Dataset, rows: list[Settling], *, onset: float, settings: RegionsSettings) -> Array:
    if settings.settling == "remaining rise":
        return settled(rows, least=settings.steady_K, share=settings.steady_share)
    return settled_by_rate(
        regions["rise_mean"].to_numpy(),
        elapsed=regions["elapsed"].to_numpy(),
        onset=onset,
        name=settings.settling,
        average=settings.final_s,
    )


def _settle(rise: Array, elapsed: Array, onset: float, settings: RegionsSettings) -> Settling:
    """Final value after power-on; where none was seen, the last readings if they stand still."""
    if np.isfinite(onset):
        return fit_settling(rise, elapsed=elapsed, onset=onset)
    return last_reading(rise, elapsed, seconds=settings.final_s)


def last_reading(rise: Array, elapsed: Array, *, seconds: float) -> Settling:
    """Mean of the last readings, with what their trend would add over as long again as the record as the remainder."""
    seen = np.isfinite(rise)
    late = seen & (elapsed >= elapsed[-1] - max(seconds, 0.25 * (elapsed[-1] - elapsed[0])))
    if late.sum() < 3:
        return refused("too few readings")
    slope = np.polyfit(elapsed[late], rise[late], 1)[0]
    drift = abs(slope * (elapsed[late][-1] - elapsed[late][0]))
    spread = float(rise[late].std(ddof=1) / np.sqrt(late.sum()))
    level, unsure = float(rise[late].mean()), float(np.hypot(spread, drift))
    return Settling(
        level, unsure, np.nan, float(drift), 0, remaining_uncertainty=unsure, status="last reading", last=level
    )


STAGE: Final = Stage(
    name="regions",
    settings=RegionsSettings,
    apply=measure_regions,
    needs=("temperature", "temperature_rise", "rise_noise", "emissivity", "frames_used", "power_on"),
    makes=(*SERIES, "rise_uncertainty", "steady_rise", "time_constant", "is_steady", "steady_status"),
    version=8,
)
