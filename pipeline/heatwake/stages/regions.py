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
from heatwake.schema.variables import label
from heatwake.stages.final_values import STRETCHES, SettlingSettings, add_final_values
from heatwake.stages.map_reader import maps_at
from heatwake.stages.small_parts import measure_sizes
from heatwake.stages.stage import Stage
from heatwake.stages.uncertainty import rise_uncertainty

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


class RegionsSettings(SettlingSettings):
    """How hot spots are told from noise, and when a region counts as settled."""

    least_rise_K: PositiveFloat = 0.5  # prominence of a hot spot
    least_share: NonNegativeFloat = 0.02  # the same, as a share of the highest rise
    noise_factor: PositiveFloat = 8.0  # the same, in standard deviations of the final map's noise
    margin_mm: NonNegativeFloat = 2.0  # a hot spot so near a part is the part's
    default_size_mm: PositiveFloat = 6.0  # of parts whose size is not given
    rim_px: NonNegativeInt = 1  # pixels along a part's edge that the optics mix with its surroundings: not measured ...
    rim_least_px: PositiveInt = 6  # ... unless the part is narrower than this
    ring_px: PositiveInt = 5  # the surroundings that a known part must stand out of
    spot_px: NonNegativeFloat = (
        2.0  # [px of the recording] optics and detector smear a point so wide, at half its height
    )
    least_emissivity: NonNegativeFloat = 0.6  # below it mostly reflection is seen (common practice, no source)


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
    return label(add_final_values(session, regions, settings).drop_vars("pixels"))


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


STAGE: Final = Stage(
    name="regions",
    settings=RegionsSettings,
    apply=measure_regions,
    needs=("temperature", "temperature_rise", "rise_noise", "emissivity", "frames_used", "power_on"),
    makes=(*SERIES, "rise_uncertainty", "steady_rise", "time_constant", "is_steady", "steady_status", *STRETCHES),
    version=9,
)
