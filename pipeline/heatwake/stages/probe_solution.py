"""What thermocouples say of the film's transmittance and of the camera's offset."""

import logging
import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.errors import InputError
from heatwake.kernels.probe_line import LineFit, fit_line
from heatwake.kernels.radiometry import Film, Lid, leaving_radiance
from heatwake.stages.band import band_table
from heatwake.stages.film import effective_transmittance, film_doubt
from heatwake.stages.probe_readings import CameraReading, Seen, ThermocoupleSettings, rate_of_change
from heatwake.stages.uncertainty import TemperatureSettings, film_temperature, reflected_temperature

Array = npt.NDArray[Any]

logger = logging.getLogger(__name__)

WHERE: Final = "session.toml: thermocouples"
ROUNDS: Final = 3  # what a film mirrors back to the board depends on its transmittance, to second order


@dataclass(frozen=True, eq=False)
class Change:
    """How the maps are put right: ``gain * radiance + shift`` (time), on the cold map with a shift of its own.

    Attributes
    ----------
    gain : float
    shift : (time,) array
        [W m-2 sr-1]
    cold_shift : float
        [W m-2 sr-1]
    scalars : dict
        The session's variables that change with it.
    """

    gain: float
    shift: Array
    cold_shift: float
    scalars: dict[str, Any]


@dataclass(frozen=True, eq=False)
class Sight:
    """Both sides of the line (probe, time), over what the film emits and, where zeroed, over the cold board.

    With ``B`` the radiance that leaves the board by the transmittance assumed, ``E`` that which should leave it, ``F``
    the blackbody radiance at film temperature, all less their cold values where the recording is zeroed::

        tau0 (B - F) = tau (E - F) + offset

    What the film mirrors is on both sides the same: its reflectance stays, absorptance gives way to transmittance.
    """

    expected: Array
    seen: Array
    error: Array
    by_emissivity: Array
    by_clock: Array


def solve(
    session: xr.Dataset,
    seen: Seen,
    *,
    camera: CameraReading,
    probes: Array,
    clock: float,
    settings: ThermocoupleSettings,
) -> Change:
    """Return how maps and scalars change when they are to fit the thermocouples.

    Parameters
    ----------
    session : Dataset
        What the thermocouple stage was given.
    seen : Seen
        Radiance at the places.
    camera : CameraReading
        Temperatures and emissivity there.
    probes : (probe, time) array
        The thermocouples' temperatures at the maps' times [degC].
    clock : float
        Standard uncertainty of the times [s].
    settings : ThermocoupleSettings

    Raises
    ------
    InputError
        What is asked for cannot be solved for.
    """
    wants_film, wants_offset = settings.solve in ("transmittance", "both"), settings.solve in ("offset", "both")
    _require_readings(session, seen, probes=probes, settings=settings, wants_film=wants_film)
    before = effective_transmittance(session)
    given = Film(before, float(session["film_reflectance"]))
    film, after = given, before
    for _ in range(ROUNDS):
        sight = _sight(session, seen, camera=camera, probes=probes, clock=clock, film=film, settings=settings)
        line = fit_line(sight.expected, sight.seen, error=sight.error, slope=None if wants_film else before)
        if not math.isfinite(line.level):
            raise InputError(WHERE, "without a line through its readings", 'must show one board, or set solve = "none"')
        if not wants_film:
            break
        film, after = _film(line.slope, given), line.slope
    offset = line.level if wants_offset else 0.0
    scalars: dict[str, Any] = {}
    if wants_film:
        warming = film.absorptance * settings.warming_share
        spread = _transmittance_uncertainty(session, line, sight, camera=camera, warming=warming)
        scalars |= _film_scalars(session, film, spread, line=line, probes=probes)
    if wants_offset:
        standing = _standing_error(session, film, camera=camera, uncertainty=settings.uncertainty)
        spread = _offset_uncertainty(session, line, sight, camera=camera, wants_film=wants_film)
        spread = math.hypot(spread, standing)
        comment = f"from {line.places} thermocouples{_since(session)}"
        scalars |= {
            "camera_offset": ((), offset, {"comment": comment}),
            "camera_offset_uncertainty": ((), spread),
        }
    return _change(session, (given, film), (before, after), offset=offset, scalars=scalars)


