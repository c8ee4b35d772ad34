"""Sessions against the reference: what changed, and whether it is more than noise."""

import json
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import Field, PositiveFloat

from heatwake.kernels.interpolation import resample
from heatwake.kernels.rectangles import pixel_window
from heatwake.kernels.significance import gradient_uncertainty, significant
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label
from heatwake.stages.board_match import Residual, residual_place
from heatwake.stages.flow import FlowSettings, compare_flow
from heatwake.stages.uncertainty import TemperatureSettings, rise_uncertainty

Array = npt.NDArray[Any]

VERSION: Final = 4
JOINT: Final = {
    "joint_flow_direction": "reference_flow_direction",
    "joint_flow_direction_uncertainty": "reference_flow_direction_uncertainty",
    "joint_flow_status": "reference_flow_status",
}


class ComparisonSettings(Settings):
    """What counts as a difference."""

    final_s: PositiveFloat = 30.0  # [s] both maps are averaged over the last so long of the shorter recording
    false_discovery_rate: float = Field(default=0.01, gt=0, lt=1)  # of pixels
    region_false_discovery_rate: float = Field(default=0.05, gt=0, lt=1)
    least_cluster_px: int = Field(default=9, ge=1)
    placement_px: float = Field(default=0.5, ge=0)  # of a pixel between two sessions, at least; standard uncertainty
    farthest_px: PositiveFloat = 4.0  # rms over the board; maps farther apart are not moved: no error of a click
    flow: FlowSettings = FlowSettings()  # set by the workflow's [flow] table
    uncertainty: TemperatureSettings = TemperatureSettings()  # set by the workflow's [temperature] table


def compare(sessions: Mapping[str, xr.Dataset], reference: str, *, settings: ComparisonSettings) -> xr.Dataset:
    """Return every session less the reference, on the reference's grid, with uncertainties of own terms only.

    Parameters
    ----------
    sessions : mapping of str to Dataset
        Results of each session: rise, regions and what the session file says.
    reference : str
        Name of the session that the others are compared with.
    settings : ComparisonSettings

    Returns
    -------
    Dataset
        Dims (session, y, x), (session, region) and (session); NaN where a region is not in both.
    """
    base = sessions[reference]
    parts = [
        _compare_one(session, base, settings).assign_coords(session=name)
        for name, session in sessions.items()
        if name != reference
    ]
    made = xr.concat(parts, dim="session", join="outer", combine_attrs="drop", coords="minimal", compat="override")
    made = made.assign_attrs(reference=reference, conditions=json.dumps(_conditions(sessions), sort_keys=True))
    made["x"].attrs["units"] = base["x"].attrs["units"]
    made["y"].attrs["units"] = base["y"].attrs["units"]
    return label(made)


def _conditions(sessions: Mapping[str, xr.Dataset]) -> dict[str, Any]:
    return {name: json.loads(session.attrs.get("conditions", "{}")) for name, session in sessions.items()}


def _compare_one(session: xr.Dataset, base: xr.Dataset, settings: ComparisonSettings) -> xr.Dataset:
    made = xr.Dataset(coords={"x": base["x"], "y": base["y"], "region": _common_regions(session, base)})
    end = min(_since_power_on(session), _since_power_on(base))
    maps = [_late_map(one, end=end, settings=settings) for one in (session, base)]
    if session["x"].size != base["x"].size or not np.allclose(session["x"], base["x"]):
        maps[0] = [array.interp(x=base["x"], y=base["y"]) for array in maps[0]]
    place = residual_place(session, base, farthest=settings.farthest_px)
    if place.state == "corrected":
        maps[0] = [_moved(array, place) for array in maps[0]]
    rise, own = (np.stack([pair[number].to_numpy() for pair in maps]) for number in (0, 1))
    difference = rise[0] - rise[1]
    # A shared error of place moves the edges of what is hot in both maps alike; what differs is one map's own.
    placement = gradient_uncertainty(rise[1], placement=_placement_px(place, settings))
    uncertainty = np.sqrt((own**2).sum(axis=0) + placement**2)
    flags = significant(
        difference, uncertainty, rate=settings.false_discovery_rate, least_cluster=settings.least_cluster_px
    )
    if place.state in ("too far", "no match"):
        flags[...] = False  # with places unknown every edge looks like a change
    made["rise_difference"] = (("y", "x"), difference)
    made["rise_difference_uncertainty"] = (("y", "x"), uncertainty)
    made["significant"] = (("y", "x"), flags.astype(np.int8))
    made = made.assign(place.variables())
    made = made.assign(_region_differences(session, base, made, rise[1], settings))
    return made.merge(_flow_changes(session, base, made["region"], settings))


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


