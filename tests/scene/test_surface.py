"""The emissivity map shows what the scene says."""

from dataclasses import replace

import numpy as np

from heatwake.scene import Board, Scene, charger
from heatwake.scene.surface import PAD_EMISSIVITY, PRINT_EMISSIVITY, emissivity_map


def test_each_part_has_its_own_emissivity() -> None:
    scene = charger()
    surface = emissivity_map(scene)
    for part in scene.parts:
        assert np.isclose(surface[scene.board.inside(part)].mean(), part.emissivity, atol=1e-9)


def test_mask_has_the_texture_asked_for() -> None:
    surface = emissivity_map(Scene(board=Board(texture=0.01, marks=0)))
    assert np.isclose(surface.mean(), 0.93, atol=1e-3)
    assert np.isclose(surface.std(), 0.01, rtol=0.01)


def test_marks_and_outlines_are_printed() -> None:
    surface = emissivity_map(Scene(board=Board(texture=0.0)))
    assert {PRINT_EMISSIVITY, PAD_EMISSIVITY, 0.93} == set(np.unique(surface).tolist())


def test_one_board_looks_the_same_each_time() -> None:
    scene = charger(fan="in")
    np.testing.assert_array_equal(emissivity_map(scene), emissivity_map(charger(fan="out")))
    other = replace(scene, board=replace(scene.board, texture_seed=12))
    assert not np.array_equal(emissivity_map(scene), emissivity_map(other))
