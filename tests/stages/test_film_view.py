"""A pair's places on the session's frames and on its board."""

import numpy as np
import pytest
import xarray as xr
from scipy import ndimage

from heatwake.kernels.board_view import GridView
from heatwake.kernels.transmittance_map import CREASE, NOT_SEEN, TRUSTED
from heatwake.stages.board import BoardSettings, map_to_board
from heatwake.stages.film import FilmSettings, correct_film
from heatwake.stages.film_view import board_trust, pair_view
from stages.film_sessions import TABLE, recorded

SHAPE = (64, 80)


def hot_board(seed=1):
    """Temperatures (row, column) [degC] of parts on a board."""
    rng = np.random.default_rng(seed)
    board = np.full(SHAPE, 24.0)
    for row, column in rng.uniform(0.15, 0.85, (6, 2)) * SHAPE:
        board[int(row) - 4 : int(row) + 4, int(column) - 6 : int(column) + 6] += rng.uniform(15, 40)
    return ndimage.gaussian_filter(board, 1.2)


def frames_of(board, *, shift=(0.0, 0.0)):
    moved = ndimage.shift(board, shift, order=3, mode="nearest")
    return recorded(np.repeat(moved[None], 3, axis=0), film_present=1, surface_emissivity=1.0)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (2.3, -1.6), (-4.0, 3.0)])
def test_a_frame_that_moved_is_found_in_the_pair(shift):
    found = pair_view(frames_of(hot_board(), shift=shift), TABLE.radiance(hot_board()), largest=8.0)
    assert found == pytest.approx((-shift[0], -shift[1]), abs=0.15)


def test_another_scene_is_another_view():
    assert np.isnan(pair_view(frames_of(hot_board(1)), TABLE.radiance(hot_board(7)), largest=8.0)).all()
    level = np.full(SHAPE, TABLE.radiance(24.0))
    assert np.isnan(pair_view(frames_of(np.full(SHAPE, 24.0)), level, largest=8.0)).all()


def test_a_frame_without_a_reading_or_none_tells_no_view():
    session = frames_of(hot_board())
    masked = session.assign(indicated_temperature=session["indicated_temperature"] * np.float32(np.nan))
    for one in (masked, session.isel(frame=slice(0))):
        assert np.isnan(pair_view(one, TABLE.radiance(hot_board()), largest=8.0)).all()


def test_the_flags_follow_view_and_pose():
    trust = np.full((20, 30), TRUSTED, dtype=np.int8)
    trust[8:12, 10:16] = CREASE
    names = {"pair_view_row": 1.0, "pair_view_column": -2.0}
    session = xr.Dataset({name: ((), value) for name, value in names.items()})
    for name, last in (("shift_x", 3.0), ("shift_y", -4.0), ("rotation", 0.0)):
        session[name] = ("frame", np.array([0.0, last]))
    session["pair_trust"] = (("row", "column"), trust)
    made = board_trust(session, GridView((20, 30), np.eye(3)))
    # a grid cell (column, row) lies at + (3, -4) in the last frame, and at + (-2, 1) of that in the pair: (+ 1, - 3)
    wanted = np.full((20, 30), NOT_SEEN, dtype=np.int8)
    wanted[3:, :29] = trust[:17, 1:]
    np.testing.assert_array_equal(made, wanted)


def test_a_crease_is_flagged_on_the_board():
    board, tau = hot_board(), np.full(SHAPE, 0.89)
    place = (slice(20, 30), slice(30, 44))
    board[place] += 30.0
    tau[place] = 0.80
    session = frames_of(board, shift=(2.0, 1.0))
    rng = np.random.default_rng(2)
    for name, through in (("bare", 1.0), ("covered", tau)):
        received = through * TABLE.radiance(board) + (1 - through) * TABLE.radiance(24.0)
        noisy = TABLE.temperature(received + 0.03 * rng.standard_normal((10, *SHAPE))).astype(np.float32)
        session[f"{name}_temperature"] = ((f"{name}_frame", "row", "column"), noisy)
    session = correct_film(session, FilmSettings())
    still = {name: ("frame", np.zeros(3)) for name in ("shift_x", "shift_y", "rotation", "offset_step")}
    session = session.assign(still).assign(usable=("frame", np.ones(3, dtype=np.int8)), board_scale=((), 1.0))
    session = session.assign_coords(time=("frame", np.arange(3).astype("datetime64[s]").astype("datetime64[ns]")))
    made = map_to_board(session, BoardSettings())
    flags = made["film_trust"].to_numpy()
    assert (flags[24:30, 33:43] == CREASE).mean() > 0.9  # two rows down, one column to the right
    assert (flags[22:32, 31:45] == TRUSTED).mean() < 0.1
    assert made["film_trust"].attrs["flag_meanings"].split()[CREASE] == "crease_or_more_than_one_layer"
