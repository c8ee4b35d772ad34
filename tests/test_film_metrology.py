"""Surface temperatures through a film against simulated truth, over many settings, and whether intervals hold.

Truth is the scene's: its own integral of Planck's law, its own film. What the analysis is told differs from it by
errors drawn from the distributions that are stated to it.
"""

import numpy as np
import pytest
import xarray as xr

from heatwake.kernels.budget import combine, contributions, temperature_budget
from heatwake.kernels.radiometry import Film, remove_film, surface_temperature, zero_offset
from heatwake.report.parts import COVERAGE
from heatwake.scene.camera import leaving_radiance
from heatwake.scene.planck import band
from heatwake.schema.variables import label
from heatwake.stages.baseline import BaselineSettings, measure_baseline
from heatwake.stages.board import BoardSettings, map_to_board
from heatwake.stages.film import FilmSettings, correct_film
from heatwake.stages.temperature import TemperatureSettings, measure_temperature
from stages.film_sessions import SCALARS, TABLE
from usual_errors import USUAL as ERRORS

EYE = band(7.5, 14.0)
COUNT = 20_000  # settings: a coverage of 95 % is then known to 0.15 %
NOISE, FRAMES, COLD_FRAMES = 0.05, 4, 80  # [K] at 30 degC, of one frame
PIXELS = (4, 6)
COLD, HOT = 12, 4  # frames of one second, for the stages


def draw(rng, size):
    """Return true values of so many settings."""
    transmittance, ambient = rng.uniform(0.75, 0.90, size), rng.uniform(18.0, 35.0, size)
    return {
        "transmittance": transmittance,
        "reflectance": rng.uniform(0.3, 0.7, size) * (1 - transmittance),
        "emissivity": rng.uniform(0.6, 0.95, size),
        "ambient": ambient,
        "film": ambient + rng.uniform(0.0, 12.0, size),
        "reflected": ambient,
        "surface": ambient + rng.uniform(5.0, 75.0, size),
    }


def mistaken(true, *, rng):
    """Return what the analysis is told: off by errors of the stated distributions."""
    size = len(true["ambient"])
    return {
        name: true[name] + rng.normal(0, getattr(ERRORS, error), size)
        for name, error in (
            ("transmittance", "transmittance"),
            ("reflectance", "film_reflectance"),
            ("emissivity", "emissivity"),
            ("film", "film_temperature"),
            ("reflected", "reflected"),
            ("ambient", "ambient"),
        )
    }


def received(true, surface, film, reflected):
    """Return what reaches the camera, by the scene's own integral [W m-2 sr-1]."""
    leaving = true["emissivity"] * EYE.radiance(surface) + (1 - true["emissivity"]) * EYE.radiance(reflected)
    absorptance = 1 - true["transmittance"] - true["reflectance"]
    room = true["reflectance"] * EYE.radiance(true["ambient"])
    return true["transmittance"] * leaving + absorptance * EYE.radiance(film) + room


def readings(true, *, rng, zeroed, errors):
    """Return what the camera writes of the hot board, and of the cold one where there is one [degC]."""
    size = len(true["ambient"])
    noise = rng.normal(0, NOISE, (2, size)) * float(EYE.slope(30.0)) / np.sqrt([[FRAMES], [COLD_FRAMES / (np.pi / 2)]])
    hot = EYE.temperature(received(true, true["surface"], true["film"], true["reflected"]) + noise[0])
    cold = EYE.temperature(received(true, true["ambient"], true["ambient"], true["ambient"]) + noise[1])
    if not errors:
        return hot, cold
    at = rng.uniform(-1, 1, size)
    # drift counts in radiance of the zero: the budget's convention
    drift = rng.normal(0, ERRORS.drift, size) * EYE.slope(true["ambient"]) / EYE.slope(hot)
    if zeroed:  # an offset within the statement is zeroed away; what remains is the gain
        offset = 1.5 * EYE.slope(cold) / EYE.slope(hot)
        return hot + offset + at * ERRORS.accuracy_percent / 100 * (hot - cold) + drift, cold + 1.5
    return hot + at * np.maximum(ERRORS.accuracy, ERRORS.accuracy_percent / 100 * np.abs(hot)) + drift, cold


def analysed(hot, cold, told, *, zeroed):
    """Return the surface temperatures and their standard uncertainties."""
    film, eps = Film(told["transmittance"], told["reflectance"]), told["emissivity"]
    lid = {"table": TABLE, "film": film, "camera_side": told["ambient"]}
    leaving = remove_film(TABLE.radiance(hot), film_temperature=told["film"], **lid)
    if zeroed:
        empty = remove_film(TABLE.radiance(cold), film_temperature=told["ambient"], **lid)
        room = {"ambient": told["ambient"], "reflected": told["ambient"]}
        leaving = leaving - zero_offset(empty, table=TABLE, emissivity=eps, **room)
    temperature = surface_temperature(leaving, table=TABLE, emissivity=eps, reflected=told["reflected"])
    lines = temperature_budget(
        temperature,
        told["ambient"],
        table=TABLE,
        emissivity=eps,
        reflected=told["reflected"],
        film=film,
        film_temperature=told["film"],
        errors=ERRORS,
        cold_ambient=told["ambient"] if zeroed else np.nan,
        frames=FRAMES,
        cold_frames=COLD_FRAMES,
    )
    return temperature, combine(contributions(lines))


