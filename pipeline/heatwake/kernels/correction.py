"""Whole pictures to surface temperature and its uncertainty in one compiled pass, an emissivity and a film each pixel.

The equations are those of :mod:`heatwake.kernels.radiometry` and :mod:`heatwake.kernels.budget`. The inverse of the
band's radiance is a table over the bits of a float32: all but the lowest thirteen count even steps within each power of
two, and so give a cell of a thousandth of the radiance or less without a logarithm or a search.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.budget import NETD_REFERENCE, RECTANGULAR, InputErrors, noise_kelvin
from heatwake.kernels.compiled import compiled
from heatwake.kernels.planck import BandTable

Array = npt.NDArray[np.floating[Any]]

SHIFT: Final = (
    13  # bits that are the place within a cell: 1024 cells an octave, in which a straight line errs by 0.03 mK
)
CHUNK: Final = 1024  # pixels
_WITHIN: Final = 2**SHIFT - 1
_PER_CELL: Final = np.float32(2.0**-SHIFT)
_ONE: Final = np.float32(1)
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
    bits, numbers = bit_table(table), _numbers(table, view, leaving=False)
    target = made.reshape(-1)
    _correct(given, eps, tau, off, numbers, bits.radiances, bits.place, bits.first, bits.temperatures, target)
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
    bits, numbers = bit_table(table), _numbers(table, view, leaving=True)
    target = made.reshape(-1)
    _correct(given, eps, tau, off, numbers, _NOTHING, bits.place, bits.first, bits.temperatures, target)
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
    cold_ambient : float
        Ambient when the board was cold [degC]; NaN where the recording was not zeroed.
    frames, cold_frames : float
        Number of frames averaged, and behind the cold median.
    out : three (rows, columns) float32 arrays, optional
        Where to write what is returned.

    Returns
    -------
    tuple of three (rows, columns) arrays
        [degC], [K], [K].
    """
    return _with_uncertainty(
        (leaving, emissivity, transmittance, zero),
        errors,
        _numbers(table, view, leaving=True),
        _weights(table, view, errors, ambient=ambient, cold=cold_ambient, frames=frames, cold_frames=cold_frames),
        table=table,
        radiances=_NOTHING,
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
    return _with_uncertainty(
        (indicated, emissivity, transmittance, np.nan),
        errors,
        _numbers(table, view, leaving=False),
        _weights(table, view, errors, ambient=ambient, cold=np.nan, frames=1.0, cold_frames=np.inf),
        table=table,
        radiances=bit_table(table).radiances,
        out=out,
    )


def _with_uncertainty(
    inputs: tuple[npt.ArrayLike, ...],
    errors: InputErrors,
    numbers: Array,
    weights: Array,
    *,
    table: BandTable,
    radiances: Array,
    out: tuple[Array, Array, Array] | None,
) -> tuple[Array, Array, Array]:
    shape, bits = np.shape(inputs[0]), bit_table(table)
    made = out or (np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.float32))
    given, eps, tau, off = (_plane(values, shape) for values in inputs)
    u_eps, u_tau = (_plane(values, shape) for values in (errors.emissivity, errors.transmittance))
    out_t, out_u, out_n = (one.reshape(-1) for one in made)
    _correct_with_uncertainty(
        *(given, eps, tau, off, u_eps, u_tau),
        *(numbers, weights, radiances, bits.place, bits.first, bits.states),
        *(out_t, out_u, out_n),
    )
    return made


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


def _numbers(table: BandTable, view: View, *, leaving: bool) -> Array:
    """Return what the loops need of a view.

    Radiance of the surface itself is ``(x (1 - (1-eps) m rho) - (1-eps) tau (s0 + s1 tau)) / (eps tau)`` with
    ``x = tau (leaving - zero) = (gain + gain_tau tau) given + level + tau (added - zero)`` and m = 1 where the film
    mirrors the surface.
    """
    film, side, room, air, setting = _levels(table, view)
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
    *,
    ambient: float,
    cold: float,
    frames: float,
    cold_frames: float,
) -> Array:
    """Return what the loops need of the uncertainties: inputs in radiance, apart for pixels zeroed and not."""
    film, side, room, air, _ = _levels(table, view)
    slopes = table.slope([view.film_temperature, view.reflected, NETD_REFERENCE, ambient, cold]).tolist()
    zeroed_slope = slopes[4] if np.isfinite(cold) else 0.0
    rho, divisor, percent = view.film_reflectance, RECTANGULAR["camera"], errors.accuracy_percent / 100
    base = film + rho * (side - film)  # radiance after the film, less tau times what the surface has over the film
    counts = np.array([np.inf, cold_frames], dtype=np.float32)
    plain, zeroed = (slopes[2] * noise_kelvin(errors.netd, frames=frames, cold_frames=counts)).tolist()
    drifts = errors.drift * slopes[3], errors.drift * zeroed_slope
    values = (
        *(film, room, rho, view.air_transmittance, air, base, side, float(view.mirrors_board)),
        *(errors.film_reflectance, np.multiply(errors.film_temperature, slopes[0])),
        *(np.multiply(errors.reflected, slopes[1]), errors.air_transmittance),
        *(percent / divisor, errors.accuracy / divisor, cold),
        *(plain, zeroed, plain**2 + drifts[0] ** 2, zeroed**2 + drifts[1] ** 2),
        np.multiply(errors.ambient, zeroed_slope),
    )
    return np.array(values, dtype=np.float32)


