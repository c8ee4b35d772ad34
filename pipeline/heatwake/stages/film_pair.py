"""A film's transmittance and its map from two recordings of one hot scene, seconds apart: without the film and with."""

import logging
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import Field, NonNegativeFloat, PositiveFloat

from heatwake.errors import InputError
from heatwake.kernels.film_creep import UNKNOWN, Creep, film_creep, first_jump
from heatwake.kernels.frame_quality import is_repeat, thumbnail
from heatwake.kernels.frame_reduction import FrameReducer
from heatwake.kernels.pair_frames import steady_frames
from heatwake.kernels.transmittance import PairFit, move_picture, pair_transmittance, picture_shift, without_warming
from heatwake.kernels.transmittance_map import TransmittanceMap, map_transmittance
from heatwake.schema.settings import Settings
from heatwake.stages.band import band_table
from heatwake.stages.film_view import pair_view
from heatwake.stages.frame_blocks import mending_of

Array = npt.NDArray[Any]

logger = logging.getLogger(__name__)

NOISE_REFERENCE: Final = 30.0  # [degC] at which makers state the noise
SAME_VIEW_PX: Final = 0.05  # a smaller movement is not undone: it would only smooth
WHERE: Final = "session.toml: film.bare, film.covered"
CELLS: Final = 32  # of the coarse pictures, along the longer side
READ_FRAMES: Final = 8  # together, of a recording without chunks


# A film is midway between room and air, and the air takes up none to half of the rise of the board below it; a film
# therefore warms by none to a quarter of it (judgement), and a straight line takes that for transmittance.
WARMING_SHARE: Final = 0.125


class PairSettings(Settings):
    """How a pair of recordings is used."""

    pair_s: PositiveFloat = 5.0  # [s] of each recording, next to the moment the film was laid on
    creep_s: PositiveFloat = 30.0  # [s] of the covered recording that are watched for a film that warms
    least_step: PositiveFloat = 0.1  # [K] smallest step common to all pixels that ends what is averaged
    transmittance_floor: NonNegativeFloat = 0.002  # no pair of recordings gives less
    warming_share: float = Field(default=WARMING_SHARE, ge=0, lt=1)
    warming_uncertainty: NonNegativeFloat = 0.07  # 0.125/sqrt(3)
    reflectance_uncertainty: NonNegativeFloat = 0.02
    least_contrast_K: PositiveFloat = 5.0  # a pair of less contrast is refused
    largest_shift_px: PositiveFloat = 8.0  # a pair that moved farther is refused
    map_scale_px: PositiveFloat = 4.0  # standard deviation of the Gaussian that the map is smoothed with
    map_uncertainty: PositiveFloat = 0.01  # of a place's transmittance, beyond which it is not trusted


@dataclass(frozen=True)
class PairMeasurement:
    """What a pair of recordings tells of a film.

    Attributes
    ----------
    transmittance, uncertainty : float
        Of the whole film, without what it warms over hotter places.
    pixels : int
        Number of pixels that weighed.
    places : TransmittanceMap
        Transmittance place by place, in the picture of the bare recording.
    creep : Creep
        How much the film's own radiance rose [W m-2 sr-1].
    view : tuple of float
        What to add to (row, column) of the last frame to find it in that picture; NaN where it shows another view.
    frames : str
        Which frames were used.
    """

    transmittance: float
    uncertainty: float
    pixels: int
    places: TransmittanceMap
    creep: Creep
    view: tuple[float, float]
    frames: str


@dataclass(frozen=True)
class _Coarse:
    """Coarse pictures of the frames of one recording, from the moment the film was laid on."""

    numbers: npt.NDArray[np.intp]
    elapsed: Array
    pictures: Array
    repeats: npt.NDArray[np.bool_]


