"""Sessions against the reference: what changed, and whether it is more than noise."""

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import xarray as xr

from heatwake.kernels.repeats import Repeatability
from heatwake.kernels.significance import cluster_floor
from heatwake.schema.variables import REPEAT_SOURCE, label
from heatwake.stages.aligned import align, region_changes, regions_of
from heatwake.stages.flow import compare_flow
from heatwake.stages.map_differences import MapDifference
from heatwake.stages.matched import power_by_slope
from heatwake.stages.pair import ComparisonSettings, Pair, pair_of
from heatwake.stages.region_differences import footprint_change, opening_changes
from heatwake.stages.region_rises import NOT_MATCHED, region_rises
from heatwake.stages.set_ups import conditions, repeatability, repeated, set_ups
from heatwake.stages.takes import Take

__all__ = ["VERSION", "ComparisonSettings", "compare"]

VERSION: Final = 10  # of the experiment too
JOINT: Final = {
    "joint_flow_direction": "reference_flow_direction",
    "joint_flow_direction_uncertainty": "reference_flow_direction_uncertainty",
    "joint_flow_status": "reference_flow_status",
}


def compare(
    sessions: Mapping[str, xr.Dataset],
    reference: str,
    *,
    settings: ComparisonSettings,
    flows: Mapping[str, xr.Dataset] | None = None,
    spreads: Mapping[str, xr.Dataset] | None = None,
    past: Sequence[Take] = (),
) -> xr.Dataset:
    """Return every session less the reference, on the reference's grid, with uncertainties of own terms only.

    Where takes of one set-up were repeated (``replicate`` in their conditions, or in the laboratory's record), what
    they differ by counts instead of what is assumed of ambient sensor and camera; of few only where it is more.

    Parameters
    ----------
    sessions : mapping of str to Dataset
        Results of each session: rise, regions and what the session file says.
    reference : str
        Name of the session that the others are compared with.
    settings : ComparisonSettings
    flows, spreads : mapping of str to Dataset, optional
        Flow and footprints of each session.
    past : sequence of Take
        Takes of like set-ups from the laboratory's record.

    Returns
    -------
    Dataset
        Dims (session, y, x), (session, region), (session, opening) and (session); NaN where a region is not in both.
    """
    base = sessions[reference]
    laid = region_changes(sessions, reference, names=repeated(sessions), settings=settings)
    changes = {name: one.change for name, one in laid.items()}
    repeats = repeatability(sessions, base, compensate=settings.compensate_power, changes=changes, past=past)
    parts = []
    for name, session in sessions.items():
        if name == reference:
            continue
        made = _compare_one(pair_of(session, base, settings, repeats), settings)
        pairs = [None if results is None else (results[name], results[reference]) for results in (flows, spreads)]
        parts.append(_with_products(made, pairs[0], pairs[1]).assign_coords(session=name))
    made = xr.concat(parts, dim="session", join="outer", combine_attrs="drop", coords="minimal", compat="override")
    made = made.assign(_flags(made))
    made = made.assign_attrs(reference=reference, conditions=json.dumps(_conditions(sessions), sort_keys=True))
    made = made.assign(_repeats(repeats)).assign(_repeat_source(sessions, repeats, past=past))
    made["x"].attrs["units"] = base["x"].attrs["units"]
    made["y"].attrs["units"] = base["y"].attrs["units"]
    return label(made)


def _flags(made: xr.Dataset) -> dict[str, Any]:
    """Return flags as whole numbers again, which joining made fractions of: some regions are in some pairs only."""
    without = {"region_significant": 0, "match_state": NOT_MATCHED}
    return {name: made[name].fillna(value).astype(np.int8) for name, value in without.items()}


def _conditions(sessions: Mapping[str, xr.Dataset]) -> dict[str, Any]:
    return {name: conditions(session) for name, session in sessions.items()}


def _repeats(repeats: Repeatability | None) -> dict[str, Any]:
    known = (np.nan, np.nan, 0.0) if repeats is None else (repeats.constant, repeats.share, repeats.freedom)
    names = ("repeat_constant", "repeat_share", "repeat_freedom")
    return {name: ((), value) for name, value in zip(names, known, strict=True)}


def _repeat_source(
    sessions: Mapping[str, xr.Dataset], repeats: Repeatability | None, *, past: Sequence[Take]
) -> dict[str, Any]:
    """Return where repeats come from; the degrees of freedom tell how much both bring."""
    own = any(len(group) > 1 for group in set_ups(sessions))
    told = "none" if repeats is None else ("workflow and record" if own else "record") if past else "workflow"
    return {"repeat_source": ((), np.int8(REPEAT_SOURCE.index(told))), "repeat_record_takes": ((), np.int32(len(past)))}


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


def _compare_one(pair: Pair, settings: ComparisonSettings) -> xr.Dataset:
    session, base = pair.session, pair.base
    made = xr.Dataset(coords={"x": base["x"], "y": base["y"], "region": regions_of(pair)})
    aligned = align(pair, made["region"], settings)
    place = aligned.place
    maps = MapDifference.of(aligned, pair, settings)
    area = np.fmax(aligned.here.noise_area, aligned.there.noise_area)
    flags = maps.significant(settings, least=cluster_floor(area, least=settings.least_cluster_px))
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
        camera_level_difference=((), aligned.level),
        camera_level_correction=("region", -pair.factor * aligned.region_level),
        place_correction=("region", pair.factor * aligned.region_moved),
    )
    made = made.assign(place.variables())
    made = made.assign(region_rises(pair, made["region"], aligned, maps=maps, settings=settings))
    return made.merge(_flow_changes(session, base, made["region"], settings))


def _flow_changes(
    session: xr.Dataset, base: xr.Dataset, regions: xr.DataArray, settings: ComparisonSettings
) -> xr.Dataset:
    flow = compare_flow(session, base, settings.flow, relation=_relation(session, base))
    own = flow.sel(which="session", drop=True)
    there = flow[list(JOINT)].sel(which="reference", drop=True).rename(JOINT)
    return own.merge(there).reindex(region=regions)


def _relation(session: xr.Dataset, base: xr.Dataset) -> tuple[int, int] | None:
    """What the fans do beside each other, as the two sessions say: see `compare_flow`; None where they do not say."""
    here, there = (json.loads(one.attrs.get("conditions", "{}")).get("fan") for one in (session, base))
    still = {"off", "stopped", "none"}
    if None in (here, there) or {here, there} <= still:
        return None
    if here in still or there in still:
        return (0, 1) if here in still else (1, 0)
    return (1, 1 if here == there else -1)
