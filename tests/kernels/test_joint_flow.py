"""The physical fit on a board whose wind is known, solved by other means."""

import numpy as np
import pytest

from heatwake.kernels.board_cells import average_cells, choose_cells, cover_cells
from heatwake.kernels.flow_family import describe_board, opening_flow
from heatwake.kernels.flow_judgement import (
    IDENTIFIED,
    NOT_IDENTIFIABLE,
    WEAK,
    Gates,
    Openings,
    board_angle,
    judge_pair,
    judge_single,
)
from heatwake.kernels.joint_flow import JointFlow, carried_heat, evidence, given_heat, weighted_angle
from heatwake.kernels.openings import perimeter_arc
from heatwake.kernels.rise_rows import Recording, pair_rows, single_rows
from kernels import channel_board as channel

GRID = choose_cells(channel.WIDTH, channel.HEIGHT, pixel=channel.STEP, finest=5.3e-3)
FAN = perimeter_arc((channel.WIDTH, 0.0), (channel.WIDTH, channel.HEIGHT), grid=GRID)
VENT = perimeter_arc((0.0, 0.0), (0.0, channel.HEIGHT), grid=GRID)
THROUGH = Openings((FAN,), (VENT,))
FOOTPRINTS = cover_cells(channel.PARTS, GRID)
# 360 cells in place of the 1000 of a board of usual size: evidence grows with the number of cells.
GATES = Gates(still=40.0, opposite=20.0, weak_still=15.0, weak_opposite=8.0)


def recording(flow, **changes):
    maps = average_cells(channel.rises(flow, **changes), x=channel.X, y=channel.Y, grid=GRID)
    return Recording(channel.TIMES, maps, np.full_like(maps, 0.02))


def problem(*recordings, alike=False):
    sources = (FOOTPRINTS / FOOTPRINTS.sum(axis=1, keepdims=True)).T
    prior = describe_board(1.6e-3, np.nan)
    return JointFlow(GRID, sources=sources, bodies=FOOTPRINTS, prior=prior, recordings=recordings, alike=alike)


@pytest.fixture(scope="module")
def drawn():
    return judge_single(problem(recording(0.2)), THROUGH, gates=GATES)


def test_wind_to_the_right_is_seen_with_the_powers_of_the_parts(drawn):
    assert (drawn.status, drawn.signs) == (IDENTIFIED, (1,))
    heat = carried_heat(drawn.fit, GRID)[-1]
    assert np.degrees(np.arctan2(heat[1], heat[0])) == pytest.approx(0.0, abs=0.1)  # the openings leave no other
    # Powers follow from the heat capacity, whose prior is 25 % wide.
    assert drawn.fit.powers == pytest.approx(channel.POWERS, rel=0.2)


def test_parts_give_their_heat_to_the_same_wind(drawn):
    angle, spread = weighted_angle(drawn.fit, GRID, weights=FOOTPRINTS * given_heat(drawn.fit))
    assert angle == pytest.approx(0.0, abs=0.1)
    assert (spread < 1.0).all()  # one vent: nothing but the sign can turn the flow


def test_the_reversed_fan_is_seen(drawn):
    found = judge_single(problem(recording(-0.2)), THROUGH, gates=GATES)
    assert (found.status, found.signs) == (IDENTIFIED, (-1,))
    assert abs(board_angle(found.fit, problem(recording(-0.2)))) == pytest.approx(180.0, abs=0.1)


def test_without_declared_openings_the_half_of_the_board_is_weak_at_most():
    gates = Gates(still=12.0)
    found = judge_single(problem(recording(0.2)), Openings((), ()), gates=gates)
    assert found.status in (WEAK, NOT_IDENTIFIABLE)
    assert found.signs == (0,)
    assert abs(board_angle(found.fit, problem(recording(0.2)))) < 60.0


def test_two_alike_recordings_are_not_taken_for_a_reversal():
    # Told that the fan was turned round when it was not, the fit must find no evidence for either way.
    pair = problem(recording(0.2, seed=0), recording(0.2, seed=1))
    found = judge_pair(pair, [THROUGH] * 2, opposed=True, gates=GATES)
    assert found.status == NOT_IDENTIFIABLE


def test_double_power_is_double_power():
    single = recording(0.2, noise=0.0)
    double = Recording(single.times, 2.0 * single.rise, 2.0 * single.noise)
    family = [opening_flow([FAN], [VENT], grid=GRID, sign=1)]
    one, two = (problem(each).fit(family, steps=6) for each in (single, double))
    # Not exactly: the floor of 30 mK weighs less in the warmer map.
    assert two.powers / one.powers == pytest.approx(2.0, rel=0.01)


def test_evidence_is_antisymmetric_and_grows_with_the_misfit(drawn):
    still = judge_single(problem(recording(0.0)), THROUGH, gates=GATES)
    assert still.status == NOT_IDENTIFIABLE
    assert evidence(still.fit, drawn.fit) == pytest.approx(-evidence(drawn.fit, still.fit))


def test_a_texture_common_to_both_maps_leaves_the_ratio_alone():
    # Emissivity left in both maps of a pair: their ratio, and so its target, does not know of it.
    one, two = recording(0.2), recording(-0.2)
    texture = 1.0 + 0.05 * np.random.default_rng(0).standard_normal(GRID.cells)
    plain = pair_rows(one, two, grid=GRID, mean_error=0.1)
    worn = [Recording(each.times, each.rise * texture, each.noise) for each in (one, two)]
    textured = pair_rows(*worn, grid=GRID, mean_error=0.1)
    warm = (plain.sharp > 0.0) & (textured.sharp > 0.0)
    assert warm.mean() > 0.5
    assert textured.ratio[warm] == pytest.approx(plain.ratio[warm])


def test_pair_rows_vanish_on_their_own_model():
    one, two = recording(0.2), recording(-0.2)
    rows = pair_rows(one, two, grid=GRID, mean_error=0.1)
    weights, target = rows.linearise([one.rise, two.rise])
    left = (weights[0] * one.rise + weights[1] * two.rise).ravel() - target
    assert left == pytest.approx(0.0, abs=1e-9)


def test_unseen_cells_weigh_nothing():
    seen = recording(0.2)
    holed = seen.rise.copy()
    holed[:, 10] = np.nan
    rows = single_rows(Recording(seen.times, holed, seen.noise), GRID)
    assert (rows.weight[:, 10] == 0.0).all()
    assert (rows.weight[:, 50] > 0.0).all()


def test_a_pair_needs_the_same_times():
    one = recording(0.2)
    late = Recording((10.0, 20.0, 40.0, 80.0, 300.0), one.rise, one.noise)
    with pytest.raises(ValueError, match="same times"):
        problem(one, late)


def test_more_than_two_recordings_are_refused():
    with pytest.raises(ValueError, match="1 or 2"):
        problem(*[recording(0.2)] * 3)
