"""The local drift of heat from a session's maps: over the warming-up as a whole, and in windows over time.

One recording's local drift holds where heat moves in the surface alone; a change of the conductivity looks the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import map_coordinates

from heatwake.kernels.local_drift import Form, LocalDrift, Reason, choose_form
from heatwake.kernels.transport import TransportField, disagreement, heating_transport, off_source_transport
from heatwake.stages.map_reader import maps_at

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Frames = npt.NDArray[np.intp]

_MOST_ACROSS = 160  # pixels: finer maps cost time and tell no more about a drift
_MOST_MAPS = 120
_FEWEST_MAPS = 16
_LEAST_SIZE = 40  # pixels: smaller maps have no inside left beside the test functions' reach
_USUALLY_SEEN = 0.5  # of the frames that show a pixel
_MOST_MISSING = 0.1
_DISAGREE = 0.25  # share of pixels where the two forms differ, beyond which the equation does not hold
_EXPLAINED = 0.99  # of the response, over the map: half the pixels
_HEATED = 0.08  # of the fastest early heating
_EARLY = 4.0  # [s] that tell sources from what heat has spread to
_AFTER = 1.0  # [s] after power-on from which maps are used: the moment is known to a map or so
_HALF = 15.0  # [s] half a test function, at most
_LEAST_HALF = 7.5  # maps of a subset, so that a sum over them is an integral
_EITHER_SIDE = 20.0  # [s] of a window's time that its drift is estimated from
_APART = 4  # pixels between the places of the local drift: half its window

_DIMS: Final = ("time", "local_y", "local_x")
_PLAIN: Final = {
    "local_flow_direction": "direction",
    "local_flow_direction_uncertainty": "direction_uncertainty",
    "local_peclet": "peclet",
    "local_agreement": "agreement",
}
_DRIFTS: Final = ("local_drift_x", "local_drift_y", "local_drift_xx", "local_drift_xy", "local_drift_yy")
_CODES: Final = {"local_form": Form.NONE, "local_reason": Reason.TOO_SHORT}
LOCAL_MADE: Final = (*_PLAIN, *_DRIFTS, *_CODES)


@dataclass(frozen=True)
class LocalEstimate:
    """Local drift on the session's map, ``(ny, nx)`` each.

    Attributes
    ----------
    direction, uncertainty : arrays
        [degree].
    speed : array
        Drift of heat [length/s].
    identifiable : array of bool
        Where the drift is significant.
    reason : int8 array
        Why there is none: a `Reason`.
    adequate : bool
        Whether the transport equation describes the recording.
    disagreement : float
        Share of pixels where the two forms of the estimate differ; NaN where they share none.
    """

    direction: Array
    uncertainty: Array
    speed: Array
    identifiable: Mask
    reason: npt.NDArray[np.int8]
    adequate: bool
    disagreement: float


@dataclass(frozen=True)
class _Movie:
    """Maps of some frames in blocks of pixels.

    Attributes
    ----------
    rise : (time, ny, nx) array
        [K].
    since : (time,) array
        Time since power-on [s].
    """

    rise: Array
    since: Array

    def part(self, chosen: Mask) -> "_Movie":
        """Return some of the maps."""
        return _Movie(self.rise[chosen], self.since[chosen])


def local_estimate(session: xr.Dataset, *, transient: float) -> LocalEstimate | None:
    """Return the local drift, or None where the recording does not show the warming-up at equal steps."""
    block = block_size(session)
    since = _since_power_on(session)
    frames = _even(np.flatnonzero((since > _AFTER) & (since <= transient)), since)
    if len(frames) < 2 * _FEWEST_MAPS or not _is_large(session, block):
        return None
    movie = _read(session, frames, block=block)
    if movie is None:
        return None
    found = _both_forms(movie, _heated(movie), spacing=block * _pixel(session))
    if found is None:
        return None
    drift = choose_form(*found, seen=np.asarray(np.isfinite(movie.rise).all(axis=0)))
    return _on_map(drift, disagreement(*found), session=session, block=block)


def local_windows(session: xr.Dataset, times: Sequence[float], *, final: float) -> xr.Dataset:
    """Return the local drift in windows over time, at places some pixels apart.

    Parameters
    ----------
    session : Dataset
    times : sequence of float
        Time since power-on that each window stands for [s]; NaN, inf or one beyond the recording less ``final`` is the
        final stretch.
    final : float
        Length of the final stretch [s].

    Returns
    -------
    Dataset
        ``local_*`` on (time, local_y, local_x), without coordinates of ``time``; NaN with a reason where there is none.
    """
    block = block_size(session)
    made = _nothing(session, len(times), block=block)
    since = _since_power_on(session)
    if not _is_large(session, block) or not np.isfinite(since).any():
        return made
    ends = [_window(time, last=float(since[-1]), final=final) for time in times]
    chosen = [_even(np.flatnonzero((since > start) & (since <= stop)), since) for start, stop in ends]
    first = np.flatnonzero((since > _AFTER) & (since <= _AFTER + _EARLY))
    early = _read(session, first, block=block) if len(first) else None
    for index, frames in enumerate(chosen):
        movie = _read(session, frames, block=block) if len(frames) >= _FEWEST_MAPS else None
        if movie is not None and early is not None:
            _enter(made, index, movie, _heated(early), spacing=block * _pixel(session))
    return made


def block_size(session: xr.Dataset) -> int:
    """Return how many pixels of the map, each way, are averaged for the local drift."""
    return max(1, int(np.ceil(max(session.sizes["x"], session.sizes["y"]) / _MOST_ACROSS)))


def _is_large(session: xr.Dataset, block: int) -> bool:
    return min(session.sizes["x"], session.sizes["y"]) // block >= _LEAST_SIZE


def _pixel(session: xr.Dataset) -> float:
    return abs(float(session["x"].values[1] - session["x"].values[0]))


def _since_power_on(session: xr.Dataset) -> Array:
    power_on = float(session["power_on"]) if "power_on" in session else float("nan")
    return np.asarray(session["elapsed"].values.astype(float) - power_on)


def _window(time: float, *, last: float, final: float) -> tuple[float, float]:
    """Return from when to when [s] maps stand for a time."""
    if not np.isfinite(time) or time > last - _EITHER_SIDE:
        return max(_AFTER, last - final), last
    return max(_AFTER, time - _EITHER_SIDE), max(time + _EITHER_SIDE, _AFTER + 2.0 * _HALF + 1.0)


def _even(frames: Frames, since: Array) -> Frames:
    """Return frames at equal steps, a bounded number; none where the steps differ."""
    frames = frames[:: max(1, int(np.ceil(len(frames) / _MOST_MAPS)))]
    steps = np.diff(since[frames])
    even = len(steps) > 0 and np.ptp(steps) < 0.2 * np.median(steps)
    return frames if even else np.zeros(0, dtype=np.intp)


def _read(session: xr.Dataset, frames: Frames, *, block: int) -> _Movie | None:
    """Read frames a few at a time and average blocks of pixels; None where too many are missing."""
    rows, columns = session.sizes["y"] // block, session.sizes["x"] // block
    movie = np.empty((len(frames), rows, columns))
    for k, values in enumerate(maps_at(session["temperature_rise"], frames)):
        cut = values[: rows * block, : columns * block].reshape(rows, block, columns, block)
        movie[k] = cut.mean(axis=(1, 3))
    filled = _fill_missing(movie)
    return None if filled is None else _Movie(filled, _since_power_on(session)[frames])


def _fill_missing(movie: Array) -> Array | None:
    """Interpolate frames that are missing, where they are few; one that lacks what most others show counts as well."""
    seen = np.isfinite(movie)
    gone = ~seen.any(axis=(1, 2)) | (~seen & (seen.mean(axis=0) > _USUALLY_SEEN)).any(axis=(1, 2))
    if gone.mean() > _MOST_MISSING:
        return None
    good = np.flatnonzero(~gone)
    for k in np.flatnonzero(gone):
        after = int(np.searchsorted(good, k))
        left, right = good[max(after - 1, 0)], good[min(after, len(good) - 1)]
        share = (k - left) / (right - left) if right != left else 0.0
        movie[k] = (1.0 - share) * movie[left] + share * movie[right]
    return movie


def _heated(movie: _Movie) -> Mask:
    """Pixels that warm up at once: the sources, before heat has spread."""
    early = np.nan_to_num(movie.rise[movie.since <= movie.since[0] + _EARLY].mean(axis=0))
    return np.asarray(early > _HEATED * early.max())


def _both_forms(movie: _Movie, sources: Mask, *, spacing: float) -> tuple[TransportField, TransportField] | None:
    """Return the drift by both forms, or None where the maps do not last for a test function."""
    step = float(np.median(np.diff(movie.since)))
    half = max(min(_HALF, 0.49 * float(np.ptp(movie.since))), _LEAST_HALF * step)
    try:
        heating = heating_transport(movie.rise, elapsed=movie.since, spacing=spacing, half_support=half)
        outside = off_source_transport(
            movie.rise, elapsed=movie.since, spacing=spacing, half_support=half, sources=sources
        )
    except ValueError:
        return None
    return heating, outside


def _is_adequate(drift: LocalDrift, apart: float) -> bool:
    """Whether the equation describes the maps: it explains them, and its two forms say the same."""
    explained = drift.determination[drift.identifiable]
    return bool(explained.size and np.median(explained) > _EXPLAINED and apart < _DISAGREE)


def _on_map(drift: LocalDrift, apart: float, *, session: xr.Dataset, block: int) -> LocalEstimate:
    """Put a field of binned pixels on the session's map."""
    rows = (np.arange(session.sizes["y"]) + 0.5) / block - 0.5
    columns = (np.arange(session.sizes["x"]) + 0.5) / block - 0.5
    place = np.meshgrid(rows, columns, indexing="ij")

    def spread(values: Array, order: int = 1) -> Array:
        return np.asarray(map_coordinates(np.nan_to_num(values), place, order=order, mode="nearest"))

    said = drift.identifiable
    share = np.maximum(spread(said.astype(float)), 1e-9)
    east, north = (spread(np.where(said, one, 0.0)) for one in drift.drift)
    return LocalEstimate(
        direction=np.degrees(np.arctan2(north, east)),
        uncertainty=spread(np.where(said, drift.direction_uncertainty, 0.0)) / share,
        speed=spread(np.where(said, drift.speed, 0.0)) / share,
        identifiable=spread(said.astype(float), 0) > 0.5,
        reason=spread(drift.reason.astype(float), 0).astype(np.int8),
        adequate=_is_adequate(drift, apart),
        disagreement=apart,
    )


