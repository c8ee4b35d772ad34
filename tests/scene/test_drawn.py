"""Drawn items are sound scenes, and the states of a test plan can be made from them."""

import numpy as np
import pytest

from heatwake.scene import charger, draw_item, settle


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
