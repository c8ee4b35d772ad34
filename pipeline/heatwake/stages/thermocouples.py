"""Thermocouples on parts beside the camera: how well they agree, and what they say of film and camera."""

import logging
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.probe_clock import MOST_UNEXPLAINED, ClockFit, clock_offset
from heatwake.schema.variables import AGREEMENT, label
from heatwake.stages.band import band_table
from heatwake.stages.probe_readings import (
    CameraReading,
    Seen,
    ThermocoupleSettings,
    averaged_over,
    camera_reading,
    find_places,
    probe_reading,
    rate_of_change,
    read_places,
    rescaled,
)
from heatwake.stages.probe_solution import Change, solve
from heatwake.stages.stage import Stage

Array = npt.NDArray[Any]

logger = logging.getLogger(__name__)

COVERAGE: Final = 2.0  # U = k u


def compare_thermocouples(session: xr.Dataset, settings: ThermocoupleSettings) -> xr.Dataset:
    """Add what camera and thermocouples read at the same places and times; on request correct the maps by it.

    ``clock_offset`` first: the shift of the log that makes it fit; where nothing changes it cannot be told, is taken as
    0 and flagged. Then ``probe_residual_*`` camera minus thermocouple, each with the uncertainty to be expected:
    the thermocouple's accuracy (rectangular), the camera's at that pixel, the slope of the board times the placement's,
    and the rate of change times the clock's, for which ``unset_clock_s`` stands where the offset cannot be told. The
    normalised error of the end, residual over its expanded uncertainty, says whether they agree: up to 1 they do
    (ISO/IEC 17043, annex B; from memory).

    With ``solve`` the film's ``transmittance``, the camera's ``camera_offset`` or both are solved for over all
    thermocouples and times, and ``board_radiance`` and ``cold_radiance`` are put right, lazily. Of a recording that is
    zeroed on the cold board the offset is what has come to the camera since: it is taken off all maps but not off the
    cold one. Residuals are then those of the solution, not of an independent comparison.

    Without thermocouples the session is returned as it is.

    Raises
    ------
    InputError
        A thermocouple lies beside the board, or what is to be solved for cannot be: too small a range of temperatures,
        no readings in common, a transmittance beyond (0, 1].
    """
    if "probe" not in session.dims:
        if settings.solve != "none":
            logger.warning("no thermocouples are given: nothing is solved for")
        return session
    seen = read_places(session, find_places(session, size=settings.size_mm))
    camera = camera_reading(session, seen, settings.uncertainty)
    clock = _clock(session, camera, settings)
    log = probe_reading(session, clock_offset=clock.offset)
    made = session.assign(_clock_results(clock))
    if settings.solve != "none":
        change = solve(session, seen, camera=camera, probes=log, clock=clock.spread, settings=settings)
        made = _corrected(made, change)
        seen = rescaled(seen, gain=change.gain, shift=change.shift, cold_shift=change.cold_shift)
        camera = camera_reading(made, seen, settings.uncertainty)
    found = _compare(made, seen, camera=camera, probes=log, clock=clock, settings=settings)
    return label(made.assign(found))


@dataclass(frozen=True)
class Clock:
    """The clock offset that is used [s] with its standard uncertainty, whether it was found, and how or why not."""

    offset: float
    spread: float
    found: bool
    comment: str


def _clock(session: xr.Dataset, camera: CameraReading, settings: ThermocoupleSettings) -> Clock:
    log = session["probe_log"].transpose("probe", "probe_time").to_numpy()
    change = max((float(np.ptp(one[np.isfinite(one)])) for one in log), default=0.0)
    if change < settings.least_change_K or session.sizes["time"] < 4:
        return _not_told(f"readings change by {change:.1f} K only", settings)
    fit = clock_offset(
        session["elapsed"].to_numpy(),
        camera.temperature,
        width=averaged_over(session),
        log_elapsed=session["probe_elapsed"].to_numpy(),
        log=log,
        largest=settings.largest_clock_offset_s,
    )
    reason = _why_not(fit, settings)
    return _not_told(reason, settings) if reason else Clock(fit.offset, fit.uncertainty, True, "least squares")


def _why_not(fit: ClockFit, settings: ThermocoupleSettings) -> str:
    if not np.isfinite(fit.offset):
        return "camera and log have too few readings in common"
    if fit.unexplained > MOST_UNEXPLAINED:
        return "camera and log do not show one change"
    if fit.at_edge:
        return f"no best fit within {settings.largest_clock_offset_s:g} s"
    if not fit.uncertainty <= settings.clock_uncertainty_s:
        return f"the readings tell it no better than {fit.uncertainty:.2g} s"
    return ""