# Compiled: pictures go by in chunks that stay in the processor's nearest memory. Each loop reads a few arrays and
# writes to rows of one: more would have to be tested for overlap, and then no loop runs on vectors.


@compiled("void(float32[::1], float32[::1], int64, uint32[::1], float32[::1])", divides=True)
def _find_even_cells(celsius, place, count, cells, fractions):  # type: ignore[no-untyped-def]
    """Set the cell of each temperature and the place in it, NaN outside."""
    low, per_kelvin, last = place[0], place[1], np.float32(count - 1)
    for c in range(len(celsius)):
        at = (celsius[c] - low) * per_kelvin
        safe = at if (at >= np.float32(0)) & (at < last) else np.float32(0)
        cell = np.int32(safe)
        cells[c] = np.uint32(cell)
        fractions[c] = at - np.float32(cell) if safe == at else np.float32(np.nan)


@compiled("void(float32[::1], int64, int64, uint32[::1], float32[::1])", divides=True)
def _find_cells(radiances, first, count, cells, fractions):  # type: ignore[no-untyped-def]
    """Set the cell of each radiance and the place in it; what lies outside falls into the cells that hold NaN."""
    bits = radiances.view(np.int32)
    start, last = np.int32(first), np.int32(count - 2)
    for c in range(len(radiances)):
        cell = np.int32(np.int32(bits[c] >> np.int32(SHIFT)) - start)  # sums of int32 are wider, and then slow
        cell = min(max(cell, np.int32(0)), last)
        cells[c] = np.uint32(cell)
        fractions[c] = np.float32(np.int32(bits[c] & np.int32(_WITHIN))) * _PER_CELL


@compiled("void(float32[::1], uint32[::1], float32[::1], float32[::1])", divides=True)
def _look_up(values, cells, fractions, out):  # type: ignore[no-untyped-def]
    for c in range(len(out)):
        low = values[cells[c]]
        out[c] = low + fractions[c] * (values[cells[c] + np.uint32(1)] - low)


@compiled("void(float32[:, ::1], uint32[::1], float32[::1], float32[::1], float32[::1])", divides=True)
def _look_up_both(states, cells, fractions, first, second):  # type: ignore[no-untyped-def]
    for c in range(len(first)):
        low, high, place = states[cells[c]], states[cells[c] + np.uint32(1)], fractions[c]
        first[c] = low[0] + place * (high[0] - low[0])
        second[c] = low[1] + place * (high[1] - low[1])


@compiled("void(float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1])", divides=True)
def _find_own(given, emissivity, transmittance, zero, numbers, own):  # type: ignore[no-untyped-def]
    """Set the surface's own blackbody radiance."""
    gain, gain_tau, level, added = numbers[0], numbers[1], numbers[2], numbers[3]
    around, around_tau, mirrors = numbers[4], numbers[5], numbers[6]
    for c in range(len(given)):
        eps, tau = emissivity[c], transmittance[c]
        lost = _ONE - eps
        zeroed = zero[c] if zero[c] == zero[c] else np.float32(0)
        x = (gain + gain_tau * tau) * given[c] + level + tau * (added - zeroed)
        own[c] = (x * (_ONE - lost * mirrors) - lost * tau * (around + around_tau * tau)) / (eps * tau)


@compiled(
    "void(float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], int64,"
    " float32[::1], float32[::1])",
    divides=True,
)
def _correct(  # type: ignore[no-untyped-def]
    given, emissivity, transmittance, zero, numbers, radiances, place, first, temperatures, out
):
    """Set surface temperatures; ``given`` is in degC where ``radiances`` are given, else in radiance."""
    whole = len(given)
    seen, own = np.empty(CHUNK, np.float32), np.empty(CHUNK, np.float32)
    cells, fractions = np.empty(CHUNK, np.uint32), np.empty(CHUNK, np.float32)
    for start in range(0, whole, CHUNK):
        size = min(CHUNK, whole - start)
        stop = start + size
        line = given[start:stop]
        if len(radiances):
            _find_even_cells(line, place, len(radiances), cells, fractions)
            _look_up(radiances, cells, fractions, seen[:size])
            line = seen[:size]
        _find_own(
            line,
            emissivity[start:stop] if len(emissivity) == whole else emissivity,
            transmittance[start:stop] if len(transmittance) == whole else transmittance,
            zero[start:stop] if len(zero) == whole else zero,
            numbers,
            own,
        )
        _find_cells(own[:size], first, len(temperatures), cells, fractions)
        _look_up(temperatures, cells, fractions, out[start:stop])


