"""A film as a lid, by balances and series worked out apart from it."""

import numpy as np
import pytest

from heatwake.kernels.film_lid import (
    LEAST_CLEARANCE,
    MATERIALS,
    bulge,
    film_temperature,
    least_clearance,
    radiosity_excess,
    slab,
    still_exchange,
    time_constant,
)

# Band averages of transmittance and reflectance, by an independent thin-film library over the published spectra.
POLYETHYLENE = {8: (0.895, 0.085), 10: (0.891, 0.085), 15: (0.881, 0.084), 20: (0.871, 0.083), 50: (0.815, 0.079)}
PVC = {8: (0.765, 0.072), 10: (0.733, 0.070), 12: (0.703, 0.068), 15: (0.662, 0.066), 20: (0.601, 0.062)}


@pytest.mark.parametrize(("name", "table", "within"), [("polyethylene", POLYETHYLENE, 0.005), ("PVC", PVC, 0.008)])
def test_one_pair_of_constants_gives_what_the_whole_spectrum_does(name, table, within):
    for thickness, expected in table.items():
        assert slab(MATERIALS[name], thickness=thickness) == pytest.approx(expected, abs=within)


@pytest.mark.parametrize(("absorptance", "expected"), [(0.024, 35.2), (0.2, 36.5)])
def test_film_over_a_moving_air(absorptance, expected):
    # 25 + (20 x 15 + alpha 225) / 30
    found = film_temperature(inside=40, room=25, inner=20, outer=10, absorptance=absorptance, excess=225.0)
    assert found == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize(("clearance", "expected"), [(10, 38.8), (5, 47.8), (3, 55.8)])
def test_film_over_a_part_of_90_degrees_in_still_air(clearance, expected):
    found = film_temperature(inside=90, room=25, inner=still_exchange(clearance), outer=10)
    assert found == pytest.approx(expected, abs=0.05)


def test_a_board_of_60_degrees_radiates_225_watts_more_than_a_room_of_25():
    assert radiosity_excess(60.0, room=25.0) == pytest.approx(225, abs=1)


def test_the_least_clearance_takes_the_film_to_its_limit():
    more = {"absorptance": 0.1, "excess": radiosity_excess(110.0, room=25.0)}
    clearance = least_clearance(110.0, room=25.0, outer=10.0, **more)
    inner = still_exchange(clearance)
    assert film_temperature(inside=110, room=25, inner=inner, outer=10, **more) == pytest.approx(60.0)
    assert least_clearance(59.0, room=25.0, outer=10.0) == 0
    assert least_clearance(110.0, room=25.0, outer=1.0, **more) == np.inf  # radiation alone is too much
    assert film_temperature(inside=90, room=25, inner=still_exchange(LEAST_CLEARANCE), outer=10) < 60


@pytest.mark.parametrize(("pressure", "expected"), [(20, 2.9), (50, 7.4)])
def test_bulge_of_a_square(pressure, expected):
    # 0.0737 p a^2 / N with a = 200 mm, N = 20 N/m
    assert bulge(pressure, sides=(200, 200), tension=20) == pytest.approx(expected, abs=0.05)
    assert bulge(pressure, sides=(200, 200), tension=20) == pytest.approx(0.0737 * pressure * 0.04 / 20 * 1e3, rel=1e-3)


def test_bulge_is_that_of_a_membrane_solved_on_a_grid():
    steps = 30
    across, up = 0.16 / steps, 0.10 / steps
    height = np.zeros((steps + 1, steps + 1))
    weight = 2 / across**2 + 2 / up**2
    for _ in range(2200):  # relaxation of the membrane's equation, nothing of the series
        beside = (height[1:-1, 2:] + height[1:-1, :-2]) / across**2 + (height[2:, 1:-1] + height[:-2, 1:-1]) / up**2
        height[1:-1, 1:-1] = (beside + 20.0 / 25.0) / weight
    assert bulge(20.0, sides=(160, 100), tension=25.0) == pytest.approx(height.max() * 1e3, rel=3e-3)
    assert bulge(20.0, sides=(100, 160), tension=25.0) == bulge(20.0, sides=(160, 100), tension=25.0)


def test_a_long_film_bulges_as_a_string_does():
    # p a^2 / 8 N between two far apart ends
    assert bulge(10.0, sides=(100, 3000), tension=20.0) == pytest.approx(10 * 0.01 / 160 * 1e3, rel=1e-4)


def test_ten_micrometres_follow_within_a_second():
    assert time_constant(MATERIALS["polyethylene"], thickness=10.0, exchange=20.0) == pytest.approx(1.06, abs=0.005)
