"""Air through a box, by tables and rules of the trade."""

import pytest

from heatwake.kernels.fan_air import (
    CUBIC_FEET_PER_MINUTE,
    air_density,
    covered_flow,
    exhaust_rise,
    fan_life,
    flow_needed,
    rise_factors,
    thinner_air,
)


@pytest.mark.parametrize(("temperature", "density"), [(20, 1.204), (25, 1.184), (30, 1.164), (40, 1.127)])
def test_density_of_air(temperature, density):
    # Cengel's property table at 1 atm
    assert air_density(temperature) == pytest.approx(density, abs=6e-4)


def test_flow_that_carries_20_watts_at_10_kelvin():
    assert flow_needed(20.0, rise=10.0, ambient=25.0) == pytest.approx(1.68, abs=0.005)
    # 1.76 P / dT, the rule of fan makers for air of 1.2014 kg/m3 (20.6 degC)
    feet = flow_needed(20.0, rise=10.0, ambient=20.6) * 1e-3 / CUBIC_FEET_PER_MINUTE
    assert feet == pytest.approx(3.5, abs=0.05)
    assert feet == pytest.approx(1.76 * 20 / 10, rel=0.006)  # theirs has a heat capacity of 1004 J/kg/K


def test_exhaust_rise_of_20_watts_in_10_cubic_feet_a_minute():
    # 3.554 K at 25 degC, from the same property table
    flow = 10 * CUBIC_FEET_PER_MINUTE * 1e3
    assert exhaust_rise(20.0, flow=flow, ambient=25.0) == pytest.approx(3.554, abs=0.005)


def test_a_fan_s_own_2_watts_add_a_tenth_to_20():
    assert exhaust_rise(22.0, flow=1.5, ambient=25.0) / exhaust_rise(20.0, flow=1.5, ambient=25.0) == pytest.approx(1.1)


@pytest.mark.parametrize(("warmer", "mass", "rise"), [(10, 0.968, 1.033), (20, 0.937, 1.067)])
def test_warmer_air_is_thinner(warmer, mass, rise):
    # ideal gas at 25 degC
    assert thinner_air(warmer, ambient=25.0) == pytest.approx(mass, abs=1e-3)
    assert 1 / thinner_air(warmer, ambient=25.0) == pytest.approx(rise, abs=1e-3)


@pytest.mark.parametrize(("rule", "ten", "twenty"), [(1.5, 0.67, 0.44), (2.0, 0.50, 0.25)])
def test_life_of_a_fan_in_warmer_air(rule, ten, twenty):
    assert fan_life(10.0, per_ten_kelvin=rule) == pytest.approx(ten, abs=0.005)
    assert fan_life(20.0, per_ten_kelvin=rule) == pytest.approx(twenty, abs=0.005)


@pytest.mark.parametrize(
    ("vents", "share", "flow", "exhaust", "surface"),
    [
        (0.3, 0.25, 0.94, 1.06, (1.03, 1.05)),
        (0.3, 0.50, 0.82, 1.22, (1.11, 1.17)),
        (0.3, 0.75, 0.55, 1.81, (1.35, 1.61)),
        (0.5, 0.25, 0.91, 1.10, (1.05, 1.08)),
        (0.5, 0.50, 0.74, 1.34, (1.16, 1.27)),
        (0.5, 0.75, 0.46, 2.17, (1.47, 1.86)),
        (0.7, 0.25, 0.88, 1.14, (1.07, 1.11)),
        (0.7, 0.50, 0.69, 1.45, (1.21, 1.35)),
        (0.7, 0.75, 0.41, 2.47, (1.57, 2.06)),
    ],
)
def test_covered_vents(vents, share, flow, exhaust, surface):
    # the quadratic solved by hand for each; printed digits
    ratio = covered_flow(share, vents=vents)
    assert ratio == pytest.approx(flow, abs=0.006)
    assert 1 / ratio == pytest.approx(exhaust, abs=0.006)
    assert rise_factors(ratio) == pytest.approx(surface, abs=0.006)


def test_nothing_covered_changes_nothing_and_all_covered_stops_the_air():
    assert covered_flow(0.0, vents=0.5) == pytest.approx(1.0)
    assert covered_flow(1.0, vents=0.5) == 0.0
    assert rise_factors(1.0) == (1.0, 1.0)
