"""How well temperatures and rises are known: the session's inputs and their uncertainties, put through the budget."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import NonNegativeFloat

from heatwake.kernels.budget import (
    OWN_TERMS,
    InputErrors,
    Line,
    combine,
    contributions,
    rise_budget,
    temperature_budget,
)
from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import Film
from heatwake.kernels.slicewise import slicewise
from heatwake.schema.settings import Settings
from heatwake.stages.band import band_table
from heatwake.stages.film import air_temperature, air_transmittance

Array = npt.NDArray[Any]
Budget = Mapping[str, Line]


class TemperatureSettings(Settings):
    """Standard uncertainties of what a temperature is computed from."""

    emissivity_uncertainty: NonNegativeFloat = 0.02  # where nothing says its own
    reflected_uncertainty_K: NonNegativeFloat = 3.0
    film_temperature_uncertainty_K: NonNegativeFloat = 3.0  # of one that is not estimated with its own
    film_reflectance_uncertainty: NonNegativeFloat = 0.02
    air_transmittance_uncertainty: NonNegativeFloat = 0.0  # 0.003 is apt for a metre and more (our own choice)
    ambient_uncertainty_K: NonNegativeFloat = 0.2  # of the sensor
    drift_uncertainty_K: NonNegativeFloat = 0.1  # of the camera since its shutter, of inlet air against the sensor


@dataclass(frozen=True, eq=False)
class Inputs:
    """What a budget is computed from, as arrays that broadcast, in the order in which they are handed on.

    Attributes
    ----------
    ambient, reflected, film_temperature, cold_ambient, cold_reflected, air_temperature : DataArray
        [degC]; ``cold_ambient`` NaN where the recording was not zeroed, ``cold_reflected`` where that was ambient.
    emissivity, emissivity_uncertainty, transmittance, transmittance_uncertainty : DataArray
        [1]
    film_temperature_uncertainty, spot_bias, offset_steps : DataArray
        [K]; the last of the camera's steps since the cold stretch.
    frames, cold_frames : DataArray
        Averaged, each times the pixels averaged.
    """

    ambient: xr.DataArray
    emissivity: xr.DataArray
    reflected: xr.DataArray
    film_temperature: xr.DataArray
    cold_ambient: xr.DataArray
    cold_reflected: xr.DataArray
    frames: xr.DataArray
    cold_frames: xr.DataArray
    emissivity_uncertainty: xr.DataArray
    transmittance: xr.DataArray
    transmittance_uncertainty: xr.DataArray
    film_temperature_uncertainty: xr.DataArray
    spot_bias: xr.DataArray
    air_temperature: xr.DataArray
    offset_steps: xr.DataArray

    def arrays(self) -> tuple[xr.DataArray, ...]:
        """Return them in order, float32."""
        return tuple(getattr(self, name).astype(np.float32) for name in INPUTS)


INPUTS: Final = tuple(Inputs.__dataclass_fields__)


def gather_inputs(
    session: xr.Dataset,
    settings: TemperatureSettings,
    *,
    emissivity: xr.DataArray,
    cold_ambient: xr.DataArray,
    emissivity_uncertainty: xr.DataArray | None = None,
    pixels: xr.DataArray | float = 1.0,
    spot_bias: xr.DataArray | float = 0.0,
) -> Inputs:
    """Return a budget's inputs: what the session has, the settings where it has none.

    Parameters
    ----------
    session : Dataset
        What the temperature stage was given.
    settings : TemperatureSettings
    emissivity, emissivity_uncertainty : DataArray
        Of the surfaces in question; the uncertainty by default that of the map where it fits, else the setting.
    cold_ambient : DataArray
        [degC]; NaN where not zeroed.
    pixels : DataArray or float
        Number of pixels averaged.
    spot_bias : DataArray or float
        [K]
    """
    ambient = session["ambient"]
    own = settings.film_temperature_uncertainty_K
    film_uncertainty = session.get("film_temperature_uncertainty", xr.DataArray(own)).fillna(own)
    return Inputs(
        ambient=ambient,
        emissivity=emissivity,
        reflected=reflected_temperature(session, ambient),
        film_temperature=film_temperature(session),
        cold_ambient=cold_ambient,
        cold_reflected=session["surface_reflected"],
        frames=session["frames_used"] * pixels,
        cold_frames=xr.DataArray(_cold_frames(session)) * pixels,
        emissivity_uncertainty=_emissivity_uncertainty(session, emissivity, emissivity_uncertainty, settings),
        transmittance=session["transmittance"],
        transmittance_uncertainty=session["transmittance_uncertainty"],
        film_temperature_uncertainty=film_uncertainty,
        spot_bias=xr.DataArray(spot_bias),
        air_temperature=air_temperature(session, ambient),
        offset_steps=_steps(session),
    )


def rise_uncertainty(
    session: xr.Dataset,
    *,
    temperature: xr.DataArray,
    emissivity: xr.DataArray,
    settings: TemperatureSettings,
    pixels: xr.DataArray | float = 1.0,
    emissivity_uncertainty: xr.DataArray | None = None,
    spot_bias: xr.DataArray | float = 0.0,
) -> tuple[xr.DataArray, xr.DataArray]:
    """Return the standard uncertainty of a rise over ambient: the whole, and the part that two runs do not share [K].

    Parameters
    ----------
    session : Dataset
        What the temperature stage was given, of the times of ``temperature``.
    temperature : DataArray
        Surface temperatures [degC], for instance (region, time) or (y, x).
    emissivity, emissivity_uncertainty : DataArray
        Their emissivity, and how well it is known; the latter by default as the session or the settings have it.
    settings : TemperatureSettings
        Uncertainties of the inputs.
    pixels : DataArray or float
        Number of pixels averaged: noise falls with its root.
    spot_bias : DataArray or float
        What they are expected to read too low for being of small parts [K].

    Returns
    -------
    tuple of DataArray
        With the dimensions of ``temperature``.
    """
    inputs = gather_inputs(
        session,
        settings,
        emissivity=emissivity,
        cold_ambient=zero_of(session, temperature),
        emissivity_uncertainty=emissivity_uncertainty,
        pixels=pixels,
        spot_bias=spot_bias,
    )
    total, own = _add_up(session, settings, temperature=temperature, inputs=inputs)
    return total, own


def zero_of(session: xr.Dataset, temperature: xr.DataArray) -> xr.DataArray:
    """Return the ambient on which temperatures were zeroed [degC], NaN where they were not.

    Of what are no maps one pixel that was seen cold speaks for all.
    """
    zeroed = session["cold_radiance"].notnull()
    whole = zeroed if set(zeroed.dims) <= set(temperature.dims) else zeroed.any()
    return session["cold_ambient"].where(whole)


def _drift(session: xr.Dataset, settings: TemperatureSettings) -> float:
    """Return the uncertainty of what no two readings share and no averaging lessens [K].

    Steps of a colour scale are that as well: a smooth surface stays on one side of a step for long, when it is warm and
    when it is cold and zeroed; where nobody looked yet, it will be.
    """
    scale = float(session["scale_uncertainty"]) if "scale_uncertainty" in session else 0.0
    zeroed = "cold_radiance" not in session or bool(session["cold_radiance"].notnull().any())
    return float(np.hypot(settings.drift_uncertainty_K, np.sqrt(2) * scale if zeroed else scale))


def input_errors(session: xr.Dataset, settings: TemperatureSettings) -> InputErrors:
    """Return the uncertainties of inputs that are one number each; those of maps and regions stand in the inputs.

    An ambient that the camera itself read is as good as the camera.
    """
    accuracy = float(session["accuracy"])
    measured = "frame_ambient" not in session or bool(session["frame_ambient"].notnull().all())
    return InputErrors(
        film_reflectance=settings.film_reflectance_uncertainty if bool(session["film_present"]) else 0.0,
        reflected=settings.reflected_uncertainty_K,
        ambient=settings.ambient_uncertainty_K if measured else accuracy / np.sqrt(3),
        drift=_drift(session, settings),
        accuracy=accuracy,
        accuracy_percent=float(session["accuracy_percent"]),
        netd=float(session["netd"]) * 1e-3,
        air_transmittance=settings.air_transmittance_uncertainty,
    )


@dataclass(frozen=True, eq=False)
class Way:
    """What lies between board and camera and is one thing in a recording."""

    table: BandTable
    film_reflectance: float
    air_transmittance: float
    mirrors_board: bool

    @classmethod
    def of(cls, session: xr.Dataset) -> "Way":
        """Return that of a session."""
        return cls(
            band_table(session),
            float(session["film_reflectance"]),
            air_transmittance(session),
            bool(session["mirrors_board"]) if "mirrors_board" in session else False,
        )


def _steps(session: xr.Dataset) -> xr.DataArray:
    """Return the uncertainty of the camera's steps; one number where it took none, which costs nothing."""
    steps = session.get("step_uncertainty", xr.DataArray(0.0))
    return steps if bool(steps.any()) else xr.DataArray(0.0)


