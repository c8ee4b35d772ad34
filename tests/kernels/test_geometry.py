import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.transform import ProjectiveTransform

from heatwake.kernels import geometry
from heatwake.kernels.interpolation import resample

CORNERS = np.array([[22.0, 18.0], [301.0, 20.0], [300.0, 195.0], [21.0, 193.0]])


def test_corners_go_to_corners():
    mapping = geometry.board_homography(CORNERS, width=160, height=100)
    board = np.array([[0, 100, 1], [160, 100, 1], [160, 0, 1], [0, 0, 1]]).T
    pixels = mapping @ board
    assert pytest.approx(CORNERS, abs=1e-3) == (pixels[:2] / pixels[2]).T


def test_the_homography_is_that_of_scikit_image():
    ours = geometry.board_homography(CORNERS, width=160, height=100)
    board = np.array([[0, 100], [160, 100], [160, 0], [0, 0]], dtype=float)
    reference = ProjectiveTransform.from_estimate(board, CORNERS).params
    assert ours / ours[2, 2] == pytest.approx(reference / reference[2, 2], rel=1e-4, abs=1e-7)


def test_a_resampled_hot_spot_is_the_hot_spot():
    # Closed form: a Gaussian spot of 3 px and 20 K is known at any place. Bicubic interpolation of it is good to 0.05 K
    # (third-order kernel: error grows with the fourth power of pixel over spot size).
    x, y = geometry.cell_centres(160, 1.0), geometry.cell_centres(100, 1.0)[::-1]
    mapping = geometry.board_homography(CORNERS, width=160, height=100) @ geometry.grid_to_board(x, y)

    def spot(columns, rows):
        return 20 * np.exp(-((columns - 130.3) ** 2 + (rows - 90.6) ** 2) / 18)

    rows, columns = np.mgrid[0:220, 0:330]
    grid = np.stack([*np.meshgrid(np.arange(160), np.arange(100)), np.ones((100, 160))])
    places = np.einsum("ij,jkl->ikl", mapping, grid)
    ours = resample(spot(columns, rows), mapping, shape=(100, 160))
    assert np.abs(ours - spot(places[0] / places[2], places[1] / places[2])).max() < 0.05


@given(length=st.floats(1, 500), step=st.floats(0.1, 5))
def test_cells_lie_within_the_board_and_are_centred(length, step):
    centres = geometry.cell_centres(length, step)
    assert centres[0] + centres[-1] == pytest.approx(length)
    assert len(centres) * step <= max(length, step) + 1e-6


def test_y_runs_down_the_rows_as_the_board_runs_up():
    y = geometry.cell_centres(100, 1.0)[::-1]
    assert geometry.grid_to_board(np.arange(3) + 0.5, y)[1].tolist() == [0, -1, 99.5]


def test_a_masked_pixel_masks_what_it_touches_and_no_more():
    picture = np.ones((20, 20))
    picture[10, 10] = np.nan
    shift = np.array([[1, 0, 0.5], [0, 1, 0], [0, 0, 1]], dtype=float)
    moved = resample(picture, shift, shape=(20, 19))
    assert np.argwhere(np.isnan(moved)).tolist() == [[10, 9], [10, 10]]


def test_corners_in_the_wrong_order_are_not_convex():
    assert geometry.is_convex(CORNERS)
    assert not geometry.is_convex(CORNERS[[0, 2, 1, 3]])
    assert not geometry.is_convex(CORNERS[::-1])


@pytest.mark.parametrize(("scale", "step"), [(1.0, 0.5), (0.5, 1.0), (0.13, 2.5)])
def test_the_step_is_a_round_number_below_a_pixel(scale, step):
    assert geometry.grid_step(CORNERS * scale, width=160, height=100) == pytest.approx(step)
