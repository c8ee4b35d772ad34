"""Hot regions found over the whole recording: which are known parts, which are none's, what became of each."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.hot_spots import HotSpot
from heatwake.kernels.load_steps import find_load_steps
from heatwake.kernels.rectangles import pixel_window, smallest_containing, surroundings
from heatwake.kernels.region_tracks import (
    BACK,
    HIDDEN,
    MERGED,
    NONE,
    NOT_YET,
    SEEN,
    History,
    follow_regions,
    sharp_onsets,
    story,
)
from heatwake.stages.map_reader import maps_at

Array = npt.NDArray[Any]
Window = tuple[slice, slice]

LOOKS: Final = 48  # rise maps that are searched, spread over the recording
TOGETHER: Final = 6  # maps at most that a look is the mean of
ACROSS: Final = 240  # pixels at most along a searched map's longer side: larger ones are taken in blocks
LINEAGE: Final = ("region_state", "region_partner", "look_elapsed", "region_first_seen", "region_last_seen")
PRESENT: Final = (SEEN, MERGED, BACK)
MOSTLY: Final = 0.3  # of a place on known parts, from where it is none beside them
GROWN: Final = 1.0  # of the least contrast that a load must have made soon after it came
LOCAL_SHARE: Final = 0.03  # of the rise where it lies that a region must stand out by: as much as emissivity is unsure


@dataclass(frozen=True)
class Looks:
    """Rise maps spread over a recording.

    Attributes
    ----------
    maps : (look, ny, nx) float32 array
        Rise [K]; NaN where masked.
    elapsed : (look,) array
        Middle of each [s].
    cell : int
        Pixels of the session's maps along a side of one of these.
    glances : (glance, ny, nx) float32 array
        The maps that looks are means of.
    glanced : (glance,) array
        When [s].
    """

    maps: Array
    elapsed: Array
    cell: int
    glances: Array
    glanced: Array


@dataclass(frozen=True)
class Place:
    """One hot region as it was found.

    Attributes
    ----------
    peak : (float, float)
        ``(x, y)`` of its hottest place [mm].
    cells : (n, 2) array
        ``(x, y)`` of the pixels that it takes [mm].
    step : float
        Side of such a pixel [mm].
    state, partner : (look,) arrays
        As :class:`heatwake.kernels.region_tracks.History` has them; partners count places.
    """

    peak: tuple[float, float]
    cells: Array
    step: float
    state: Array
    partner: Array

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Centre, width and height [mm] of the rectangle round its pixels."""
        low, high = self.cells.min(axis=0), self.cells.max(axis=0)
        middle, size = (low + high) / 2, high - low + self.step
        return float(middle[0]), float(middle[1]), float(size[0]), float(size[1])

    def holds(self, point: tuple[float, float], *, margin: float) -> bool:
        """Tell whether a point lies in its rectangle or near it [mm]."""
        x, y, width, height = self.box
        return abs(point[0] - x) <= width / 2 + margin and abs(point[1] - y) <= height / 2 + margin


@dataclass(frozen=True)
class Parts:
    """Known parts: names, centres and sizes (part, 2) [mm], and how near to one is on it [mm]."""

    names: list[str]
    centres: Array
    sizes: Array
    margin: float

    def owner(self, point: tuple[float, float]) -> int | None:
        """Return the part that a point belongs to."""
        return smallest_containing(point, centres=self.centres, sizes=self.sizes, margin=self.margin)

    def share_of(self, cells: Array) -> float:
        """Return the share of pixels (n, 2) [mm] that lie on a part or near one."""
        if not self.names:
            return 0.0
        beyond = np.abs(cells[:, None, :] - self.centres) - self.sizes / 2
        return float((beyond <= self.margin).all(axis=2).any(axis=1).mean())


def take_looks(session: xr.Dataset, *, count: int = LOOKS) -> Looks:
    """Return time-averaged rise maps spread over the recording; those without frames are left out."""
    used = np.flatnonzero(session["frames_used"].to_numpy() > 0)
    ends = np.round(np.linspace(0, len(used), min(count, len(used)) + 1)).astype(int)
    chosen = [_spread(used[start:end]) for start, end in pairwise(ends)]
    cell = int(np.ceil(max(session.sizes["y"], session.sizes["x"], 1) / ACROSS))
    shape = tuple(int(np.ceil(session.sizes[name] / cell)) for name in ("y", "x"))
    glanced = [step for steps in chosen for step in steps]
    glances = np.full((len(glanced), *shape), np.nan, dtype=np.float32)
    for number, rise in enumerate(maps_at(session["temperature_rise"], glanced)):
        glances[number] = _in_blocks(rise, cell=cell)
    parts = np.split(glances, np.cumsum([len(steps) for steps in chosen])[:-1])
    maps = np.array([_mean(list(part)) for part in parts if len(part)], dtype=np.float32).reshape(-1, *shape)
    elapsed = session["elapsed"].to_numpy()
    middles = np.array([elapsed[steps].mean() for steps in chosen if len(steps)])
    return Looks(maps, middles, cell, glances, elapsed[glanced])


