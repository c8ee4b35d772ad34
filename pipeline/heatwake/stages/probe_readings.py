"""What camera and thermocouples read at the same places and times."""

from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import dask.array as da
import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import NonNegativeFloat, PositiveFloat

from heatwake.errors import InputError
from heatwake.kernels.probe_clock import readings_at
from heatwake.kernels.probe_window import level_and_slopes
from heatwake.schema.settings import Settings
from heatwake.stages.film_pair import WARMING_SHARE
from heatwake.stages.temperature import measure_temperature
from heatwake.stages.uncertainty import TemperatureSettings

Array = npt.NDArray[Any]

LEAST_REACH_PX: Final = 1.5  # 3 x 3 pixels: fewer tell no slope
FRAME_DIMS: Final = ("row", "column", "y", "x")


class ThermocoupleSettings(Settings):
    """How camera and thermocouples are compared, and what is solved for by them."""

    solve: Literal["none", "transmittance", "offset", "both"] = "none"
    size_mm: PositiveFloat = 3.0  # of the bead with its tape: the camera's reading is a mean over it
    placement_uncertainty_mm: NonNegativeFloat = 0.5  # of the bead's place, along any direction
    final_s: PositiveFloat = 30.0  # [s] the end of the recording
    largest_clock_offset_s: PositiveFloat = 300.0
    clock_uncertainty_s: PositiveFloat = 1.0  # an offset less well known is not used
    unset_clock_s: NonNegativeFloat = 10.0  # standard uncertainty of clocks whose offset cannot be told (judgement)
    least_change_K: PositiveFloat = 3.0  # of a reading, for the clocks to be told apart
    least_range_K: PositiveFloat = 10.0  # of the readings, to solve for a transmittance
    warming_share: NonNegativeFloat = WARMING_SHARE  # of the rise below it, by which the film itself may warm
    uncertainty: TemperatureSettings = TemperatureSettings()  # set by the workflow's [temperature] table


@dataclass(frozen=True, eq=False)
class Place:
    """The pixels round one thermocouple.

    Attributes
    ----------
    rows, columns : slice
        Of the map.
    inside : (pixel,) array
        Which of them lie within reach.
    right, up : (pixel,) array
        Where those lie from the thermocouple [mm].
    """

    rows: slice
    columns: slice
    inside: npt.NDArray[np.bool_]
    right: Array
    up: Array

    def pixels(self, maps: Array) -> Array:
        """Return the pixels within reach, of maps (..., y, x)."""
        window = maps[..., self.rows, self.columns]
        return np.asarray(window.reshape(*window.shape[:-2], -1)[..., self.inside])


@dataclass(frozen=True, eq=False)
class Seen:
    """What the camera's maps have at the thermocouples' places.

    Attributes
    ----------
    radiance : (probe, time) array
        That leaves the surface [W m-2 sr-1].
    slope : (probe, time) array
        Its steepest slope over the board [W m-2 sr-1 mm-1].
    cold : (probe,) array
        Radiance of the cold board; NaN where it was not seen [W m-2 sr-1].
    """

    radiance: Array
    slope: Array
    cold: Array


def find_places(session: xr.Dataset, *, size: float) -> list[Place]:
    """Return the pixels round each thermocouple, within half of ``size`` [mm] but at least 3 x 3.

    Raises
    ------
    InputError
        A thermocouple lies beside the map.
    """
    x, y = session["x"].to_numpy(), session["y"].to_numpy()
    step = max(abs(x[1] - x[0]) if len(x) > 1 else 1.0, abs(y[1] - y[0]) if len(y) > 1 else 1.0)
    reach = max(size / 2, LEAST_REACH_PX * step)
    places = []
    for number, name in enumerate(session["probe"].to_numpy()):
        at_x, at_y = float(session["probe_x"][number]), float(session["probe_y"][number])
        if not (x[0] - step / 2 <= at_x <= x[-1] + step / 2 and y[-1] - step / 2 <= at_y <= y[0] + step / 2):
            wanted = f"must lie on the map, {x[0]:.4g} to {x[-1]:.4g}, {y[-1]:.4g} to {y[0]:.4g}"
            raise InputError(f"session.toml: thermocouples: {name}: x_mm, y_mm", f"{at_x:g}, {at_y:g}", wanted)
        rows, columns = _near(-y, -at_y, reach), _near(x, at_x, reach)
        up, right = np.meshgrid(y[rows] - at_y, x[columns] - at_x, indexing="ij")
        inside = (np.maximum(abs(right), abs(up)) <= reach).ravel()
        places.append(Place(rows, columns, inside, right.ravel()[inside], up.ravel()[inside]))
    return places


def _near(positions: Array, centre: float, reach: float) -> slice:
    first = int(np.searchsorted(positions, centre - reach, side="left"))
    return slice(first, max(int(np.searchsorted(positions, centre + reach, side="right")), first + 1))