def _not_told(reason: str, settings: ThermocoupleSettings) -> Clock:
    logger.warning("clock offset of the thermocouples' log cannot be told: %s; taken as 0", reason)
    return Clock(0.0, settings.unset_clock_s, found=False, comment=f"not told: {reason}")


def _clock_results(clock: Clock) -> dict[str, Any]:
    return {
        "clock_offset": ((), clock.offset, {"comment": clock.comment}),
        "clock_offset_uncertainty": ((), clock.spread if clock.found else np.nan),
        "clock_offset_found": ((), np.int8(clock.found)),
    }


def _corrected(session: xr.Dataset, change: Change) -> xr.Dataset:
    """Return the session with its maps, lazily, and the film's and camera's scalars as solved for."""
    gain, shift = np.float32(change.gain), xr.DataArray(change.shift.astype(np.float32), dims="time")
    made = session.copy()
    for name, moved in (("board_radiance", shift), ("cold_radiance", np.float32(change.cold_shift))):
        kept = dict(session[name].attrs)
        made[name] = (session[name] * gain + moved).transpose(*session[name].dims).assign_attrs(kept)
    return made.assign(change.scalars)


def _compare(
    session: xr.Dataset,
    seen: Seen,
    *,
    camera: CameraReading,
    probes: Array,
    clock: Clock,
    settings: ThermocoupleSettings,
) -> dict[str, Any]:
    residual = camera.temperature - probes
    elapsed = session["elapsed"].to_numpy()
    last = np.broadcast_to(elapsed >= elapsed[-1] - settings.final_s, residual.shape) & np.isfinite(residual)
    final, spread = _mean(residual, last), _spread(residual)
    by_clock = _mean(rate_of_change(probes, elapsed), last) * clock.spread
    expected = np.hypot(_mean(camera.uncertainty, last), by_clock)
    expected = np.hypot(expected, session["probe_accuracy"].to_numpy() / np.sqrt(3))
    slope_K = _mean(_kelvin_slope(session, seen, camera), last)
    expected = np.hypot(expected, slope_K * settings.placement_uncertainty_mm)
    error = np.abs(final) / (COVERAGE * expected)
    agreement = np.where(error <= 1, AGREEMENT.index("agrees"), AGREEMENT.index("differs"))
    agreement = np.where(np.isfinite(error), agreement, AGREEMENT.index("not compared"))
    for name, one in zip(session["probe"].to_numpy(), error, strict=True):
        if not np.isfinite(one):
            logger.warning("thermocouple %s has no readings with the camera at the end: not compared", name)
    return {
        "probe_temperature": (("probe", "time"), probes),
        "probe_camera": (("probe", "time"), camera.temperature),
        "probe_residual_mean": ("probe", _mean(residual, np.isfinite(residual))),
        "probe_residual_spread": ("probe", spread),
        "probe_residual_final": ("probe", final),
        "probe_residual_uncertainty": ("probe", expected),
        "probe_normalised_error": ("probe", error),
        "probe_agreement": ("probe", agreement.astype(np.int8)),
    }


def _kelvin_slope(session: xr.Dataset, seen: Seen, camera: CameraReading) -> Array:
    """Return the steepest slope of temperature (probe, time) [K/mm]."""
    per_kelvin = camera.emissivity[:, None] * band_table(session).slope(camera.temperature)
    return np.asarray(seen.slope / per_kelvin)


def _mean(values: Array, used: Array) -> Array:
    """Return the mean along time of what is used; NaN where nothing is."""
    count = used.sum(axis=1)
    total = np.where(used, values, 0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _spread(residual: Array) -> Array:
    used = np.isfinite(residual)
    apart = residual - _mean(residual, used)[:, None]
    count = used.sum(axis=1)
    total = np.where(used, apart**2, 0).sum(axis=1)
    return np.where(count > 1, np.sqrt(total / np.maximum(count - 1, 1)), np.nan)


STAGE: Final = Stage(
    name="thermocouples",
    settings=ThermocoupleSettings,
    apply=compare_thermocouples,
    needs=("board_radiance", "frames_used", "cold_radiance", "cold_ambient", "ambient", "transmittance"),
    makes=(
        *("probe_temperature", "probe_camera", "probe_residual_mean", "probe_residual_spread"),
        *("probe_residual_final", "probe_residual_uncertainty", "probe_normalised_error", "probe_agreement"),
        *("clock_offset", "clock_offset_uncertainty", "clock_offset_found"),
        *("camera_offset", "camera_offset_uncertainty"),
    ),
    version=2,
)
