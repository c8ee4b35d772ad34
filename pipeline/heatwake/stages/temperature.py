"""From radiance on the board to temperature, rise over ambient, and how well both are known."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.correction import View, surface_temperatures
from heatwake.kernels.radiometry import Film, Lid, zero_offset
from heatwake.schema.variables import label
from heatwake.stages.stage import Stage
from heatwake.stages.uncertainty import (
    TemperatureSettings,
    Way,
    film_temperature,
    map_uncertainty,
    reflected_temperature,
)

Array = npt.NDArray[Any]


def measure_temperature(session: xr.Dataset, settings: TemperatureSettings) -> xr.Dataset:
    """Add ``temperature``, ``temperature_rise``, their uncertainties and ``valid`` (time, y, x), lazily.

    Each pixel that was seen cold is zeroed on it first: what it then read above a board at ambient is the camera's
    offset and the sensor's fixed pattern, additive in radiance, and is taken off every map. Then the reflected share is
    taken off and the rest inverted with the pixel's ``emissivity``, which is also added (y, x), with its uncertainty.
    What cannot be inverted is NaN and not ``valid``.
    """
    made = session.assign(_emissivity(session, settings))
    temperature = _temperature(made)
    uncertainty, noise = map_uncertainty(made, settings, temperature=temperature, emissivity=made["emissivity"])
    maps = {
        "temperature": temperature,
        "temperature_rise": temperature - made["ambient"].astype(np.float32),
        "temperature_uncertainty": uncertainty,
        "rise_noise": noise,
        "valid": temperature.notnull().astype(np.int8),
    }
    # attributes live on through arithmetic: the rise would still be an air temperature
    return label(made.assign({name: values.drop_attrs(deep=False) for name, values in maps.items()}))


def _emissivity(session: xr.Dataset, settings: TemperatureSettings) -> dict[str, xr.DataArray]:
    """Return emissivity and its uncertainty (y, x): each part's own where it has one, the smaller part on top."""
    x, y = session["x"], session["y"]
    own = float(session.get("surface_emissivity_uncertainty", xr.DataArray(np.nan)))
    common = own if np.isfinite(own) else settings.emissivity_uncertainty
    maps = [np.full((y.size, x.size), value, np.float32) for value in (float(session["surface_emissivity"]), common)]
    for window, emissivity, uncertainty in _parts_windows(session):
        maps[0][window] = emissivity
        maps[1][window] = uncertainty if np.isfinite(uncertainty) else settings.emissivity_uncertainty
    names = ("emissivity", "emissivity_uncertainty")
    coordinates = {"y": y, "x": x}
    return {n: xr.DataArray(m, dims=("y", "x"), coords=coordinates) for n, m in zip(names, maps, strict=True)}


def _parts_windows(session: xr.Dataset) -> list[tuple[Any, float, float]]:
    """Return the pixels, emissivity and its uncertainty of each part that has one, the largest first."""
    if "part" not in session.dims:
        return []
    x, y = session["x"].to_numpy(), session["y"].to_numpy()
    columns = [session[f"part_{name}"].to_numpy() for name in ("x", "y", "width", "height", "emissivity")]
    spread = session.get("part_emissivity_uncertainty", xr.full_like(session["part_emissivity"], np.nan)).to_numpy()
    found = []
    for number in np.argsort(-(columns[2] * columns[3]), kind="stable"):
        at_x, at_y, width, height, emissivity = (float(column[number]) for column in columns)
        if np.isfinite([at_x, at_y, width, height, emissivity]).all():
            window = np.ix_(np.abs(y - at_y) <= height / 2, np.abs(x - at_x) <= width / 2)
            found.append((window, emissivity, float(spread[number])))
    return found


def _temperature(session: xr.Dataset) -> xr.DataArray:
    ambient, emissivity = session["ambient"], session["emissivity"]
    transmittance = session["transmittance"]
    if "transmittance_map" in session and set(session["transmittance_map"].dims) == {"y", "x"}:
        transmittance = session["transmittance_map"].fillna(transmittance)
    inputs = (
        session["board_radiance"],
        _zero(session),
        emissivity,
        transmittance,
        reflected_temperature(session, ambient),
        film_temperature(session).broadcast_like(ambient),
    )
    temperature: xr.DataArray = xr.apply_ufunc(
        _invert,
        *(values.astype(np.float32) for values in inputs),
        kwargs={"way": Way.of(session)},
        dask="parallelized",
        output_dtypes=[np.float32],
    )
    return temperature.transpose("time", "y", "x")


def _zero(session: xr.Dataset) -> xr.DataArray:
    """Return what each pixel reads too high (y, x) [W m-2 sr-1]; 0 where it was not seen cold."""
    cold, cold_ambient, way = session["cold_radiance"], session["cold_ambient"], Way.of(session)
    lid = Lid(Film(float(session["transmittance"]), way.film_reflectance), cold_ambient.to_numpy())
    offset: xr.DataArray = xr.apply_ufunc(
        zero_offset,
        cold,
        kwargs={
            "table": way.table,
            "emissivity": session["emissivity"].transpose(*cold.dims).to_numpy(),
            "ambient": cold_ambient.to_numpy(),
            "reflected": reflected_temperature(session, cold_ambient).to_numpy(),
            "lid": lid if way.mirrors_board else None,
        },
        dask="parallelized",
        output_dtypes=[np.float64],
    )
    return offset


def _invert(radiance: Array, *inputs: Array, way: Way) -> Array:
    """Return surface temperatures of the radiance that leaves the surface; a picture at a time."""
    made = np.empty(radiance.shape, dtype=np.float32)
    along = [np.broadcast_to(one, radiance.shape) for one in inputs]
    for number in range(len(radiance) if radiance.size else 0):
        zero, emissivity, transmittance, reflected, film = (one[number] for one in along)
        room = float(reflected[0, 0])
        view = View(
            reflected=room,
            film_temperature=float(film[0, 0]),
            camera_side=room,  # of no account: what the film adds is off already
            film_reflectance=way.film_reflectance,
            mirrors_board=way.mirrors_board,
        )
        surface_temperatures(
            radiance[number],
            table=way.table,
            view=view,
            emissivity=emissivity,
            transmittance=transmittance,
            zero=zero,
            out=made[number],
        )
    return made


STAGE: Final = Stage(
    name="temperature",
    settings=TemperatureSettings,
    apply=measure_temperature,
    needs=("board_radiance", "frames_used", "cold_radiance", "cold_ambient", "ambient", "transmittance"),
    makes=(
        *("emissivity", "emissivity_uncertainty"),
        *("temperature", "temperature_rise", "temperature_uncertainty", "rise_noise", "valid"),
    ),
    version=3,
)