def _require_readings(
    session: xr.Dataset, seen: Seen, *, probes: Array, settings: ThermocoupleSettings, wants_film: bool
) -> None:
    common = probes[np.isfinite(probes) & np.isfinite(seen.radiance)]
    if common.size < 4:
        raise InputError(WHERE, f"with {common.size} readings in common with the camera", "must have more to solve by")
    if not wants_film:
        return
    if not bool(session["film_present"]):
        wanted = "must be given to solve for its transmittance: give [film], or solve for the offset"
        raise InputError("session.toml: film", "missing", wanted)
    low, high = np.quantile(common, [0.01, 0.99])
    if high - low < settings.least_range_K:
        wanted = f"must be {settings.least_range_K:g} K or more to solve for the transmittance: record hotter parts"
        raise InputError(WHERE, f"a range of {high - low:.1f} K", wanted)


def _sight(
    session: xr.Dataset,
    seen: Seen,
    *,
    camera: CameraReading,
    probes: Array,
    clock: float,
    film: Film,
    settings: ThermocoupleSettings,
) -> Sight:
    table, tau, elapsed = band_table(session), effective_transmittance(session), session["elapsed"].to_numpy()
    emissivity = camera.emissivity[:, None]
    warm = _over_time(session, film_temperature(session))
    room = _over_time(session, reflected_temperature(session, session["ambient"]))
    lid = Lid(film, warm) if _mirrors(session) else None
    leaving = leaving_radiance(probes, table=table, emissivity=emissivity, reflected=room, lid=lid)
    own = table.radiance(warm)
    expected, measured = leaving - own, tau * (seen.radiance - own)
    zeroed = np.isfinite(seen.cold)[:, None]
    if zeroed.any():
        cold_expected, cold_measured = _cold_sight(session, seen, emissivity=emissivity, film=film)
        expected = expected - np.where(zeroed, cold_expected, 0.0)
        measured = measured - np.where(zeroed, cold_measured, 0.0)
    per_kelvin = emissivity * table.slope(probes)
    by_clock = per_kelvin * rate_of_change(probes, elapsed) * clock
    error = np.hypot(per_kelvin * session["probe_accuracy"].to_numpy()[:, None] / np.sqrt(3), by_clock)
    error = np.hypot(error, seen.slope * settings.placement_uncertainty_mm)
    by_emissivity = table.radiance(probes) - table.radiance(room)
    # the cold stretch was set to fit by the zero itself: it has no say about an offset since
    counts = ~zeroed | (elapsed > _power_on(session)) | (settings.solve == "transmittance")
    return Sight(np.where(counts, expected, np.nan), measured, error, by_emissivity, by_clock)


def _cold_sight(session: xr.Dataset, seen: Seen, *, emissivity: Array, film: Film) -> tuple[Array, Array]:
    """Return both sides of the line for the cold board (probe, 1)."""
    table, tau = band_table(session), effective_transmittance(session)
    room, ambient = _when_cold(session)
    lid = Lid(film, ambient) if _mirrors(session) else None
    leaving = leaving_radiance(ambient, table=table, emissivity=emissivity, reflected=room, lid=lid)
    own = table.radiance(ambient)
    return leaving - own, tau * (seen.cold[:, None] - own)


def _mirrors(session: xr.Dataset) -> bool:
    return "mirrors_board" in session and bool(session["mirrors_board"])


def _power_on(session: xr.Dataset) -> float:
    power_on = float(session["power_on"]) if "power_on" in session else math.nan
    return power_on if math.isfinite(power_on) else -math.inf


def _over_time(session: xr.Dataset, values: xr.DataArray) -> Array:
    return np.broadcast_to(np.asarray(values.to_numpy(), dtype=np.float64), (session.sizes["time"],))


def _when_cold(session: xr.Dataset) -> tuple[float, float]:
    """Return surroundings and air when the board was cold [degC]; the film was at air temperature, as all else."""
    ambient = session["cold_ambient"]
    return float(reflected_temperature(session, ambient)), float(ambient)


def _film(transmittance: float, given: Film) -> Film:
    if not 0 < transmittance <= 1:
        found = f"for a transmittance of {transmittance:.3g}"
        raise InputError(WHERE, found, "must lie in (0, 1]: check places, columns and emissivity")
    return Film(transmittance, min(float(given.reflectance), 1 - transmittance))


def _transmittance_uncertainty(
    session: xr.Dataset,
    line: LineFit,
    sight: Sight,
    *,
    camera: CameraReading,
    warming: float,
) -> float:
    """Return the standard uncertainty of the slope.

    The thermocouples' own errors; an emissivity that is wrong on all of them alike; a clock that is; the percent half
    of the camera's statement as a gain error (rectangular); a film that warms with what lies below it.
    """
    common = line.slope * _carried(line.slope_lever, sight, camera)
    gain = line.slope * float(session["accuracy_percent"]) / 100 / math.sqrt(3)
    return math.hypot(line.slope_uncertainty, common, gain, warming)


