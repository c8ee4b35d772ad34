"""A recording at reduced size, for pages on which a person may look around in it."""

import base64
import zlib
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.stages.map_reader import maps_at

CELLS: Final = 16_000  # of a map, for all sessions of a page together
TIMES: Final = 60
STEP: Final = 0.01  # [K] of a stored whole number
MISSING: Final = -32768
_LARGEST: Final = 32767


@dataclass(frozen=True)
class RecordingSample:
    """Some pixels of some maps of one session: each value is one of ``rise.nc``, none is a mean.

    Attributes
    ----------
    name : str
    x, y : (columns,) and (rows,) arrays
        Places of the pixels taken; ``y`` decreases.
    clock : (times,) array
        Seconds, on the clock that the page shows.
    ambient : (times,) array
        [degC]
    rise : (times, rows, columns) array of int16
        Rise over ambient in hundredths of a kelvin; ``MISSING`` where nothing was seen.
    uncertainty : array or None
        Standard uncertainty of the temperature, likewise.
    every : int
        Of so many pixels in a row and in a column one was taken.
    """

    name: str
    x: npt.NDArray[np.float64]
    y: npt.NDArray[np.float64]
    clock: npt.NDArray[np.float64]
    ambient: npt.NDArray[np.float64]
    rise: npt.NDArray[np.int16]
    uncertainty: npt.NDArray[np.int16] | None
    every: int


def sample_recording(
    results: xr.Dataset, *, name: str, cells: int = CELLS, times: int = TIMES, zero: float = 0.0
) -> RecordingSample:
    """Return a recording at reduced size: no more than ``cells`` pixels of ``times`` maps, a few read at a time.

    Parameters
    ----------
    results : Dataset
        With maps over time; may be lazy.
    name : str
    cells, times : int
    zero : float
        Elapsed time [s] that the page's clock counts from.
    """
    rows, columns = results.sizes["y"], results.sizes["x"]
    every = max(1, int(np.ceil(np.sqrt(rows * columns / cells))))
    down, across = (np.arange(min(every // 2, size - 1), size, every) for size in (rows, columns))
    steps = np.unique(np.round(np.linspace(0, results.sizes["time"] - 1, times)).astype(int))
    place = np.ix_(down, across)
    known = "temperature_uncertainty" in results
    ambient = (
        results["ambient"].to_numpy().astype(float)[steps] if "ambient" in results else np.full(len(steps), np.nan)
    )
    return RecordingSample(
        name=name,
        x=results["x"].to_numpy().astype(float)[across],
        y=results["y"].to_numpy().astype(float)[down],
        clock=results["elapsed"].to_numpy().astype(float)[steps] - zero,
        ambient=ambient,
        rise=_hundredths(results["temperature_rise"], steps, place),
        uncertainty=_hundredths(results["temperature_uncertainty"], steps, place) if known else None,
        every=every,
    )


def packed(values: npt.NDArray[np.int16]) -> str:
    """Return whole numbers (time, ...) as base64 of deflated changes from map to map, low bytes first, then high ones.

    Neighbours in time differ little: so packed they take a fraction of their bytes.
    """
    changes = np.diff(values, axis=0, prepend=np.zeros_like(values[:1]))
    halves = np.frombuffer(changes.astype("<i2").tobytes(), np.uint8).reshape(-1, 2).T
    return base64.b64encode(zlib.compress(halves.tobytes(), 6)).decode()


def _hundredths(maps: xr.DataArray, steps: npt.NDArray[np.int_], place: tuple[Any, ...]) -> npt.NDArray[np.int16]:
    taken = np.stack([picture[place] for picture in maps_at(maps, steps)])
    seen = np.isfinite(taken)
    whole = np.clip(np.round(np.where(seen, taken, 0.0) / STEP), -_LARGEST, _LARGEST)
    return np.where(seen, whole, MISSING).astype(np.int16)