# rows of the working space: the surface's own radiance, that at the camera, squares of what film, surroundings and
# surface bring to the emitted radiance, what radiance at the camera brings to it, slope at the surface's temperature,
# the camera's statement in radiance without and with a zero, and radiance as given
_OWN, _SEEN, _SQUARES, _GAIN, _SLOPE, _PLAIN, _ZEROED, _GIVEN, _ROWS = (CHUNK * row for row in range(9))


@compiled(
    "void(float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1],"
    " float32[::1], float32[::1], float32[::1])",
    divides=True,
)
def _find_state(  # type: ignore[no-untyped-def]
    given, emissivity, transmittance, zero, u_emissivity, u_transmittance, numbers, weights, work
):
    """Set the state of a surface that the film does not mirror, and what the scene's inputs bring."""
    gain, gain_tau, level, added, room = numbers[0], numbers[1], numbers[2], numbers[3], numbers[4]
    film, rho, air_tau, air, base = weights[0], weights[2], weights[3], weights[4], weights[5]
    at_side, u_film, u_room, u_air = (film - weights[6]) * weights[8], weights[9], weights[10], weights[11] / air_tau
    per_air, over_air, at_ambient = _ONE / air_tau, air - base, weights[19]
    at_camera = air_tau * base + (_ONE - air_tau) * air
    for c in range(len(given)):
        eps, tau = emissivity[c], transmittance[c]
        zeroed = zero[c] if zero[c] == zero[c] else np.float32(0)
        through, lost = _ONE / tau, _ONE - eps
        leaving = ((gain + gain_tau * tau) * given[c] + level) * through + added - zeroed
        own = (leaving - lost * room) / eps
        behind, absorbed, mirrored = film - leaving, _ONE - tau - rho, room - own
        by_tau, by_film, by_air = behind * u_transmittance[c], absorbed * u_film, (over_air + tau * behind) * u_air
        by_eps, by_room = mirrored * u_emissivity[c], lost * u_room
        by_ambient = eps * at_ambient if zero[c] == zero[c] else np.float32(0)
        at_film = by_tau * by_tau + at_side * at_side + by_film * by_film + by_air * by_air
        work[_OWN + c] = own
        work[_SEEN + c] = at_camera - air_tau * tau * behind
        work[_SQUARES + c] = through * through * at_film + by_eps * by_eps + by_room * by_room + by_ambient * by_ambient
        work[_GAIN + c] = through * per_air


@compiled(
    "void(float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1],"
    " float32[::1], float32[::1], float32[::1])",
    divides=True,
)
def _find_mirrored_state(  # type: ignore[no-untyped-def]
    given, emissivity, transmittance, zero, u_emissivity, u_transmittance, numbers, weights, work
):
    """Set the same of a surface that it does."""
    gain, gain_tau, level, added = numbers[0], numbers[1], numbers[2], numbers[3]
    around, around_tau, mirrors = numbers[4], numbers[5], numbers[6]
    film, room, rho, air_tau, air, base = weights[0], weights[1], weights[2], weights[3], weights[4], weights[5]
    side, u_rho, u_film, u_room, u_air = weights[6], weights[8], weights[9], weights[10], weights[11] / air_tau
    at_camera, at_ambient = air_tau * base + (_ONE - air_tau) * air, weights[19]
    for c in range(len(given)):
        eps, tau = emissivity[c], transmittance[c]
        zeroed = zero[c] if zero[c] == zero[c] else np.float32(0)
        lost = _ONE - eps
        kept, surroundings = _ONE - lost * mirrors, around + around_tau * tau
        leaving = ((gain + gain_tau * tau) * given[c] + level) / tau + added - zeroed
        own = (leaving * kept - lost * surroundings) / eps
        through, behind = kept / tau, film - leaving
        by_tau = (through * behind + lost * (film - room)) * u_transmittance[c]
        by_rho = (through * (film - side) + lost * behind) * u_rho
        by_film, by_room = (through + lost) * (_ONE - tau - rho) * u_film, lost * tau * u_room
        by_eps = (mirrors * leaving + surroundings - own) * u_emissivity[c]
        by_air = through * (air - base + tau * behind) * u_air
        by_ambient = eps * at_ambient if zero[c] == zero[c] else np.float32(0)
        squares = by_tau * by_tau + by_rho * by_rho + by_film * by_film + by_eps * by_eps
        work[_OWN + c] = own
        work[_SEEN + c] = at_camera - air_tau * tau * behind
        work[_SQUARES + c] = squares + by_room * by_room + by_air * by_air + by_ambient * by_ambient
        work[_GAIN + c] = through / air_tau