def errors_at(values: Mapping[str, Any], errors: InputErrors) -> InputErrors:
    """Return uncertainties with those that maps, regions and times have of their own, by name (:data:`INPUTS`)."""
    return replace(
        errors,
        emissivity=values["emissivity_uncertainty"],
        transmittance=values["transmittance_uncertainty"],
        film_temperature=values["film_temperature_uncertainty"],
        spot_bias=values["spot_bias"],
        offset_steps=values["offset_steps"],
    )


def budget_of(temperature: Array, values: Mapping[str, Array], *, way: Way, errors: InputErrors) -> Budget:
    """Return the lines of a temperature's budget from inputs by name (:data:`INPUTS`)."""
    return temperature_budget(
        temperature,
        values["ambient"],
        table=way.table,
        emissivity=values["emissivity"],
        reflected=values["reflected"],
        film=Film(values["transmittance"], way.film_reflectance),
        film_temperature=values["film_temperature"],
        errors=errors_at(values, errors),
        cold_ambient=values["cold_ambient"],
        cold_reflected=values["cold_reflected"],
        frames=values["frames"],
        cold_frames=values["cold_frames"],
        air_transmittance=way.air_transmittance,
        air_temperature=values["air_temperature"],
        mirrors_board=way.mirrors_board,
    )


