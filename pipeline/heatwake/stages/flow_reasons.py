"""Why a direction is not told, at each pixel, region and over the board, and the local drift behind that."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.flow_judgement import NOT_IDENTIFIABLE
from heatwake.kernels.local_drift import Reason
from heatwake.kernels.rectangles import surroundings
from heatwake.stages.flow_maps import FlowSettings, Window
from heatwake.stages.local_flow import local_windows
from heatwake.stages.regions import region_windows

Codes = npt.NDArray[np.int8]

_ABOUT: Final = 8  # pixels about a region whose heat is its own
REASONED: Final = ("flow_reason", "region_flow_reason", "board_flow_reason")


def explain_flow(
    made: xr.Dataset, session: xr.Dataset, windows: Sequence[Window], settings: FlowSettings
) -> xr.Dataset:
    """Return what the flow stage makes with the local drift of each window, and the reason where no direction is told.

    Where the local drift sees one that the physical fit does not bear out, one recording cannot tell: a change of the
    board's conductivity, or of its emissivity, would look the same.
    """
    local = local_windows(session, [window.since for window in windows], final=settings.final_s)
    made = made.assign(local.data_vars).assign_coords(local.coords)
    for axis in ("x", "y"):
        made[f"local_{axis}"].attrs["units"] = session[axis].attrs.get("units", "mm")
    told = made["flow_status"].values < NOT_IDENTIFIABLE
    seen_drift = _on_pixels(local["local_reason"].values, shape=told.shape)
    seen_drift = np.where(seen_drift == Reason.TOLD, Reason.ONE_RECORDING, seen_drift)
    reason = np.where(told, Reason.TOLD, seen_drift).astype(np.int8)
    made["flow_reason"] = (("time", "y", "x"), reason)
    made["board_flow_reason"] = (
        "time",
        _commonest(made["board_flow_status"].values, seen_drift),
    )
    made["region_flow_reason"] = (("region", "time"), _of_regions(made, session, seen_drift))
    return made


def _on_pixels(codes: Codes, *, shape: tuple[int, ...]) -> Codes:
    """Return codes at places some pixels apart on every pixel, of the nearest place."""
    if not codes.size:
        return np.full(shape, Reason.TOO_SHORT, dtype=np.int8)
    rows, columns = (
        np.minimum(np.arange(size) * few // size, few - 1) for size, few in zip(shape[1:], codes.shape[1:], strict=True)
    )
    return codes[:, rows[:, np.newaxis], columns]


def _of_regions(made: xr.Dataset, session: xr.Dataset, reason: Codes) -> Codes:
    """Return the commonest reason in and about each region, ``(region, time)``."""
    if not made.sizes.get("region", 0):
        return np.zeros((0, len(reason)), dtype=np.int8)
    status = made["region_flow_status"].transpose("region", "time").values
    windows = region_windows(session, x=session["x"].values, y=session["y"].values)
    about = [surroundings(window, width=_ABOUT, shape=reason.shape[1:]) for window in windows]
    rows = [reason[:, place[0], place[1]] for place in about]
    return np.array([_commonest(one, codes) for one, codes in zip(status, rows, strict=True)], dtype=np.int8)


def _commonest(status: Codes, codes: Codes) -> Codes:
    """Return the commonest of codes ``(time, y, x)``, of those that say more than not seen; told where it is told."""
    counts = np.stack([np.sum(codes == reason, axis=(1, 2)) for reason in Reason], axis=1)
    counts[:, Reason.NOT_SEEN] = np.minimum(counts[:, Reason.NOT_SEEN], 1)
    commonest = np.argmax(counts, axis=1)
    return np.where(status < NOT_IDENTIFIABLE, Reason.TOLD, commonest).astype(np.int8)
