"""Slow drift of the camera's offset, as far as what lies beside the board tells of it."""

import logging
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import NonNegativeFloat, PositiveFloat

from heatwake.kernels.pose_track import picture_reach
from heatwake.kernels.surroundings import beside_board, level_drift, sector_of
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label, require
from heatwake.stages.frame_blocks import FrameBlock, some_frames
from heatwake.stages.stage import Stage
from heatwake.workers import in_order

Array = npt.NDArray[Any]

logger = logging.getLogger(__name__)

SAMPLE: Final = 32  # frames: what drifts is slow
CLEAR: Final = 3.0  # standard uncertainties from which a drift is one


class DriftSettings(Settings):
    """What lies beside the board, and from where its drift is told."""

    margin_px: NonNegativeFloat = 6.0  # outside the corners, beyond what the camera moves by
    told_K: PositiveFloat = 0.5  # [K] from which a drift is warned of, if it is also clear


def measure_drift(session: xr.Dataset, settings: DriftSettings) -> xr.Dataset:
    """Add ``offset_drift`` (frame) [K] since the start, with ``offset_drift_uncertainty``.

    It is the level of the quietest pixels beside the board, steps taken off, less the logged ambient. It is told and
    not taken off: a camera whose offset drifts and surroundings that warm beside the air, by the board's own heat or by
    the sun, look alike, and the second is no error of the board's temperature.

    NaN where nothing can be told: without corners, without surroundings in view, without an ambient log, or with one
    that never changes, which is as good as a number that was given once.

    Parameters
    ----------
    session : Dataset
        With what the registration makes.
    settings : DriftSettings
    """
    require(session, STAGE.needs)
    elapsed = session["elapsed"].to_numpy()
    drift, spread = np.full(len(elapsed), np.nan), np.full(len(elapsed), np.nan)
    chosen = _sample(session)
    readings, sectors = _beside(session, chosen, settings)
    if len(sectors):
        ambient = session["frame_ambient"].to_numpy()[chosen]
        steps = session["offset_step"].to_numpy()[chosen]
        found = level_drift(readings - steps[:, None], ambient, sectors=sectors)
        drift, spread = (np.interp(elapsed, elapsed[chosen], one) for one in found)
    made = session.assign(offset_drift=("frame", drift), offset_drift_uncertainty=("frame", spread))
    sentence = drift_sentence(made, least=settings.told_K)
    if sentence:
        logger.warning("%s", sentence)
    return label(made)


def drift_sentence(session: xr.Dataset, *, least: float = DriftSettings().told_K) -> str:
    """Return what the largest drift means, empty where there is none of ``least`` [K] and beyond doubt."""
    drift, spread = (session[name].to_numpy() for name in ("offset_drift", "offset_drift_uncertainty"))
    if not np.isfinite(drift).any():
        return ""
    largest = int(np.nanargmax(np.abs(drift)))
    if not abs(drift[largest]) > max(least, CLEAR * spread[largest]):
        return ""
    return (
        f"beside the board the reading moved by {drift[largest]:+.1f} ± {spread[largest]:.1f} K against the logged "
        "ambient: the camera's offset drifts or the surroundings warm; it is not taken off"
    )


def _sample(session: xr.Dataset) -> npt.NDArray[np.intp]:
    usable = np.flatnonzero(session["usable"].to_numpy() == 1)
    return usable[np.unique(np.linspace(0, len(usable) - 1, SAMPLE).round().astype(int))] if len(usable) else usable


def _beside(session: xr.Dataset, chosen: Array, settings: DriftSettings) -> tuple[Array, npt.NDArray[np.intp]]:
    """Return readings (n, pixels) beside the board [degC] and their sectors; none where nothing can be told."""
    nothing = np.zeros((len(chosen), 0)), np.zeros(0, dtype=np.intp)
    ambient = session["frame_ambient"].to_numpy()
    if not len(chosen) or "corner_column" not in session or not np.isfinite(ambient).all() or np.ptp(ambient) == 0:
        return nothing
    corners = np.stack([session["corner_column"].to_numpy(), session["corner_row"].to_numpy()], axis=1)
    shape = (session.sizes["row"], session.sizes["column"])
    poses = np.stack([session[name].to_numpy()[chosen] for name in ("shift_x", "shift_y", "rotation")], axis=1)
    margin = settings.margin_px + float(picture_reach(poses, shape=shape).max())
    places = np.argwhere(beside_board(corners, shape=shape, margin=margin))
    if not len(places):
        return nothing
    levels = session["level_temperature"].to_numpy() if "stored_level" in session else None
    tasks = ((some_frames(session, int(one), int(one) + 1), levels, places) for one in chosen)
    centre = corners.mean(axis=0)
    return np.stack([*in_order(readings_at, tasks)]), sector_of(places, centre=(centre[1], centre[0]))


def readings_at(block: FrameBlock, levels: Array | None, places: Array) -> Array:
    """Return the readings of the block's first frame at places (row, column) [degC]; what is a bound is none."""
    values = block.read()[0][places[:, 0], places[:, 1]]
    celsius = np.asarray(values if levels is None else levels[values], dtype=np.float32)
    return np.where(np.isfinite(celsius), celsius, np.float32(np.nan))


STAGE: Final = Stage(
    name="offset_drift",
    settings=DriftSettings,
    apply=measure_drift,
    needs=("frame_ambient", "shift_x", "shift_y", "rotation", "usable", "offset_step"),
    makes=("offset_drift", "offset_drift_uncertainty"),
    version=1,
)
