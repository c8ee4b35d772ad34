"""The truth of a scene as one labelled dataset."""

from collections.abc import Mapping, Sequence

import numpy as np
import xarray as xr

from heatwake.scene.heat import HeatModel, build_heat_model, integrate
from heatwake.scene.model import Array, Mask, Scene
from heatwake.scene.surface import emissivity_map

_UNITS: Mapping[str, tuple[str, str]] = {
    "temperature": ("degC", "true surface temperature"),
    "temperature_rise": ("K", "true rise of the surface over ambient"),
    "air_temperature": ("degC", "true air temperature, mean over the channel"),
    "film_temperature": ("degC", "true film temperature; ambient where there is no film"),
    "ambient": ("degC", "true ambient temperature"),
    "velocity_x": ("m s-1", "air velocity to the right, mean over the channel"),
    "velocity_y": ("m s-1", "air velocity up, mean over the channel"),
    "emissivity": ("1", "true emissivity"),
    "part_rise_mean": ("K", "true rise of the part's mean"),
    "part_rise_max": ("K", "true rise of the part's hottest cell"),
    "part_direction": ("degree", "direction that the part's own heat is carried"),
    "board_direction": ("degree", "direction of the air's heat flux summed over the board"),
    "part_time_constant": ("s", "time after power-on to 63.2 % of the last rise; NaN where not reached"),
    "power": ("W", "heat of the parts"),
    "exhaust_heat": ("W", "heat that the air carries out of the box"),
    "film_heat": ("W", "heat through the film to the room"),
    "radiated_heat": ("W", "heat radiated to the room"),
    "back_heat": ("W", "heat lost at the back"),
    "stored_heat": ("J", "heat stored in board and parts since the start"),
    "exhaust_rise": ("K", "mixed rise of the leaving air over ambient"),
    "fan_flow": ("m3 s-1", "air through the box"),
    "film_transmittance": ("1", "in-band transmittance of the film"),
    "film_absorptance": ("1", "in-band absorptance of the film"),
    "bench_offset": ("K", "bench around the board over ambient"),
    "mirrored_offset": ("K", "mirrored surroundings over ambient"),
    "film_reflectance": ("1", "in-band reflectance of the film"),
    "x": ("mm", "to the right from the board's lower-left corner"),
    "y": ("mm", "up from the board's lower-left corner"),
    "elapsed": ("s", "time since the first frame"),
}


def simulate(scene: Scene, elapsed: Array, *, then: Sequence[tuple[float, Scene]] = ()) -> xr.Dataset:
    """Return the truth of a scene at given times.

    Parameters
    ----------
    scene : Scene
        What to simulate.
    elapsed : (time,) array
        Increasing times [s]; the scene lies at room temperature at the first. Steps are those of the times, of
        second order, so keep them well below the parts' time constants.
    then : sequence of (float, Scene)
        What it is from later times [s] on, rising: the same board and parts with other loads or openings. Velocities
        and the parts' time constants are those before.

    Returns
    -------
    xarray.Dataset
        ``temperature``, ``temperature_rise``, ``air_temperature``, ``film_temperature`` (time, y, x); velocities and
        ``emissivity`` (y, x); per part rises and directions; heat balance (time). Directions in degrees from +x,
        counter-clockwise; NaN in still air and where nothing is heated.

    Raises
    ------
    ValueError
        If the times do not increase.
    """
    elapsed = np.asarray(elapsed, dtype=float)
    if elapsed.size == 0 or np.any(np.diff(elapsed) <= 0):
        raise ValueError("elapsed must hold at least one time and increase")
    pieces, begin = [], None
    starts = [elapsed[0], *(at for at, _ in then)]
    for each, start, end in zip((scene, *(one for _, one in then)), starts, [*starts[1:], np.inf], strict=True):
        seen = (elapsed >= start) & (elapsed < end)
        steps = np.unique(np.concatenate([[start], elapsed[seen], [end] if np.isfinite(end) else []]))
        piece, begin = _simulated(each, steps, begin=begin)
        pieces.append(piece.isel(time=np.isin(steps, elapsed[seen])))
    if len(pieces) == 1:
        return pieces[0]
    return xr.concat(pieces, dim="time", data_vars="minimal", coords="minimal", compat="override", join="override")


def _simulated(
    scene: Scene, elapsed: Array, *, begin: tuple[Array, Array, Array] | None
) -> tuple[xr.Dataset, tuple[Array, Array, Array]]:
    """Return the truth of one scene and its last temperatures."""
    model = build_heat_model(scene)
    shape = (elapsed.size, *scene.board.shape)
    surface, near = np.empty(shape), np.empty(shape)
    above = np.empty(shape) if model.layers > 2 else near
    for index, layers in enumerate(integrate(model, elapsed, begin=begin)):
        surface[index], near[index], above[index] = layers
    truth = describe(model, surface, (near, above), elapsed=elapsed, ambient=scene.ambient.at(elapsed))
    return truth, (surface[-1], near[-1], above[-1])


def settle(scene: Scene) -> xr.Dataset:
    """Return the truth long after power-on, at the ambient's starting value, as a dataset of one time (infinity)."""
    model = build_heat_model(scene)
    surface, near, above = model.steady(scene.ambient.start)
    ambient = np.array([scene.ambient.start])
    return describe(model, surface[None], (near[None], above[None]), elapsed=np.array([np.inf]), ambient=ambient)


def uncovered(truth: xr.Dataset) -> xr.Dataset:
    """Return the truth as a camera sees it with the film lifted off for a moment: optics only, same temperatures."""
    clear = {"film_transmittance": 1.0, "film_absorptance": 0.0, "film_reflectance": 0.0}
    return truth.assign({name: xr.DataArray(value, attrs=truth[name].attrs) for name, value in clear.items()})