def _since_power_on(session: xr.Dataset) -> float:
    power_on = float(session["power_on"])
    last = float(session["elapsed"][-1])
    return last - power_on if np.isfinite(power_on) else last


def _late_map(session: xr.Dataset, *, end: float, settings: ComparisonSettings) -> list[xr.DataArray]:
    """Mean rise, and its own standard uncertainty, over the last stretch before ``end`` seconds of power."""
    power_on = float(session["power_on"])
    powered = session["elapsed"].to_numpy() - (power_on if np.isfinite(power_on) else 0.0)
    late = np.flatnonzero(
        (powered > end - settings.final_s) & (powered <= end) & (session["frames_used"].to_numpy() > 0)
    )
    if not len(late):
        late = np.array([int(np.argmin(np.abs(powered - end)))])
    late = late[np.unique(np.linspace(0, len(late) - 1, 64).astype(int))]
    chosen = session.isel(time=late)
    averaged = chosen.mean("time", keep_attrs=True).assign(frames_used=chosen["frames_used"].sum())
    averaged = averaged[[name for name in averaged if "region" not in averaged[name].dims]].compute()
    _, own = rise_uncertainty(
        averaged,
        temperature=averaged["temperature"],
        emissivity=averaged["emissivity"],
        settings=settings.uncertainty,
    )
    return [averaged["temperature_rise"], own.compute()]


def _common_regions(session: xr.Dataset, base: xr.Dataset) -> list[str]:
    """Regions of both, the reference's first, that lie at the same place."""
    names = [str(name) for name in base["region"].to_numpy()]
    return [name for name in names if name in session["region"].to_numpy() and _same_place(session, base, name)]


def _same_place(session: xr.Dataset, base: xr.Dataset, name: str) -> bool:
    here, there = session.sel(region=name), base.sel(region=name)
    away = np.hypot(here["region_x"] - there["region_x"], here["region_y"] - there["region_y"])
    return bool(away <= 0.5 * max(float(there["region_width"]), float(there["region_height"])))


def _region_differences(
    session: xr.Dataset, base: xr.Dataset, made: xr.Dataset, rise: Array, settings: ComparisonSettings
) -> dict[str, Any]:
    here, there = session.sel(region=made["region"]), base.sel(region=made["region"])
    difference = here["steady_rise"].to_numpy() - there["steady_rise"].to_numpy()
    placement = np.array([_placement(rise, there, number, settings) for number in range(made.sizes["region"])])
    uncertainty = np.sqrt(
        here["steady_rise_own"].to_numpy() ** 2 + there["steady_rise_own"].to_numpy() ** 2 + placement**2
    )
    flags = significant(difference, uncertainty, rate=settings.region_false_discovery_rate)
    return {
        "steady_rise_difference": ("region", difference),
        "steady_rise_difference_uncertainty": ("region", uncertainty),
        "region_significant": ("region", flags.astype(np.int8)),
    }


def _placement(rise: Array, base: xr.Dataset, region: int, settings: ComparisonSettings) -> float:
    """Change of a region's mean [K] as its rectangle moves by the uncertainty of its place."""
    values = [float(base[f"region_{key}"][region]) for key in ("x", "y", "width", "height")]
    rows, columns = pixel_window(
        (values[0], values[1]), (values[2], values[3]), x=base["x"].to_numpy(), y=base["y"].to_numpy()
    )
    slopes = [slope[rows, columns] for slope in np.gradient(rise)]
    down, across = (float(np.nanmean(slope)) if np.isfinite(slope).any() else 0.0 for slope in slopes)
    return float(settings.placement_px * np.hypot(down, across))


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
