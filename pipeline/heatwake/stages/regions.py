"""Parts and hot spots: where they are, how warm they get, and whether they have settled."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import NonNegativeFloat, NonNegativeInt, PositiveFloat, PositiveInt
from scipy import ndimage

from heatwake.kernels.hot_spots import find_hot_spots
from heatwake.kernels.moments import centroid
from heatwake.kernels.rectangles import core, equally_likely, pixel_window
from heatwake.schema.variables import label
from heatwake.stages.final_values import STRETCHES, SettlingSettings, add_final_values
from heatwake.stages.map_reader import mean_map
from heatwake.stages.region_search import (
    LINEAGE,
    Parts,
    Place,
    find_places,
    lineage_variables,
    peak_place,
    shared_out,
    stands_out,
    stands_over_time,
    take_looks,
)
from heatwake.stages.small_parts import measure_sizes, measured_rims
from heatwake.stages.stage import Stage
from heatwake.stages.uncertainty import rise_uncertainty

Array = npt.NDArray[Any]

WHOLE: Final = 0.95  # of the pixels of a region that a map must show, of those that others of its block show
SERIES: Final = (
    "temperature_max",
    "temperature_mean",
    "rise_max",
    "rise_mean",
    "rise_raw_max",
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
    rim_px: NonNegativeInt | None = None  # pixels along a part's edge that are not measured; none: by the optics' blur:
    rim_share: PositiveFloat = 0.1  # ... those that see more than this share of what lies over the edge ...
    rim_least_px: PositiveInt = 6  # ... unless fewer than this less two were left
    ring_px: PositiveInt = 5  # the surroundings that a known part must stand out of
    spot_px: NonNegativeFloat = (
        2.0  # [px of the recording] optics and detector smear a point so wide, at half its height
    )
    least_emissivity: NonNegativeFloat = 0.6  # below it mostly reflection is seen (common practice, no source)


def measure_regions(session: xr.Dataset, settings: RegionsSettings) -> xr.Dataset:
    """Return the regions with their series over time, final values and how they were found.

    Known parts and regions are measured over their own rectangles; hot spots outside all of them become regions
    ``unassigned 1``, ``unassigned 2``, ... (``region 1``, ... where no part is known). Series are
    measured in one pass over the maps, a block of time at a time; the search reads some hundreds of maps before it.
    """
    final = final_map(session, seconds=settings.final_s)
    regions = find_regions(session, final, settings)
    windows = region_windows(regions, x=session["x"].to_numpy(), y=session["y"].to_numpy())
    inner = measured_windows(session, regions, windows, settings)
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
    return mean_map(session["temperature_rise"], chosen)


def _beyond_range(session: xr.Dataset, final: Array, windows: list[tuple[slice, slice]]) -> Array:
    """Mark the regions of which something is not seen at the end though the rest is, where readings end at a bound."""
    if "range_high" not in session or not np.isfinite(session["range_high"]):
        return np.zeros(len(windows), dtype=np.int8)
    seen = [np.isfinite(final[window]) for window in windows]
    return np.array([one.any() and not one.all() for one in seen], dtype=np.int8)


def _noise(session: xr.Dataset) -> float:
    """Return what of a map is no heat [K]: its noise, and where colours were read how well they tell temperatures."""
    noise = session["rise_noise"].isel(time=-1).to_numpy()
    known = float(np.nanmedian(noise)) if np.isfinite(noise).any() else 0.0
    return float(np.hypot(known, session["scale_uncertainty"])) if "scale_uncertainty" in session else known


def _least_prominence(session: xr.Dataset, final: Array, settings: RegionsSettings) -> float:
    highest = float(np.nanmax(final)) if np.isfinite(final).any() else 0.0
    return max(settings.least_rise_K, settings.least_share * highest, settings.noise_factor * _noise(session))


def find_regions(session: xr.Dataset, final: Array, settings: RegionsSettings) -> xr.Dataset:
    """Return where the regions are and what became of each, before anything is measured.

    Known parts come first, in their order, then what else became hot, at the end or before. A part is found where a hot
    region is its own, in any look or in the final map, or where it is warmer than the board right round it.

    Parameters
    ----------
    session : Dataset
        Rise maps, and known parts if there are any.
    final : (y, x) array
        Final rise [K].
    settings : RegionsSettings
        Thresholds and sizes.
    """
    names, columns = _known(session, settings)
    parts = Parts(names, columns[:, :2], columns[:, 2:4], settings.margin_mm)
    looks = take_looks(session)
    x, y, ring = session["x"].to_numpy(), session["y"].to_numpy(), settings.ring_px
    least = max(settings.least_rise_K, settings.noise_factor * _noise(session))
    prominent = _least_prominence(session, final, settings)
    places = find_places(session, looks, least=least, share=settings.least_share)
    peaks = [peak_place(spot, looks, x=x, y=y) for spot in find_hot_spots(final, least=prominent)]
    places += [one for one in peaks if not _is_among(one, places, parts)]
    owners, strays = shared_out(places, parts)
    rows = np.array([(*places[number].box, np.nan) for number in strays]).reshape(-1, 5)
    word = "unassigned" if names else "region"
    labels = names + [f"{word} {number}" for number in range(1, len(rows) + 1)]
    rows = np.vstack([columns, rows])
    keys = ("region_x", "region_y", "region_width", "region_height", "region_limit")
    data: dict[str, Any] = {key: ("region", rows[:, number]) for number, key in enumerate(keys)}
    standing = stands_over_time(looks, rows[: len(names)], x=x, y=y, least=least, ring=ring)
    data |= lineage_variables(places, looks, owners=owners, strays=strays, standing=standing)
    none = np.zeros(len(strays), dtype=np.int8)
    turned = session["part_turned"].to_numpy() if "part_turned" in session else np.zeros(len(names), dtype=np.int8)
    data["region_found"] = ("region", np.isfinite(data["region_first_seen"][1]).astype(np.int8))
    data["region_known"] = ("region", np.concatenate([np.ones(len(names), dtype=np.int8), none]))
    data["region_ambiguous"] = ("region", np.concatenate([_ambiguous(session, peaks, parts), none]))
    data["region_turned"] = ("region", np.concatenate([turned, none]).astype(np.int8))
    regions = xr.Dataset(data, coords={"region": np.array(labels, dtype=object)}, attrs=session.attrs)
    windows = region_windows(regions, x=x, y=y)
    regions["region_found"] = regions["region_found"] | stands_out(final, windows, least=prominent, ring=ring)
    return regions


def _is_among(peak: Place, places: list[Place], parts: Parts) -> bool:
    """Tell whether a peak of the final map was found before it, and is the same part's or as much as no part's."""
    owner = parts.owner(peak.peak)
    return any(parts.owner(one.peak) == owner and one.holds(peak.peak, margin=parts.margin) for one in places)


def _ambiguous(session: xr.Dataset, peaks: list[Place], parts: Parts) -> Array:
    """Mark the parts (part,) of which a hot spot may as well be another's."""
    x = session["x"].to_numpy()
    step = abs(float(x[1] - x[0])) if len(x) > 1 else 1.0
    ambiguous = np.zeros(len(parts.names), dtype=np.int8)
    for one in peaks:
        likely = equally_likely(one.peak, centres=parts.centres, sizes=parts.sizes, margin=parts.margin, tolerance=step)
        ambiguous[likely] |= len(likely) > 1
    return ambiguous