def _offset_uncertainty(
    session: xr.Dataset, line: LineFit, sight: Sight, *, camera: CameraReading, wants_film: bool
) -> float:
    common = line.slope * _carried(line.level_lever, sight, camera)
    seen = float(np.nansum(line.level_lever * np.nan_to_num(sight.expected)))
    by_film = 0.0 if wants_film else seen * float(session["transmittance_uncertainty"])
    return math.hypot(line.level_uncertainty, common, by_film)


def _standing_error(
    session: xr.Dataset, film: Film, *, camera: CameraReading, uncertainty: TemperatureSettings
) -> float:
    """Return what passes for an offset of the camera: surroundings, film and the air of the cold board taken wrong.

    They are the same at all places and times, so that a slope does not know of them.
    """
    ambient = session["ambient"].to_numpy()
    per_kelvin = float(band_table(session).slope(float(np.nanmean(ambient)))) if np.isfinite(ambient).any() else 0.0
    emissivity = float(camera.emissivity.mean())
    mirrored = film.transmittance * (1 - emissivity) * uncertainty.reflected_uncertainty_K
    own = film.absorptance * uncertainty.film_temperature_uncertainty_K
    zero = film.transmittance * emissivity * uncertainty.ambient_uncertainty_K if _is_zeroed(session) else 0.0
    return per_kelvin * math.hypot(float(mirrored), float(own), float(zero))


def _carried(lever: Array, sight: Sight, camera: CameraReading) -> float:
    """Return what errors common to all places add up to: an emissivity and a clock wrong by their uncertainties."""
    wrong = np.nan_to_num(sight.by_emissivity) * camera.emissivity_uncertainty[:, None]
    return math.hypot(float((lever * wrong).sum()), float((lever * np.nan_to_num(sight.by_clock)).sum()))


def _film_scalars(
    session: xr.Dataset, film: Film, uncertainty: float, *, line: LineFit, probes: Array
) -> dict[str, Any]:
    before, spread = float(session["transmittance"]), float(session["transmittance_uncertainty"])
    low, high = np.nanquantile(probes, [0.01, 0.99])
    comment = (
        f"from {line.places} thermocouples over {high - low:.0f} K; before it was {before:.3f} ± {spread:.3f}, "
        f"{session['transmittance'].attrs.get('comment', '')}"
    ).rstrip(", ")
    doubt = film_doubt(line.slope)
    if doubt:
        logger.warning("film transmittance by thermocouples is %.3f, %s", line.slope, doubt)
        comment = f"{comment}; {doubt}"
    return {
        "transmittance": ((), line.slope, {"comment": comment, "doubt": doubt}),
        "transmittance_uncertainty": ((), uncertainty),
        "film_absorptance": ((), film.absorptance),
        "film_reflectance": ((), film.reflectance),
        "film_warming": ((), 0.0),  # a film that warmed is in the slope
    }


def _since(session: xr.Dataset) -> str:
    return "; since the cold board, on which the recording is zeroed" if _is_zeroed(session) else ""


def _is_zeroed(session: xr.Dataset) -> bool:
    return bool(np.isfinite(session["cold_ambient"])) and bool(session["cold_radiance"].notnull().any())


def _change(
    session: xr.Dataset,
    films: tuple[Film, Film],
    transmittances: tuple[float, float],
    *,
    offset: float,
    scalars: dict[str, Any],
) -> Change:
    """Return ``(tau0 B + added0 - added - offset) / tau`` as gain and shifts.

    An offset that has come since the cold board is not on the cold map.
    """
    table, (given, film), (before, after) = band_table(session), films, transmittances
    emitted, mirrored = given.absorptance - film.absorptance, given.reflectance - film.reflectance

    def shift(warm: Array | float, side: Array | float) -> Array:
        added = emitted * table.radiance(warm) + mirrored * table.radiance(side)
        return np.asarray(added / after, dtype=np.float64)

    warm = _over_time(session, film_temperature(session))
    hot = shift(warm, session["ambient"].to_numpy()) - offset / after
    cold = 0.0
    if _is_zeroed(session):
        _, ambient = _when_cold(session)
        cold = float(shift(ambient, ambient))
    return Change(before / after, hot, cold, scalars)
