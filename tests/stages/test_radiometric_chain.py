"""What a camera wrote, with its own assumptions, through film and air, to the surface: every way frames are read."""

import numpy as np
import pytest

from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import Film, Lid, camera_radiance, leaving_radiance
from heatwake.stages.baseline import BaselineSettings, measure_baseline
from heatwake.stages.board import BoardSettings, analysis_bins, map_to_board
from heatwake.stages.film import FilmSettings, correct_film
from heatwake.stages.registration import RegistrationSettings, register
from heatwake.stages.temperature import measure_temperature
from heatwake.stages.uncertainty import TemperatureSettings
from heatwake.store.session import open_session
from stages.test_registration import draw_board

SETTINGS = BoardSettings(analysis_s=6.0)
RESPONSE = "wavelength_um,response\n7,0\n8,80\n9.2,60\n10,100\n13,90\n14.5,0\n"
SESSION = """
[camera]
response = "response.csv"
emissivity_setting = 0.92
reflected_setting_degC = 31.0
[air]
transmittance = 0.97
temperature_degC = 27.0
[film]
transmittance = 0.89
reflectance = 0.06
temperature_degC = 29.0
mirrors_board = true
[ambient]
degC = 23.0
[surface]
emissivity = 0.8
reflected_degC = 25.0
"""
FILM = Film(0.89, 0.06)


def written(truth, table, *, setting=0.92):
    """Return what the session's camera writes of surface temperatures [degC]."""
    around = {"table": table, "film_temperature": 29.0, "camera_side": 23.0}
    leaving = leaving_radiance(truth, table=table, emissivity=0.8, reflected=25.0, lid=Lid(FILM, 29.0))
    received = camera_radiance(leaving, film=FILM, air_transmittance=0.97, air_temperature=27.0, **around)
    return table.temperature((received - (1 - setting) * table.radiance(31.0)) / setting)


@pytest.fixture(scope="module")
def truth():
    frames = draw_board(np.zeros((18, 3)), on=-40).astype(np.float64)
    return frames + 20.0


@pytest.fixture
def recorded(write_session, truth):
    table = BandTable.for_response([7, 8, 9.2, 10, 13, 14.5], [0, 80, 60, 100, 90, 0])
    folder = write_session(SESSION, frames=np.round((written(truth, table) + 100) / 0.01).astype(np.uint16))
    (folder / "response.csv").write_text(RESPONSE)
    return open_session(folder).dataset


def surface(session):
    made = map_to_board(register(correct_film(session, FilmSettings()), RegistrationSettings()), SETTINGS)
    return measure_temperature(measure_baseline(made, BaselineSettings()), TemperatureSettings()).compute()


@pytest.mark.parametrize("way", ["levels summed", "levels read again", "temperatures"])
def test_what_camera_film_and_air_did_is_undone(recorded, truth, way):
    if way == "levels summed":
        recorded = recorded.assign(bin=("frame", analysis_bins(recorded["elapsed"].to_numpy(), SETTINGS)))
    if way == "temperatures":
        recorded = recorded.drop_vars(["stored_level", "level_temperature"])
    made = surface(recorded)
    steps = truth.reshape(-1, 6, *truth.shape[1:]).mean(axis=1)
    inside = made["temperature"].to_numpy()
    assert inside.shape == steps.shape
    # six frames stored to 10 mK: 1.2 mK each side of the correction, which makes 1.5 of it, at 5 sigma
    assert inside == pytest.approx(steps, abs=0.01)
    assert abs(float((inside - steps).mean())) < 1e-3


def test_a_step_of_the_cameras_offset_is_taken_off_as_the_camera_wrote_it(recorded):
    frames = correct_film(recorded, FilmSettings())
    made = register(frames, RegistrationSettings())
    step = 0.5
    shifted = made.assign(
        offset_step=("frame", np.full(made.sizes["frame"], step)),
        level_temperature=made["level_temperature"] + np.float32(step),
    ).drop_vars(["indicated_temperature"])
    shifted = shifted.assign(indicated_temperature=made["indicated_temperature"] + np.float32(step))
    plain, corrected = (map_to_board(one, SETTINGS)["board_radiance"].to_numpy() for one in (made, shifted))
    table = BandTable.for_response([7, 8, 9.2, 10, 13, 14.5], [0, 80, 60, 100, 90, 0])
    # taken off at the slope of ambient: what the board's own slope is more stays
    warmer = float(table.slope(np.median(made["indicated_temperature"])) / table.slope(23.0))
    left = np.median(corrected - plain)
    whole = 0.92 / (0.89 * 0.97) * step * float(table.slope(23.0))
    assert left / whole == pytest.approx(warmer - 1, abs=0.02)
