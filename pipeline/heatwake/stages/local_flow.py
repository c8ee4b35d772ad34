"""The local drift of heat during the warming-up, on the session's map."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import map_coordinates

from heatwake.kernels.transport import TransportField, disagreement, heating_transport, off_source_transport
from heatwake.stages.map_reader import maps_at

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_MOST_ACROSS = 160  # pixels: finer maps cost time and tell no more about a drift
_MOST_MAPS = 120
_FEWEST_MAPS = 32
_LEAST_SIZE = 40  # pixels: smaller maps have no inside left beside the test functions' reach
_USUALLY_SEEN = 0.5  # of the frames that show a pixel
_MOST_MISSING = 0.1
_DISAGREE = 0.25  # share of pixels where the two forms differ, beyond which the equation does not hold
_EXPLAINED = 0.99
_HEATED = 0.08  # of the fastest early heating


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
    adequate : bool
        Whether the transport equation describes the recording.
    disagreement : float
        Share of pixels where the two forms of the estimate differ; NaN where they share none.
    """

    direction: Array
    uncertainty: Array
    speed: Array
    identifiable: Mask
    adequate: bool
    disagreement: float


def local_estimate(session: xr.Dataset, *, transient: float) -> LocalEstimate | None:
    """Return the local drift, or None where the recording does not show the warming-up at equal steps."""
    frames = _warming_up(session, transient)
    block = int(np.ceil(max(session.sizes["x"], session.sizes["y"]) / _MOST_ACROSS))
    if len(frames) < _FEWEST_MAPS or min(session.sizes["x"], session.sizes["y"]) // block < _LEAST_SIZE:
        return None
    movie = _fill_missing(_binned(session, frames, block))
    if movie is None:
        return None
    elapsed = session["elapsed"].values[frames].astype(float)
    spacing = block * abs(float(session["x"].values[1] - session["x"].values[0]))
    half = min(15.0, 0.45 * float(np.ptp(elapsed)))
    try:
        heating = heating_transport(movie, elapsed=elapsed, spacing=spacing, half_support=half)
        outside = off_source_transport(
            movie, elapsed=elapsed, spacing=spacing, half_support=half, sources=_heated(movie, elapsed)
        )
    except ValueError:
        return None
    return _on_map(heating, disagreement(heating, outside), session=session, block=block)


def _warming_up(session: xr.Dataset, transient: float) -> npt.NDArray[np.intp]:
    """Frames after power-on at equal steps, a bounded number."""
    power_on = float(session["power_on"]) if "power_on" in session else float("nan")
    if not np.isfinite(power_on):
        return np.zeros(0, dtype=np.intp)
    since = session["elapsed"].values.astype(float) - power_on
    frames = np.flatnonzero((since > 1.0) & (since <= transient))
    frames = frames[:: max(1, int(np.ceil(len(frames) / _MOST_MAPS)))]
    steps = np.diff(since[frames])
    even = len(steps) > 0 and np.ptp(steps) < 0.2 * np.median(steps)
    return frames if even else np.zeros(0, dtype=np.intp)


def _binned(session: xr.Dataset, frames: npt.NDArray[np.intp], block: int) -> Array:
    """Read frames a few at a time and average blocks of pixels: ``(time, ny, nx)``, bounded in size."""
    rows, columns = session.sizes["y"] // block, session.sizes["x"] // block
    movie = np.empty((len(frames), rows, columns))
    for k, values in enumerate(maps_at(session["temperature_rise"], frames)):
        cut = values[: rows * block, : columns * block].reshape(rows, block, columns, block)
        movie[k] = cut.mean(axis=(1, 3))
    return movie


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


def _heated(movie: Array, elapsed: Array) -> Mask:
    """Pixels that warm up at once: the sources, before heat has spread."""
    early = np.nan_to_num(movie[elapsed <= elapsed[0] + 4.0].mean(axis=0) - 0.0)
    return np.asarray(early > _HEATED * early.max())


def _on_map(field: TransportField, apart: float, *, session: xr.Dataset, block: int) -> LocalEstimate:
    """Put a field of binned pixels on the session's map."""
    rows = (np.arange(session.sizes["y"]) + 0.5) / block - 0.5
    columns = (np.arange(session.sizes["x"]) + 0.5) / block - 0.5
    place = np.meshgrid(rows, columns, indexing="ij")

    def spread(values: Array, order: int = 1) -> Array:
        return np.asarray(map_coordinates(np.nan_to_num(values), place, order=order, mode="nearest"))

    identifiable = spread(field.identifiable.astype(float), 0) > 0.5
    size = np.hypot(*field.drift)
    east, north = spread(field.drift[0]), spread(field.drift[1])
    explained = field.determination[field.identifiable]
    adequate = bool(explained.size and np.median(explained) > _EXPLAINED and apart < _DISAGREE)
    return LocalEstimate(
        direction=np.degrees(np.arctan2(north, east)),
        uncertainty=spread(np.where(field.identifiable, field.direction_uncertainty, 90.0)),
        speed=spread(size * field.diffusivity),
        identifiable=identifiable,
        adequate=adequate,
        disagreement=apart,
    )
