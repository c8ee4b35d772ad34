"""Air with momentum against closed forms: a channel's parabola, a jet's width, the head that drag costs."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from heatwake.scene import Air, Board, Opening, Part, Scene, charger
from heatwake.scene.airflow import Flow, solve_flow
from heatwake.scene.momentum import drag_map, jet_viscosity, solve_momentum

SMOOTH = Air(momentum=True, friction=0.0, channel=25.0)
SLOT, SPEED = 8.0, 1.0  # [mm], [m/s]


@cache
def charger_flow(fan: str, swirl: float = 0.0) -> Flow:
    scene = charger(fan=fan, cell=2.0)
    return solve_flow(replace(scene, air=replace(scene.air, momentum=True, swirl=swirl)))


@pytest.fixture(scope="module")
def jet() -> tuple[Scene, np.ndarray]:
    """A slot in a wall that blows into an open space, and the velocity in its direction."""
    openings = (
        Opening("slot", "fan", (0, 40 - SLOT / 2), (0, 40 + SLOT / 2), flow=SPEED * 0.025 * SLOT * 1e-3),
        Opening("right", "vent", (100, 0), (100, 80)),
        Opening("lower", "vent", (0, 0), (100, 0)),
        Opening("upper", "vent", (0, 80), (100, 80)),
        Opening("below", "vent", (0, 0), (0, 30)),
        Opening("above", "vent", (0, 50), (0, 80)),
    )
    scene = Scene(board=Board(width=100, height=80, cell=2.0), openings=openings, air=SMOOTH)
    return scene, solve_flow(scene).velocity_x


def half_widths(scene: Scene, velocity: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Return where the velocity is half of the middle's [mm]."""
    y, middle = scene.board.y, scene.board.height / 2
    upper = y > middle
    return np.array([np.interp(0.5, velocity[upper, c] / velocity[:, c].max(), y[upper] - middle) for c in columns])


@pytest.mark.parametrize("fan", ["in", "out"])
def test_mass_is_kept_to_rounding(fan: str) -> None:
    flow = charger_flow(fan)
    assert np.abs(flow.divergence).max() < 1e-12
    assert flow.inflow.sum() == pytest.approx(flow.outflow.sum(), rel=1e-9)
    assert flow.inflow.sum() == pytest.approx(1.3e-3, rel=1e-9)


def test_flow_between_walls_becomes_the_parabola() -> None:
    """1.5 mean (1 - (2 y / width)^2): plane Poiseuille flow, any textbook (White, Viscous Fluid Flow, chapter 3)."""
    openings = (Opening("fan", "fan", (0, 0), (0, 20), flow=0.025 * 0.02), Opening("end", "vent", (60, 0), (60, 20)))
    scene = Scene(board=Board(width=60, height=20, cell=1.0), openings=openings, air=SMOOTH)
    found = solve_momentum(scene, viscosity=1e-3).right[:, 45]
    across = (scene.board.y - 10) / 10
    # 20 cells across: half a cell from the wall the second-order scheme is off by 1/400 of the middle's speed.
    np.testing.assert_allclose(found, 1.5 * (1 - across**2), atol=0.01)


def test_a_jet_has_the_profile_of_a_plane_jet(jet: tuple[Scene, np.ndarray]) -> None:
    """sech^2: Bickley 1937, in Schlichting, Boundary-Layer Theory, chapter on exact solutions."""
    scene, velocity = jet
    (half,) = half_widths(scene, velocity, np.array([35]))
    away = np.abs(scene.board.y - 40) / half
    near = away < 1.5
    profile = velocity[:, 35] / velocity[:, 35].max()
    assert profile[near] == pytest.approx(1 / np.cosh(0.8814 * away[near]) ** 2, abs=0.02)


def test_a_jet_widens_as_a_plane_jet_of_its_momentum_and_viscosity(jet: tuple[Scene, np.ndarray]) -> None:
    """Bickley: half-width 3.203 (nu^2 x^2 / K)^(1/3), K the momentum flow over density and height; so its power 1.5
    grows evenly from wherever the jet seems to begin."""
    scene, velocity = jet
    columns = np.arange(15, 41)
    momentum = (velocity[:, columns] ** 2).sum(axis=0).mean() * 2e-3
    slope = np.polyfit(scene.board.x[columns] * 1e-3, (half_widths(scene, velocity, columns) * 1e-3) ** 1.5, 1)[0]
    # Some 8 % below: the space is not endless, and air comes in at its edges.
    assert slope == pytest.approx(3.203**1.5 * jet_viscosity(scene) / np.sqrt(momentum), rel=0.12)


def test_momentum_carries_a_jet_across_where_potential_flow_spreads(jet: tuple[Scene, np.ndarray]) -> None:
    scene, velocity = jet
    spread = solve_flow(replace(scene, air=replace(scene.air, momentum=False, jet=0.0))).velocity_x
    # At 60 mm, 7.5 slots away: a plane jet keeps some 0.8 of its speed, a half source has 2 SLOT / (2 pi r) = 0.04.
    assert velocity[20, 30] > 0.7
    assert spread[20, 30] < 0.1


def test_blowing_and_drawing_are_no_mirror_images() -> None:
    drawn, blown = (charger_flow(fan) for fan in ("out", "in"))
    turned = np.hypot(drawn.velocity_x + blown.velocity_x, drawn.velocity_y + blown.velocity_y)
    size = np.hypot(drawn.velocity_x, drawn.velocity_y)
    assert turned.mean() > 0.5 * size.mean()
    # Drawn air comes from all sides at half the speed that the same fan blows at.
    far = np.s_[25, 50]
    assert abs(blown.velocity_x[far]) > 1.2 * abs(drawn.velocity_x[far])


def test_a_jet_leaves_dead_corners_where_air_runs_back() -> None:
    blown = charger_flow("in")
    drawn = charger_flow("out")
    # The fan blows towards -x from the right edge; beside its jet air goes the other way.
    beside = np.s_[-5:, 65:]
    assert blown.velocity_x[beside].max() > 0.02
    assert drawn.velocity_x[beside].min() > -0.02


def test_swirl_bends_the_blown_jet_to_its_side() -> None:
    straight, bent = (charger_flow("in", angle) for angle in (0.0, 30.0))
    near = np.s_[16:36, 75:79]
    assert (straight.velocity_y - bent.velocity_y)[near].mean() > 0.01


def test_a_part_costs_the_head_of_the_air_in_its_gap() -> None:
    part = Part("block", 40, 20, 20, 20, tall=12.5)
    scene = Scene(board=Board(width=80, height=40, cell=2.0), parts=(part,), air=SMOOTH)
    drag = drag_map(scene)
    # Half the channel's height: the air goes twice as fast, its head is 4 - 1 = 3 times more, spent over 20 mm.
    assert drag[10, 20] * 0.020 == pytest.approx(0.5 * 3.0)
    assert drag[0, 0] == 0.0