@pytest.mark.parametrize("zeroed", [True, False])
def test_no_setting_is_biased_where_all_is_known(zeroed):
    rng = np.random.default_rng(5)
    true = draw(rng, COUNT)
    hot, cold = readings(true, rng=rng, zeroed=zeroed, errors=False)
    temperature, _ = analysed(hot, cold, true, zeroed=zeroed)
    error = temperature - true["surface"]
    noise = NOISE / np.sqrt(FRAMES) * EYE.slope(30.0) / true["transmittance"] / true["emissivity"]
    assert np.abs(error * EYE.slope(true["surface"]) / noise).max() < 6  # nothing but noise
    assert abs(np.mean(error)) < 0.001
    assert np.std(error) < 0.1


@pytest.mark.parametrize("zeroed", [True, False])
def test_95_percent_intervals_hold_93_to_97_percent_of_the_truth(zeroed):
    rng = np.random.default_rng(6)
    true = draw(rng, COUNT)
    true["reflected"] = true["ambient"] + 2.0
    told = mistaken(true, rng=rng)
    hot, cold = readings(true, rng=rng, zeroed=zeroed, errors=True)
    temperature, uncertainty = analysed(hot, cold, told, zeroed=zeroed)
    error = temperature - true["surface"]
    held = np.abs(error) <= COVERAGE * uncertainty  # what reports state
    assert 0.93 <= held.mean() <= 0.97
    for name, least in (("emissivity", 0.8), ("transmittance", 0.85)):  # nor only on the whole
        for half in (true[name] < least, true[name] >= least):
            assert 0.92 <= held[half].mean() <= 0.98, name
    assert abs(np.mean(error)) < 0.1


def stage_session(true, number, *, zeroed):
    """Return a recording of one setting as the reader gives it: a board hot from the start, or after a cold stretch."""
    one = {name: float(values[number]) for name, values in true.items()}
    steps = COLD + HOT
    hot = np.linspace(one["ambient"] + 5, one["surface"], int(np.prod(PIXELS))).reshape(PIXELS)
    temperature, film = np.repeat(hot[None], steps, axis=0), np.full(steps, one["film"])
    if zeroed:
        temperature[:COLD], film[:COLD] = one["ambient"], one["ambient"]
    truth = xr.Dataset(
        {
            "temperature": (("time", "y", "x"), temperature),
            "ambient": ("time", np.full(steps, one["ambient"])),
            "film_temperature": ("time", film),
            "emissivity": (("y", "x"), np.full(PIXELS, one["emissivity"])),
            "film_transmittance": one["transmittance"],
            "film_reflectance": one["reflectance"],
            "film_absorptance": 1 - one["transmittance"] - one["reflectance"],
            "bench_offset": 0.0,
            "mirrored_offset": 0.0,
        }
    )
    seen = np.stack([leaving_radiance(truth, index, EYE)[0] for index in range(steps)])
    given = {f"film_{name}_given": one[name] for name in ("transmittance", "reflectance")}
    scalars = SCALARS | given | {"film_temperature_given": one["film"], "board_scale": 1.0}
    session = xr.Dataset({name: ((), value) for name, value in scalars.items()})
    session["surface_emissivity"] = ((), one["emissivity"])
    offset = 1.5 * EYE.slope(20.0) / EYE.slope(EYE.temperature(seen)) if zeroed else 0.0  # even in radiance
    written = (EYE.temperature(seen) + offset).astype(np.float32)
    session["indicated_temperature"] = (("frame", "row", "column"), written)
    session["frame_ambient"] = ("frame", np.full(steps, one["ambient"]))
    still = {name: ("frame", np.zeros(steps)) for name in ("shift_x", "shift_y", "rotation", "offset_step")}
    session = session.assign(still).assign(usable=("frame", np.ones(steps, dtype=np.int8)))
    seconds = np.arange(steps) * 1.0
    time = np.datetime64("2026-03-04", "us") + (seconds * 1e6).astype("timedelta64[us]")
    session = session.assign_coords(elapsed=("frame", seconds), time=("frame", time))
    if zeroed:
        session = session.assign_coords(event=["power on"]).assign(event_elapsed=("event", [float(COLD)]))
    return label(session), hot


@pytest.mark.parametrize("zeroed", [True, False])
def test_the_stages_find_what_the_scene_held(zeroed):
    # the film's temperature is given for the hot board; before power-on it was at ambient like everything
    true = draw(np.random.default_rng(7), 12)
    for number in range(12):
        session, hot = stage_session(true, number, zeroed=zeroed)
        made = map_to_board(correct_film(session, FilmSettings()), BoardSettings(analysis_s=1.0))
        made = measure_baseline(made, BaselineSettings(quiet_s=10.0 if zeroed else 1e-6))
        last = measure_temperature(made, TemperatureSettings()).isel(time=-1)
        assert last["temperature"].to_numpy() == pytest.approx(hot, abs=0.01)