def read_places(session: xr.Dataset, places: list[Place]) -> Seen:
    """Return what the maps have there; they are gone through once, a block of them in memory."""
    cold = session["cold_radiance"].transpose("y", "x").to_numpy()
    windows = [place.pixels(cold).astype(np.float64) for place in places]
    middle = [float(np.median(one[np.isfinite(one)])) if np.isfinite(one).any() else np.nan for one in windows]
    # each pixel's own share of the sensor's pattern, which the cold board shows, would scatter the window's readings
    pattern = [np.nan_to_num(one - level) for one, level in zip(windows, middle, strict=True)]
    maps = session["board_radiance"].transpose("time", "y", "x").data
    if isinstance(maps, da.Array):
        found = da.map_blocks(
            _gather,
            maps,
            places=places,
            pattern=pattern,
            dtype=np.float64,
            chunks=(maps.chunks[0], (len(places),), (2,)),
            meta=np.empty((0, 0, 0)),
        ).compute()
    else:
        found = _gather(maps, places=places, pattern=pattern)
    return Seen(found[:, :, 0].T, found[:, :, 1].T, np.array(middle))


def _gather(maps: Array, *, places: list[Place], pattern: list[Array]) -> Array:
    """Return level and steepest slope at each place (time, probe, 2)."""
    found = np.empty((len(maps), len(places), 2))
    for number, (place, own) in enumerate(zip(places, pattern, strict=True)):
        level, right, up = level_and_slopes(place.pixels(maps) - own, right=place.right, up=place.up)
        found[:, number, 0], found[:, number, 1] = level, np.hypot(right, up)
    return found


@dataclass(frozen=True, eq=False)
class CameraReading:
    """Temperatures at the places, as the temperature stage makes them; emissivity is that of the place's pixel.

    Attributes
    ----------
    temperature, uncertainty : (probe, time) array
        [degC] and [K]
    emissivity, emissivity_uncertainty : (probe,) array
    """

    temperature: Array
    uncertainty: Array
    emissivity: Array
    emissivity_uncertainty: Array


def camera_reading(session: xr.Dataset, seen: Seen, settings: TemperatureSettings) -> CameraReading:
    """Return the camera's temperatures at the places: each place is a pixel of a small board on which all are seen."""
    count, times = seen.radiance.shape
    small = session.drop_dims([dim for dim in FRAME_DIMS if dim in session.dims])
    board = np.full((times, count, count), np.nan, dtype=np.float32)
    cold = np.full((count, count), np.nan, dtype=np.float32)
    own = np.arange(count)
    board[:, own, own], cold[own, own] = seen.radiance.T, seen.cold
    small = small.assign_coords(y=("y", session["probe_y"].to_numpy()), x=("x", session["probe_x"].to_numpy()))
    small["board_radiance"] = (("time", "y", "x"), board)
    small["cold_radiance"] = (("y", "x"), cold, dict(session["cold_radiance"].attrs))
    made = measure_temperature(small, settings)

    def of_places(name: str) -> Array:
        values = np.asarray(made[name].to_numpy(), dtype=np.float64)
        return np.asarray(values[..., own, own].T)

    return CameraReading(
        of_places("temperature"),
        of_places("temperature_uncertainty"),
        of_places("emissivity"),
        of_places("emissivity_uncertainty"),
    )


def averaged_over(session: xr.Dataset) -> Array:
    """Return the stretch (time) [s] that each map is the mean over: of n readings a step, that of as much variance."""
    elapsed = session["elapsed"].to_numpy()
    step = float(np.median(np.diff(elapsed))) if len(elapsed) > 1 else 0.0
    frames = np.maximum(session["frames_used"].to_numpy(), 1)
    return np.asarray(step * np.sqrt(1 - 1.0 / frames.astype(np.float64) ** 2))


def probe_reading(session: xr.Dataset, *, clock_offset: float) -> Array:
    """Return the thermocouples' temperatures (probe, time) [degC] at the maps' times, when the log's clock is set."""
    at, width = session["elapsed"].to_numpy() - clock_offset, averaged_over(session)
    log_elapsed, log = session["probe_elapsed"].to_numpy(), session["probe_log"].transpose("probe", "probe_time")
    return np.array([readings_at(log_elapsed, one, at=at, width=width) for one in log.to_numpy()])


def rate_of_change(readings: Array, elapsed: Array) -> Array:
    """Return how fast readings (probe, time) change [K/s]; 0 where that cannot be told."""
    if len(elapsed) < 2:
        return np.zeros_like(readings)
    return np.asarray(np.nan_to_num(np.gradient(readings, elapsed, axis=1)))


def rescaled(seen: Seen, *, gain: float, shift: Array, cold_shift: float) -> Seen:
    """Return what is seen after ``gain * radiance + shift`` (time) on all maps, and its like on the cold one."""
    return replace(
        seen,
        radiance=gain * seen.radiance + shift,
        slope=gain * seen.slope,
        cold=gain * seen.cold + cold_shift,
    )
