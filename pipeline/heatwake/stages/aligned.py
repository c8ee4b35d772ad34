"""A session's late rises where the reference has its places, and what that changes of each region."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.camera_level import HALF
from heatwake.stages.board_match import Residual, residual_place
from heatwake.stages.matched import Late, late_rise
from heatwake.stages.pair import ComparisonSettings, Pair, pair_of
from heatwake.stages.regions import measured_windows, region_windows

Array = npt.NDArray[Any]

U_SHAPED: Final = np.sqrt(2)  # half-width over standard uncertainty, the ends likeliest (JCGM 101:2008, 6.4.6)


@dataclass(frozen=True, eq=False)
class Aligned:
    """A session and the reference at one time and place.

    Attributes
    ----------
    here, there : Late
        The session's, on the reference's grid, and the reference's.
    place : Residual
        How far the session's map lay off, which is taken out where it is known.
    level : float
        By how much more the camera read above a cold board in the session than in the reference [K]; 0 where unknown.
    region_moved : (region,) array
        What measuring the session's regions where the reference has them adds to their rise [K].
    region_level : (region,) array
        What is taken off each region's rise for the camera's level [K].
    windows : list of (slice, slice)
        The regions' measured pixels on the reference's grid.
    """

    here: Late
    there: Late
    place: Residual
    level: float
    region_moved: Array
    region_level: Array
    windows: list[tuple[slice, slice]]

    @property
    def is_moved(self) -> bool:
        """Whether the two lie on one another by their pictures."""
        return self.place.state == "corrected"

    @property
    def map_level(self) -> Array:
        """What is taken off the session's map for the camera's level (y, x) [K]."""
        return np.asarray(HALF * self.level * self.here.surface.left.to_numpy())

    def placement_px(self, settings: ComparisonSettings) -> float:
        """Return the standard uncertainty of a place between the two maps along one direction [cells]."""
        if not self.is_moved:
            return settings.placement_px
        return float(np.hypot(self.place.uncertainty, settings.aligned_px))

    @property
    def middle_level(self) -> float:
        """What is taken off for the camera's level at a middling place of the board [K]."""
        return float(np.nanmedian(self.map_level)) if np.isfinite(self.map_level).any() else 0.0

    def region_placement(self, settings: ComparisonSettings) -> Array:
        """Return the standard uncertainty of each region's difference from its place (region,) [K]."""
        slopes = np.gradient(self.there.rise.to_numpy())
        steep = [np.nan_to_num(_means(slope, self.windows)) for slope in slopes]
        return np.asarray(self.placement_px(settings) * np.hypot(steep[0], steep[1]))

    @property
    def region_change(self) -> Array:
        """What is added to each of the session's rises before the reference's is taken off (region,) [K]."""
        return self.region_moved - self.region_level


def align(pair: Pair, regions: xr.DataArray, settings: ComparisonSettings, *, there: Late | None = None) -> Aligned:
    """Return a session's and the reference's late maps at one time and place.

    Parameters
    ----------
    pair : Pair
    regions : DataArray (region,)
        Names of those of both.
    settings : ComparisonSettings
    there : Late, optional
        The reference's, where it is known already.
    """
    plain = _late(pair, 0, settings)
    there = _late(pair, 1, settings) if there is None else there
    place = residual_place(pair.session, pair.base, farthest=settings.farthest_px)
    here = plain.laid_on(there.rise, place.matrix if place.state == "corrected" else None)
    apart = plain.surface.level - there.surface.level
    level = float(apart) if np.isfinite(apart) else 0.0
    windows, own = (_windows(one, regions, settings) for one in (pair.base, pair.session))
    return Aligned(
        here,
        there,
        place,
        level,
        np.nan_to_num(_means(here.rise.to_numpy(), windows) - _means(plain.rise.to_numpy(), own)),
        np.nan_to_num(HALF * level * _means(here.surface.left.to_numpy(), windows)),
        windows,
    )


@dataclass(frozen=True)
class RegionChange:
    """What laying a session on the reference does to its regions, on the reference's (region,) [K].

    Attributes
    ----------
    change : array
        What is added to its rises, at the reference's power.
    placement, level : array
        Standard uncertainties of a difference from place, and from how the camera's level goes wrong.
    """

    change: Array
    placement: Array
    level: Array


def region_changes(
    sessions: Mapping[str, xr.Dataset], reference: str, *, names: Sequence[str], settings: ComparisonSettings
) -> dict[str, RegionChange]:
    """Return what laying named sessions on the reference does to their regions; the reference lies where it is."""
    base = sessions[reference]
    pairs = {name: pair_of(sessions[name], base, settings, None) for name in names if name != reference}
    return {
        name: region_change(pair, align(pair, regions_of(pair), settings), settings) for name, pair in pairs.items()
    }


def region_change(pair: Pair, laid: Aligned, settings: ComparisonSettings) -> RegionChange:
    """Return what laying a session on the reference does to its regions; nothing to those that are not in both."""
    rows = (laid.region_change, laid.region_placement(settings), np.abs(laid.region_level) / U_SHAPED)
    common = regions_of(pair).to_numpy()
    known = [dict(zip(common, pair.factor * row, strict=True)) for row in rows]
    names = pair.base["region"].to_numpy()
    return RegionChange(*(np.array([one.get(name, 0.0) for name in names]) for one in known))


def regions_of(pair: Pair) -> xr.DataArray:
    """Return the names (region,) of the regions of both."""
    return xr.DataArray(np.array(common_regions(pair.session, pair.base), dtype=object), dims="region")


def common_regions(session: xr.Dataset, base: xr.Dataset) -> list[str]:
    """Return the regions of both, the reference's first, that lie at one place: within half of the longer side."""
    here = {str(name): place for name, place in zip(session["region"].to_numpy(), _places(session), strict=True)}
    sizes = np.fmax(base["region_width"].to_numpy(), base["region_height"].to_numpy())
    names = [str(name) for name in base["region"].to_numpy()]
    rows = zip(names, _places(base), sizes, strict=True)
    return [name for name, place, size in rows if name in here and np.hypot(*(here[name] - place)) <= size / 2]


def _places(session: xr.Dataset) -> Array:
    return np.stack([session[f"region_{axis}"].to_numpy().astype(np.float64) for axis in "xy"], axis=1)


def _late(pair: Pair, which: int, settings: ComparisonSettings) -> Late:
    session = (pair.session, pair.base)[which]
    since, seconds = pair.onsets[which], settings.final_s
    return late_rise(session, since=since, end=pair.end, seconds=seconds, settings=settings.uncertainty)


def _windows(session: xr.Dataset, regions: xr.DataArray, settings: ComparisonSettings) -> list[tuple[slice, slice]]:
    """Return the pixels of the named regions that are measured."""
    chosen = session[[name for name in session if "region" in session[name].dims]].sel(region=regions)
    windows = region_windows(chosen, x=session["x"].to_numpy(), y=session["y"].to_numpy())
    return measured_windows(session, chosen, windows, settings.regions)


def _means(plain: Array, windows: list[tuple[slice, slice]]) -> Array:
    seen = [np.isfinite(plain[window]) for window in windows]
    return np.array([plain[at][one].mean() if one.any() else np.nan for at, one in zip(windows, seen, strict=True)])
