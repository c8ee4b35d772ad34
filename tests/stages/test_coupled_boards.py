"""The flow stage on a board with a jet, dead corners and copper here and there; all boards are in the benchmark."""

import numpy as np
import pytest

from coupled_boards import rise_session, truth_of
from heatwake.stages.flow import FlowSettings, estimate_flow

IDENTIFIED = 0


@pytest.fixture(scope="module")
def blown():
    scene, truth = truth_of(2, "in")
    return estimate_flow(rise_session(scene, truth, seed=0), FlowSettings()).isel(time=-1), truth.isel(time=-1)


def turn(found, truth):
    return np.abs((found.values - truth.values + 180.0) % 360.0 - 180.0)


def test_a_blown_board_is_told_within_its_uncertainty(blown):
    found, truth = blown
    assert int(found["board_flow_status"]) == IDENTIFIED
    off = turn(found["board_flow_direction"], truth["board_direction"])
    assert off < 2.0 * found["board_flow_direction_uncertainty"]
    assert off < 20.0


def test_no_part_has_a_sharp_direction_that_is_wrong(blown):
    found, truth = blown
    off = turn(found["region_flow_direction"], truth["part_direction"])
    sharp = 2.0 * found["region_flow_direction_uncertainty"].values < 45.0
    # P4 lies where the air runs back, 180 degrees from what potential flow says; its uncertainty must know.
    assert off.max() > 90.0
    assert (off[sharp] < 45.0).all()


def test_roles_of_the_openings_are_those_of_a_blowing_fan(blown):
    found, _ = blown
    assert dict(zip(found["opening"].values, found["opening_role"].values, strict=True)) == {
        "bottom fan": 0,
        "top vent": 1,
    }
    assert (found["opening_role_probability"] > 0.95).all()
