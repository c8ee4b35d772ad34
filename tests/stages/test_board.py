"""Frames to board maps: what was summed while motion was measured is what the frames themselves give, to the bit."""

import dask.array as da
import numpy as np
import pytest
import xarray as xr

from heatwake.errors import InputError
from heatwake.kernels.planck import BandTable
from heatwake.stages import frame_blocks
from heatwake.stages.board import BoardSettings, analysis_bins, map_to_board
from heatwake.stages.film import FilmSettings, correct_film
from heatwake.stages.registration import STAGE, RegistrationSettings, register
from heatwake.store.frames import tiff
from heatwake.store.session import open_session
from stages.test_registration import draw_board

SETTINGS = BoardSettings(analysis_s=8.0)
BOARD = "[board]\nwidth_mm = 100.0\nheight_mm = 70.0\ncorners_px = [[8, 6], [119, 7], [118, 89], [9, 88]]\n"
POSES = np.zeros((60, 3))
POSES[36:] = (2.0, -1.5, 0.3)  # a knock in the middle of a step


@pytest.fixture
def recorded(write_session):
    """A knocked, once frozen, once covered recording, summed by steps of eight frames while it is registered."""
    frames = np.round((draw_board(POSES) + 100) / 0.01).astype(np.uint16)
    frames[20] = frames[19]
    frames[50:52, 60:, 40:60] += 1200  # a hand
    session = open_session(write_session(BOARD, frames=frames)).dataset
    session = correct_film(session, FilmSettings())
    return session.assign(bin=("frame", analysis_bins(session["elapsed"].to_numpy(), SETTINGS)))


def test_sums_give_what_the_frames_give_whatever_the_blocks(recorded, monkeypatch):
    made = register(recorded, RegistrationSettings())
    assert np.flatnonzero(made["usable"].to_numpy() == 0).tolist() == [20]
    assert made["masked_frame"].to_numpy().tolist() == [50, 51]
    summed = map_to_board(made, SETTINGS)
    read = map_to_board(made.drop_vars(["mean_radiance", "summed"]), SETTINGS)
    np.testing.assert_array_equal(summed["board_radiance"], read["board_radiance"])
    monkeypatch.setattr(frame_blocks, "BLOCK_BYTES", 7 * 96 * 128 * 2)
    cut = register(recorded, RegistrationSettings())
    for name in (*STAGE.makes, "summed", "mean_radiance"):
        np.testing.assert_array_equal(cut[name], made[name], err_msg=name)


def test_a_hand_is_left_out_of_the_maps_and_the_rest_of_its_frames_is_used(recorded):
    made = map_to_board(register(recorded, RegistrationSettings()), SETTINGS)
    hand = register(recorded, RegistrationSettings())
    left_out = hand.copy()
    left_out["usable"][50:52] = 0
    left_out = left_out.drop_vars(["masked_frame", "frame_mask"])
    shown, dropped = (one["board_radiance"].isel(time=6).to_numpy() for one in (made, map_to_board(left_out, SETTINGS)))
    # where the hand was the six other frames of the step are averaged, elsewhere all eight
    assert np.isfinite(shown).all()
    covered = np.zeros_like(shown, dtype=bool)
    y, x = made["y"].to_numpy(), made["x"].to_numpy()
    covered[np.ix_(y < 20, (x > 30) & (x < 44))] = True  # within the hand's 20 columns and below its rim
    np.testing.assert_allclose(shown[covered], dropped[covered], rtol=2e-6)
    assert 0 < np.abs(shown[y > 45] - dropped[y > 45]).max() < 0.02 * dropped.max()
    assert made["frames_used"].to_numpy().tolist()[6] == 8


