"""Sessions against the reference: what changed, and whether it is more than noise."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import Field, NonNegativeFloat, PositiveFloat

from heatwake.kernels.interpolation import resample
from heatwake.kernels.repeats import Repeatability, coverage_factor
from heatwake.kernels.significance import cluster_floor, gradient_uncertainty, significant, without_small
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label
from heatwake.stages.board_match import Residual, residual_place
from heatwake.stages.flow import FlowSettings, compare_flow
from heatwake.stages.matched import (
    Late,
    has_event,
    late_regions,
    late_rise,
    onset,
    power_by_slope,
    power_factor,
    region_window,
)
from heatwake.stages.region_differences import footprint_change, opening_changes, ratio, settling_change
from heatwake.stages.set_ups import FILM_FITTING, conditions, repeatability
from heatwake.stages.uncertainty import TemperatureSettings

Array = npt.NDArray[Any]

VERSION: Final = 4
JOINT: Final = {
    "joint_flow_direction": "reference_flow_direction",
    "joint_flow_direction_uncertainty": "reference_flow_direction_uncertainty",
    "joint_flow_status": "reference_flow_status",
}
BOTH_SETTLED, SAME_ELAPSED, NOT_MATCHED = range(3)


class ComparisonSettings(Settings):
    """What counts as a difference."""

    final_s: PositiveFloat = 30.0  # [s] both maps are averaged over the last so long of the shorter recording
    event: str = ""  # label of an event of both sessions from which time counts; by default power-on
    false_discovery_rate: float = Field(default=0.01, gt=0, lt=1)  # of pixels
    region_false_discovery_rate: float = Field(default=0.05, gt=0, lt=1)
    least_cluster_px: int = Field(default=9, ge=1)  # and three times the pixels that share one piece of noise
    placement_px: float = Field(default=0.5, ge=0)  # of a pixel between two sessions, at least; standard uncertainty
    farthest_px: PositiveFloat = 4.0  # rms over the board; maps farther apart are not moved: no error of a click
    local_K: NonNegativeFloat = 0.05  # own to a place in one run: shading of the camera; measured on repeats
    compensate_power: bool = True  # where both powers are given, rises are brought to the reference's
    power_share: NonNegativeFloat = 0.001  # a meter's repeatability, not its accuracy (common practice, no source)
    refit_share: NonNegativeFloat = 0.0092  # of the rise, by a film laid on anew: transmittance 0.01 of 0.89 uncertain
    slope_s: PositiveFloat = 20.0  # from power-on, in which power is read off the first warming
    least_difference_K: PositiveFloat = 1.0  # the smallest that matters: how many takes it needs is told
    flow: FlowSettings = FlowSettings()  # set by the workflow's [flow] table
    uncertainty: TemperatureSettings = TemperatureSettings()  # set by the workflow's [temperature] table


@dataclass(frozen=True)
class _Pair:
    """A session and the reference, and what brings them to one condition."""

    session: xr.Dataset
    base: xr.Dataset
    onsets: tuple[float, float]
    end: float
    factor: float
    repeats: Repeatability | None

    @property
    def freedom(self) -> float:
        return np.inf if self.repeats is None else self.repeats.freedom

    @property
    def reach(self) -> float:
        return coverage_factor(self.freedom)


def compare(
    sessions: Mapping[str, xr.Dataset],
    reference: str,
    *,
    settings: ComparisonSettings,
    flows: Mapping[str, xr.Dataset] | None = None,
    spreads: Mapping[str, xr.Dataset] | None = None,
) -> xr.Dataset:
    """Return every session less the reference, on the reference's grid, with uncertainties of own terms only.

    Where takes of one set-up were repeated (``replicate`` in their conditions), what they differ by counts instead,
    unless it is less.

    Parameters
    ----------
    sessions : mapping of str to Dataset
        Results of each session: rise, regions and what the session file says.
    reference : str
        Name of the session that the others are compared with.
    settings : ComparisonSettings
    flows, spreads : mapping of str to Dataset, optional
        Flow and footprints of each session.

    Returns
    -------
    Dataset
        Dims (session, y, x), (session, region), (session, opening) and (session); NaN where a region is not in both.
    """
    base = sessions[reference]
    repeats = repeatability(sessions, base, compensate=settings.compensate_power)
    parts = []
    for name, session in sessions.items():
        if name == reference:
            continue
        made = _compare_one(_pair(session, base, settings, repeats), settings)
        pairs = [None if results is None else (results[name], results[reference]) for results in (flows, spreads)]
        parts.append(_with_products(made, pairs[0], pairs[1]).assign_coords(session=name))
    made = xr.concat(parts, dim="session", join="outer", combine_attrs="drop", coords="minimal", compat="override")
    made = made.assign_attrs(reference=reference, conditions=json.dumps(_conditions(sessions), sort_keys=True))
    made = made.assign(_repeats(repeats))
    made["x"].attrs["units"] = base["x"].attrs["units"]
    made["y"].attrs["units"] = base["y"].attrs["units"]
    return label(made)


def _conditions(sessions: Mapping[str, xr.Dataset]) -> dict[str, Any]:
    return {name: conditions(session) for name, session in sessions.items()}


def _repeats(repeats: Repeatability | None) -> dict[str, Any]:
    known = (np.nan, np.nan, 0.0) if repeats is None else (repeats.constant, repeats.share, repeats.freedom)
    names = ("repeat_constant", "repeat_share", "repeat_freedom")
    return {name: ((), value) for name, value in zip(names, known, strict=True)}


def _pair(session: xr.Dataset, base: xr.Dataset, settings: ComparisonSettings, repeats: Repeatability | None) -> _Pair:
    event = settings.event if all(has_event(one, settings.event) for one in (session, base)) else ""
    onsets = (onset(session, event=event), onset(base, event=event))
    end = min(float(one["elapsed"][-1]) - start for one, start in zip((session, base), onsets, strict=True))
    factor = power_factor(session, base) if settings.compensate_power else 1.0
    return _Pair(session, base, onsets, end, factor, repeats)


def _with_products(
    made: xr.Dataset,
    flows: tuple[xr.Dataset, xr.Dataset] | None,
    spreads: tuple[xr.Dataset, xr.Dataset] | None,
) -> xr.Dataset:
    regions = made["region"].to_numpy()
    session, base = spreads or (None, None)
    made = made.assign(footprint_change(session, base, regions))
    session, base = flows or (None, None)
    openings = opening_changes(session, base)
    return made.assign_coords(opening=openings.pop("opening")).assign(openings) if openings else made


def _compare_one(pair: _Pair, settings: ComparisonSettings) -> xr.Dataset:
    session, base = pair.session, pair.base
    made = xr.Dataset(coords={"x": base["x"], "y": base["y"], "region": _common_regions(session, base)})
    late = [
        late_rise(one, since=start, end=pair.end, seconds=settings.final_s, settings=settings.uncertainty)
        for one, start in zip((session, base), pair.onsets, strict=True)
    ]
    place = residual_place(session, base, farthest=settings.farthest_px)
    maps = _Maps.of(late, pair, place=place, settings=settings)
    area = np.fmax(late[0].noise_area, late[1].noise_area)
    flags = maps.significant(settings, freedom=pair.freedom, least=cluster_floor(area, least=settings.least_cluster_px))
    if place.state in ("too far", "no match"):
        flags[...] = False  # with places unknown every edge looks like a change
    slope = power_by_slope(session, base, seconds=settings.slope_s)
    made = made.assign(
        rise_difference=(("y", "x"), maps.difference),
        rise_difference_uncertainty=(("y", "x"), maps.uncertainty),
        significant=(("y", "x"), flags.astype(np.int8)),
        matched_elapsed=((), pair.end),
        power_factor=((), pair.factor),
        power_by_slope=((), slope.ratio),
        power_by_slope_uncertainty=((), slope.uncertainty),
        noise_area=((), area),
        common_difference=((), maps.shift),
        common_difference_uncertainty=((), maps.common),
    )
    made = made.assign(place.variables())
    made = made.assign(_region_differences(pair, made["region"], maps, settings))
    return made.merge(_flow_changes(session, base, made["region"], settings))


@dataclass(frozen=True)
class _Maps:
    """Two maps less each other.

    Attributes
    ----------
    difference, uncertainty, local : (y, x) arrays
        [K]; the last is the standard uncertainty of a difference against that of the board as a whole.
    rise : (y, x) array
        Of the reference [K].
    shift, common : float
        Median difference of the board, and standard uncertainty of what all its places share [K].
    """

    difference: Array
    uncertainty: Array
    local: Array
    rise: Array
    shift: float
    common: float

    @classmethod
    def of(cls, late: list[Late], pair: _Pair, *, place: Residual, settings: ComparisonSettings) -> "_Maps":
        """Return the session's map less the reference's, on the reference's grid."""
        base = late[1].rise
        first = [late[0].rise, late[0].own, late[0].local]
        if first[0]["x"].size != base["x"].size or not np.allclose(first[0]["x"], base["x"]):
            first = [array.interp(x=base["x"], y=base["y"]) for array in first]
        if place.state == "corrected":
            first = [_moved(array, place) for array in first]
        rise, own, local = (pair.factor * array.to_numpy() for array in first)
        there = base.to_numpy()
        # A shared error of place moves the edges of what is hot in both maps alike; what differs is one map's own.
        placement = gradient_uncertainty(there, placement=_placement_px(place, settings))
        scaled = _share(pair, settings) * np.maximum(np.abs(rise), np.abs(there))
        beside = placement**2 + 2 * settings.local_K**2 + scaled**2
        whole = np.sqrt(own**2 + late[1].own.to_numpy() ** 2 + beside)
        alone = np.sqrt(local**2 + late[1].local.to_numpy() ** 2 + beside)
        common = (
            float(np.sqrt(np.nanmedian(np.maximum(whole**2 - alone**2, 0)))) if np.isfinite(whole).any() else np.nan
        )
        if pair.repeats is not None:
            whole = np.maximum(whole, np.sqrt(2) * pair.repeats.spread(there))
            alone = np.maximum(alone, np.sqrt(2) * pair.repeats.share * np.abs(there))
            common = max(common, np.sqrt(2) * pair.repeats.constant)
        difference = rise - there
        shift = float(np.nanmedian(difference)) if np.isfinite(difference).any() else np.nan
        return cls(difference, whole, alone, there, shift, common)

    def significant(self, settings: ComparisonSettings, *, freedom: float, least: int) -> Array:
        """Return where the maps differ by more than noise."""
        flags = stands_out(
            self.difference,
            self.uncertainty,
            local=self.local,
            shift=self.shift,
            common=self.common,
            rate=settings.false_discovery_rate,
            freedom=freedom,
        )
        return without_small(flags, least=least)


