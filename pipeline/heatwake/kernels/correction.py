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
    bits = bit_table(table)
    given, eps, tau, zero = (_plane(one, indicated.shape) for one in (indicated, emissivity, transmittance, np.nan))
    made = np.empty(indicated.shape, dtype=np.float32) if out is None else out
    numbers = _numbers(table, view, leaving=False)
    _correct(given, eps, tau, zero, numbers, bits.radiances, bits.place, bits.temperatures, bits.first, made)
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
    bits = bit_table(table)
    given, eps, tau, off = (_plane(one, leaving.shape) for one in (leaving, emissivity, transmittance, zero))
    made = np.empty(leaving.shape, dtype=np.float32) if out is None else out
    numbers = _numbers(table, view, leaving=True)
    _correct(given, eps, tau, off, numbers, _NOTHING, bits.place, bits.temperatures, bits.first, made)
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
        Numbers, no maps.
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
    planes = [_plane(values, leaving.shape) for values in (leaving, emissivity, transmittance, zero)]
    return _with_uncertainty(
        planes,
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
    planes = [_plane(values, indicated.shape) for values in (indicated, emissivity, transmittance, np.nan)]
    return _with_uncertainty(
        planes,
        _numbers(table, view, leaving=False),
        _weights(table, view, errors, ambient=ambient, cold=np.nan, frames=1.0, cold_frames=np.inf),
        table=table,
        radiances=bit_table(table).radiances,
        out=out,
    )


def _with_uncertainty(
    planes: list[Array],
    numbers: Array,
    weights: Array,
    *,
    table: BandTable,
    radiances: Array,
    out: tuple[Array, Array, Array] | None,
) -> tuple[Array, Array, Array]:
    bits, shape = bit_table(table), planes[0].shape
    made = out or (np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.float32))
    given, eps, tau, zero = planes
    _correct_with_uncertainty(
        given,
        eps,
        tau,
        zero,
        numbers,
        weights,
        radiances,
        bits.place,
        bits.states,
        bits.first,
        made[0],
        made[1],
        made[2],
    )
    return made


def _plane(values: Array | float, shape: tuple[int, ...]) -> Array:
    """Return values as the compiled loops take them, as they are where they are so already; one row for a number."""
    if np.ndim(values) == 0:
        return np.full((1, shape[1]), values, dtype=np.float32)
    whole = values if np.shape(values) == shape else np.broadcast_to(values, shape)
    return np.require(whole, np.float32, ["C", "W"])


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
        *(errors.transmittance, errors.film_reflectance, np.multiply(errors.film_temperature, slopes[0])),
        *(errors.emissivity, np.multiply(errors.reflected, slopes[1]), errors.air_transmittance),
        *(percent / divisor, errors.accuracy / divisor, cold),
        *(plain, zeroed, plain**2 + drifts[0] ** 2, zeroed**2 + drifts[1] ** 2),
        np.multiply(errors.ambient, zeroed_slope),
    )
    return np.array(values, dtype=np.float32)


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
    for c in range(len(cells)):
        low = values[cells[c]]
        out[c] = low + fractions[c] * (values[cells[c] + np.uint32(1)] - low)


@compiled("void(float32[:, ::1], uint32[::1], float32[::1], float32[::1], float32[::1])", divides=True)
def _look_up_both(states, cells, fractions, first, second):  # type: ignore[no-untyped-def]
    for c in range(len(cells)):
        low, high, place = states[cells[c]], states[cells[c] + np.uint32(1)], fractions[c]
        first[c] = low[0] + place * (high[0] - low[0])
        second[c] = low[1] + place * (high[1] - low[1])


@compiled(
    "void(float32[:, ::1], float32[:, ::1], float32[:, ::1], float32[:, ::1], float32[::1],"
    " float32[::1], float32[::1], float32[::1], int64, float32[:, ::1])",
    divides=True,
)
def _correct(  # type: ignore[no-untyped-def]
    given, emissivity, transmittance, zero, numbers, radiances, place, temperatures, first, out
):
    """Set surface temperatures; ``given`` is in degC where ``radiances`` are given, else in radiance."""
    columns = given.shape[1]
    seen, own = np.empty(columns, np.float32), np.empty(columns, np.float32)
    cells, fractions = np.empty(columns, np.uint32), np.empty(columns, np.float32)
    for r in range(given.shape[0]):
        line, eps = given[r], emissivity[min(r, len(emissivity) - 1)]
        tau, offset = transmittance[min(r, len(transmittance) - 1)], zero[min(r, len(zero) - 1)]
        if len(radiances):
            _find_even_cells(line, place, len(radiances), cells, fractions)
            _look_up(radiances, cells, fractions, seen)
            line = seen
        _find_own(line, eps, tau, offset, numbers, own)
        _find_cells(own, first, len(temperatures), cells, fractions)
        _look_up(temperatures, cells, fractions, out[r])


