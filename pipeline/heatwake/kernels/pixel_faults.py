"""Faulty pixels of a sensor, told from an even sample of a recording's pictures; and readings beyond its range.

A fault stays with the sensor and with one pixel. Whatever is seen through a lens does neither: its image is spread over
neighbouring pixels by the optics, and moves with the picture. Diffraction alone, at 10 um and f/1 on pixels of 12 um,
makes of a point a spot of 0.37 pixels standard deviation (1.03 wavelengths times f-number across half its height),
which integrated over square pixels leaves the eight neighbours of the brightest 6 % of its excess in the mean; at 0.5
pixels it is 14 %, at 0.7 pixels 30 %. A pixel is called faulty only where noise, optics and the structure around it all
speak against its reading.
"""

from dataclasses import dataclass
from math import erf, log, sqrt
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import distance_transform_edt, label

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]
Flags = npt.NDArray[np.int8]
Indices = npt.NDArray[np.intp]

NONE, DEAD, OUTLIER, FLICKERING, SATURATED = range(5)
LEAST_PICTURES: Final = 8  # fewer do not tell a fault from a scene
REACH: Final = 2  # pixels around a fault that it is judged by
AROUND: Final = tuple(
    (down, right) for down in range(-REACH, REACH + 1) for right in range(-REACH, REACH + 1) if (down, right) != (0, 0)
)
INNER: Final = np.array([max(abs(down), abs(right)) == 1 for down, right in AROUND])
LEAST_AROUND: Final = 12  # of those 24 must be known
LEAST_SEEN: Final = 20  # likewise to tell flicker: at the rim of a moving picture things come and go
STRETCHES: Final = 8  # of the recording, over which departures are averaged
SHOWN: Final = 0.3  # of a spike, from which a picture shows it: what is around may be against it
LEAST_TIMES: Final = 8  # that a flickering pixel must change
OPTICAL_SHARE: Final = 0.02  # of its excess that any lens gives to the neighbours of a point, or of four at once
STRUCTURE_FACTOR: Final = 4.0  # a spike is so many times the largest departure around it
PEER_SHARE: Final = 0.3  # a neighbour that departs by so much of a spike may be part of one faulty cluster
PEERS: Final = 3  # neighbours at most that belong to a cluster of 2 x 2
CHANCE: Final = 1e-3  # of calling one sound pixel of the whole picture dead
MAD_TO_SIGMA: Final = 1.4826  # of a normal distribution
CHUNK: Final = 2048  # pixels judged together
CLIPPED_LEAST: Final = 10  # readings at the very end of the range, and
CLIPPED_PATCH: Final = 4  # of them together in one picture
CLIPPED_FACTOR: Final = 8.0  # times as many as one step of the range holds just before


@dataclass(frozen=True)
class FaultLimits:
    """From where a pixel is faulty.

    Attributes
    ----------
    least_spike : float
        Smallest departure from the neighbours [K].
    least_noise : float
        Smallest noise of a flickering pixel [K].
    pattern_factor : float
        Smallest departure, in standard deviations of how sound pixels differ from their neighbours.
    noise_factor : float
        The same, in those of the others.
    present : float
        Share of the pictures that must show a spike.
    """

    least_spike: float = 0.5
    least_noise: float = 0.2
    pattern_factor: float = 8.0
    noise_factor: float = 6.0
    present: float = 0.9


@dataclass(frozen=True, eq=False)
class Faults:
    """What a sample of pictures tells of the sensor.

    Attributes
    ----------
    flags : (rows, columns) array of int8
        NONE, DEAD, OUTLIER, FLICKERING or SATURATED; the first that holds.
    below, above : float
        Readings from here on are bounds, not values: the range ends there [degC]. NaN where it is not reached.
    noise : float
        Of a sound pixel [K]; 0 where the pictures show none, and nothing is told.
    """

    flags: Flags
    below: float = np.nan
    above: float = np.nan
    noise: float = 0.0