def measure_pair(session: xr.Dataset, settings: PairSettings, *, reflectance: float) -> PairMeasurement:
    """Return what ``bare_temperature`` and ``covered_temperature`` tell of the film.

    Of the covered recording the first seconds are averaged, before the parts react to the film, of the bare one the
    last before them; frames that repeat the one before or show something in the way are left out, and of the stretches
    between two shutter events the longest is taken. With the film's ``reflectance``, what a film adds that
    warms over hotter places is taken off the slope.

    Raises
    ------
    InputError
        A pair without a sound frame, without contrast or of two views.
    """
    interval = pair_interval(session)
    bare_frames, _ = _chosen(session, "bare", settings, interval=interval)
    covered_frames, watched = _chosen(session, "covered", settings, interval=interval)
    bare, covered = _mean_received(session, "bare", bare_frames), _mean_received(session, "covered", covered_frames)
    per_kelvin = float(band_table(session).slope(NOISE_REFERENCE))
    contrast = _contrast(bare, covered) / per_kelvin
    if not contrast >= settings.least_contrast_K:
        wanted = f"must be {settings.least_contrast_K:g} K or more: record a hotter scene, or give film.transmittance"
        raise InputError(WHERE, f"a pair with a contrast of {contrast:.1f} K", wanted)
    covered = _aligned(bare, covered, largest=settings.largest_shift_px)
    frames = min(len(bare_frames), len(covered_frames))
    noise = float(session["netd"]) * 1e-3 * per_kelvin / math.sqrt(frames)
    fit = pair_transmittance(bare, covered, noise=noise, floor=settings.transmittance_floor)
    if fit.pixels == 0:
        raise InputError(WHERE, "a pair with too few pixels in common", "must show one hot scene")
    tau, spread = _unwarmed(fit, settings, reflectance=reflectance)
    told = (_told("bare", bare_frames, session.sizes), _told("covered", covered_frames, session.sizes))
    return PairMeasurement(
        transmittance=tau,
        uncertainty=spread,
        pixels=fit.pixels,
        places=_places(bare, covered, fit, noise=noise, settings=settings, reflectance=reflectance),
        creep=_creep(session, watched, settings),
        view=pair_view(session, bare, largest=settings.largest_shift_px),
        frames=", ".join(told),
    )


def _unwarmed(fit: PairFit, settings: PairSettings, *, reflectance: float) -> tuple[float, float]:
    """Return the transmittance behind the line's slope, and its standard uncertainty."""
    share = settings.warming_share
    tau = float(without_warming(fit.transmittance, reflectance=reflectance, share=share))
    by_reflectance = share * settings.reflectance_uncertainty
    by_share = max(0.0, 1 - tau - reflectance) * settings.warming_uncertainty
    return tau, math.hypot(fit.uncertainty, by_reflectance, by_share) / (1 - share)


def _places(
    bare: Array, covered: Array, fit: PairFit, *, noise: float, settings: PairSettings, reflectance: float
) -> TransmittanceMap:
    """Return the transmittance place by place, likewise behind the local slope."""
    share = settings.warming_share
    level = _unwarmed(fit, settings, reflectance=reflectance)[1] * (1 - share)
    found = map_transmittance(
        bare, covered, fit, noise=noise, level=level, scale=settings.map_scale_px, trusted=settings.map_uncertainty
    )
    behind = without_warming(found.transmittance, reflectance=reflectance, share=share)
    return replace(found, transmittance=behind, uncertainty=found.uncertainty / (1 - share))


def pair_interval(session: xr.Dataset) -> float:
    """Return the time between two frames of the pair [s]: as given, else the shortest usual one of the session."""
    given = float(session["pair_interval"]) if "pair_interval" in session else np.nan
    if np.isfinite(given):
        return given
    intervals = np.diff(session["elapsed"].to_numpy())
    return float(np.quantile(intervals, 0.1)) if len(intervals) else 1.0


def _chosen(
    session: xr.Dataset, name: str, settings: PairSettings, *, interval: float
) -> tuple[npt.NDArray[np.intp], _Coarse]:
    """Return the numbers of the frames to average, and the coarse pictures of those that were looked at."""
    count = session.sizes[f"{name}_frame"]
    from_end = name == "bare"
    window = settings.pair_s if from_end else max(settings.pair_s, settings.creep_s)
    looked_at = _coarse(session, name, min(count, int(window / interval + 1e-6) + 1), interval, from_end=from_end)
    chosen = steady_frames(
        looked_at.pictures,
        looked_at.elapsed,
        repeats=looked_at.repeats,
        window=settings.pair_s,
        least_step=settings.least_step,
    )
    if not chosen.any():
        end = "last" if from_end else "first"
        raise InputError(f"session.toml: film.{name}", f"without a sound frame in its {end} seconds", "must show one")
    return np.sort(looked_at.numbers[chosen]), looked_at