@compiled(
    "void(float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1])",
    divides=True,
)
def _find_received(own, emissivity, transmittance, numbers, weights, leaving, received):  # type: ignore[no-untyped-def]
    """Set what leaves the surface and what of it reaches the camera, by the forward equation."""
    around, around_tau, mirrors = numbers[4], numbers[5], numbers[6]
    film, air_tau, air, base = weights[0], weights[3], weights[4], weights[5]
    added = air_tau * base + (_ONE - air_tau) * air
    for c in range(len(own)):
        eps, tau = emissivity[c], transmittance[c]
        lost = _ONE - eps
        leaves = (eps * own[c] + lost * (around + around_tau * tau)) / (_ONE - lost * mirrors)
        leaving[c] = leaves
        received[c] = air_tau * tau * (leaves - film) + added


_SCENE: Final = "void(" + "float32[::1], " * 7 + "float32[::1])"


@compiled(_SCENE, divides=True)
def _add_scene(own, leaving, emissivity, transmittance, zero, numbers, weights, squares):  # type: ignore[no-untyped-def]
    """Set the sum of squares of what film, surroundings and surface bring to the emitted radiance."""
    room, film, rho, air = numbers[4], weights[0], weights[2], weights[4] - weights[5]
    by_side = (film - weights[6]) * weights[9]
    by_side *= by_side
    u_tau, u_film, u_eps, u_room = weights[8], weights[10], weights[11], weights[12]
    u_air, u_ambient = weights[13] / weights[3], weights[21] * weights[21]
    u_tau, u_film, u_eps, u_room, u_air = u_tau * u_tau, u_film * u_film, u_eps * u_eps, u_room * u_room, u_air * u_air
    for c in range(len(own)):
        eps, tau = emissivity[c], transmittance[c]
        behind, absorbed, lost = film - leaving[c], _ONE - tau - rho, _ONE - eps
        in_air, mirrored, through = air + tau * behind, room - own[c], _ONE / tau
        at_film = by_side + behind * behind * u_tau + absorbed * absorbed * u_film + in_air * in_air * u_air
        at_surface = mirrored * mirrored * u_eps + lost * lost * u_room
        by_ambient = eps * eps * u_ambient if zero[c] == zero[c] else np.float32(0)
        squares[c] = through * through * at_film + at_surface + by_ambient


@compiled(_SCENE, divides=True)
def _add_mirrored_scene(  # type: ignore[no-untyped-def]
    own, leaving, emissivity, transmittance, zero, numbers, weights, squares
):
    """Set the same where the film mirrors the surface."""
    around, around_tau, mirrors = numbers[4], numbers[5], numbers[6]
    film, room, rho, air, side = weights[0], weights[1], weights[2], weights[4] - weights[5], weights[6]
    u_tau, u_rho, u_film, u_eps, u_room = weights[8], weights[9], weights[10], weights[11], weights[12]
    u_air, u_ambient = weights[13] / weights[3], weights[21]
    for c in range(len(own)):
        eps, tau, behind = emissivity[c], transmittance[c], film - leaving[c]
        lost = _ONE - eps
        through = (_ONE - lost * mirrors) / tau
        by_tau = (through * behind + lost * (film - room)) * u_tau
        by_rho = (through * (film - side) + lost * behind) * u_rho
        by_film = (through + lost) * (_ONE - tau - rho) * u_film
        by_eps = (mirrors * leaving[c] + around + around_tau * tau - own[c]) * u_eps
        by_room, by_air = lost * tau * u_room, through * (air + tau * behind) * u_air
        by_ambient = eps * u_ambient if zero[c] == zero[c] else np.float32(0)
        first = by_tau * by_tau + by_rho * by_rho + by_film * by_film + by_eps * by_eps
        squares[c] = first + by_room * by_room + by_air * by_air + by_ambient * by_ambient


@compiled("void(float32[:, ::1], float32[::1], float32[:, ::1])", divides=True)
def _tabulate_camera(states, weights, camera):  # type: ignore[no-untyped-def]
    """Set what the camera's statement is in radiance at each radiance, without (row 0) and with (row 1) a zero."""
    percent, accuracy, cold = weights[14], weights[15], weights[16]
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