def test_only_frames_of_steps_that_need_it_are_read_again(recorded, monkeypatch):
    made = register(recorded, RegistrationSettings())
    asked = []
    read = frame_blocks.FrameBlock.read
    monkeypatch.setattr(
        frame_blocks.FrameBlock, "read", lambda self: asked.extend(range(self.start, self.stop)) or read(self)
    )
    map_to_board(made, SETTINGS)["board_radiance"].compute()
    steps = {16: "a frozen frame of it is known only afterwards or was left out", 32: "the knock", 48: "the hand"}
    assert {frame // 8 * 8 for frame in asked} <= set(steps)
    assert {32, 48} <= {frame // 8 * 8 for frame in asked}


def test_a_frame_is_read_without_its_neighbours(write_session, monkeypatch):
    frames = np.arange(40 * 30 * 50, dtype=np.uint16).reshape(50, 30, 40)
    session = open_session(write_session(frames=frames)).dataset
    decoded = []
    decode = tiff._decode
    monkeypatch.setattr(tiff, "_decode", lambda *given, **named: decoded.append(1) or decode(*given, **named))
    block = frame_blocks.some_frames(session, 17, 18)
    assert not decoded
    np.testing.assert_array_equal(block.read(), frames[17:18])
    assert len(decoded) == 1


def test_maps_are_the_radiance_of_the_surface():
    # closed form: a level board at 40 degC, no film, a camera that assumed a blackbody
    frames = np.full((6, 40, 50), 40.0, dtype=np.float32)
    session = xr.Dataset(
        {
            "indicated_temperature": (("frame", "row", "column"), da.from_array(frames, chunks=(4, -1, -1))),
            "film_added": ("frame", np.zeros(6)),
            "usable": ("frame", np.array([1, 1, 0, 1, 1, 1], dtype=np.int8)),
            "frame_ambient": ("frame", np.full(6, 20.0)),
            **{name: ("frame", np.zeros(6)) for name in ("shift_x", "shift_y", "rotation", "offset_step")},
            **{"band_low": 7.5, "band_high": 14.0, "emissivity_setting": 1.0, "reflected_setting": 20.0},
            **{"transmittance": 1.0, "board_scale": np.nan},
        },
        coords={
            "elapsed": ("frame", np.arange(6) * 0.5),
            "time": ("frame", np.arange(6).astype("M8[s]").astype("M8[ns]")),
        },
    )
    made = map_to_board(session, BoardSettings())
    expected = float(BandTable.for_band(7.5, 14.0).radiance(40.0))
    np.testing.assert_allclose(made["board_radiance"], expected, atol=1e-5)
    assert made["frames_used"].to_numpy().tolist() == [2, 1, 2]


def test_a_grid_beyond_memory_is_refused(recorded):
    made = register(recorded, RegistrationSettings())
    with pytest.raises(InputError, match=r"board\.step_mm is 1e-06, must give at most 16000000 cells"):
        map_to_board(made, BoardSettings(step_mm=1e-6))


POINTS = "".join(
    f"[[board.points]]\nx_mm = {x}\ny_mm = {y}\npx = [{8 + x * 1.1:.2f}, {88 - y * 1.17:.2f}]\n"
    for x, y in ((30, 20), (70, 50))
)


def test_known_points_and_a_lens_go_into_the_maps(write_session):
    frames = np.round((draw_board(np.zeros((6, 3))) + 100) / 0.01).astype(np.uint16)
    camera = "[camera]\nfocal_px = 300.0\ndistortion = [-0.05, 0.0, 0.0, 0.0]\n"
    made = {}
    for name, text in (("plain", BOARD), ("pointed", BOARD + POINTS), ("bent", camera + BOARD + POINTS)):
        session = open_session(write_session(text, frames=frames, name=name)).dataset
        made[name] = map_to_board(register(correct_film(session, FilmSettings()), RegistrationSettings()), SETTINGS)
    assert "mark_residual" not in made["plain"]
    assert made["pointed"]["mark"].to_numpy()[-1] == "point 2"
    assert float(made["pointed"]["mark_residual_rms"]) < 2
    # 111 x 82 px on 100 x 70 mm, roughly
    assert float(made["plain"]["pixel_size"].mean()) == pytest.approx(np.sqrt(100 * 70 / (110 * 82)), rel=0.01)
    # to the bit where nothing bends; a lens that bends moves the middle little and the rim more
    difference = np.abs(made["bent"]["board_radiance"] - made["pointed"]["board_radiance"])[0].to_numpy()
    assert np.nanmax(difference) > 0
    ratio = made["bent"]["pixel_size"] / made["pointed"]["pixel_size"]
    assert float(ratio[0, 0]) > float(ratio.isel(y=ratio.sizes["y"] // 2, x=ratio.sizes["x"] // 2))


def test_edges_of_a_colour_video_lie_on_the_board_where_they_are_seen(write_session):
    frames = np.full((2, 96, 128), 12400, np.uint16)
    session = open_session(write_session(BOARD, frames=frames)).dataset
    reading = np.full((96, 128), 0.3)
    reading[40:43, 60:64] = 0.5
    known = session.assign(reading_uncertainty=(("row", "column"), reading), scale_uncertainty=0.3)
    made = map_to_board(register(correct_film(known, FilmSettings()), RegistrationSettings()), SETTINGS)
    edges = made["edge_uncertainty"]
    assert set(edges.to_numpy().astype(float).round(4).ravel()) == {0.0, 0.4}  # 0.5 squared less 0.3 squared
    y, x = (edges[axis].to_numpy()[(edges > 0).any(other)] for axis, other in (("y", "x"), ("x", "y")))
    # about 110 pixels across 100 mm and 82 down 70 mm: pixels 52 to 55 of the board, and 33 to 36 from its top
    assert (x.min(), x.max()) == pytest.approx((47.3, 50.5), abs=1.0)
    assert (y.max(), y.min()) == pytest.approx((41.5, 38.9), abs=1.0)
