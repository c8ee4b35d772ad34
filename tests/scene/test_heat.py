"""Heat goes where closed forms and the books of energy say."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from heatwake.scene import Ambient, Film, Part, Scene, charger, settle, simulate
from heatwake.scene.heat import build_heat_model, sheet_conductance
from scene.boards import BARE, adiabatic, channel, sealed


@pytest.fixture(scope="module")
def warming() -> xr.Dataset:
    """The charger from power-on to near steady, on a coarse grid."""
    return simulate(charger(cell=2.0), np.arange(0.0, 602.0, 2.0))


def test_exhaust_air_carries_all_heat_of_an_insulated_box() -> None:
    scene = adiabatic(charger(cell=2.0))
    truth = settle(scene)
    mass_flow = scene.air.density * float(truth["fan_flow"])
    expected = scene.power / (mass_flow * scene.air.heat_capacity)
    assert float(truth["exhaust_rise"][0]) == pytest.approx(expected, rel=1e-6)


def test_exhaust_rise_follows_the_fan_makers_rule() -> None:
    """Flow in CFM = 1.76 P / rise, printed by fan makers for air of 1.2014 kg/m3 (3160 kW / dF)."""
    scene = adiabatic(channel(power=20.0))
    scene = replace(scene, air=replace(scene.air, density=1.2014))
    cubic_feet_a_minute = 1e-3 / 4.719474e-4
    # The rule is rounded to three digits.
    assert float(settle(scene)["exhaust_rise"][0]) == pytest.approx(1.76 * 20.0 / cubic_feet_a_minute, rel=0.01)


def test_steady_heat_balance_closes() -> None:
    truth = settle(charger(fan="in", cell=2.0)).isel(time=0)
    lost = sum(float(truth[name]) for name in ("exhaust_heat", "film_heat", "radiated_heat", "back_heat"))
    assert lost == pytest.approx(float(truth["power"]), rel=1e-6)


def test_heat_balance_closes_while_warming(warming: xr.Dataset) -> None:
    lost = sum(warming[name].values for name in ("exhaust_heat", "film_heat", "radiated_heat", "back_heat"))
    seconds = warming["elapsed"].values
    given = 18.0 * np.maximum(seconds - 10.0, 0)
    gone = np.concatenate([[0], np.cumsum((lost[1:] + lost[:-1]) / 2 * np.diff(seconds))])
    balance = warming["stored_heat"].values + gone
    late = seconds > 30
    # Trapezoid over 2 s steps of curves with 40 s time constants.
    np.testing.assert_allclose(balance[late], given[late], rtol=0.01)


def test_a_uniform_board_warms_exponentially() -> None:
    """Lumped body: P/G (1 - exp(-t G/C)); textbook."""
    scene = sealed()
    area, elapsed = 0.08 * 0.04, np.arange(0.0, 400.0, 4.0)
    loss = area * (scene.radiation + scene.board.back_loss)
    capacity = area * 1.6e-3 * scene.board.heat_capacity
    expected = 5.0 / loss * (1 - np.exp(-elapsed * loss / capacity))
    rise = simulate(scene, elapsed)["temperature_rise"].mean(("y", "x")).values
    # Second order in a step of 1/70 of the time constant.
    np.testing.assert_allclose(rise, expected, rtol=2e-4, atol=1e-9)


def test_halving_the_step_quarters_the_error() -> None:
    scene = sealed()
    rate = (scene.radiation + scene.board.back_loss) / (1.6e-3 * scene.board.heat_capacity)
    exact = 5.0 / (0.08 * 0.04 * 10.0) * (1 - np.exp(-400.0 * rate))
    error = [
        float(simulate(scene, np.arange(0.0, 401.0, step))["temperature_rise"][-1].mean()) - exact
        for step in (100.0, 50.0)
    ]
    assert error[0] / error[1] == pytest.approx(4.0, rel=0.25)


def test_a_heated_edge_decays_along_the_board_like_a_fin() -> None:
    """Fin with insulated tip, cosh(m (L - x)) with m2 = loss / (k d); textbook (Incropera and others, from memory)."""
    scene = replace(sealed(), board=replace(BARE, cell=1.0, width=120))
    scene = replace(scene, parts=(Part("edge", 2, 20, 4, 40, power=1.0),))
    along = settle(scene)["temperature_rise"][0].mean("y").values
    x = scene.board.x * 1e-3
    decay = np.sqrt((scene.radiation + scene.board.back_loss) / (3.0 * 1.6e-3))
    free = x > 0.005
    shape = np.cosh(decay * (0.12 - x))
    # 1 mm cells against a decay length of 22 mm: (1/22)^2 / 24 per length, well below 0.1 %.
    np.testing.assert_allclose(along[free] / along[free][0], shape[free] / shape[free][0], rtol=2e-3)


def test_air_warms_evenly_along_an_evenly_heated_channel() -> None:
    """Air rise = power upstream / (rho c flow): a heat balance."""
    scene = adiabatic(channel())
    scene = replace(scene, board=replace(scene.board, conductivity=1e-9), air=replace(scene.air, mixing=0.0))
    air = settle(scene)["air_temperature"][0].mean("y").values - 20.0
    upstream = 5.0 * np.arange(1, 41) / 40
    np.testing.assert_allclose(air, upstream / (scene.air.density * 1007.0 * 1e-3), rtol=1e-6)


def test_heat_is_carried_downstream_only() -> None:
    part = Part("source", 40, 20, 4, 4, tall=0.0, power=2.0)
    scene = replace(adiabatic(channel()), parts=(part,))
    scene = replace(scene, board=replace(scene.board, conductivity=0.05), air=replace(scene.air, mixing=0.0))
    rise = settle(scene)["temperature_rise"][0].sel(y=21.0)
    assert float(rise.sel(x=71.0)) > 100 * float(rise.sel(x=9.0))


def test_double_power_doubles_the_rise() -> None:
    scene = charger(cell=2.0, ambient=Ambient(start=25.0))
    once, twice = settle(scene), settle(scene.scaled(2.0))
    np.testing.assert_allclose(twice["temperature_rise"], 2 * once["temperature_rise"], rtol=1e-9)


def test_powers_add_up_by_superposition() -> None:
    scene = charger(cell=2.0)
    alone = [
        settle(replace(scene, parts=tuple(replace(p, power=p.power * (p.name in names)) for p in scene.parts)))
        for names in (("Q1", "T1", "U1"), ("BR1", "L1", "Q2", "D1", "D2"))
    ]
    together = settle(scene)["temperature_rise"]
    np.testing.assert_allclose(sum(one["temperature_rise"] for one in alone), together, rtol=1e-8)


def test_a_mirrored_scene_has_the_mirrored_truth() -> None:
    scene = charger(fan="in", cell=2.0)
    plain, mirrored = settle(scene), settle(scene.mirrored())
    np.testing.assert_allclose(
        mirrored["temperature"].values[..., ::-1], plain["temperature"].values, rtol=0, atol=1e-8
    )
    turned = 180 - plain["board_direction"].values - mirrored["board_direction"].values
    assert np.abs((turned + 180) % 360 - 180).max() < 1e-6


def test_directions_point_along_a_straight_flow() -> None:
    truth = settle(channel())
    assert float(truth["board_direction"][0]) == pytest.approx(0.0, abs=1e-6)
    assert float(truth["part_direction"][0, 0]) == pytest.approx(0.0, abs=1e-6)


def test_still_air_has_no_direction() -> None:
    truth = settle(charger(fan="off", cell=2.0))
    assert np.isnan(truth["board_direction"].values).all()
    assert np.isnan(truth["part_direction"].values).all()


def test_covering_the_left_vent_turns_the_flow() -> None:
    opened = settle(charger(fan="in", cell=2.0))
    covered = settle(charger(fan="in", left_vent="covered", cell=2.0))
    assert abs(float(opened["board_direction"][0] - covered["board_direction"][0])) > 25


def test_the_film_lies_between_air_and_room() -> None:
    scene = charger(cell=2.0, film=Film(inner_exchange=9.0, outer_exchange=3.0), ambient=Ambient(start=20.0))
    truth = settle(scene)
    air, film = truth["air_temperature"] - 20.0, truth["film_temperature"] - 20.0
    np.testing.assert_allclose(film, 0.75 * air, rtol=1e-9)


def layered(scene: Scene, **changes: float) -> Scene:
    """Return the scene with slower air next to the board."""
    return replace(scene, air=replace(scene.air, wall_layer=3.5, **changes))


def test_heat_balance_closes_with_slower_air_next_to_the_board() -> None:
    truth = settle(layered(charger(fan="in", cell=2.0))).isel(time=0)
    lost = sum(float(truth[name]) for name in ("exhaust_heat", "film_heat", "radiated_heat", "back_heat"))
    assert lost == pytest.approx(float(truth["power"]), rel=1e-6)


def test_two_layers_of_air_that_exchange_all_heat_are_one() -> None:
    scene = charger(cell=2.0)
    one, two = settle(scene), settle(layered(scene, wall_exchange=1e8))
    np.testing.assert_allclose(two["temperature_rise"], one["temperature_rise"], rtol=1e-5)


def test_slower_air_is_warmer_by_what_it_passes_on() -> None:
    """Heat per area over the exchange, far from the inlet, less what warms the slow layer itself: a heat balance."""
    scene = layered(adiabatic(channel()), wall_exchange=30.0, mixing=0.0)
    scene = replace(scene, board=replace(scene.board, conductivity=1e-9))
    model = build_heat_model(scene)
    surface, near, above = (field[10, -1] for field in model.steady(20.0))
    area, per_area = 0.08 * 0.04, 5.0 / (0.08 * 0.04)
    share = scene.air.wall_flow  # of the heat stays in the slow layer where both warm up alike
    settled = 1.0 - np.exp(-30.0 * area / (share * (1 - share) * 1.19 * 1007.0 * 1e-3))
    assert near - above == pytest.approx(per_area * (1 - share) / 30.0 * settled, rel=0.02)
    assert surface > near


def test_patches_of_copper_keep_the_mean_of_the_logarithm() -> None:
    plain = charger(cell=2.0)
    plain = replace(plain, parts=(), board=replace(plain.board, copper=()))
    patched = replace(plain, board=replace(plain.board, patchiness=0.5))
    ratio = np.log(sheet_conductance(patched) / sheet_conductance(plain))
    assert ratio.mean() == pytest.approx(0.0, abs=1e-12)
    assert ratio.std() == pytest.approx(0.5)
    # Neighbours 2 mm apart under a Gaussian of 10 mm: correlation exp(-(2/10)^2 / 4) = 0.99.
    assert np.corrcoef(ratio[:, 1:].ravel(), ratio[:, :-1].ravel())[0, 1] > 0.97
    again = replace(patched, board=replace(patched.board, texture_seed=12))
    assert not np.allclose(sheet_conductance(again), sheet_conductance(patched))


def test_the_board_follows_a_drifting_room_before_power_on() -> None:
    scene = charger(cell=2.0, ambient=Ambient(start=20.0, drift=1.0, settle=1000.0))
    truth = simulate(replace(scene, power_on=1e9), np.arange(0.0, 400.0, 20.0))
    rise = truth["temperature_rise"][-1].values
    # It lags the room, by no more than drift / settle times its slowest time constant (some 100 s).
    assert -0.1 < rise.min() <= rise.max() < 0


def test_parts_settle_within_the_recording(warming: xr.Dataset) -> None:
    settled = settle(charger(cell=2.0))["part_rise_mean"][:, 0]
    share = warming["part_rise_mean"][:, -1] / settled
    # Slowest part about 90 s: exp(-590/90) is 0.1 %; the room's drift adds its lag.
    np.testing.assert_allclose(share, 1.0, atol=0.01)
    assert np.all((warming["part_time_constant"] > 30) & (warming["part_time_constant"] < 110))


def test_power_that_comes_on_within_a_step_gives_its_share() -> None:
    scene = adiabatic(sealed())
    scene = replace(scene, power_on=3.0, film=Film())
    stored = simulate(scene, np.array([0.0, 4.0]))["stored_heat"].values[-1]
    assert stored == pytest.approx(5.0, rel=1e-9)


def test_times_must_increase() -> None:
    with pytest.raises(ValueError, match="increase"):
        simulate(sealed(), np.array([0.0, 1.0, 1.0]))


def test_a_film_must_add_up() -> None:
    with pytest.raises(ValueError, match="must be 1"):
        Film(transmittance=0.9, absorptance=0.03, reflectance=0.03)
