"""The uncertainty budget of each region's final value: line by line, shared and own, and checked by trials."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.budget import OWN_TERMS, SHARED_TERMS, InputErrors, Line, combine, rise_budget
from heatwake.kernels.radiometry import Film, Lid, camera_radiance, leaving_radiance
from heatwake.kernels.trials import Place, first_order_holds, rise_spread
from heatwake.stages.uncertainty import (
    INPUTS,
    TemperatureSettings,
    Way,
    budget_of,
    errors_at,
    gather_inputs,
    input_errors,
    zero_of,
)

Array = npt.NDArray[Any]

SETTLING: Final = "settling"  # of a final value by its fit: a run's own
TERMS: Final = (*SHARED_TERMS, *OWN_TERMS, SETTLING)
OWN: Final = (*OWN_TERMS, SETTLING)
QUANTITIES: Final = ("temperature", "rise")
CORE_PIXELS: Final = 9


def final_budget(
    session: xr.Dataset,
    regions: xr.Dataset,
    *,
    rise: Array,
    settling: Array,
    settings: TemperatureSettings,
    tolerance: float,
) -> dict[str, Any]:
    """Return the budget of each region's final core, its sums, and whether trials bear them out.

    Parameters
    ----------
    session : Dataset
        What the temperature stage was given.
    regions : Dataset
        With emissivity, its uncertainty, ``spot_bias`` and ``pixels``.
    rise, settling : (region,) arrays
        Final rise of the core and the standard uncertainty of its fit [K].
    settings : TemperatureSettings
    tolerance : float
        By which trials may differ from the first order.
    """
    last = session.isel(time=_last_with_frames(session))
    ambient = float(last["ambient"])
    temperature = xr.DataArray(ambient + rise, dims="region")
    inputs = gather_inputs(
        last,
        settings,
        emissivity=regions["region_emissivity"],
        cold_ambient=zero_of(session, temperature),
        emissivity_uncertainty=regions["region_emissivity_uncertainty"],
        pixels=regions["pixels"].clip(max=CORE_PIXELS),
        spot_bias=regions["spot_bias"],
    )
    values = {name: np.broadcast_to(getattr(inputs, name).to_numpy().astype(np.float64), rise.shape) for name in INPUTS}
    way, errors = Way.of(session), input_errors(session, settings)
    lines = {**budget_of(temperature.to_numpy(), values, way=way, errors=errors), SETTLING: _settling(settling)}
    tables = {"temperature": _table(lines, rise.shape), "rise": _table(rise_budget(lines), rise.shape)}
    made = _sums(tables, finite=np.isfinite(rise))
    return made | {
        "budget_value": (("region", "budget_input"), _values(temperature.to_numpy(), values, way=way)),
        "budget_uncertainty": (("region", "budget_input"), tables["rise"][1]),
        **_trials(
            temperature.to_numpy(), values, settling=settling, way=way, errors=errors, made=made, tolerance=tolerance
        ),
    }


def _last_with_frames(session: xr.Dataset) -> int:
    used = np.flatnonzero(session["frames_used"].to_numpy() > 0)
    return int(used[-1]) if len(used) else -1


def _settling(uncertainty: Array) -> Line:
    return Line(np.ones(()), np.asarray(uncertainty, dtype=np.float64))


def _table(lines: Mapping[str, Line], shape: tuple[int, ...]) -> tuple[Array, Array]:
    """Return sensitivities and standard uncertainties (region, input)."""
    sensitivity, uncertainty = (
        np.stack([np.broadcast_to(getattr(lines[name], key), shape) for name in TERMS], axis=-1).astype(np.float64)
        for key in ("sensitivity", "uncertainty")
    )
    return sensitivity, uncertainty


def _sums(tables: Mapping[str, tuple[Array, Array]], *, finite: Array) -> dict[str, Any]:
    dims = ("region", "budget_quantity", "budget_input")
    sensitivity = np.stack([tables[name][0] for name in QUANTITIES], axis=1)
    contribution = np.abs(sensitivity) * np.stack([tables[name][1] for name in QUANTITIES], axis=1)
    sensitivity[~finite] = contribution[~finite] = np.nan
    by_term = {name: contribution[..., number] for number, name in enumerate(TERMS)}
    whole, shared, own = (combine(by_term, names) for names in (TERMS, SHARED_TERMS, OWN))
    return {
        "budget_input": ("budget_input", np.array(TERMS)),
        "budget_quantity": ("budget_quantity", np.array(QUANTITIES)),
        "budget_sensitivity": (dims, sensitivity),
        "budget_contribution": (dims, contribution),
        "steady_temperature_uncertainty": ("region", whole[:, 0]),
        "steady_rise_max_uncertainty": ("region", whole[:, 1]),
        "steady_rise_max_shared": ("region", shared[:, 1]),
        "steady_rise_max_own": ("region", own[:, 1]),
    }


def _values(temperature: Array, values: Mapping[str, Array], *, way: Way) -> Array:
    """Return the inputs' values (region, input): what is not corrected for is 0."""
    film = Film(values["transmittance"], way.film_reflectance)
    lid = Lid(film, values["film_temperature"]) if way.mirrors_board else None
    leaving = leaving_radiance(
        temperature, table=way.table, emissivity=values["emissivity"], reflected=values["reflected"], lid=lid
    )
    received = camera_radiance(
        leaving,
        table=way.table,
        film=film,
        film_temperature=values["film_temperature"],
        camera_side=values["ambient"],
        air_transmittance=way.air_transmittance,
        air_temperature=values["air_temperature"],
    )
    known = {**values, "camera": way.table.temperature(received), "film_reflectance": np.asarray(way.film_reflectance)}
    known["air_transmittance"] = np.asarray(way.air_transmittance)
    return np.stack([np.broadcast_to(known.get(name, np.zeros(())), temperature.shape) for name in TERMS], axis=-1)


def _trials(
    temperature: Array,
    values: Mapping[str, Array],
    *,
    settling: Array,
    way: Way,
    errors: InputErrors,
    made: Mapping[str, Any],
    tolerance: float,
) -> dict[str, Any]:
    first_order = made["steady_rise_max_uncertainty"][1]
    rows = []
    for number, degrees in enumerate(temperature):
        own = {name: float(column[number]) for name, column in values.items()}
        spread = rise_spread(
            _place(float(degrees), own, way=way),
            table=way.table,
            errors=errors_at(own, errors),
            settling=float(settling[number]) if np.isfinite(settling[number]) else 0.0,
        )
        holds = first_order_holds(spread, float(first_order[number]), tolerance=tolerance)
        rows.append((spread.standard_deviation, spread.low, spread.high, holds))
    columns = np.array(rows, dtype=np.float64).reshape(-1, 4).T
    return {
        "trials_uncertainty": ("region", columns[0]),
        "trials_low": ("region", columns[1]),
        "trials_high": ("region", columns[2]),
        "first_order_holds": ("region", columns[3].astype(np.int8)),
    }


def _place(temperature: float, own: Mapping[str, float], *, way: Way) -> Place:
    return Place(
        temperature,
        own["ambient"],
        own["reflected"],
        own["film_temperature"],
        own["emissivity"],
        Film(own["transmittance"], way.film_reflectance),
        cold_ambient=own["cold_ambient"],
        air_transmittance=way.air_transmittance,
        air_temperature=own["air_temperature"],
        frames=own["frames"],
        cold_frames=own["cold_frames"],
        mirrors_board=way.mirrors_board,
    )