def _nothing(session: xr.Dataset, windows: int, *, block: int) -> xr.Dataset:
    """Return what is made of each window, with nothing claimed."""
    places = {}
    for axis in ("y", "x"):
        size = session.sizes[axis] // block
        values = session[axis].values[: size * block].astype(float).reshape(size, block).mean(axis=1)
        places[axis] = values[_APART // 2 :: _APART]
    shape = (windows, len(places["y"]), len(places["x"]))
    made = xr.Dataset(coords={f"local_{axis}": values for axis, values in places.items()})
    for name in (*_PLAIN, *_DRIFTS):
        made[name] = (_DIMS, np.full(shape, np.nan, dtype=np.float32))
    for name, code in _CODES.items():
        made[name] = (_DIMS, np.full(shape, code, dtype=np.int8))
    return made


def _enter(made: xr.Dataset, index: int, movie: _Movie, sources: Mask, *, spacing: float) -> None:
    """Enter one window's drift."""
    found = _both_forms(movie, sources, spacing=spacing)
    if found is None:
        return
    drift = choose_form(*found, seen=np.asarray(np.isfinite(movie.rise).all(axis=0)))
    places = (slice(_APART // 2, None, _APART),) * 2
    for name, of_drift in _PLAIN.items():
        made[name][index] = getattr(drift, of_drift)[places]
    made["local_drift_x"][index], made["local_drift_y"][index] = drift.drift[(slice(None), *places)]
    for name, (a, b) in {"xx": (0, 0), "xy": (0, 1), "yy": (1, 1)}.items():
        made[f"local_drift_{name}"][index] = drift.covariance[a, b][places]
    apart = disagreement(*found)
    reason = np.where(drift.identifiable & (apart >= _DISAGREE), Reason.EQUATION, drift.reason)
    made["local_form"][index], made["local_reason"][index] = drift.form[places], reason[places]