def stands_out(
    difference: Array,
    uncertainty: Array,
    *,
    local: Array,
    shift: float,
    common: float,
    rate: float,
    freedom: float = np.inf,
) -> Array:
    """Tell which differences are more than noise: by themselves, or against a shift that all places share.

    What ambient sensor and camera may be wrong by shifts a whole map; a place that differs where the board as a whole
    does not has changed, though by less than that. Counted only where the board's shift is no more than such errors
    explain (two standard uncertainties), and where the place's own difference is at least half of what it stands out by.

    Parameters
    ----------
    difference, uncertainty, local : arrays of one shape
        [K]; ``local`` is the uncertainty without what all places share.
    shift, common : float
        Median difference of the board and standard uncertainty of what all places share [K].
    rate : float
        False discovery rate, half of it for either test.
    freedom : float
        Degrees of freedom of the uncertainties.
    """
    flags = significant(difference, uncertainty, rate=rate / 2, freedom=freedom)
    if not abs(shift) <= 2 * common:
        return flags
    apart = difference - shift
    against = significant(apart, local, rate=rate / 2, freedom=freedom)
    return np.asarray(flags | (against & (difference * apart > 0) & (np.abs(difference) >= np.abs(apart) / 2)))


def _share(pair: _Pair, settings: ComparisonSettings) -> float:
    """Return the standard uncertainty of a difference that goes with the rise: power, film laid on anew or measured anew.

    A film's transmittance that both runs take from one measurement drops out.
    """
    terms = [np.sqrt(2) * settings.power_share]
    fitting = [conditions(one).get(FILM_FITTING) for one in (pair.session, pair.base)]
    if fitting[0] != fitting[1]:
        terms.append(np.sqrt(2) * settings.refit_share)
    if all("transmittance" in one for one in (pair.session, pair.base)):
        values = [float(one["transmittance"]) for one in (pair.session, pair.base)]
        if not np.isclose(values[0], values[1], rtol=1e-6):
            spread = [float(one["transmittance_uncertainty"]) for one in (pair.session, pair.base)]
            terms.append(float(np.hypot(spread[0] / values[0], spread[1] / values[1])))
    return float(np.sqrt(np.square(terms).sum()))


