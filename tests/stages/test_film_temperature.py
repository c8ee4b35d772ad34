"""The film's own temperature: given, ambient, or midway to the board, and what that does to the result."""

import numpy as np
import pytest

from heatwake.kernels.radiometry import Film
from heatwake.schema.variables import FILM_MODEL
from heatwake.stages.film import FilmSettings, correct_film, surface_radiance
from stages.film_sessions import TABLE, recorded

SETTINGS = FilmSettings()
CLING = Film(0.89, 0.08)
COUNT = 60


def warming_board():
    """A level board that warms from 24 to 64 degC, (frame, row, column) [degC]."""
    return np.linspace(24, 64, COUNT)[:, None, None] * np.ones((COUNT, 12, 16))


def session_of(model, *, board=None, **scalars):
    board = warming_board() if board is None else board
    session = recorded(board, film=CLING, film_transmittance_given=0.89, chunk=7, **scalars)
    return session.assign(film_temperature_model=((), np.int8(FILM_MODEL.index(model))))


def test_a_film_at_ambient_is_at_ambient():
    made = correct_film(session_of("ambient"), SETTINGS)
    assert made["frame_film_temperature"].to_numpy() == pytest.approx(24.0)
    assert "frame_film_uncertainty" not in made


def test_a_given_film_temperature_is_kept():
    made = correct_film(session_of("given", film_temperature_given=35.0), SETTINGS)
    assert made["frame_film_temperature"].to_numpy() == pytest.approx(35.0)


def test_midway_is_half_way_between_room_and_board():
    made = correct_film(session_of("midway"), SETTINGS)
    board = np.linspace(24, 64, COUNT)
    # at the ends the median of five is of three; 24 to 64 degC in 60 frames: 0.7 K a frame
    assert made["frame_film_temperature"].to_numpy() == pytest.approx((24 + board) / 2, abs=0.4)
    spread = (board - 24) / (2 * np.sqrt(3))
    assert made["frame_film_uncertainty"].to_numpy() == pytest.approx(spread, abs=0.25)


def test_midway_changes_the_result_by_the_films_own_emission():
    session = session_of("midway")
    made, plain = correct_film(session, SETTINGS), correct_film(session_of("ambient"), SETTINGS)
    indicated = TABLE.radiance(session["indicated_temperature"].to_numpy()[-1:])
    warm, cold = (surface_radiance(one, indicated, added=one["film_added"].to_numpy()[-1]) for one in (made, plain))
    film = float(made["frame_film_temperature"][-1])
    own = 0.03 * float(TABLE.radiance(film) - TABLE.radiance(24.0)) / 0.89
    assert (cold - warm) == pytest.approx(own, abs=1e-3)
    # 20 K warmer: 0.68 W m-2 sr-1 at a board of 64 degC, half a kelvin
    assert own / float(TABLE.slope(64.0)) == pytest.approx(0.5, abs=0.1)


def test_only_the_board_counts_where_its_corners_are_known():
    board = warming_board()
    board[:, :, 8:] = 24.0
    corners = {"corner_column": ("corner", [0.0, 7.0, 7.0, 0.0]), "corner_row": ("corner", [0.0, 0.0, 11.0, 11.0])}
    made = correct_film(session_of("midway", board=board).assign(corners), SETTINGS)
    whole = correct_film(session_of("midway", board=board), SETTINGS)
    assert float(made["frame_film_temperature"][-3]) == pytest.approx(44.0, abs=1.5)
    assert float(whole["frame_film_temperature"][-3]) < 36.0


def test_a_hand_in_a_frame_does_not_warm_the_film():
    board = warming_board()
    board[30] = 90.0
    made = correct_film(session_of("midway", board=board), SETTINGS)
    clean = correct_film(session_of("midway"), SETTINGS)
    changed = made["frame_film_temperature"].to_numpy() - clean["frame_film_temperature"].to_numpy()
    assert np.abs(changed).max() < 0.5


@pytest.mark.parametrize("frames", [0, 1, 3])
def test_few_frames_or_none(frames):
    made = correct_film(session_of("midway", board=warming_board()[:frames]), SETTINGS)
    assert made["frame_film_temperature"].shape == (frames,)


def test_frames_without_a_reading_leave_the_film_at_ambient():
    session = session_of("midway")
    session["indicated_temperature"] = session["indicated_temperature"] * np.float32(np.nan)
    made = correct_film(session, SETTINGS)
    assert made["frame_film_temperature"].to_numpy() == pytest.approx(24.0)


def test_without_a_film_nothing_is_estimated():
    session = recorded(warming_board(), chunk=7)
    session = session.assign(film_temperature_model=((), np.int8(FILM_MODEL.index("midway"))))
    made = correct_film(session, SETTINGS)
    assert made["film_added"].to_numpy() == pytest.approx(0.0, abs=1e-12)
    assert "frame_film_uncertainty" not in made