def describe(
    model: HeatModel, surface: Array, airs: tuple[Array, Array], *, elapsed: Array, ambient: Array
) -> xr.Dataset:
    """Return the labelled truth from temperatures of board, air next to it and above (time, rows, columns) [degC]."""
    scene, board = model.scene, model.scene.board
    near, above = airs
    air = model.mixed(near, above)
    room = ambient[:, None, None]
    film = scene.film
    cube = ("time", "y", "x")
    truth = xr.Dataset(
        {
            "temperature": (cube, surface),
            "temperature_rise": (cube, surface - room),
            "air_temperature": (cube, air),
            "film_temperature": (cube, room + (film.air_share if film else 0.0) * (above - room)),
            "velocity_x": (("y", "x"), model.flow.velocity_x),
            "velocity_y": (("y", "x"), model.flow.velocity_y),
            "emissivity": (("y", "x"), emissivity_map(scene)),
            "ambient": ("time", ambient),
            "film_transmittance": film.transmittance if film else 1.0,
            "film_absorptance": film.absorptance if film else 0.0,
            "film_reflectance": film.reflectance if film else 0.0,
            "bench_offset": scene.bench_offset,
            "mirrored_offset": scene.mirrored_offset,
        },
        coords={"elapsed": ("time", elapsed), "y": board.y, "x": board.x},
    )
    truth = truth.assign(_balance(model, surface, (air, above), elapsed=elapsed, ambient=ambient))
    truth = truth.assign(_parts(model, surface, near, elapsed=elapsed, ambient=ambient))
    truth["board_direction"] = ("time", board_direction(model, air - room))
    for name, (units, long_name) in _UNITS.items():
        truth[name].attrs.update(units=units, long_name=long_name)
    return truth


def board_direction(model: HeatModel, air_rise: Array) -> Array:
    """Return the direction [deg] of air velocity times air rise, summed over the board; (time,) from (time, y, x)."""
    return _direction(
        np.sum(model.flow.velocity_x * air_rise, axis=(1, 2)), np.sum(model.flow.velocity_y * air_rise, axis=(1, 2))
    )


def _balance(
    model: HeatModel, surface: Array, airs: tuple[Array, Array], *, elapsed: Array, ambient: Array
) -> dict[str, tuple[str, Array] | tuple[tuple[()], float]]:
    """Return the heat balance terms, each over time; of the air its mean by flow, and what touches the film."""
    scene = model.scene
    rise, air_rise, above_rise = (one - ambient[:, None, None] for one in (surface, *airs))
    leaving, carried = model.flow.outflow, scene.air.density * scene.air.heat_capacity
    mixed = np.sum(leaving * air_rise, axis=(1, 2))
    through = float(leaving.sum())
    on = (elapsed > scene.power_on) & (elapsed <= scene.power_off)
    stored = np.sum(model.capacity * (surface - surface[0]), axis=(1, 2))
    return {
        "power": ("time", np.where(on, scene.power, 0.0)),
        "exhaust_heat": ("time", carried * mixed),
        "film_heat": ("time", np.sum(model.film_loss * above_rise, axis=(1, 2))),
        "radiated_heat": ("time", np.sum(model.to_room * rise, axis=(1, 2))),
        "back_heat": ("time", np.sum(model.to_back * rise, axis=(1, 2))),
        "stored_heat": ("time", stored),
        "exhaust_rise": ("time", mixed / through if through else np.full(elapsed.shape, np.nan)),
        "fan_flow": ((), through),
    }


def _parts(
    model: HeatModel, surface: Array, air: Array, *, elapsed: Array, ambient: Array
) -> dict[str, tuple[tuple[str, ...], Array] | tuple[str, list[str]]]:
    """Return rises and directions of each part."""
    parts, board = model.scene.parts, model.scene.board
    footprints: list[Mask] = [board.inside(part) for part in parts]
    rise = surface - ambient[:, None, None]
    given = model.to_air * (surface - air)
    mean = np.array([rise[:, cells].mean(axis=1) for cells in footprints]).reshape(len(parts), elapsed.size)
    peak = np.array([rise[:, cells].max(axis=1) for cells in footprints]).reshape(len(parts), elapsed.size)
    carried = [
        _direction(given[:, cells] @ model.flow.velocity_x[cells], given[:, cells] @ model.flow.velocity_y[cells])
        for cells in footprints
    ]
    settling = [_time_to_settle(curve, elapsed - model.scene.power_on) for curve in mean]
    return {
        "part": ("part", [part.name for part in parts]),
        "part_rise_mean": (("part", "time"), mean),
        "part_rise_max": (("part", "time"), peak),
        "part_direction": (("part", "time"), np.array(carried).reshape(len(parts), elapsed.size)),
        "part_time_constant": (("part",), np.array(settling, dtype=float)),
    }


def _time_to_settle(curve: Array, since_power: Array) -> float:
    """Return when a heating curve first reaches 1 - 1/e of its last value [s]; NaN where it does not rise."""
    level = (1 - np.exp(-1.0)) * curve[-1]
    above = np.flatnonzero(curve >= level)
    if curve[-1] <= 0 or above.size == 0 or above[0] == 0:
        return float("nan")
    at = above[0]
    return float(np.interp(level, curve[at - 1 : at + 1], since_power[at - 1 : at + 1]))


def _direction(right: Array, up: Array) -> Array:
    """Return angles [deg] in -180..180; NaN where there is no direction."""
    length = np.hypot(right, up)
    return np.where(length > 1e-12, np.degrees(np.arctan2(up, right)), np.nan)
