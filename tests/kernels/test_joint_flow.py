"""The physical fit on a board whose wind is known, solved by other means."""

from dataclasses import replace

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
    _grade,
    board_angle,
    judge_single,
    judge_together,
)
from heatwake.kernels.joint_flow import JointFlow, carried_heat, evidence, given_heat, weighted_angle
from heatwake.kernels.openings import perimeter_arc
from heatwake.kernels.rise_rows import Recording, group_rows, single_rows
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


def problem(*recordings, **changes):
    sources = (FOOTPRINTS / FOOTPRINTS.sum(axis=1, keepdims=True)).T
    prior = describe_board(1.6e-3, np.nan)
    return JointFlow(GRID, sources=sources, bodies=FOOTPRINTS, prior=prior, recordings=recordings, **changes)


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


def test_a_wind_towards_the_other_half_takes_from_the_evidence_for_a_way_through_the_openings(drawn):
    aside = replace(drawn, against_opposite=60.0, against_wind=4.0, wind_apart=70.0)
    assert aside.against_another_half == 60.0
    assert replace(aside, wind_apart=150.0).against_another_half == 4.0
    assert replace(aside, against_wind=90.0, wind_apart=150.0).against_another_half == 60.0
    assert replace(aside, against_wind=np.nan, wind_apart=np.nan).against_another_half == 60.0


def test_openings_declared_on_walls_that_are_shut_give_no_direction():
    arcs = [perimeter_arc((0.0, y), (channel.WIDTH, y), grid=GRID) for y in (0.0, channel.HEIGHT)]
    found = judge_single(problem(recording(0.2)), Openings((arcs[0],), (arcs[1],)), gates=GATES)
    assert found.status == NOT_IDENTIFIABLE
    assert found.wind_apart > 45.0


@pytest.mark.parametrize(
    ("against", "apart", "status"),
    [(-4.0, 10.0, IDENTIFIED), (4.0, 30.0, IDENTIFIED), (-4.0, 30.0, WEAK), (4.0, 50.0, NOT_IDENTIFIABLE)],
)
def test_a_wind_aside_that_explains_as_much_leaves_a_half_or_nothing(drawn, against, apart, status):
    beside = replace(drawn, against_wind=against, wind_apart=apart)
    assert _grade(beside, steady=False, gates=GATES) == status


def test_without_declared_openings_the_half_of_the_board_is_weak_at_most():
    gates = Gates(still=12.0)
    found = judge_single(problem(recording(0.2)), Openings((), ()), gates=gates)
    assert found.status in (WEAK, NOT_IDENTIFIABLE)
    assert found.signs == (0,)
    assert abs(board_angle(found.fit, problem(recording(0.2)))) < 60.0


def test_two_alike_recordings_are_not_taken_for_a_reversal():
    # Told that the fan was turned round when it was not, the fit must find no evidence for either way.
    pair = problem(recording(0.2, seed=0), recording(0.2, seed=1))
    found = judge_together(pair, [THROUGH] * 2, relation=(1, -1), gates=GATES)
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
    plain = group_rows([one, two], grid=GRID, mean_error=0.1)
    worn = [Recording(each.times, each.rise * texture, each.noise) for each in (one, two)]
    textured = group_rows(worn, grid=GRID, mean_error=0.1)
    warm = (plain.sharp > 0.0) & (textured.sharp > 0.0)
    assert warm.mean() > 0.5
    assert textured.ratio[0][warm] == pytest.approx(plain.ratio[0][warm])


@pytest.mark.parametrize("flows", [(0.2, -0.2), (0.2, -0.2, 0.0), (0.2, -0.2, 0.0, 0.1)])
def test_rows_of_several_recordings_vanish_on_their_own_model(flows):
    maps = [recording(flow).rise for flow in flows]
    rows = group_rows([recording(flow) for flow in flows], grid=GRID, mean_error=0.1)
    weights, target = rows.linearise(maps)
    left = sum(weight * one for weight, one in zip(weights, maps, strict=True)).ravel() - target
    assert left == pytest.approx(0.0, abs=1e-9)


def test_the_ratio_of_two_is_their_difference_over_their_sum():
    one, two = recording(0.2), recording(-0.2)
    rows = group_rows([one, two], grid=GRID, mean_error=0.1)
    seen = rows.sharp > 0.0
    assert rows.ratio[0][seen] == pytest.approx(((one.rise - two.rise) / (one.rise + two.rise))[seen])


def test_slopes_of_the_rows_are_those_of_finite_differences():
    maps = [recording(flow).rise for flow in (0.2, -0.2, 0.0)]
    rows = group_rows([recording(flow, seed=1) for flow in (0.2, -0.2, 0.0)], grid=GRID, mean_error=0.1)
    weights, _ = rows.linearise(maps)

    def missed(middle):
        all_ = [maps[0], middle, maps[2]]
        around, target = rows.linearise(all_)
        return sum(weight * one for weight, one in zip(around, all_, strict=True)).ravel() - target

    push = np.random.default_rng(0).standard_normal(maps[1].shape)
    numeric = (missed(maps[1] + 1e-4 * push) - missed(maps[1] - 1e-4 * push)) / 2e-4
    assert (weights[1] * push).ravel() == pytest.approx(numeric, rel=1e-5, abs=1e-6)


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


def test_a_fit_needs_a_recording():
    with pytest.raises(ValueError, match="at least 1"):
        problem()


def test_fans_that_stand_in_all_recordings_leave_nothing_to_judge():
    with pytest.raises(ValueError, match="stand in all"):
        judge_together(problem(recording(0.0), recording(0.0)), [THROUGH] * 2, relation=(0, 0), gates=GATES)


def test_three_recordings_are_judged_together():
    group = problem(recording(0.2), recording(-0.2), recording(0.0), exchange_spread=1.0)
    found = judge_together(group, [THROUGH] * 3, relation=(1, -1, 0), gates=GATES)
    assert (found.status, found.signs) == (IDENTIFIED, (1, -1, 0))
    assert found.against_opposite > 100.0
    assert (found.fit.flux[2] == 0.0).all()
    right, left, still = found.alone
    assert still is None
    for fit, way in ((right, 0.0), (left, 180.0)):
        assert abs((board_angle(fit, group) - way + 180.0) % 360.0 - 180.0) < 0.1
