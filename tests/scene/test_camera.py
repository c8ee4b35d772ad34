"""The camera sees each point where a pinhole camera sees it, and writes what reaches it."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
import xarray as xr
from scipy.spatial.transform import Rotation

from heatwake.scene import Camera
from heatwake.scene.camera import leaving_radiance, project

PLAIN = Camera(offset=0.0)


def test_projection_is_that_of_an_independent_pinhole_camera() -> None:
    camera = replace(PLAIN, roll=0.0)
    x, y = np.array([0.0, 160.0, 30.0]), np.array([0.0, 100.0, 80.0])
    points = np.stack([x - 80, 50 - y, np.zeros(3)], axis=1)
    turn = Rotation.from_euler("yx", [camera.swing, camera.tilt], degrees=True)
    lens = np.array([[350.0, 0, 79.5 + 0.5], [0, 350.0, 59.5 - 0.8], [0, 0, 1]])
    expected, _ = cv2.projectPoints(points, turn.as_rotvec(), np.array([0, 0, camera.distance]), lens, None)
    column, row = project(camera.projection(160, 100), x, y)
    np.testing.assert_allclose(np.stack([column, row], axis=1), expected[:, 0], atol=1e-6)


def test_the_board_fills_most_of_the_picture_with_a_margin() -> None:
    column, row = project(PLAIN.projection(160, 100), np.array([0, 160, 160, 0.0]), np.array([100, 100, 0, 0.0]))
    assert column.min() > 3
    assert column.max() < 156
    assert row.min() > 3
    assert row.max() < 116
    assert cv2.contourArea(np.stack([column, row], axis=1).astype(np.float32)) > 0.55 * 160 * 120


def test_positive_rotation_turns_the_picture_counter_clockwise() -> None:
    still = PLAIN.projection(160, 100)
    turned = PLAIN.moved(still, shift_x=0, shift_y=0, rotation=1.0)
    point = np.array([140.0]), np.array([50.0])
    # A point to the right of the middle goes up, so its row falls, by its distance times the angle.
    before, after = project(still, *point), project(turned, *point)
    assert after[1][0] - before[1][0] == pytest.approx(-(before[0][0] - 79.5) * np.radians(1.0), rel=0.02)


def test_shift_moves_the_picture_right_and_down() -> None:
    still = PLAIN.projection(160, 100)
    moved = PLAIN.moved(still, shift_x=2.5, shift_y=-1.25, rotation=0.0)
    point = np.array([33.0]), np.array([71.0])
    np.testing.assert_allclose(np.subtract(project(moved, *point), project(still, *point)), [[2.5], [-1.25]], atol=1e-9)


def test_a_hot_cell_appears_where_its_centre_projects() -> None:
    board = np.zeros((100, 160))
    board[29, 100] = 1.0
    still = PLAIN.projection(160, 100)
    picture = PLAIN.see(board, still, cell=1.0, height=100.0, bench=0.0)
    row, column = np.indices(picture.shape)
    expected = project(still, np.array([100.5]), np.array([70.5]))
    # Nine rays a pixel and a tilted view shift the centroid of one cell by some hundredths of a pixel.
    assert (picture * column).sum() / picture.sum() == pytest.approx(expected[0][0], abs=0.05)
    assert (picture * row).sum() / picture.sum() == pytest.approx(expected[1][0], abs=0.05)


def test_blur_widens_an_edge_as_asked() -> None:
    """Edge spread of a Gaussian: slope at the edge = step / (sqrt(2 pi) sigma), pixel and cell included in sigma."""
    camera = replace(PLAIN, tilt=0.0, swing=0.0, roll=0.0, aim=(0.0, 0.0), focal=410.0, blur=2.0)
    board = np.zeros((100, 160))
    board[:, 80:] = 1.0
    picture = camera.see(board, camera.projection(160, 100), cell=1.0, height=100.0, bench=0.0)
    slope = picture[60, 80] - picture[60, 79]
    # Pixel, cell interpolation and difference, 1 px each, add their variances: 2^2 + 3/12.
    assert slope == pytest.approx(1 / np.sqrt(2 * np.pi * 4.25), rel=0.01)


def _point(celsius: float, *, emissivity: float, film: tuple[float, float, float], film_celsius: float) -> xr.Dataset:
    """Return the truth of one surface point in a room of 25 degC."""
    clear, own, mirror = film
    return xr.Dataset(
        {
            "temperature": (("time", "y", "x"), [[[celsius]]]),
            "film_temperature": (("time", "y", "x"), [[[film_celsius]]]),
            "emissivity": (("y", "x"), [[emissivity]]),
            "ambient": ("time", [25.0]),
            "film_transmittance": clear,
            "film_absorptance": own,
            "film_reflectance": mirror,
            "bench_offset": 0.0,
            "mirrored_offset": 0.0,
        }
    )


def test_radiance_through_a_warm_film() -> None:
    """Three-term balance worked by hand from the Planck series: 112.7940 W m-2 sr-1, read as 73.726 degC."""
    truth = _point(80.0, emissivity=0.95, film=(0.90, 0.06, 0.04), film_celsius=35.0)
    seen, _ = leaving_radiance(truth, 0, PLAIN.band)
    assert seen[0, 0] == pytest.approx(112.7940, abs=1e-4)
    assert float(PLAIN.band.temperature(seen[0, 0])) == pytest.approx(73.726, abs=1e-3)


def test_warm_surroundings_turn_a_prints_contrast_over() -> None:
    """A print of emissivity 0.5 beside a surface of 0.9: alike where both are as warm as what they mirror."""
    for rise, sign in ((0.0, 1), (1.0, 0), (10.0, -1)):
        shiny, dull = (
            _point(25.0 + rise, emissivity=one, film=(1.0, 0.0, 0.0), film_celsius=25.0).assign(mirrored_offset=1.0)
            for one in (0.5, 0.9)
        )
        difference = leaving_radiance(shiny, 0, PLAIN.band)[0][0, 0] - leaving_radiance(dull, 0, PLAIN.band)[0][0, 0]
        # Kirchhoff: the surface's share and the mirrored share swap weights of 0.4
        expected = 0.4 * (PLAIN.band.radiance(26.0) - PLAIN.band.radiance(25.0 + rise))
        assert difference == pytest.approx(float(expected), abs=1e-9)
        assert np.sign(np.round(difference, 9)) == sign


@pytest.mark.parametrize(
    ("true", "read"), [(25, 25.000), (30, 29.461), (40, 38.446), (60, 56.607), (73.75, 69.201), (100, 93.400)]
)
def test_readings_through_a_film_of_089(true: float, read: float) -> None:
    """A black body seen through a film of transmittance 0.89 in a room of 25 degC; the series worked separately."""
    truth = _point(true, emissivity=1.0, film=(0.89, 0.03, 0.08), film_celsius=25.0)
    seen, _ = leaving_radiance(truth, 0, PLAIN.band)
    assert float(PLAIN.band.temperature(seen[0, 0])) == pytest.approx(read, abs=1e-3)


def test_stored_numbers_mean_hundredths_of_a_degree() -> None:
    stored = Camera(offset=0.3).write(PLAIN.band.radiance(np.array([23.456, 80.0])), step=-0.2)
    np.testing.assert_array_equal(stored, [12356, 18010])
