"""Whole pictures to surface temperature and its uncertainty in one compiled pass, an emissivity and a film each pixel.

The equations are those of :mod:`heatwake.kernels.radiometry` and :mod:`heatwake.kernels.budget`. The inverse of the
band's radiance is a table over the bits of a float32: all but the lowest thirteen count even steps within each power of
two, and so give a cell of a thousandth of the radiance or less without a logarithm or a search. A straight line in such
a cell errs by 0.03 mK.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.budget import NETD_REFERENCE, RECTANGULAR, InputErrors, noise_kelvin
from heatwake.kernels.correction_loops import CHUNK, SHIFT, correct, correct_with_uncertainty
from heatwake.kernels.planck import BandTable

Array = npt.NDArray[np.floating[Any]]

_NOTHING: Final[Array] = np.empty(0, dtype=np.float32)


@dataclass(frozen=True, eq=False)
class BitTable:
    """A band as the compiled loops read it; NaN outside.

    Attributes
    ----------
    radiances : (n,) float32 array
        [W m-2 sr-1] at even temperatures.
    place : (2,) float32 array
        First of these [degC] and their cells per kelvin.
    first : int
        Shifted bits of the first cell of radiance.
    temperatures : (m,) float32 array
        [degC] at the lower ends of the cells of radiance; the first and the last two are NaN.
    states : (m, 2) float32 array
        The same beside the slope [W m-2 sr-1 K-1].
    """

    radiances: Array
    place: Array
    first: int
    temperatures: Array
    states: Array


@lru_cache(maxsize=8)
def bit_table(table: BandTable) -> BitTable:
    """Return the table of a band over the bits of radiances; made once."""
    ends = table.radiances.values[[0, -1]].astype(np.float32).view(np.int32) >> SHIFT
    cells = np.arange(ends[0] + 1, ends[1] + 1, dtype=np.int32)
    temperatures = table.temperature((cells << SHIFT).view(np.float32).astype(np.float64))
    held = (np.pad(values, (1, 2), constant_values=np.nan) for values in (temperatures, table.slope(temperatures)))
    inverse = [np.ascontiguousarray(values, dtype=np.float32) for values in held]
    radiances = np.ascontiguousarray(table.radiances.values, dtype=np.float32)
    return BitTable(
        radiances, np.array(table.grid, dtype=np.float32), int(cells[0]) - 1, inverse[0], np.stack(inverse, axis=1)
    )


@dataclass(frozen=True)
class View:
    """What lies before and around a surface in one picture.

    Attributes
    ----------
    reflected, film_temperature, camera_side : float
        Temperature that the surface mirrors, of the film, and of what the film mirrors to the camera [degC].
    film_reflectance : float
        Its transmittance is given for each pixel; transmittance and reflectance must not make more than 1.
    air_transmittance, air_temperature : float
        Of the air before the camera [1], [degC].
    mirrors_board : bool
        Whether the film also mirrors the surface (:class:`heatwake.kernels.radiometry.Lid`).
    emissivity_setting, reflected_setting : float
        What the camera assumed [1], [degC].
    """

    reflected: float
    film_temperature: float
    camera_side: float
    film_reflectance: float = 0.0
    air_transmittance: float = 1.0
    air_temperature: float = 20.0
    mirrors_board: bool = False
    emissivity_setting: float = 1.0
    reflected_setting: float = 20.0


def correct_frame(
    indicated: Array, *, table: BandTable, view: View, emissivity: Array, transmittance: Array, out: Array | None = None
) -> Array:
    """Return surface temperatures [degC], float32, from temperatures as the camera wrote them.

    Parameters
    ----------
    indicated : (rows, columns) array
        [degC]; NaN in, NaN out.
    table : BandTable
        The camera's band.
    view : View
        All that is one number in a picture.
    emissivity, transmittance : (rows, columns) array
        Of the surface and of the film.
    out : (rows, columns) float32 array, optional
        Where to write them.
    """
    given, eps, tau, off = (_plane(one, indicated.shape) for one in (indicated, emissivity, transmittance, np.nan))
    made = np.empty(indicated.shape, dtype=np.float32) if out is None else out
    bits, numbers = bit_table(table), _numbers(view, _levels(table, view), leaving=False)
    target = made.reshape(-1)
    correct(given, eps, tau, off, numbers, bits.radiances, bits.place, bits.first, bits.temperatures, target)
    return made


def surface_temperatures(
    leaving: Array,
    *,
    table: BandTable,
    view: View,
    emissivity: Array,
    transmittance: Array | float = 1.0,
    zero: Array | float = np.nan,
    out: Array | None = None,
) -> Array:
    """Return surface temperatures [degC], float32, from the radiance that leaves the surface.

    Parameters
    ----------
    leaving : (rows, columns) array
        [W m-2 sr-1]; NaN in, NaN out.
    table, view, emissivity, transmittance, out
        As in :func:`correct_frame`; the transmittance counts only where the film mirrors the surface.
    zero : (rows, columns) array or float
        Radiance to take off [W m-2 sr-1]: what :func:`heatwake.kernels.radiometry.zero_offset` returns; NaN for none.
    """
    given, eps, tau, off = (_plane(one, leaving.shape) for one in (leaving, emissivity, transmittance, zero))
    made = np.empty(leaving.shape, dtype=np.float32) if out is None else out
    bits, numbers = bit_table(table), _numbers(view, _levels(table, view), leaving=True)
    target = made.reshape(-1)
    correct(given, eps, tau, off, numbers, _NOTHING, bits.place, bits.first, bits.temperatures, target)
    return made


def temperatures_with_uncertainty(
    leaving: Array,
    *,
    table: BandTable,
    view: View,
    errors: InputErrors,
    ambient: float,
    emissivity: Array,
    transmittance: Array | float = 1.0,
    zero: Array | float = np.nan,
    cold_ambient: float = np.nan,
    cold_reflected: float = np.nan,
    frames: float = 1.0,
    cold_frames: float = np.inf,
    out: tuple[Array, Array, Array] | None = None,
) -> tuple[Array, Array, Array]:
    """Return surface temperatures, their standard uncertainty, and the part of it that is noise; float32.

    To first order and term by term as :func:`heatwake.kernels.budget.temperature_budget`; ``spot_bias`` alone, which
    belongs to parts, is left out.

    Parameters
    ----------
    leaving, table, view, emissivity, transmittance
        As in :func:`surface_temperatures`; here the film's transmittance always counts.
    errors : InputErrors
        Numbers; of emissivity and transmittance maps will do.
    ambient : float
        Of the air [degC].
    zero : (rows, columns) array or float
        What to take off [W m-2 sr-1]; NaN where a pixel was not zeroed, whose budget then is another.
    cold_ambient, cold_reflected : float
        Ambient when the board was cold, and what it mirrored then [degC]; NaN where the recording was not zeroed, and
        where that was ambient.
    frames, cold_frames : float
        Number of frames averaged, and behind the cold median.
    out : three (rows, columns) float32 arrays, optional
        Where to write what is returned.

    Returns
    -------
    tuple of three (rows, columns) arrays
        [degC], [K], [K].
    """
    levels = _levels(table, view)
    return _with_uncertainty(
        (leaving, emissivity, transmittance, zero),
        errors,
        _numbers(view, levels, leaving=True),
        _weights(table, view, errors, levels, at=(ambient, cold_ambient, cold_reflected), frames=(frames, cold_frames)),
        table=table,
        written=np.empty((0, 2), dtype=np.float32),
        out=out,
    )


def correct_frame_with_uncertainty(
    indicated: Array,
    *,
    table: BandTable,
    view: View,
    errors: InputErrors,
    ambient: float,
    emissivity: Array,
    transmittance: Array | float,
    out: tuple[Array, Array, Array] | None = None,
) -> tuple[Array, Array, Array]:
    """Return what :func:`temperatures_with_uncertainty` does of one frame [degC] as the camera wrote it."""
    levels = _levels(table, view)
    statement = view.reflected_setting, errors.accuracy, errors.accuracy_percent
    return _with_uncertainty(
        (indicated, emissivity, transmittance, np.nan),
        errors,
        _numbers(view, levels, leaving=False),
        _weights(table, view, errors, levels, at=(ambient, np.nan, np.nan), frames=(1.0, np.inf)),
        table=table,
        written=_statements(table, view.emissivity_setting, *statement),
        out=out,
    )


def _with_uncertainty(
    inputs: tuple[npt.ArrayLike, ...],
    errors: InputErrors,
    numbers: Array,
    weights: Array,
    *,
    table: BandTable,
    written: Array,
    out: tuple[Array, Array, Array] | None,
) -> tuple[Array, Array, Array]:
    shape, bits = np.shape(inputs[0]), bit_table(table)
    made = out or (np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.float32))
    given, eps, tau, off = (_plane(values, shape) for values in inputs)
    u_eps, u_tau = (_plane(values, shape) for values in (errors.emissivity, errors.transmittance))
    out_t, out_u, out_n = (one.reshape(-1) for one in made)
    correct_with_uncertainty(
        *(given, eps, tau, off, u_eps, u_tau),
        *(numbers, weights, written, bits.place, bits.first, bits.states),
        *(out_t, out_u, out_n),
    )
    return made


@lru_cache(maxsize=8)
def _statements(table: BandTable, assumed: float, setting: float, accuracy: float, percent: float) -> Array:
    """Return radiance, and what the camera states of itself in radiance, at even temperatures as it writes them."""
    received = assumed * table.radiances.values + (1 - assumed) * table.radiance(setting)
    reading = table.temperature(received)
    half_width = np.maximum(accuracy, percent / 100 * np.abs(reading))
    stated = table.slope(reading) * half_width / RECTANGULAR["camera"]
    return np.stack([table.radiances.values, stated], axis=1).astype(np.float32)


def _plane(values: npt.ArrayLike, shape: tuple[int, ...]) -> Array:
    """Return values as the compiled loops take them, as they are where they are so already; one chunk for a number."""
    if np.ndim(values) == 0:
        return np.full(CHUNK, values, dtype=np.float32)
    array = np.asarray(values)
    return np.require(array if array.shape == shape else np.broadcast_to(array, shape), np.float32, ["C", "W"]).ravel()


def _levels(table: BandTable, view: View) -> list[float]:
    """Return blackbody radiances of the film, of what it mirrors, of the room, the air, and the camera's setting."""
    places = (view.film_temperature, view.camera_side, view.reflected, view.air_temperature, view.reflected_setting)
    return [float(level) for level in table.radiance(places)]