def find_faults(pictures: Array, *, limits: FaultLimits) -> Faults:
    """Return which pixels are faulty, and where the range of readings ends.

    * **Dead**: never changes while the noise around it is such that chance would leave it so in one picture of a
      thousand at most.
    * **Outlier**: departs from its surroundings alike in nearly all pictures, whatever moved or warmed, while pixels
      beside it do not: no lens makes that (see the module). A slope or an edge through the place does not count.
    * **Flickering**: noise far above that of all pixels, and of those near it.
    * **Saturated**: has read the end of the range, where readings pile up. These are bounds.

    Pixels without a reading in any picture are not judged. Without noise nothing is: such pictures are drawn, level,
    or smoothed.

    Parameters
    ----------
    pictures : (n, rows, columns) float32 array
        An even sample of a recording [degC]; NaN where masked.
    limits : FaultLimits
    """
    flags = np.zeros(pictures.shape[1:], dtype=np.int8)
    unread: Mask = np.asarray(np.isnan(pictures).any(axis=0))
    if len(pictures) < LEAST_PICTURES or unread.all() or min(flags.shape) <= REACH:
        return Faults(flags)
    filled = _filled(pictures, unread)
    stretches, flicker, changes = _activity(filled)
    noise = float(np.median(flicker[~unread]))
    if noise == 0:
        return Faults(flags)
    quantum = _quantum(filled[len(filled) // 2])
    constant = (changes == 0) & ~unread
    off = unread | _small_patches(constant)  # a stuck pixel may read anything
    below, above = (_range_end(filled, off, noise=noise, quantum=quantum, side=side) for side in (-1, 1))
    clipped = ((filled <= below) | (filled >= above)).any(axis=0) & ~off  # nothing is beyond NaN
    least = _noise_that_shows(quantum, pictures=len(filled), pixels=flags.size)
    flags[_dead(constant & ~clipped, flicker, unread | clipped, least=least)] = DEAD
    off = unread | (flags != NONE)
    flags[_flickering(filled, flicker, off, least=max(limits.least_noise, limits.noise_factor * noise))] = FLICKERING
    off = unread | (flags != NONE)
    flags[_outliers(filled, stretches, off, limits=limits)] = OUTLIER
    flags[clipped & (flags == NONE)] = SATURATED
    return Faults(flags, below, above, noise)


def _filled(pictures: Array, unread: Mask) -> Array:
    """Return the pictures with the nearest reading where there is none."""
    if not unread.any():
        return pictures
    nearest = distance_transform_edt(unread, return_distances=False, return_indices=True)
    return np.asarray(pictures[:, nearest[0], nearest[1]])


def _activity(pictures: Array) -> tuple[Array, Array, Indices]:
    """Return each pixel's mean departure from the median of its 3 x 3 by stretches, its noise, and its changes."""
    stretches = np.zeros((STRETCHES, *pictures.shape[1:]))
    place = _stretch_of(len(pictures))
    squares, changes = np.zeros(pictures.shape[1:]), np.zeros(pictures.shape[1:], dtype=np.intp)
    last: Array | None = None
    for number, picture in enumerate(pictures):
        departure = picture - cv2.medianBlur(np.ascontiguousarray(picture), 3)
        stretches[place[number]] += departure
        if last is not None:
            squares += np.square(departure - last)
            changes += picture != pictures[number - 1]
        last = departure
    stretches /= np.bincount(place)[:, None, None]
    return stretches, np.sqrt(squares / (2 * (len(pictures) - 1))), changes


def _stretch_of(count: int) -> Indices:
    """Return which stretch of the recording each picture belongs to."""
    return np.asarray(np.arange(count) * STRETCHES // count)


def _lasting(stretches: Array) -> Array:
    """Return the least of departures of one sign throughout, 0 of others: what warms was not there when cold."""
    low, high = stretches.min(axis=0), stretches.max(axis=0)
    return np.asarray(np.where(low > 0, low, np.where(high < 0, high, 0.0)))


def _quantum(picture: Array) -> float:
    """Return the least difference of two readings [K]; rounding of float32 does not count."""
    steps = np.diff(np.unique(picture))
    real = steps[steps > 4 * np.spacing(np.float32(np.abs(picture).max()))]
    return float(real.min()) if len(real) else np.inf


def _small_patches(marked: Mask) -> Mask:
    """Return marked places in patches smaller than those that clipping makes."""
    if not marked.any():
        return marked
    _, patches, statistics, _ = cv2.connectedComponentsWithStats(marked.astype(np.uint8), connectivity=8)
    return np.asarray(marked & (statistics[patches, cv2.CC_STAT_AREA] < CLIPPED_PATCH))


def _dead(constant: Mask, flicker: Array, off: Mask, *, least: float) -> Mask:
    """Which pixels never change though noise around them is such that it would show, and those that touch them."""
    places = np.argwhere(constant)
    if not len(places) or not np.isfinite(least):
        return np.zeros(off.shape, dtype=np.bool_)
    around = np.where(_around(constant | off, places, beyond=True), np.nan, _around(flicker, places, beyond=np.nan))
    known = np.sum(np.isfinite(around), axis=1) >= LEAST_AROUND
    noise = np.zeros(len(places))
    noise[known] = np.nanmedian(around[known], axis=1)
    sure = places[noise >= least]
    patches, count = label(constant, structure=np.ones((3, 3)))
    dead = np.zeros(count + 1, dtype=np.bool_)
    dead[patches[sure[:, 0], sure[:, 1]]] = True
    return np.asarray(dead[patches])


def _noise_that_shows(quantum: float, *, pictures: int, pixels: int) -> float:
    """Return the noise [K] at which no sound pixel of the picture is expected to keep one reading throughout.

    In the middle of a step of the range a pixel stays with the chance that its noise is less than half of it.
    """
    stays = np.exp(log(CHANCE / pixels) / (pictures - 1))
    low, high = 0.0, 1e3  # quanta
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if erf(0.5 / (max(middle, 1e-9) * sqrt(2))) > stays else (low, middle)
    return high * quantum


def _flickering(pictures: Array, flicker: Array, off: Mask, *, least: float) -> Mask:
    """Which pixels are noisier than all others, and than those around: but for the rest of a small cluster."""
    found = np.zeros(off.shape, dtype=np.bool_)
    for some in _chunks(np.argwhere((flicker > least) & ~off)):
        unknown = _around(off, some, beyond=True)
        usual = np.sort(np.where(unknown, 0.0, _around(flicker, some, beyond=0.0)), axis=1)[:, -1 - PEERS]
        own = flicker[some[:, 0], some[:, 1]]
        chosen = some[(own >= STRUCTURE_FACTOR * usual) & (np.sum(~unknown, axis=1) >= LEAST_SEEN)]
        chosen = chosen[_often(pictures, chosen, least=least)]
        found[chosen[:, 0], chosen[:, 1]] = True
    return found


def _often(pictures: Array, places: Indices, *, least: float) -> Mask:
    """Which pixels change beside their neighbours time and again, not when something passes or a leaf flutters."""
    departures = np.stack([_beside_neighbours(picture, places) for picture in pictures])
    large = np.abs(np.diff(departures, axis=0)) >= least / sqrt(2)
    return np.asarray(large.sum(axis=0) >= LEAST_TIMES)


def _beside_neighbours(picture: Array, places: Indices) -> Array:
    near = _around(picture, places, beyond=np.nan)[:, INNER]
    return np.asarray(picture[places[:, 0], places[:, 1]] - np.nanmedian(near, axis=1))


def _outliers(pictures: Array, stretches: Array, off: Mask, *, limits: FaultLimits) -> Mask:
    """Which pixels depart from all around them in nearly all pictures, as no lens makes a place do."""
    found = np.zeros(off.shape, dtype=np.bool_)
    if off.all():
        return found
    pattern = MAD_TO_SIGMA * float(np.median(np.abs(stretches.mean(axis=0)[~off])))
    rest = _lasting(stretches)
    least = max(limits.least_spike, limits.pattern_factor * pattern)
    size = np.abs(rest)
    usual = cv2.medianBlur(size.astype(np.float32), 3)
    suspects = (size >= 0.5 * least) & (size >= 2 * usual) & ~off
    for some in _chunks(_standing_out(np.argwhere(suspects), size)):
        own = rest[some[:, 0], some[:, 1]]
        peer = _around(suspects, some, beyond=False) & INNER  # farther ones would hide a thin line
        peer &= _around(size, some, beyond=0.0) >= PEER_SHARE * np.abs(own)[:, None]
        left_out = peer | _around(off, some, beyond=True)
        chosen = some[_are_spikes(pictures, some, left_out, pattern=pattern, least=least, present=limits.present)]
        found[chosen[:, 0], chosen[:, 1]] = True
    return found


def _standing_out(places: Indices, size: Array) -> Indices:
    """Return those that depart much more than what is around, but for a small cluster: a look that costs little."""
    kept = [places[:0]]
    for some in _chunks(places):
        usual = np.sort(_around(size, some, beyond=0.0), axis=1)[:, -1 - PEERS]
        kept.append(some[size[some[:, 0], some[:, 1]] >= STRUCTURE_FACTOR / 2 * usual])
    return np.concatenate(kept)


def _are_spikes(
    pictures: Array, places: Indices, left_out: Mask, *, pattern: float, least: float, present: float
) -> Mask:
    """Judge some pixels by what departs, in and around them, from a plane through what is around.

    Of the stretches of the recording that counts in which least is around: before the board warmed, if it was seen so.
    """
    counts = np.sum(~left_out, axis=1), np.sum(~left_out & INNER, axis=1), np.sum(~left_out & ~INNER, axis=1)
    judged = (counts[0] >= LEAST_AROUND) & (counts[1] > 0) & (counts[2] > 0)
    windows = np.stack([_around(picture, places, beyond=0.0, itself=True) for picture in pictures])
    departures = _beside_plane(windows.astype(np.float64), ~left_out)
    starts = np.flatnonzero(np.diff(_stretch_of(len(pictures)), prepend=-1))
    means = np.add.reduceat(departures, starts) / np.diff([*starts, len(pictures)])[:, None, None]
    loud = np.where(left_out, 0.0, np.abs(means[..., :-1])).max(axis=2)
    calm = means[np.argmin(loud, axis=0), np.arange(len(places))]
    size = calm[:, -1]
    shown = np.mean(departures[..., -1] * np.sign(size) >= SHOWN * np.abs(size), axis=0) >= present
    around = np.where(left_out, np.nan, calm[:, :-1] * np.sign(size)[:, None])
    around[~judged] = 0.0
    inner = np.nanmean(np.where(INNER | ~judged[:, None], around, np.nan), axis=1)
    outer = np.nanmedian(np.where(~INNER | ~judged[:, None], around, np.nan), axis=1)
    by_chance = 2 * pattern * np.sqrt(1 / np.maximum(counts[1], 1) + np.pi / 2 / np.maximum(counts[2], 1))
    size = np.abs(size)
    sharp = inner - outer <= OPTICAL_SHARE * size + by_chance
    apart = size >= STRUCTURE_FACTOR * np.nanmax(np.abs(around), axis=1)
    return np.asarray(judged & shown & sharp & apart & (size >= least))


def _beside_plane(windows: Array, fitted: Mask) -> Array:
    """Return windows (n, places, 24 around and itself last) less the plane through the ``fitted`` (places, 24)."""
    base = np.array([(1.0, *offset) for offset in (*AROUND, (0, 0))])
    weighted = np.pad(fitted, ((0, 0), (0, 1)))[..., None] * base  # the pixel itself does not count
    inverse = np.linalg.pinv(np.einsum("kij,il->kjl", weighted, base))
    planes = np.einsum("kjl,nkl->nkj", inverse, np.einsum("kij,nki->nkj", weighted, windows))
    return np.asarray(windows - planes @ base.T)


def _around(values: npt.NDArray[Any], places: Indices, *, beyond: object, itself: bool = False) -> npt.NDArray[Any]:
    """Return what lies around pixels, (places, 24), or (places, 25) with the pixel itself last."""
    shape = tuple(side + 2 * REACH for side in values.shape)
    padded = np.full(shape, beyond, dtype=values.dtype)
    padded[REACH:-REACH, REACH:-REACH] = values
    offsets = np.array((*AROUND, (0, 0)) if itself else AROUND) + REACH
    return np.asarray(padded[places[:, :1] + offsets[:, 0], places[:, 1:] + offsets[:, 1]])


def _chunks(places: Indices) -> list[Indices]:
    return [places[start : start + CHUNK] for start in range(0, len(places), CHUNK)]


def _range_end(pictures: Array, off: Mask, *, noise: float, quantum: float, side: int) -> float:
    """Return the reading at which the range ends above (``side`` 1) or below (-1); NaN where readings do not pile up.

    Noise of at least a step lets the number of readings fall off over several of them before the last.
    """
    if noise < quantum:
        return np.nan
    end = max(float((side * picture[~off]).max()) for picture in pictures) if not off.all() else np.nan
    step = max(quantum, 1e-3 * noise)
    reach = max(3 * noise, 3 * step)
    count, before, together = 0, 0, 0
    for picture in pictures:
        values = side * picture
        last = (values == np.float32(end)) & ~off
        count += int(np.count_nonzero(last))
        before += int(np.count_nonzero((values >= end - reach) & ~off & ~last))
        together = max(together, _largest_patch(last))
    clipped = count >= CLIPPED_LEAST and together >= CLIPPED_PATCH and count >= CLIPPED_FACTOR * before * step / reach
    return side * end if clipped else np.nan


def _largest_patch(marked: Mask) -> int:
    if not marked.any():
        return 0
    _, _, statistics, _ = cv2.connectedComponentsWithStats(marked.astype(np.uint8), connectivity=8)
    return int(statistics[1:, cv2.CC_STAT_AREA].max())