def _moved(values: xr.DataArray, place: Residual) -> xr.DataArray:
    """Return a session's map, on the reference's grid, with what it shows at the reference's places."""
    plain = np.asarray(values.to_numpy(), dtype=np.float32)
    return values.copy(data=resample(plain, place.matrix, shape=(plain.shape[0], plain.shape[1])))


def _placement_px(place: Residual, settings: ComparisonSettings) -> float:
    """Return the standard uncertainty of a place between the two maps: as set, and more where more was measured.

    Never less: two recordings of one thing, aligned to 0.03 px, still differ at edges as if by some 0.4 px, for each
    camera's pixels cut them elsewhere.
    """
    if place.state != "corrected":
        return settings.placement_px
    return max(place.uncertainty, settings.placement_px)


def _common_regions(session: xr.Dataset, base: xr.Dataset) -> list[str]:
    """Regions of both, the reference's first, that lie at the same place."""
    names = [str(name) for name in base["region"].to_numpy()]
    return [name for name in names if name in session["region"].to_numpy() and _same_place(session, base, name)]


def _same_place(session: xr.Dataset, base: xr.Dataset, name: str) -> bool:
    here, there = session.sel(region=name), base.sel(region=name)
    away = np.hypot(here["region_x"] - there["region_x"], here["region_y"] - there["region_y"])
    return bool(away <= 0.5 * max(float(there["region_width"]), float(there["region_height"])))