def _numbers(view: View, levels: list[float], *, leaving: bool) -> Array:
    """Return what the loops need of a view.

    Radiance of the surface itself is ``(x (1 - (1-eps) m rho) - (1-eps) tau (s0 + s1 tau)) / (eps tau)`` with
    ``x = tau (leaving - zero) = (gain + gain_tau tau) given + level + tau (added - zero)`` and m = 1 where the film
    mirrors the surface.
    """
    film, side, room, air, setting = levels
    rho, tau_air, assumed = view.film_reflectance, view.air_transmittance, view.emissivity_setting
    around = ((1 - rho) * film, room - film) if view.mirrors_board else (room, 0.0)
    mirrors = rho if view.mirrors_board else 0.0
    if leaving:
        return np.array([0.0, 1.0, 0.0, 0.0, *around, mirrors], dtype=np.float32)
    level = ((1 - assumed) * setting - (1 - tau_air) * air) / tau_air - film + rho * (film - side)
    return np.array([assumed / tau_air, 0.0, level, film, *around, mirrors], dtype=np.float32)


def _weights(
    table: BandTable,
    view: View,
    errors: InputErrors,
    levels: list[float],
    *,
    at: tuple[float, float, float],
    frames: tuple[float, float],
) -> Array:
    """Return what the loops need of the uncertainties: inputs in radiance, apart for pixels zeroed and not."""
    film, side, room, air, _ = levels
    ambient, cold, mirrored = at
    slopes = table.slope([view.film_temperature, view.reflected, NETD_REFERENCE, ambient, cold]).tolist()
    zeroed_slope = slopes[4] if np.isfinite(cold) else 0.0
    beyond = float(table.radiance(cold) - table.radiance(mirrored)) if np.isfinite([cold, mirrored]).all() else 0.0
    rho, divisor, percent = view.film_reflectance, RECTANGULAR["camera"], errors.accuracy_percent / 100
    base = film + rho * (side - film)  # radiance after the film, less tau times what the surface has over the film
    counts = np.array([np.inf, frames[1]], dtype=np.float32)
    plain, zeroed = (slopes[2] * noise_kelvin(errors.netd, frames=frames[0], cold_frames=counts)).tolist()
    drift = float(np.hypot(errors.drift, errors.offset_steps))
    drifts = drift * slopes[3], drift * zeroed_slope
    values = (
        *(film, room, rho, view.air_transmittance, air, base, side, float(view.mirrors_board)),
        *(errors.film_reflectance, np.multiply(errors.film_temperature, slopes[0])),
        *(np.multiply(errors.reflected, slopes[1]), errors.air_transmittance),
        *(percent / divisor, errors.accuracy / divisor, cold),
        *(plain, zeroed, plain**2 + drifts[0] ** 2, zeroed**2 + drifts[1] ** 2),
        *(np.multiply(errors.ambient, zeroed_slope), beyond),
    )
    return np.array(values, dtype=np.float32)