def _coarse(session: xr.Dataset, name: str, count: int, interval: float, *, from_end: bool) -> _Coarse:
    whole = session.sizes[f"{name}_frame"]
    numbers = np.arange(whole - count, whole) if from_end else np.arange(count)
    pictures, repeats, last = [], np.zeros(count, dtype=np.bool_), None
    for place, frame in enumerate(_frames(session, name, numbers)):
        repeats[place] = last is not None and is_repeat(frame, last)
        last = frame if np.isfinite(frame).any() else None
        pictures.append(thumbnail(frame, longest=CELLS))
    elapsed = np.arange(count) * interval
    if from_end:
        return _Coarse(numbers[::-1], elapsed, np.stack(pictures[::-1]), repeats[::-1])
    return _Coarse(numbers, elapsed, np.stack(pictures), repeats)


def _frames(session: xr.Dataset, name: str, numbers: npt.NDArray[np.intp]) -> Iterator[Array]:
    """Yield frames of rising numbers, mended; a chunk of the recording is read once and only one is held."""
    mending = mending_of(session, as_levels=False)
    recording = session[f"{name}_temperature"]
    sizes = recording.chunks[0] if recording.chunks else (READ_FRAMES,) * -(-len(recording) // READ_FRAMES)
    edges = np.concatenate([[0], np.cumsum(sizes)])
    for start, stop in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        wanted = numbers[(numbers >= start) & (numbers < stop)]
        if len(wanted):
            block = recording[int(wanted[0]) : int(wanted[-1]) + 1]
            read = block.compute(scheduler="synchronous").to_numpy() if recording.chunks else block.to_numpy()
            chosen = read[wanted - wanted[0]]
            if mending is not None:
                chosen = mending.apply(chosen)
                chosen = np.where(np.isfinite(chosen), chosen, np.nan).astype(read.dtype)
            yield from chosen


def _mean_received(session: xr.Dataset, name: str, numbers: npt.NDArray[np.intp]) -> Array:
    """Return the mean radiance that reached the camera [W m-2 sr-1], the camera's settings undone."""
    table = band_table(session)
    reducer = FrameReducer(table)
    total = np.zeros((session.sizes["row"], session.sizes["column"]))
    for frame in _frames(session, name, numbers):
        reducer.add(frame, total)
    emissivity = float(session["emissivity_setting"])
    room = (1 - emissivity) * float(table.radiance(float(session["reflected_setting"])))
    return np.asarray(emissivity * total / len(numbers) + room)


def _contrast(bare: Array, covered: Array) -> float:
    seen = bare[np.isfinite(bare) & np.isfinite(covered)]
    return float(np.ptp(np.quantile(seen, [0.005, 0.995]))) if seen.size else np.nan


def _aligned(bare: Array, covered: Array, *, largest: float) -> Array:
    shift = picture_shift(bare, covered)
    if np.hypot(*shift) > largest:
        wanted = f"must show one view, within {largest:g} pixels"
        raise InputError(WHERE, f"a pair whose pictures lie {np.hypot(*shift):.1f} pixels apart", wanted)
    if max(map(abs, shift)) <= SAME_VIEW_PX:
        return covered
    logger.info("covered picture moved by %.2f rows, %.2f columns onto the bare one", *shift)
    return move_picture(covered, shift)


def _creep(session: xr.Dataset, watched: _Coarse, settings: PairSettings) -> Creep:
    """Return how the film's own radiance rose, up to the first shutter event."""
    sound = np.flatnonzero(~watched.repeats)
    levels = watched.pictures[sound].reshape(len(sound), -1)
    until = first_jump(levels, watched.elapsed[sound], least=settings.least_step)
    if until < 2:
        return UNKNOWN
    emissivity = float(session["emissivity_setting"])
    received = emissivity * band_table(session).radiance(levels[:until].astype(np.float64))
    return film_creep(received, watched.elapsed[sound[:until]])


def _told(name: str, numbers: npt.NDArray[np.intp], sizes: Any) -> str:
    span = f"{numbers[0]} to {numbers[-1]}" if len(numbers) > 1 else f"{numbers[0]}"
    return f"{name} frames {span} ({len(numbers)} of {sizes[f'{name}_frame']})"