def _region_differences(
    pair: _Pair, regions: xr.DataArray, maps: _Maps, settings: ComparisonSettings
) -> dict[str, Any]:
    here, there = (one.sel(region=regions) for one in (pair.session, pair.base))
    rise = [pair.factor * here["steady_rise"].to_numpy(), there["steady_rise"].to_numpy()]
    matched = [
        late_regions(one, since=start, end=pair.end, seconds=settings.final_s)
        for one, start in zip((here, there), pair.onsets, strict=True)
    ]
    matched[0] = pair.factor * matched[0]
    beside = _beside(pair, there, rise, maps, settings)
    fit, own, local = _own_terms(pair, here, there)
    steady = _at_least(np.sqrt(own**2 + beside**2), rise[1], pair)
    at_time = _at_least(np.sqrt(np.maximum(own**2 - fit**2, 0) + beside**2), matched[1], pair)
    both = (here["is_steady"].to_numpy() == 1) & (there["is_steady"].to_numpy() == 1)
    settled = both & np.isfinite(rise[0] - rise[1])
    state = np.where(settled, BOTH_SETTLED, np.where(np.isfinite(matched[0] - matched[1]), SAME_ELAPSED, NOT_MATCHED))
    judged = np.where(settled, rise[0] - rise[1], matched[0] - matched[1])
    alone = np.sqrt(np.where(settled, local**2, np.maximum(local**2 - fit**2, 0)) + beside**2)
    flags = stands_out(
        judged,
        np.where(settled, steady, at_time),
        local=_at_least(alone, rise[1], pair, constant=False),
        shift=maps.shift,
        common=maps.common,
        rate=settings.region_false_discovery_rate,
        freedom=pair.freedom,
    )
    return {
        **_with_interval("steady_rise_difference", rise[0] - rise[1], steady, reach=pair.reach),
        **_with_interval("matched_rise_difference", matched[0] - matched[1], at_time, reach=pair.reach),
        "match_state": ("region", state.astype(np.int8)),
        "region_significant": ("region", flags.astype(np.int8)),
        **ratio(here, there, factor=pair.factor),
        **settling_change(here, there),
    }


