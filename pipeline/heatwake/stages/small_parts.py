"""Parts that are small in the recording: how many pixels they have, and what they read too low for it."""

from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.rectangles import surroundings
from heatwake.kernels.spot_size import rim_width, share_of_part, size_of, spot_bias
from heatwake.schema.variables import REGION_SIZE
from heatwake.stages.band import band_table
from heatwake.stages.board_place import board_view

Array = npt.NDArray[Any]
Window = tuple[slice, slice]


def measure_sizes(
    session: xr.Dataset,
    regions: xr.Dataset,
    *,
    final: Array,
    windows: tuple[list[Window], list[Window]],
    ring: int,
    spot: float,
) -> dict[str, Any]:
    """Return each region's pixels across its smaller side, whether they are enough, and its bias of core and mean.

    Parameters
    ----------
    session : Dataset
        With the board's place in the picture.
    regions : Dataset
        Rectangles.
    final : (y, x) array
        Final rise [K].
    windows : pair of lists
        Each region's pixels of the map: all, and those that are measured.
    ring : int
        Width of the ring that tells the surroundings' temperature [px of the map].
    spot : float
        Full width at half maximum of the spot [px of the recording].
    """
    x, y = session["x"].to_numpy(), session["y"].to_numpy()
    ambient = float(session["ambient"].dropna("time")[-1]) if session["ambient"].notnull().any() else np.nan
    around = _rings(final, windows[0], width=ring)
    rows = []
    for number, inner in enumerate(windows[1]):
        box = [float(regions[f"region_{key}"][number]) for key in ("x", "y", "width", "height")]
        scale = pixels_per_length(session, box[0], box[1])
        places = (x[inner[1]] - box[0]) * scale[0], (y[inner[0]] - box[1]) * scale[1]
        shares = _shares(places, half=(box[2] * scale[0] / 2, box[3] * scale[1] / 2), spot=spot)
        levels = _levels(final[inner])
        ring_rise = around[number] if np.isfinite(around[number]) else 0.0
        bias = [
            float(spot_bias(ambient + level, ambient + ring_rise, share=share, table=band_table(session)))
            for level, share in zip(levels, shares, strict=True)
        ]
        rows.append((min(box[2] * scale[0], box[3] * scale[1]), *bias))
    pixels, core, mean = np.array(rows).reshape(-1, 3).T
    status = np.array([REGION_SIZE.index(size_of(one)) for one in pixels], dtype=np.int8)
    return {
        "region_pixels": ("region", pixels),
        "region_size": ("region", status),
        "spot_bias": ("region", core),
        "spot_bias_mean": ("region", mean),
    }


def pixels_per_length(session: xr.Dataset, x: float, y: float) -> tuple[float, float]:
    """Return how many pixels of the recording a unit of length on the board takes, along x and along y, at a place."""
    view = board_view(session)
    if view is None:
        scale = float(session["board_scale"]) if "board_scale" in session else np.nan
        return (1 / scale, 1 / scale) if np.isfinite(scale) else (1.0, 1.0)
    along_x, along_y = np.hypot(*view.slopes([x, y]))
    return float(along_x), float(along_y)


def measured_rims(session: xr.Dataset, regions: xr.Dataset, *, spot: float, share: float) -> list[tuple[int, int]]:
    """Return how many pixels of the map along each region's edge see too much of what lies over it: rows and columns.

    Parameters
    ----------
    session : Dataset
        With the board's place in the picture.
    regions : Dataset
        Rectangles.
    spot : float
        Full width at half maximum of the spot [px of the recording].
    share : float
        Of what lies over the edge, that a pixel may see.
    """
    found = []
    for x, y in zip(regions["region_x"].to_numpy(), regions["region_y"].to_numpy(), strict=True):
        scale = pixels_per_length(session, float(x), float(y))
        across, along = (
            rim_width(spot / (per_length * _step(session[name])), share=share)
            for per_length, name in zip(scale, ("x", "y"), strict=True)
        )
        found.append((along, across))
    return found


def _step(coordinate: xr.DataArray) -> float:
    return abs(float(coordinate[1] - coordinate[0])) if coordinate.size > 1 else 1.0


def _rings(final: Array, windows: list[Window], *, width: int) -> Array:
    """Return the median rise around each region; other regions are left out unless it lies on them."""
    areas = [(rows.stop - rows.start) * (columns.stop - columns.start) for rows, columns in windows]
    found = np.full(len(windows), np.nan)
    for number, window in enumerate(windows):
        around = surroundings(window, width=width, shape=(final.shape[0], final.shape[1]))
        hidden = np.zeros(final.shape, dtype=bool)
        for other, area in zip(windows, areas, strict=True):
            if area <= areas[number]:
                hidden[other] = True
        hidden[window] = True
        seen = final[around][~hidden[around]]
        seen = seen[np.isfinite(seen)]
        if seen.size:
            found[number] = np.median(seen)
    return found


def _shares(places: tuple[Array, Array], *, half: tuple[float, float], spot: float) -> tuple[float, float]:
    """Return the region's share in what is seen at its middle three by three pixels, and over all that is measured."""
    middles = [np.unique(np.clip(len(one) // 2 + np.array([-1, 0, 1]), 0, len(one) - 1)) for one in places]
    core, mean = 1.0, 1.0
    for axis in (0, 1):
        core *= share_of_part(places[axis][middles[axis]], half_width=half[axis], spot=spot)
        mean *= share_of_part(places[axis], half_width=half[axis], spot=spot)
    return core, mean


def _levels(rise: Array) -> tuple[float, float]:
    """Return the highest and the mean rise of a region; NaN where nothing was seen."""
    if not np.isfinite(rise).any():
        return np.nan, np.nan
    return float(np.nanmax(rise)), float(np.nanmean(rise))
