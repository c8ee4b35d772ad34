"""How far each part's heat spreads, and whither its footprint is drawn."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import PositiveFloat

from heatwake.kernels.moments import NOTHING, Footprint, footprint
from heatwake.kernels.rectangles import surroundings
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label
from heatwake.stages.regions import region_windows
from heatwake.stages.stage import Stage

Array = npt.NDArray[Any]


class SpreadSettings(Settings):
    """How much of the surroundings belongs to a footprint."""

    step_s: PositiveFloat = 20.0  # [s] maps are averaged so long, for slow footprints need no finer
    reach: PositiveFloat = 1.0  # the footprint is sought within so many part sizes beyond the part
    least_rise_K: PositiveFloat = 0.5  # over the local background, below which there is no footprint


def measure_spread(session: xr.Dataset, settings: SpreadSettings) -> xr.Dataset:
    """Return extent, orientation, area and drift of each region's footprint over time.

    The footprint is what rises over the median along the edge of the reach; other regions within reach are left out.
    Where nothing does its numbers are NaN. ``spread_cut`` tells where its upper half reaches the board's edge or a
    region that was left out: such a footprint is wider than these numbers.
    """
    groups = _groups(session["elapsed"].to_numpy(), step=settings.step_s)
    regions = session.sizes["region"]
    names = ("spread_major", "spread_minor", "spread_orientation", "spread_area", "drift_x", "drift_y")
    made = {name: np.full((regions, len(groups)), np.nan) for name in names}
    cut = np.zeros((regions, len(groups)), dtype=np.int8)
    places = _places(session, settings)
    for number, group in enumerate(groups):
        rise = session["temperature_rise"].isel(time=slice(*group)).mean("time").to_numpy()
        for region, place in enumerate(places):
            found = _one(rise, place, least=settings.least_rise_K)
            row = (found.major, found.minor, found.orientation, found.area, found.x - place.x, found.y - place.y)
            for name, value in zip(names, row, strict=True):
                made[name][region, number] = value
            cut[region, number] = found.cut
    middles = [(start + stop - 1) // 2 for start, stop in groups]
    out = xr.Dataset(
        {name: (("region", "time"), values) for name, values in made.items()},
        coords={
            "region": session["region"],
            "time": session["time"].isel(time=middles),
            "elapsed": session["elapsed"].isel(time=middles),
        },
        attrs=session.attrs,
    )
    out["spread_cut"] = (("region", "time"), cut)
    out["x"] = session["x"]
    return label(out).drop_vars("x")


def _groups(elapsed: Array, *, step: float) -> list[tuple[int, int]]:
    bins = np.floor((elapsed - elapsed[0]) / step + 1e-6).astype(int)
    starts = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
    return list(zip(starts.tolist(), [*starts[1:].tolist(), len(bins)], strict=True))


@dataclass(frozen=True)
class _Place:
    """Where one region's footprint is sought: what stays the same from map to map.

    Attributes
    ----------
    x, y : float
        The region's centre.
    around : (slice, slice)
        Rows and columns of the map within reach.
    inner : (slice, slice)
        The region's own, within ``around``.
    others : (rows, columns) array of bool
        What belongs to other regions, within ``around``.
    along_x, along_y : arrays
        Pixel centres within ``around``.
    open_sides : tuple of bool
        Which sides of ``around`` (top, bottom, left, right) do not lie on the edge of the map.
    """

    x: float
    y: float
    around: tuple[slice, slice]
    inner: tuple[slice, slice]
    others: Array
    along_x: Array
    along_y: Array
    open_sides: tuple[bool, bool, bool, bool]


def _places(session: xr.Dataset, settings: SpreadSettings) -> list[_Place]:
    x, y = session["x"].to_numpy(), session["y"].to_numpy()
    shape = (len(y), len(x))
    pixel = min(abs(float(np.diff(axis).mean())) if len(axis) > 1 else 1.0 for axis in (y, x))
    windows = region_windows(session, x=x, y=y)
    columns = [session[f"region_{key}"].to_numpy() for key in ("x", "y", "width", "height")]
    places = []
    for number, (own, (cx, cy, width, height)) in enumerate(zip(windows, zip(*columns, strict=True), strict=True)):
        reach = settings.reach * float(max(width, height))
        around = surroundings(own, width=max(2, round(reach / pixel)), shape=shape)
        others = np.zeros(shape, dtype=bool)
        for place, other in enumerate(windows):
            if place != number and not _contains(other, own) and not _contains(own, other):
                others[other] = True
        others[own] = False
        inner = tuple(slice(o.start - a.start, o.stop - a.start) for o, a in zip(own, around, strict=True))
        places.append(
            _Place(
                x=float(cx),
                y=float(cy),
                around=around,
                inner=(inner[0], inner[1]),
                others=others[around],
                along_x=x[around[1]],
                along_y=y[around[0]],
                open_sides=_open_sides(around, shape),
            )
        )
    return places


def _one(rise: Array, place: _Place, *, least: float) -> Footprint:
    local = np.where(place.others, np.nan, rise[place.around].astype(np.float64))
    background = _background(local, open_sides=place.open_sides)
    if not np.nanmax(local[place.inner], initial=-np.inf) - background >= least:
        return NOTHING
    return footprint(local, x=place.along_x, y=place.along_y, core=place.inner, background=background)


def _open_sides(window: tuple[slice, slice], shape: tuple[int, ...]) -> tuple[bool, bool, bool, bool]:
    """Tell which sides of a window (top, bottom, left, right) do not lie on the edge of the map."""
    rows, columns = window
    return rows.start > 0, rows.stop < shape[0], columns.start > 0, columns.stop < shape[1]


def _background(local: Array, *, open_sides: tuple[bool, bool, bool, bool]) -> float:
    """Median along the sides of a local map that have board beyond them; NaN where none was seen."""
    sides = (local[0], local[-1], local[:, 0], local[:, -1])
    along = np.concatenate([side for side, is_open in zip(sides, open_sides, strict=True) if is_open] or list(sides))
    seen = along[np.isfinite(along)]
    return float(np.median(seen)) if seen.size else float("nan")


def _contains(outer: tuple[slice, slice], inner: tuple[slice, slice]) -> bool:
    return all(a.start <= b.start and b.stop <= a.stop for a, b in zip(outer, inner, strict=True))


STAGE: Final = Stage(
    name="spread",
    settings=SpreadSettings,
    apply=measure_spread,
    needs=("temperature_rise", "region_x", "region_y", "region_width", "region_height"),
    makes=("spread_major", "spread_minor", "spread_orientation", "spread_area", "drift_x", "drift_y", "spread_cut"),
    version=1,
)
