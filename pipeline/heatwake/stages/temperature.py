"""From radiance on the board to temperature, rise over ambient, and how well both are known."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.budget import InputErrors
from heatwake.kernels.correction import View, temperatures_with_uncertainty
from heatwake.kernels.radiometry import Film, Lid, zero_offset
from heatwake.schema.variables import label
from heatwake.stages.stage import Stage
from heatwake.stages.uncertainty import (
    INPUTS,
    TemperatureSettings,
    Way,
    errors_at,
    gather_inputs,
    input_errors,
    reflected_temperature,
)

Array = npt.NDArray[Any]

BOARD_DIMS: Final = 3  # time, y, x


def measure_temperature(session: xr.Dataset, settings: TemperatureSettings) -> xr.Dataset:
    """Add ``temperature``, ``temperature_rise``, their uncertainties and ``valid`` (time, y, x), lazily.

    Each pixel that was seen cold is zeroed on it first: what it then read above a board at ambient is the camera's
    offset and the sensor's fixed pattern, additive in radiance, and is taken off every map. Then the reflected share is
    taken off and the rest inverted with the pixel's ``emissivity``, which is also added (y, x), with its uncertainty.
    What cannot be inverted is NaN and not ``valid``.
    """
    made = session.assign(_emissivity(session, settings))
    temperature, uncertainty, noise = _maps(made, settings)
    if "edge_uncertainty" in made:
        uncertainty = _with_edges(uncertainty, made)
    maps = {
        "temperature": temperature,
        "temperature_rise": temperature - made["ambient"].astype(np.float32),
        "temperature_uncertainty": uncertainty,
        "rise_noise": noise,
        "valid": temperature.notnull().astype(np.int8),
    }
    # attributes live on through arithmetic: the rise would still be an air temperature
    return label(made.assign({name: values.drop_attrs(deep=False) for name, values in maps.items()}))


def _with_edges(uncertainty: xr.DataArray, session: xr.Dataset) -> xr.DataArray:
    """Add what edges bring to readings off a colour scale, which a surface shows by emissivity and film."""
    passed = session["emissivity"] * session["transmittance"]
    edges = (session["edge_uncertainty"] / passed).astype(np.float32)
    whole: xr.DataArray = xr.apply_ufunc(np.hypot, uncertainty, edges, dask="allowed")
    return whole.transpose("time", "y", "x")


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


def _maps(session: xr.Dataset, settings: TemperatureSettings) -> list[xr.DataArray]:
    """Return temperature, its standard uncertainty and what noise has of it (time, y, x), float32; lazy.

    A pixel that was not seen cold is not zeroed.
    """
    seen_cold = session["cold_radiance"].notnull() & session["cold_ambient"].notnull()
    zero = _zero(session).where(seen_cold)
    inputs = gather_inputs(session, settings, emissivity=session["emissivity"], cold_ambient=session["cold_ambient"])
    made: tuple[xr.DataArray, ...] = xr.apply_ufunc(
        _correct,
        session["board_radiance"].transpose("time", "y", "x").astype(np.float32),
        zero.transpose("y", "x").astype(np.float32),
        *inputs.arrays(),
        kwargs={"way": Way.of(session), "errors": input_errors(session, settings)},
        output_core_dims=[[], [], []],
        dask="parallelized",
        output_dtypes=[np.float32] * 3,
    )
    return [values.transpose("time", "y", "x").drop_attrs(deep=False) for values in made]


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


def _correct(radiance: Array, zero: Array, *inputs: Array, way: Way, errors: InputErrors) -> tuple[Array, ...]:
    """Return what :func:`_maps` does of the radiance that leaves the surface; a picture at a time."""
    made = [np.empty(radiance.shape, dtype=np.float32) for _ in range(3)]
    for number in range(len(radiance) if radiance.size else 0):
        at = dict(zip(INPUTS, (_at(values, number) for values in inputs), strict=True))
        view = View(
            reflected=at["reflected"],
            film_temperature=at["film_temperature"],
            camera_side=at["ambient"],
            film_reflectance=way.film_reflectance,
            air_transmittance=way.air_transmittance,
            air_temperature=at["air_temperature"],
            mirrors_board=way.mirrors_board,
        )
        temperatures_with_uncertainty(
            radiance[number],
            table=way.table,
            view=view,
            errors=errors_at(at, errors),
            ambient=at["ambient"],
            emissivity=at["emissivity"],
            transmittance=at["transmittance"],
            zero=_at(zero, number),
            cold_ambient=at["cold_ambient"],
            cold_reflected=at["cold_reflected"],
            frames=at["frames"],
            cold_frames=at["cold_frames"],
            out=(made[0][number], made[1][number], made[2][number]),
        )
    return tuple(made)


def _at(values: Array, number: int) -> Any:
    """Return what an array of pictures, of numbers over time, or of neither has for one picture: a map or a number."""
    one = values[number if len(values) > 1 else 0] if values.ndim == BOARD_DIMS else values
    return float(one.item()) if one.size == 1 else one


STAGE: Final = Stage(
    name="temperature",
    settings=TemperatureSettings,
    apply=measure_temperature,
    needs=("board_radiance", "frames_used", "cold_radiance", "cold_ambient", "ambient", "transmittance"),
    makes=(
        *("emissivity", "emissivity_uncertainty"),
        *("temperature", "temperature_rise", "temperature_uncertainty", "rise_noise", "valid"),
    ),
    version=6,
)
