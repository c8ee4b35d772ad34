"""The ambient baseline: when power came on, how the cold board looked, how warm the air was."""

import logging
from typing import Final

import numpy as np
import xarray as xr
from pydantic import PositiveFloat

from heatwake.kernels.onset import find_onset
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label
from heatwake.stages.band import band_table
from heatwake.stages.stage import Stage

logger = logging.getLogger(__name__)

ISOTHERMAL_K: Final = 1.5  # a cold board whose apparent temperatures spread more than this is not at ambient


class BaselineSettings(Settings):
    """Which frames show the board before power-on."""

    quiet_s: PositiveFloat = 10.0  # [s] from the first frame


def measure_baseline(session: xr.Dataset, settings: BaselineSettings) -> xr.Dataset:
    """Add ``power_on``, ``cold_radiance`` (y, x), ``cold_ambient`` and, where it was not given, ``ambient``.

    Power-on is the event whose label says so, else the start of the lasting growth of the hottest parts over the
    middle of the picture. The cold picture is each pixel's median before it; without power-on there is none, and a
    cold picture that is not near one temperature is refused with a warning. ``step_uncertainty`` (time), where it is
    there, then counts from the cold stretch on.
    """
    power_on = _power_on(session, settings)
    made = session.copy()
    made["power_on"] = ((), power_on)
    elapsed = session["elapsed"].to_numpy()
    # the bin in which power comes on is not cold
    step = float(np.median(np.diff(elapsed))) if len(elapsed) > 1 else 0.0
    cold = (elapsed <= elapsed[0] + settings.quiet_s) & (elapsed < power_on - 0.5 * min(step, 1.0))
    radiance, temperature = _cold_picture(session, cold)
    given = session["ambient"].to_numpy()
    if radiance is None:
        made["cold_radiance"] = (("y", "x"), np.full((session.sizes["y"], session.sizes["x"]), np.nan, np.float32))
        made["cold_ambient"] = ((), np.nan)
    else:
        ambient = float(given[cold].mean()) if np.isfinite(given[cold]).all() else temperature
        made["cold_ambient"] = ((), ambient)
        made["cold_radiance"] = (("y", "x"), radiance + np.float32(_film_overstated(session, cold, ambient)))
        made["cold_radiance"].attrs["frames"] = int(session["frames_used"].to_numpy()[cold].sum())
        if "step_uncertainty" in session:
            made["step_uncertainty"] = ("time", _since(session["step_uncertainty"].to_numpy(), cold))
    made["ambient"] = ("time", _ambient(session, given, cold_temperature=temperature))
    made["ambient"].attrs["comment"] = _source(given, temperature)
    return label(made)


def power_on_event(session: xr.Dataset) -> float:
    """Return when the first event whose label speaks of power-on took place [s]; NaN without one."""
    if "event" in session.dims:
        for name, elapsed in zip(session["event"].to_numpy(), session["event_elapsed"].to_numpy(), strict=True):
            if {"power", "on"} <= set(str(name).lower().replace("-", " ").split()):
                return float(elapsed)
    return np.nan


def _power_on(session: xr.Dataset, settings: BaselineSettings) -> float:
    named = power_on_event(session)
    if np.isfinite(named):
        return named
    contrast = session["board_radiance"].data.map_blocks(_contrast, drop_axis=(1, 2), dtype=np.float64)
    return find_onset(contrast.compute(), elapsed=session["elapsed"].to_numpy(), quiet_s=settings.quiet_s)


def _contrast(maps: np.ndarray) -> np.ndarray:
    """Hottest percent of each map less its median; NaN for a map without a reading."""
    out = np.full(len(maps), np.nan)
    for number, picture in enumerate(maps):
        seen = picture[np.isfinite(picture)]
        if seen.size:
            high, middle = np.percentile(seen, [99, 50])
            out[number] = high - middle
    return out


def _cold_picture(session: xr.Dataset, cold: np.ndarray) -> tuple[np.ndarray | None, float]:
    """Return the cold picture in radiance and its apparent temperature [degC]; None and NaN where there is none."""
    if not cold.any():
        return None, np.nan
    # The stretch is short by its setting, so this is the one place where maps are held together.
    maps = session["board_radiance"].isel(time=np.flatnonzero(cold)).to_numpy()
    maps = maps[np.isfinite(maps).any(axis=(1, 2))]
    if not len(maps):
        return None, np.nan
    radiance = np.median(maps, axis=0)
    table = band_table(session)
    apparent = table.temperature(radiance[np.isfinite(radiance)])
    low, middle, high = np.percentile(apparent, [5, 50, 95])
    if high - low > ISOTHERMAL_K:
        logger.warning("the board is not at one temperature before power-on (%.1f to %.1f degC): not used", low, high)
        return None, np.nan
    return radiance, float(middle)


def _film_overstated(session: xr.Dataset, cold: np.ndarray, ambient: float) -> float:
    """Return what was taken off too much for the film's emission [W m-2 sr-1]: before power-on it is at ambient too.

    A film temperature that was given is that of the hot run.
    """
    if "film_temperature" not in session or not float(session.get("film_absorptance", 0.0)):
        return 0.0
    taken = float(session["film_temperature"].to_numpy()[cold].mean())
    if not np.isfinite([taken, ambient]).all():
        return 0.0
    table = band_table(session)
    surplus = float(table.radiance(taken)) - float(table.radiance(ambient))
    return float(session["film_absorptance"]) * surplus / float(session["transmittance"])


def _since(steps: np.ndarray, cold: np.ndarray) -> np.ndarray:
    """Return the uncertainty of the camera's steps since the cold stretch [K]: earlier ones are in the zero."""
    return np.asarray(np.sqrt(np.abs(np.square(steps) - np.square(steps[cold]).mean())))


def _ambient(session: xr.Dataset, given: np.ndarray, *, cold_temperature: float) -> np.ndarray:
    if np.isfinite(given).all():
        return given
    if np.isfinite(cold_temperature):
        logger.warning("ambient is not given: taken as the cold board, %.2f degC", cold_temperature)
        return np.full(len(given), cold_temperature)
    table = band_table(session)
    used = np.flatnonzero(session["frames_used"].to_numpy() > 0)  # the first picture may have been left out
    first = session["board_radiance"].isel(time=int(used[0]) if len(used) else 0).to_numpy()
    middle = float(np.median(table.temperature(first[np.isfinite(first)]))) if np.isfinite(first).any() else np.nan
    logger.warning("ambient is not given: rises count from the first picture's median, %.2f degC", middle)
    return np.full(len(given), middle)


def _source(given: np.ndarray, cold_temperature: float) -> str:
    if np.isfinite(given).all():
        return "as given"
    return "cold board" if np.isfinite(cold_temperature) else "not given: median of the first picture"


STAGE: Final = Stage(
    name="baseline",
    settings=BaselineSettings,
    apply=measure_baseline,
    needs=("board_radiance", "frames_used", "ambient"),
    makes=("power_on", "cold_radiance", "cold_ambient", "ambient"),
    version=3,
)
