"""Drawn items are sound scenes, and the states of a test plan can be made from them."""

import numpy as np
import pytest

from heatwake.scene import charger, draw_board, draw_item, settle


@pytest.mark.parametrize("seed", range(6))
def test_a_drawn_item_is_a_sound_scene(seed: int) -> None:
    scene = draw_item(np.random.default_rng(seed), cell=2.0)
    truth = settle(scene)
    assert (
        sum(scene.board.inside(part).sum() for part in scene.parts)
        == np.any([scene.board.inside(part) for part in scene.parts], axis=0).sum()
    )
    assert np.all((truth["part_rise_mean"] > 4) & (truth["part_rise_mean"] < 90))
    assert np.isfinite(truth["board_direction"].values).all()


def test_equal_seeds_draw_equal_items() -> None:
    assert draw_item(np.random.default_rng(5)) == draw_item(np.random.default_rng(5))
    assert draw_item(np.random.default_rng(5)) != draw_item(np.random.default_rng(6))


def test_turning_the_fan_changes_its_flow_alone() -> None:
    assert charger(fan="out").with_fan("in") == charger(fan="in")
    assert charger(fan="in").with_fan("off") == charger(fan="off")


def test_covering_a_vent_takes_it_away() -> None:
    assert charger().without("left vent") == charger(left_vent="covered")


def test_an_unknown_opening_cannot_be_covered() -> None:
    scene = charger()
    with pytest.raises(ValueError, match="no opening is named door"):
        scene.without("door")


def test_twenty_boards_are_all_different_and_sound() -> None:
    boards = [draw_board(number) for number in range(20)]
    assert len({board.power for board in boards}) == 20
    assert {board.board.conductivity for board in boards} == {2.5, 14.0}
    assert all(len(board.parts) >= 5 for board in boards)
    assert draw_board(7) == boards[7]


def test_a_varied_board_has_jets_and_air_that_runs_back() -> None:
    truth = settle(draw_board(1).with_fan("in"))
    towards = truth["board_direction"].values[0]
    away = (truth["part_direction"].values[:, 0] - towards + 180) % 360 - 180
    assert np.abs(away).max() > 90
    assert np.all((truth["part_rise_mean"] > 4) & (truth["part_rise_mean"] < 120))