def _spread(steps: Array) -> Array:
    return np.asarray(steps[np.unique(np.linspace(0, len(steps) - 1, min(TOGETHER, len(steps))).round().astype(int))])


def _mean(maps: Sequence[Array]) -> Array:
    seen = np.sum([np.isfinite(one) for one in maps], axis=0)
    total = np.sum([np.nan_to_num(one, nan=0.0) for one in maps], axis=0)
    return np.where(seen > 0, total / np.maximum(seen, 1), np.nan)


def _in_blocks(rise: Array, *, cell: int) -> Array:
    """Return means over square blocks of what is seen; NaN where less than half of a block is."""
    if cell == 1:
        return rise
    rows, columns = (-(-size // cell) * cell for size in rise.shape)
    padded = np.full((rows, columns), np.nan)
    padded[: rise.shape[0], : rise.shape[1]] = rise
    blocks = padded.reshape(rows // cell, cell, columns // cell, cell)
    seen = np.isfinite(blocks).sum(axis=(1, 3))
    total = np.nan_to_num(blocks, nan=0.0).sum(axis=(1, 3))
    return np.where(seen >= cell * cell / 2, total / np.maximum(seen, 1), np.nan)


def follow(looks: Looks, *, least: Array) -> History:
    """Return the regions of looks and what became of them; ``least``: contrast (look,) that one must have [K]."""
    steps = find_load_steps(looks.glances, looks.glanced, least=GROWN * float(least.min()))
    sharp = sharp_onsets(steps, elapsed=looks.glanced, look_elapsed=looks.elapsed, least=least)
    return follow_regions(looks.maps, least=least, share=LOCAL_SHARE, sharp=sharp)


def find_places(session: xr.Dataset, looks: Looks, *, least: float, share: float) -> list[Place]:
    """Return the hot regions of a recording, highest contrast first.

    Parameters
    ----------
    session : Dataset
        With the board's coordinates.
    looks : Looks
        Rise maps to search.
    least, share : float
        Contrast that a region must have [K], and as a share of the look's highest rise.
    """
    if not len(looks.maps) or min(looks.maps.shape[1:]) < 3:
        return []
    highest = np.array([np.nanmax(one) if np.isfinite(one).any() else 0.0 for one in looks.maps])
    history = follow(looks, least=np.maximum(least, share * highest))
    x, y = (_block_centres(session[name].to_numpy(), looks.cell) for name in ("x", "y"))
    step = abs(float(x[1] - x[0]))
    return [
        Place(
            peak=(float(x[track.best.column]), float(y[track.best.row])),
            cells=_cells(track.best.rows, track.best.columns, track.best.mask, x=x, y=y),
            step=step,
            state=state,
            partner=partner,
        )
        for track, state, partner in zip(history.tracks, history.state, history.partner, strict=True)
    ]


def _block_centres(coordinate: Array, cell: int) -> Array:
    """Return the centres of blocks of pixels along an axis; the last block may stand out over the map."""
    step = coordinate[1] - coordinate[0] if len(coordinate) > 1 else 1.0
    return np.asarray(coordinate[::cell] + (cell - 1) / 2 * step)


def _cells(rows: slice, columns: slice, mask: Array, *, x: Array, y: Array) -> Array:
    """Return ``(x, y)`` (n, 2) of the pixels of a mask that begins at a row and a column [mm]."""
    at_rows, at_columns = np.nonzero(mask)
    return np.stack([x[columns][at_columns], y[rows][at_rows]], axis=1)


def peak_place(spot: HotSpot, looks: Looks, *, x: Array, y: Array) -> Place:
    """Return a peak of the final map as a region that is seen at the end alone."""
    state = np.zeros(len(looks.elapsed), dtype=np.int8)
    state[-1:] = SEEN
    return Place(
        peak=(float(x[spot.column]), float(y[spot.row])),
        cells=_cells(slice(0, len(y)), slice(0, len(x)), spot.mask, x=x, y=y),
        step=abs(float(x[1] - x[0])) if len(x) > 1 else 1.0,
        state=state,
        partner=np.full(len(state), NONE, dtype=np.int16),
    )


def shared_out(places: Sequence[Place], parts: Parts) -> tuple[list[int | None], list[int]]:
    """Return the part that each place belongs to, and the numbers of the places that are no part's.

    What lies mostly on known parts is not a region of its own, though it belongs to none: parts that come on together.
    """
    owners = [parts.owner(place.peak) for place in places]
    strays = [
        number
        for number, (place, owner) in enumerate(zip(places, owners, strict=True))
        if owner is None and parts.share_of(place.cells) < MOSTLY
    ]
    return owners, strays


def lineage_variables(
    places: Sequence[Place],
    looks: Looks,
    *,
    owners: Sequence[int | None],
    strays: Sequence[int],
    standing: Array,
) -> dict[str, Any]:
    """Return what became of each region: known parts in their order, then the strays.

    Parameters
    ----------
    places, looks
        What was found, and in what.
    owners, strays
        Of :func:`shared_out`.
    standing : (part, look) bool array
        Whether a known part is warmer than the board right round it, which a part on another's shoulder is without a
        blob of its own.
    """
    count = len(standing)
    region_of = {number: owner for number, owner in enumerate(owners) if owner is not None}
    region_of |= {number: count + rank for rank, number in enumerate(strays)}
    shape = (count + len(strays), len(looks.elapsed))
    state, partner = np.zeros(shape, dtype=np.int8), np.full(shape, NONE, dtype=np.int16)
    for region in range(shape[0]):
        own = [places[number] for number, at in region_of.items() if at == region]
        partners = _partners(own, region, region_of, size=shape[1])
        itself = np.any([_is_own(one, region, region_of) for one in own] or [np.zeros(shape[1], bool)], axis=0)
        if region < count:
            itself |= _lasting(standing[region])
        there = np.any([np.isin(one.state, PRESENT) for one in own] or [itself], axis=0) | itself
        hidden = np.all([one.state == HIDDEN for one in own] or [np.zeros(shape[1], bool)], axis=0) & ~there
        state[region] = story(there, itself, hidden)
        partner[region] = np.where((state[region] == MERGED) | _comes_out(state[region]), partners, NONE)
    return {
        "region_state": (("region", "look"), state),
        "region_partner": (("region", "look"), partner),
        "look_elapsed": ("look", looks.elapsed),
        **_ends(np.isin(state, PRESENT), looks.elapsed),
    }


def _ends(present: Array, elapsed: Array) -> dict[str, Any]:
    """Return when each region (region, look) is seen first and last [s]; NaN where never."""
    ends = {"region_first_seen": np.min, "region_last_seen": np.max}
    return {
        name: ("region", np.array([pick(elapsed[row]) if row.any() else np.nan for row in present], dtype=np.float64))
        for name, pick in ends.items()
    }


def _partners(own: Sequence[Place], region: int, region_of: dict[int, int], *, size: int) -> Array:
    """Return the region (look,) that a region's places are merged into or come out of; -1 for none but itself."""
    found = np.full(size, NONE, dtype=np.int16)
    for place in own:
        others = np.array([region_of.get(int(one), NONE) for one in place.partner], dtype=np.int16)
        found = np.where((others != NONE) & (others != region), others, found)
    return found


def _is_own(place: Place, region: int, region_of: dict[int, int]) -> Array:
    """Tell in which looks (look,) a place shows by itself, or within another place of its own region."""
    within = np.array([region_of.get(int(one), NONE) == region for one in place.partner])
    return np.asarray(np.isin(place.state, (SEEN, BACK)) | ((place.state == MERGED) & within))


def _comes_out(state: Array) -> Array:
    """Tell in which looks (look,) a region is seen and was not in the look before."""
    before = np.concatenate([[NOT_YET], state[:-1]])
    return np.isin(state, (SEEN, BACK)) & ~np.isin(before, (SEEN, BACK))


def _lasting(standing: Array) -> Array:
    """Return the looks (look,) that stand with a neighbour in time; one alone may be noise."""
    padded = np.concatenate([[False], standing, [False]])
    return np.asarray(padded[1:-1] & (padded[:-2] | padded[2:]))


def stands_out(rise: Array, windows: Sequence[Window], *, least: float, ring: int) -> npt.NDArray[np.int8]:
    """Tell which regions (region,) are warmer than the board round them: on another's shoulder none has its own peak.

    Parameters
    ----------
    rise : (y, x) array
        Rise [K]; NaN where masked.
    windows : sequence of (slice, slice)
        Pixels of each region.
    least : float
        By which the mean must be above the median of the ring [K].
    ring : int
        Width of the ring round a region, other regions left out [px].
    """
    bare = rise.copy()
    for window in windows:
        bare[window] = np.nan
    found = np.zeros(len(windows), dtype=np.int8)
    for number, window in enumerate(windows):
        around = bare[surroundings(window, width=ring, shape=(rise.shape[0], rise.shape[1]))]
        own = rise[window]
        known = np.isfinite(own).any() and np.isfinite(around).any()
        found[number] = bool(known) and float(np.nanmean(own) - np.nanmedian(around)) >= least
    return found


def stands_over_time(
    looks: Looks, boxes: Array, *, x: Array, y: Array, least: float, ring: int
) -> npt.NDArray[np.bool_]:
    """Return :func:`stands_out` of each region in each look (region, look); ``boxes``: x, y, width, height, ..."""
    across, along = (_block_centres(one, looks.cell) for one in (x, y))
    windows = [pixel_window((box[0], box[1]), (box[2], box[3]), x=across, y=along) for box in boxes]
    width = max(round(ring / looks.cell), 1)
    found = [stands_out(one, windows, least=least, ring=width) for one in looks.maps]
    return np.array(found, dtype=bool).reshape(len(looks.maps), len(boxes)).T