def measured_windows(
    session: xr.Dataset, regions: xr.Dataset, windows: list[tuple[slice, slice]], settings: RegionsSettings
) -> list[tuple[slice, slice]]:
    """Return the pixels of each region that are measured: those along its edge see its surroundings too.

    How many these are follows from the optics, unless the settings say it; a side too short for it keeps them all.
    """
    rims = measured_rims(session, regions, spot=settings.spot_px, share=settings.rim_share)
    if settings.rim_px is not None:
        rims = [(settings.rim_px, settings.rim_px)] * len(windows)
    return [core(window, rim=rim, least=settings.rim_least_px) for window, rim in zip(windows, rims, strict=True)]


def _known(session: xr.Dataset, settings: RegionsSettings) -> tuple[list[str], Array]:
    if "part" not in session.dims:
        return [], np.empty((0, 5))
    size = [session[f"part_{side}"].fillna(settings.default_size_mm).to_numpy() for side in ("width", "height")]
    columns = [session["part_x"].to_numpy(), session["part_y"].to_numpy(), *size, session["part_limit"].to_numpy()]
    return [str(name) for name in session["part"].to_numpy()], np.stack(columns, axis=1)


def region_windows(regions: xr.Dataset, *, x: Array, y: Array) -> list[tuple[slice, slice]]:
    """Return the (rows, columns) of each region's rectangle."""
    columns = [regions[f"region_{key}"].to_numpy() for key in ("x", "y", "width", "height")]
    return [pixel_window((cx, cy), (w, h), x=x, y=y) for cx, cy, w, h in zip(*columns, strict=True)]


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
        "rise_raw_max": _highest(rise),
        "area": np.nansum(rise > 0.5 * core[:, None, None], axis=(1, 2)) * np.where(np.isfinite(core), cell, np.nan),
        "centroid_x": centres[:, 0],
        "centroid_y": centres[:, 1],
    }


def _mean(values: Array) -> Array:
    seen = np.isfinite(values)
    count = seen.sum(axis=(1, 2))
    total = np.where(seen, values, 0).sum(axis=(1, 2), dtype=np.float64)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _highest(rise: Array) -> Array:
    """Return the hottest single pixel of each map (time,); NaN where none is seen."""
    highest = np.where(np.isfinite(rise), rise, -np.inf).max(axis=(1, 2), initial=-np.inf)
    return np.where(np.isfinite(highest), highest, np.nan)


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
    makes=(
        *SERIES,
        "rise_uncertainty",
        "steady_rise",
        "time_constant",
        "is_steady",
        "steady_status",
        *LINEAGE,
        *STRETCHES,
    ),
    version=12,
)