def film_temperature(session: xr.Dataset) -> xr.DataArray:
    """Return the film's temperature [degC]: as estimated, else as given, else ambient."""
    if "film_temperature" in session and session["film_temperature"].dims in {(), ("time",)}:
        return session["film_temperature"].fillna(session["ambient"])
    given = session["film_temperature_given"]
    return session["ambient"] if bool(given.isnull()) else xr.full_like(session["ambient"], float(given))


def reflected_temperature(session: xr.Dataset, ambient: xr.DataArray) -> xr.DataArray:
    """Return the temperature that the surface mirrors [degC]: as given, else ambient."""
    given = session["surface_reflected"]
    return ambient if bool(given.isnull()) else xr.full_like(ambient, float(given))


def _emissivity_uncertainty(
    session: xr.Dataset, emissivity: xr.DataArray, given: xr.DataArray | None, settings: TemperatureSettings
) -> xr.DataArray:
    if given is not None:
        return given
    if "emissivity_uncertainty" in session and set(session["emissivity_uncertainty"].dims) <= set(emissivity.dims):
        return session["emissivity_uncertainty"]
    return xr.DataArray(settings.emissivity_uncertainty)


def _cold_frames(session: xr.Dataset) -> float:
    """Return how many frames the cold picture is the median of; infinite where that is not said."""
    return float(session["cold_radiance"].attrs.get("frames", np.inf))


def _add_up(
    session: xr.Dataset,
    settings: TemperatureSettings,
    *,
    temperature: xr.DataArray,
    inputs: Inputs,
) -> tuple[xr.DataArray, ...]:
    """Return the whole standard uncertainty of a rise, and that of a run's own terms [K], float32."""
    made: tuple[xr.DataArray, ...] = xr.apply_ufunc(
        _uncertainties,
        temperature,
        *inputs.arrays(),
        kwargs={"way": Way.of(session), "errors": input_errors(session, settings)},
        output_core_dims=[[], []],
        dask="parallelized",
        output_dtypes=[np.float32] * 2,
    )
    return tuple(values.transpose(*temperature.dims).drop_attrs(deep=False) for values in made)


def _uncertainties(*inputs: Array, way: Way, errors: InputErrors) -> tuple[Array, ...]:
    def add_up(temperature: Array, *rest: Array) -> tuple[Array, ...]:
        lines = budget_of(temperature, dict(zip(INPUTS, rest, strict=True)), way=way, errors=errors)
        terms = contributions(rise_budget(lines))
        made = (combine(terms), combine(terms, OWN_TERMS))
        return tuple(np.broadcast_to(values, temperature.shape).astype(np.float32) for values in made)

    whole = np.broadcast_shapes(*(values.shape for values in inputs))
    return slicewise(add_up, np.broadcast_to(inputs[0], whole), *inputs[1:])
