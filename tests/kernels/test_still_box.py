"""A box with its fan stopped: heat balances in closed form, and how soon a limit is reached."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.constants import Stefan_Boltzmann
from scipy.optimize import brentq

from heatwake.kernels import still_box
from heatwake.kernels.recording_length import SHARES, SLOW_RATIO
from heatwake.kernels.still_box import StillBox, mean_rises, soonest, stopped_rises

BOX = StillBox(18.0, 160.0, 100.0, 25.0, 134.0, 23.5, 0.93, 0.89, 10.0)
AREA = 0.016


def rng() -> np.random.Generator:
    return np.random.default_rng(1)


@pytest.fixture
def known(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Set what is otherwise drawn; no way out that is not named."""

    def fix(**values: float) -> None:
        for name in ("FREE", "BACK", "WALLS", "SHOWS", "LEAVES"):
            value = values.get(name, 1e-12)
            monkeypatch.setattr(still_box, name, (value, value))

    return fix


def test_by_the_back_alone(known):
    known(BACK=5.0)
    np.testing.assert_allclose(mean_rises(BOX, rng=rng()), 18.0 / (5.0 * AREA), rtol=1e-6)


def test_by_radiation_alone(known):
    known(SHOWS=1.0)
    warm, room = 273.15 + 123.5, 273.15 + 23.5
    power = 0.93 * 0.89 * AREA * Stefan_Boltzmann * (warm**4 - room**4)
    np.testing.assert_allclose(mean_rises(replace(BOX, power=power), rng=rng()), 100.0, rtol=1e-6)
    bare = replace(BOX, power=power / 0.89, film=None)
    np.testing.assert_allclose(mean_rises(bare, rng=rng()), 100.0, rtol=1e-6)


def test_through_air_and_film_in_series(known):
    known(FREE=8.0)
    # surface to air 8, air to film between k / g and 8, film to room 10 W/m2/K
    rises = mean_rises(BOX, rng=rng())
    least = 18.0 / AREA * (1 / 8 + 1 / 8 + 1 / 10)
    most = 18.0 / AREA * (1 / 8 + 0.025 / 0.027 + 1 / 10)
    assert least <= rises.min() < 1.03 * least
    assert 0.97 * most < rises.max() <= most
    open_box = replace(BOX, film=None)
    np.testing.assert_allclose(mean_rises(open_box, rng=rng()), 18.0 / AREA / 8, rtol=1e-6)


def test_out_of_the_vents(known):
    known(FREE=1e6, LEAVES=1.0)
    open_ways = replace(BOX, film=0.89, outer=1e-9)
    [rise] = set(mean_rises(open_ways, rng=rng()).round(6))

    def lost(rise: float) -> float:  # 0.2 A sqrt(g H dT / 2 T), 1.19 kg/m3 of 1007 J/kg/K
        flow = 0.2 * 0.134 * 0.025 * np.sqrt(9.80665 * 0.025 * rise / 2 / 296.65)
        return float(101325 / 287.058 / 296.65 * 1007 * flow * rise) - 18.0

    assert rise == pytest.approx(brentq(lost, 1, 1e4), rel=1e-3)


def test_a_hotter_box_is_one_of_more_power_and_fewer_ways_out():
    middle = np.median(mean_rises(BOX, rng=rng()))
    assert np.median(mean_rises(replace(BOX, power=36.0), rng=rng())) > 1.6 * middle
    assert np.median(mean_rises(replace(BOX, vents=0.0), rng=rng())) > middle
    assert np.median(mean_rises(replace(BOX, width=320.0), rng=rng())) < 0.7 * middle


def test_no_part_gets_cooler_and_unknown_ones_stay_unknown():
    rises = np.array([30.0, np.nan, 50.0])
    low, high = stopped_rises(rises, BOX, rng=rng())
    assert np.isnan(low[1])
    assert (low[[0, 2]] >= rises[[0, 2]]).all()
    assert (high[[0, 2]] > low[[0, 2]] + 20).all()
    cool, _ = stopped_rises(rises, replace(BOX, power=0.1), rng=rng())
    np.testing.assert_allclose(cool[[0, 2]], rises[[0, 2]])


def test_a_limit_is_not_reached_sooner_than_by_a_part_that_keeps_its_heat():
    slope = SHARES[0] + SHARES[1] / SLOW_RATIO  # of a rise of 1 with the faster time constant as the unit

    def lacking(time: float) -> float:
        return SHARES[0] * np.exp(-time) + SHARES[1] * np.exp(-time / SLOW_RATIO) - np.exp(-1)

    to_63 = brentq(lacking, 0.1, 10)
    assert soonest(2.0, settled=1.0, constant=to_63) <= 2.0 / slope
    assert soonest(2.0, settled=1.0, constant=to_63) > 0.95 * 2.0 / slope
    assert soonest(40.0, settled=50.0, constant=60.0, start=50.0) == 0.0
