"""How far two board maps lie apart: corners of the scene's camera, moved by known errors."""

import numpy as np
import pytest
import xarray as xr

from board_pictures import CAMERA, MOVED, corners, hot, other_board, picture
from heatwake.kernels.interpolation import resample
from heatwake.scene import charger
from heatwake.stages.board_match import _board_picture, residual_place

X, Y = np.arange(0.5, 160), np.arange(99.5, 0, -1)
ERROR = np.array([[0.9, 0.4], [0.9, -0.5], [1.0, 0.3], [0.8, 0.2]])  # [px] of clicked corners: mostly to the right


def described(still: np.ndarray, where: np.ndarray) -> xr.Dataset:
    return xr.Dataset(
        {
            "still_picture": (("picture_row", "picture_column"), still),
            "corner_column": ("corner", where[:, 0]),
            "corner_row": ("corner", where[:, 1]),
            "board_width": ((), 160.0),
            "board_height": ((), 100.0),
        },
        coords={"row": np.arange(120), "column": np.arange(160), "x": X, "y": Y},
    )


@pytest.fixture(scope="module")
def truth():
    return hot(charger(fan="out"))


@pytest.fixture(scope="module")
def base(truth):
    return described(picture(truth, CAMERA, seed=1), corners(CAMERA))


@pytest.fixture(scope="module")
def clicked(truth):
    """The same heat from elsewhere, its corners clicked wrongly."""
    return described(picture(truth, MOVED, seed=2), corners(MOVED) + ERROR)


def test_an_error_of_clicked_corners_is_found(base, clicked):
    found = residual_place(clicked, base, farthest=4.0)
    assert found.state == "corrected"
    # what lies at the middle of the board lies by the inverse of the error elsewhere in the wrongly placed map
    assert found.shift == pytest.approx(_true_shift(clicked), abs=0.15)  # [mm], of a pixel of 0.9 mm
    assert 0 < found.uncertainty < 0.3


def _true_shift(clicked: xr.Dataset) -> tuple[float, float]:
    """Where the wrong corners put the board's true middle, less the middle [mm]: by two perspective transforms."""
    import cv2

    board = np.array([[0, 100], [160, 100], [160, 0], [0, 0]], dtype=np.float32)
    to_picture = cv2.getPerspectiveTransform(board, corners(MOVED).astype(np.float32))
    seen = np.stack([clicked["corner_column"], clicked["corner_row"]], axis=1).astype(np.float32)
    back = cv2.getPerspectiveTransform(seen, board)
    placed = back @ to_picture @ [80, 50, 1]
    return placed[0] / placed[2] - 80, placed[1] / placed[2] - 50


def test_taking_it_out_leaves_little_of_the_false_difference(base, clicked):
    found = residual_place(clicked, base, farthest=4.0)
    maps = [_board_picture(one, X, Y) for one in (base, clicked)]
    moved = resample(maps[1], found.matrix, shape=maps[1].shape)
    edges = np.hypot(*np.gradient(maps[0])) > 1.0  # [K a cell]
    before, after = (_at_edges(one - maps[0], edges) for one in (maps[1], moved))
    assert before > 0.4  # [K], of edges of some 2 K a cell
    assert after < 0.4 * before


def _at_edges(difference: np.ndarray, edges: np.ndarray) -> float:
    """Return the median size of a difference at edges, beyond what the pictures' levels differ by."""
    return float(np.nanmedian(np.abs(difference - np.nanmedian(difference[~edges]))[edges]))


def test_corners_that_are_right_need_no_correction(base, truth):
    right = described(picture(truth, MOVED, seed=2), corners(MOVED))
    found = residual_place(right, base, farthest=4.0)
    assert found.state == "corrected"
    assert np.hypot(*found.shift) < 0.15  # [mm]
    assert abs(found.rotation) < 0.1  # [deg]


def test_another_board_does_not_match(base):
    other = described(picture(hot(other_board(3)), MOVED, seed=3), corners(MOVED))
    assert residual_place(other, base, farthest=4.0).state in ("no match", "not told")


def test_maps_far_apart_are_not_moved(base, truth):
    far = described(picture(truth, MOVED, seed=2), corners(MOVED) + np.array([9.0, 0.0]))
    found = residual_place(far, base, farthest=4.0)
    assert found.state == "too far"
    assert found.shift[0] < -5  # [mm]: corners too far to the right put the board's things too far to the left


def test_without_corners_or_picture_nothing_is_told(base):
    for name in ("corner_column", "still_picture"):
        assert residual_place(base.drop_vars(name), base, farthest=4.0).state == "not told"
