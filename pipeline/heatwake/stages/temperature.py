"""From radiance on the board to temperature, rise over ambient, and how well both are known."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import NonNegativeFloat

from heatwake.kernels.budget import (
    OWN_TERMS,
    InputErrors,
    combine,
    rise_uncertainty_terms,
    temperature_uncertainty_terms,
)
from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import Film, surface_temperature, zero_offset
from heatwake.kernels.slicewise import slicewise
from heatwake.schema.settings import Settings
from heatwake.schema.variables import label
from heatwake.stages.band import band_table
from heatwake.stages.stage import Stage

Array = npt.NDArray[Any]


class TemperatureSettings(Settings):
    """Standard uncertainties of what a temperature is computed from."""

    emissivity_uncertainty: NonNegativeFloat = 0.02
    reflected_uncertainty_K: NonNegativeFloat = 3.0
    film_temperature_uncertainty_K: NonNegativeFloat = 3.0
    film_reflectance_uncertainty: NonNegativeFloat = 0.02
    ambient_uncertainty_K: NonNegativeFloat = 0.2  # of the sensor
    drift_uncertainty_K: NonNegativeFloat = 0.1  # of the camera since its shutter, of inlet air against the sensor


def measure_temperature(session: xr.Dataset, settings: TemperatureSettings) -> xr.Dataset:
    """Add ``temperature``, ``temperature_rise``, their uncertainties and ``valid`` (time, y, x), lazily.

    Each pixel that was seen cold is zeroed on it first: what it then read above a board at ambient is the camera's
    offset and the sensor's fixed pattern, additive in radiance, and is taken off every map. Then the reflected share is
    taken off and the rest inverted with the pixel's ``emissivity``, which is also added (y, x). What cannot be inverted
    is NaN and not ``valid``.
    """
    made = session.assign(emissivity=_emissivity(session))
    temperature = _temperature(made)
    uncertainty, _, noise = _apply_budget(
        made,
        settings,
        budget=temperature_uncertainty_terms,
        temperature=temperature,
        emissivity=made["emissivity"],
        cold_ambient=made["cold_ambient"].where(made["cold_radiance"].notnull()),
    )
    maps = {
        "temperature": temperature,
        "temperature_rise": temperature - made["ambient"].astype(np.float32),
        "temperature_uncertainty": uncertainty,
        "rise_noise": noise,
        "valid": temperature.notnull().astype(np.int8),
    }
    # attributes live on through arithmetic: the rise would still be an air temperature
    return label(made.assign({name: values.drop_attrs(deep=False) for name, values in maps.items()}))


def rise_uncertainty(
    session: xr.Dataset,
    *,
    temperature: xr.DataArray,
    emissivity: xr.DataArray,
    settings: TemperatureSettings,
    pixels: xr.DataArray | float = 1.0,
) -> tuple[xr.DataArray, xr.DataArray]:
    """Return the standard uncertainty of a rise over ambient: the whole, and the part that two runs do not share [K].

    Parameters
    ----------
    session : Dataset
        What :func:`measure_temperature` was given, of the times of ``temperature``.
    temperature : DataArray
        Surface temperatures [degC], for instance (region, time) or (y, x).
    emissivity : DataArray
        Their emissivity.
    settings : TemperatureSettings
        Uncertainties of the inputs.
    pixels : DataArray or float
        Number of pixels averaged: noise falls with its root.

    Returns
    -------
    tuple of DataArray
        With the dimensions of ``temperature``.
    """
    zeroed = session["cold_radiance"].notnull()
    whole = zeroed if set(zeroed.dims) <= set(temperature.dims) else zeroed.any()
    total, own, _ = _apply_budget(
        session,
        settings,
        budget=rise_uncertainty_terms,
        temperature=temperature,
        emissivity=emissivity,
        cold_ambient=session["cold_ambient"].where(whole),
        pixels=pixels,
    )
    return total, own


def _apply_budget(
    session: xr.Dataset,
    settings: TemperatureSettings,
    *,
    budget: Callable[..., dict[str, Array]],
    temperature: xr.DataArray,
    emissivity: xr.DataArray,
    cold_ambient: xr.DataArray,
    pixels: xr.DataArray | float = 1.0,
) -> tuple[xr.DataArray, ...]:
    """Return the whole standard uncertainty, that of a run's own terms and that of noise [K], float32."""
    ambient = session["ambient"]
    inputs = (
        ambient,
        emissivity,
        _reflected(session, ambient),
        _film_temperature(session),
        cold_ambient,
        session["frames_used"] * pixels,
        xr.DataArray(_cold_frames(session)) * pixels,
    )
    made: tuple[xr.DataArray, ...] = xr.apply_ufunc(
        _uncertainties,
        temperature,
        *(values.astype(np.float32) for values in inputs),
        kwargs={
            "budget": budget,
            "table": band_table(session),
            "film": _film(session),
            "errors": _errors(session, settings),
        },
        output_core_dims=[[], [], []],
        dask="parallelized",
        output_dtypes=[np.float32] * 3,
    )
    return tuple(values.transpose(*temperature.dims).drop_attrs(deep=False) for values in made)


