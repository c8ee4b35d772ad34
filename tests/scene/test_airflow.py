"""The flow field keeps the air's volume and knows its walls."""

from dataclasses import replace

import numpy as np
import pytest

from heatwake.scene import Board, Opening, charger
from heatwake.scene.airflow import permeability, solve_flow
from scene.boards import channel


@pytest.mark.parametrize("fan", ["in", "out"])
def test_every_cell_passes_on_what_it_gets(fan: str) -> None:
    flow = solve_flow(charger(fan=fan, cell=2.0))
    net = flow.divergence
    # A direct solve: rounding of some 1e-15 of the fan's 1e-3 m3/s.
    assert np.abs(net).max() < 1e-12


def test_the_vents_pass_what_the_fan_moves() -> None:
    flow = solve_flow(charger(fan="out", cell=2.0, flow=2e-3))
    assert flow.inflow.sum() == pytest.approx(2e-3, rel=1e-9)
    assert flow.outflow.sum() == pytest.approx(2e-3, rel=1e-9)


def test_walls_let_nothing_through() -> None:
    flow = solve_flow(charger(fan="in", left_vent="covered", cell=2.0))
    assert np.all(flow.right[:, 0] == 0)
    assert np.all(flow.down[-1] == 0)


def test_a_straight_channel_has_one_velocity() -> None:
    flow = solve_flow(channel())
    # 1e-3 m3/s through 40 mm x 25 mm is 1 m/s.
    np.testing.assert_allclose(flow.velocity_x, 1.0, rtol=1e-9)
    np.testing.assert_allclose(flow.velocity_y, 0.0, atol=1e-9)


def test_speed_falls_as_one_over_distance_round_a_small_vent() -> None:
    """Potential flow into a small opening in a wall: speed is flow / (pi r height), a textbook half sink."""
    board = Board(width=200, height=200, cell=1.0)
    openings = (
        Opening("vent", "vent", (98, 0), (102, 0)),
        Opening("fan", "fan", (0, 200), (200, 200), flow=1e-3),
    )
    flow = solve_flow(replace(channel(), board=board, parts=(), openings=openings))
    speed = np.hypot(flow.velocity_x, flow.velocity_y)
    row, column = 200 - 20, 100
    radius = np.hypot(board.x[column] - 100, board.y[row]) * 1e-3
    # At 20 mm neither the vent's width (4 mm) nor the fan (200 mm off) matters by more than 3 %.
    assert speed[row, column] == pytest.approx(1e-3 / (np.pi * radius * 0.025), rel=0.03)


def test_the_air_avoids_a_tall_part() -> None:
    scene = charger(fan="out", cell=2.0)
    speed = np.hypot(solve_flow(scene).velocity_x, solve_flow(scene).velocity_y)
    tall = scene.board.inside(next(part for part in scene.parts if part.name == "HS1"))
    # HS1 fills 88 % of the channel.
    assert speed[tall].mean() < 0.5 * speed[~tall].mean()


def test_only_a_blowing_fan_makes_a_jet() -> None:
    bare = replace(charger(fan="out"), parts=())
    np.testing.assert_allclose(permeability(bare), 1.0)
    assert permeability(replace(charger(fan="in"), parts=())).max() > 1.5


def test_a_jet_breaks_the_symmetry_of_blowing_and_drawing() -> None:
    drawn, blown = (solve_flow(charger(fan=fan, cell=2.0)) for fan in ("out", "in"))
    difference = np.abs(drawn.velocity_x + blown.velocity_x).max()
    assert difference > 0.05 * np.abs(drawn.velocity_x).max()
    without = replace(charger(fan="in", cell=2.0), air=replace(charger().air, jet=0.0))
    np.testing.assert_allclose(solve_flow(without).velocity_x, -drawn.velocity_x, atol=1e-12)


def test_a_fan_off_means_still_air() -> None:
    flow = solve_flow(charger(fan="off", cell=2.0))
    assert np.all(flow.velocity_x == 0)
    assert np.all(flow.velocity_y == 0)


def test_a_fan_without_a_vent_is_refused() -> None:
    scene = charger(left_vent="covered", top_vent="covered")
    with pytest.raises(ValueError, match="nowhere to go"):
        solve_flow(scene)


def test_an_opening_off_the_edge_is_refused() -> None:
    opening = Opening("odd", "vent", (3, 0), (3, 20))
    with pytest.raises(ValueError, match="does not lie on an edge"):
        opening.side(Board())
