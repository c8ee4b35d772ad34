"""The loops behind :mod:`heatwake.kernels.correction`, compiled.

Pictures go by in chunks that stay in the processor's nearest memory. Each loop reads a few arrays and writes to rows of
one: more would have to be tested for overlap, and then no loop runs on vectors. What the numbers, weights and tables
are is said where they are made.
"""

from typing import Final

import numpy as np

from heatwake.kernels.compiled import compiled

SHIFT: Final = 13  # bits of a float32 that are the place within a cell
CHUNK: Final = 1024  # pixels
_WITHIN: Final = 2**SHIFT - 1
_PER_CELL: Final = np.float32(2.0**-SHIFT)
_ONE: Final = np.float32(1)


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
def correct(  # type: ignore[no-untyped-def]
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
    per_air, over_air, at_ambient, beyond = _ONE / air_tau, air - base, weights[19], weights[20]
    at_camera = air_tau * base + (_ONE - air_tau) * air
    for c in range(len(given)):
        eps, tau = emissivity[c], transmittance[c]
        zeroed = zero[c] if zero[c] == zero[c] else np.float32(0)
        through, lost = _ONE / tau, _ONE - eps
        leaving = ((gain + gain_tau * tau) * given[c] + level) * through + added - zeroed
        own = (leaving - lost * room) / eps
        behind, absorbed, mirrored = film - leaving, _ONE - tau - rho, room - own
        by_tau, by_film, by_air = behind * u_transmittance[c], absorbed * u_film, (over_air + tau * behind) * u_air
        by_ambient = eps * at_ambient if zero[c] == zero[c] else np.float32(0)
        at_zero = beyond if zero[c] == zero[c] else np.float32(0)
        by_eps, by_room = (mirrored + at_zero) * u_emissivity[c], lost * u_room
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
    at_camera, at_ambient, beyond = air_tau * base + (_ONE - air_tau) * air, weights[19], weights[20]
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
        at_zero = beyond if zero[c] == zero[c] else np.float32(0)
        by_eps = (mirrors * leaving + surroundings - own + at_zero) * u_emissivity[c]
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
    " float32[::1], float32[:, ::1], float32[::1], int64, float32[:, ::1],"
    " float32[::1], float32[::1], float32[::1])",
    divides=True,
)
def correct_with_uncertainty(  # type: ignore[no-untyped-def]
    given,
    emissivity,
    transmittance,
    zero,
    u_emissivity,
    u_transmittance,
    numbers,
    weights,
    written,
    place,
    first,
    states,
    out,
    total,
    noise,
):
    """Set surface temperatures, their combined uncertainty and its noise; ``given`` as in :func:`correct`.

    Where it is in degC, radiance and the camera's statement at even temperatures are ``written``, and none is zeroed.
    """
    whole = len(given)
    work, camera = np.empty(_ROWS, np.float32), np.empty((2, len(states)), np.float32)
    cells, fractions = np.empty(CHUNK, np.uint32), np.empty(CHUNK, np.float32)
    if not len(written):
        _tabulate_camera(states, weights, camera)
    for start in range(0, whole, CHUNK):
        size = min(CHUNK, whole - start)
        stop = start + size
        line = given[start:stop]
        if len(written):
            _find_even_cells(line, place, len(written), cells, fractions)
            _look_up_both(written, cells, fractions, work[_GIVEN : _GIVEN + size], work[_PLAIN : _PLAIN + size])
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
        if not len(written):
            zeroed = _count_finite(offset)
            _find_cells(work[_SEEN : _SEEN + size], first, len(states), cells, fractions)
            if zeroed < size:
                _look_up(camera[0], cells, fractions, work[_PLAIN : _PLAIN + size])
            if zeroed:
                _look_up(camera[1], cells, fractions, work[_ZEROED : _ZEROED + size])
        _find_cells(work[_OWN : _OWN + size], first, len(states), cells, fractions)
        _look_up_both(states, cells, fractions, out[start:stop], work[_SLOPE : _SLOPE + size])
        _finish(eps, offset, weights, work, total[start:stop], noise[start:stop])