def _uncertainties(
    *inputs: Array, budget: Callable[..., dict[str, Array]], table: BandTable, film: Film, errors: InputErrors
) -> tuple[Array, ...]:
    def add_up(*slices: Array) -> tuple[Array, ...]:
        temperature, ambient, emissivity, reflected, film_temperature, cold_ambient, frames, cold_frames = slices
        terms = budget(
            temperature,
            ambient,
            table=table,
            emissivity=emissivity,
            reflected=reflected,
            film=film,
            film_temperature=film_temperature,
            errors=errors,
            cold_ambient=cold_ambient,
            frames=frames,
            cold_frames=cold_frames,
        )
        made = (combine(terms), combine(terms, OWN_TERMS), terms["noise"])
        return tuple(np.broadcast_to(values, temperature.shape).astype(np.float32) for values in made)

    whole = np.broadcast_shapes(*(values.shape for values in inputs))
    return slicewise(add_up, np.broadcast_to(inputs[0], whole), *inputs[1:])


def _emissivity(session: xr.Dataset) -> xr.DataArray:
    """Return the emissivity (y, x): each part's own where it has one, the smaller part on top of the larger."""
    x, y = session["x"], session["y"]
    surface = np.full((y.size, x.size), float(session["surface_emissivity"]), dtype=np.float32)
    made = xr.DataArray(surface, dims=("y", "x"), coords={"y": y, "x": x})
    if "part" not in session.dims:
        return made
    parts = session[["part_x", "part_y", "part_width", "part_height", "part_emissivity"]]
    order = np.argsort(-(parts["part_width"] * parts["part_height"]).to_numpy(), kind="stable")
    for number in order:
        part = {name: float(values[number]) for name, values in parts.data_vars.items()}
        if np.isfinite(list(part.values())).all():
            inside_x = np.abs(x.to_numpy() - part["part_x"]) <= part["part_width"] / 2
            inside_y = np.abs(y.to_numpy() - part["part_y"]) <= part["part_height"] / 2
            surface[np.ix_(inside_y, inside_x)] = part["part_emissivity"]
    return made


def _temperature(session: xr.Dataset) -> xr.DataArray:
    cold_ambient = session["cold_ambient"]
    offset = xr.apply_ufunc(
        zero_offset,
        session["cold_radiance"],
        kwargs={
            "table": band_table(session),
            "emissivity": session["emissivity"].transpose(*session["cold_radiance"].dims).to_numpy(),
            "ambient": cold_ambient.to_numpy(),
            "reflected": _reflected(session, cold_ambient).to_numpy(),
        },
        dask="parallelized",
        output_dtypes=[np.float64],
    )
    temperature: xr.DataArray = xr.apply_ufunc(
        _invert,
        session["board_radiance"],
        offset.astype(np.float32),
        session["emissivity"],
        _reflected(session, session["ambient"]).astype(np.float32),
        kwargs={"table": band_table(session)},
        dask="parallelized",
        output_dtypes=[np.float32],
    )
    return temperature.transpose("time", "y", "x")


def _invert(radiance: Array, offset: Array, emissivity: Array, reflected: Array, *, table: BandTable) -> Array:
    def invert(one: Array, zero: Array, eps: Array, mirrored: Array) -> tuple[Array]:
        return (surface_temperature(one - zero, table=table, emissivity=eps, reflected=mirrored),)

    (temperature,) = slicewise(invert, radiance, offset, emissivity, reflected)
    return temperature.astype(np.float32, copy=False)


def _film(session: xr.Dataset) -> Film:
    return Film(float(session["transmittance"]), float(session["film_reflectance"]))


def _film_temperature(session: xr.Dataset) -> xr.DataArray:
    given = session["film_temperature_given"]
    return session["ambient"] if bool(given.isnull()) else xr.full_like(session["ambient"], float(given))


def _reflected(session: xr.Dataset, ambient: xr.DataArray) -> xr.DataArray:
    given = session["surface_reflected"]
    return ambient if bool(given.isnull()) else xr.full_like(ambient, float(given))


def _cold_frames(session: xr.Dataset) -> float:
    """Return how many frames the cold picture is the median of; infinite where that is not said."""
    return float(session["cold_radiance"].attrs.get("frames", np.inf))


def _errors(session: xr.Dataset, settings: TemperatureSettings) -> InputErrors:
    """Return the uncertainties of the inputs; an ambient that the camera itself read is as good as the camera."""
    accuracy = float(session["accuracy"])
    measured = "frame_ambient" not in session or bool(session["frame_ambient"].notnull().all())
    return InputErrors(
        transmittance=float(session["transmittance_uncertainty"]),
        film_reflectance=settings.film_reflectance_uncertainty if bool(session["film_present"]) else 0.0,
        emissivity=settings.emissivity_uncertainty,
        reflected=settings.reflected_uncertainty_K,
        film_temperature=settings.film_temperature_uncertainty_K,
        ambient=settings.ambient_uncertainty_K if measured else accuracy / np.sqrt(3),
        drift=settings.drift_uncertainty_K,
        accuracy=accuracy,
        accuracy_percent=float(session["accuracy_percent"]),
        netd=float(session["netd"]) * 1e-3,
    )


STAGE: Final = Stage(
    name="temperature",
    settings=TemperatureSettings,
    apply=measure_temperature,
    needs=("board_radiance", "frames_used", "cold_radiance", "cold_ambient", "ambient", "transmittance"),
    makes=("emissivity", "temperature", "temperature_rise", "temperature_uncertainty", "rise_noise", "valid"),
    version=1,
)