@compiled("void(float32[:, ::1], float32[::1], float32[:, ::1])", divides=True)
def _tabulate_camera(states, weights, camera):  # type: ignore[no-untyped-def]
    """Set what the camera's statement is in radiance at each radiance, without (row 0) and with (row 1) a zero."""
    percent, accuracy, cold = weights[12], weights[13], weights[14]
    for c in range(len(states)):
        reading, slope = states[c, 0], states[c, 1]
        camera[0, c] = slope * max(percent * abs(reading), accuracy)
        camera[1, c] = slope * percent * abs(reading - cold)


@compiled("int64(float32[::1])", divides=True)
def _count_finite(values):  # type: ignore[no-untyped-def]
    count = np.int32(0)
    for c in range(len(values)):
        count = np.int32(count + np.int32(values[c] == values[c]))
    return count


@compiled("void(float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1])", divides=True)
def _finish(emissivity, zero, weights, work, total, noise):  # type: ignore[no-untyped-def]
    """Set the combined uncertainty and its noise."""
    noise_plain, noise_zeroed, own_plain, own_zeroed = weights[15], weights[16], weights[17], weights[18]
    for c in range(len(total)):
        without, with_zero = work[_PLAIN + c], work[_ZEROED + c]  # loaded alike, whichever it is: a loop on vectors
        is_zeroed = zero[c] == zero[c]
        camera = with_zero if is_zeroed else without
        own = own_zeroed if is_zeroed else own_plain
        spread = noise_zeroed if is_zeroed else noise_plain
        gain, per_kelvin = work[_GAIN + c], _ONE / (emissivity[c] * work[_SLOPE + c])
        total[c] = np.sqrt(work[_SQUARES + c] + gain * gain * (camera * camera + own)) * per_kelvin
        noise[c] = gain * spread * per_kelvin


@compiled(
    "void(float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1],"
    " float32[::1], float32[::1], float32[::1], int64, float32[:, ::1], float32[::1], float32[::1], float32[::1])",
    divides=True,
)
def _correct_with_uncertainty(  # type: ignore[no-untyped-def]
    given,
    emissivity,
    transmittance,
    zero,
    u_emissivity,
    u_transmittance,
    numbers,
    weights,
    radiances,
    place,
    first,
    states,
    out,
    total,
    noise,
):
    """Set surface temperatures, their combined uncertainty and its noise; ``given`` as in :func:`_correct`."""
    whole = len(given)
    work, camera = np.empty(_ROWS, np.float32), np.empty((2, len(states)), np.float32)
    cells, fractions = np.empty(CHUNK, np.uint32), np.empty(CHUNK, np.float32)
    _tabulate_camera(states, weights, camera)
    for start in range(0, whole, CHUNK):
        size = min(CHUNK, whole - start)
        stop = start + size
        line = given[start:stop]
        if len(radiances):
            _find_even_cells(line, place, len(radiances), cells, fractions)
            _look_up(radiances, cells, fractions, work[_GIVEN : _GIVEN + size])
            line = work[_GIVEN : _GIVEN + size]
        eps = emissivity[start:stop] if len(emissivity) == whole else emissivity
        tau = transmittance[start:stop] if len(transmittance) == whole else transmittance
        offset = zero[start:stop] if len(zero) == whole else zero[:size]
        u_eps = u_emissivity[start:stop] if len(u_emissivity) == whole else u_emissivity
        u_tau = u_transmittance[start:stop] if len(u_transmittance) == whole else u_transmittance
        if weights[7]:
            _find_mirrored_state(line, eps, tau, offset, u_eps, u_tau, numbers, weights, work)
        else:
            _find_state(line, eps, tau, offset, u_eps, u_tau, numbers, weights, work)
        zeroed = _count_finite(offset)
        _find_cells(work[_SEEN : _SEEN + size], first, len(states), cells, fractions)
        if zeroed < size:
            _look_up(camera[0], cells, fractions, work[_PLAIN : _PLAIN + size])
        if zeroed:
            _look_up(camera[1], cells, fractions, work[_ZEROED : _ZEROED + size])
        _find_cells(work[_OWN : _OWN + size], first, len(states), cells, fractions)
        _look_up_both(states, cells, fractions, out[start:stop], work[_SLOPE : _SLOPE + size])
        _finish(eps, offset, weights, work, total[start:stop], noise[start:stop])