@compiled("void(float32[::1], float32[::1], float32[::1], float32[::1], float32[::1])", divides=True)
def _choose(plain, zeroed, zero, weights, squares):  # type: ignore[no-untyped-def]
    own_plain, own_zeroed = weights[19], weights[20]
    for c in range(len(zero)):
        with_zero, without = zeroed[c], plain[c]  # loaded alike, whichever it is: a loop on vectors
        is_zeroed = zero[c] == zero[c]
        stated = with_zero if is_zeroed else without
        own = own_zeroed if is_zeroed else own_plain
        squares[c] = stated * stated + own


@compiled("void(float32[:, ::1], uint32[::1], float32[::1], float32[::1], float32[::1], float32[:, ::1])", divides=True)
def _add_camera(camera, cells, fractions, zero, weights, sums):  # type: ignore[no-untyped-def]
    """Set the second of ``sums`` to the squares of what the camera brings to radiance at it; the others are used up."""
    zeroed = _count_finite(zero)
    if zeroed < len(zero):
        _look_up(camera[0], cells, fractions, sums[2])
    if zeroed:
        _look_up(camera[1], cells, fractions, sums[3])
    _choose(sums[2], sums[3], zero, weights, sums[1])


@compiled(
    "void(float32[:, ::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1], float32[::1])",
    divides=True,
)
def _combine(sums, emissivity, transmittance, slope, numbers, weights, total):  # type: ignore[no-untyped-def]
    """Set the combined uncertainty; the third of ``sums`` becomes what radiance at the camera brings [K]."""
    scene, camera, gain = sums[0], sums[1], sums[2]
    mirrors, per_air = numbers[6], _ONE / weights[3]
    for c in range(len(total)):
        eps, tau = emissivity[c], transmittance[c]
        emitted = eps * slope[c]
        both = _ONE / (emitted * tau)  # one division for two
        at_camera, per_kelvin = (_ONE - (_ONE - eps) * mirrors) * (both * emitted) * per_air, both * tau
        gain[c] = at_camera * per_kelvin
        total[c] = np.sqrt(scene[c] + at_camera * at_camera * camera[c]) * per_kelvin


@compiled("void(float32[::1], float32[::1], float32[::1], float32[::1])", divides=True)
def _set_noise(gain, zero, weights, noise):  # type: ignore[no-untyped-def]
    plain, zeroed = weights[17], weights[18]
    for c in range(len(noise)):
        noise[c] = gain[c] * (zeroed if zero[c] == zero[c] else plain)


@compiled(
    "void(float32[:, ::1], float32[:, ::1], float32[:, ::1], float32[:, ::1], float32[::1], float32[::1],"
    " float32[::1], float32[::1], float32[:, ::1], int64, float32[:, ::1], float32[:, ::1], float32[:, ::1])",
    divides=True,
)
def _correct_with_uncertainty(  # type: ignore[no-untyped-def]
    given,
    emissivity,
    transmittance,
    zero,
    numbers,
    weights,
    radiances,
    place,
    states,
    first,
    out,
    total,
    noise,
):
    """Set surface temperatures, their combined uncertainty and its noise; ``given`` as in :func:`_correct`."""
    columns = given.shape[1]
    seen, own, leaving = np.empty(columns, np.float32), np.empty(columns, np.float32), np.empty(columns, np.float32)
    slope, sums = np.empty(columns, np.float32), np.empty((4, columns), np.float32)
    camera = np.empty((2, len(states)), np.float32)
    _tabulate_camera(states, weights, camera)
    cells, fractions = np.empty(columns, np.uint32), np.empty(columns, np.float32)
    for r in range(given.shape[0]):
        line, eps = given[r], emissivity[min(r, len(emissivity) - 1)]
        tau, offset = transmittance[min(r, len(transmittance) - 1)], zero[min(r, len(zero) - 1)]
        if len(radiances):
            _find_even_cells(line, place, len(radiances), cells, fractions)
            _look_up(radiances, cells, fractions, seen)
            line = seen
        _find_own(line, eps, tau, offset, numbers, own)
        _find_received(own, eps, tau, numbers, weights, leaving, seen)
        if weights[7]:
            _add_mirrored_scene(own, leaving, eps, tau, offset, numbers, weights, sums[0])
        else:
            _add_scene(own, leaving, eps, tau, offset, numbers, weights, sums[0])
        _find_cells(seen, first, len(states), cells, fractions)
        _add_camera(camera, cells, fractions, offset, weights, sums)
        _find_cells(own, first, len(states), cells, fractions)
        _look_up_both(states, cells, fractions, out[r], slope)
        _combine(sums, eps, tau, slope, numbers, weights, total[r])
        _set_noise(sums[2], offset, weights, noise[r])