def _with_interval(name: str, values: Array, uncertainty: Array, *, reach: float) -> dict[str, Any]:
    return {
        name: ("region", values),
        f"{name}_uncertainty": ("region", uncertainty),
        f"{name}_low": ("region", values - reach * uncertainty),
        f"{name}_high": ("region", values + reach * uncertainty),
    }


def _beside(pair: _Pair, there: xr.Dataset, rise: list[Array], maps: _Maps, settings: ComparisonSettings) -> Array:
    """Return the standard uncertainty of each region's difference from place, shading, power and film [K]."""
    placement = np.array([_placement(maps.rise, there, number, settings) for number in range(there.sizes["region"])])
    scaled = _share(pair, settings) * np.fmax(np.abs(rise[0]), np.abs(rise[1]))
    return np.sqrt(placement**2 + 2 * settings.local_K**2 + np.nan_to_num(scaled) ** 2)


def _own_terms(pair: _Pair, here: xr.Dataset, there: xr.Dataset) -> tuple[Array, Array, Array]:
    """Return the differences' standard uncertainties from the fits, from all own terms, and from those of a place."""
    scales = (pair.factor, 1.0)
    fit, own, common = (
        np.hypot(*(scale * read(one) for scale, one in zip(scales, (here, there), strict=True)))
        for read in (_fit_terms, lambda one: one["steady_rise_own"].to_numpy(), _common_terms)
    )
    return np.minimum(fit, own), own, np.sqrt(np.maximum(own**2 - common**2, 0))


def _fit_terms(session: xr.Dataset) -> Array:
    """Return what is still to come's part of a final value's uncertainty: the budget's line of settling."""
    return _budget_lines(session, ("settling",))


def _common_terms(session: xr.Dataset) -> Array:
    return _budget_lines(session, ("ambient", "drift", "offset_steps"))


def _budget_lines(session: xr.Dataset, names: tuple[str, ...]) -> Array:
    """Return the sum in squares of some lines of each region's budget of its rise [K]; 0 where there is no budget."""
    if "budget_contribution" not in session:
        return np.zeros(session.sizes["region"])
    labels = [str(name) for name in session["budget_input"].to_numpy()]
    quantity = [str(name) for name in session["budget_quantity"].to_numpy()].index("rise")
    table = session["budget_contribution"].transpose("region", "budget_quantity", "budget_input").to_numpy()
    chosen = [labels.index(name) for name in names if name in labels]
    return np.asarray(np.sqrt(np.nansum(table[:, quantity, chosen] ** 2, axis=-1)))


def _at_least(uncertainty: Array, rise: Array, pair: _Pair, *, constant: bool = True) -> Array:
    """Return the uncertainty of a difference, but no less than repeats differ by."""
    if pair.repeats is None:
        return uncertainty
    spread = pair.repeats.spread(rise) if constant else pair.repeats.share * np.abs(rise)
    return np.fmax(uncertainty, np.sqrt(2) * spread)


def _placement(rise: Array, base: xr.Dataset, region: int, settings: ComparisonSettings) -> float:
    """Change of a region's mean [K] as its rectangle moves by the uncertainty of its place."""
    rows, columns = region_window(base, region)
    slopes = [slope[rows, columns] for slope in np.gradient(rise)]
    down, across = (float(np.nanmean(slope)) if np.isfinite(slope).any() else 0.0 for slope in slopes)
    return float(settings.placement_px * np.hypot(down, across))


def _flow_changes(
    session: xr.Dataset, base: xr.Dataset, regions: xr.DataArray, settings: ComparisonSettings
) -> xr.Dataset:
    flow = compare_flow(session, base, settings.flow, opposed=_opposed(session, base))
    own = flow.sel(which="session", drop=True)
    there = flow[list(JOINT)].sel(which="reference", drop=True).rename(JOINT)
    return own.merge(there).reindex(region=regions)


def _opposed(session: xr.Dataset, base: xr.Dataset) -> bool | None:
    """Whether the two sessions say that the fan blows opposite ways; None where they do not say."""
    here, there = (json.loads(one.attrs.get("conditions", "{}")).get("fan") for one in (session, base))
    still = {None, "off", "stopped", "none"}
    if here in still or there in still:
        return None
    return bool(here != there)
