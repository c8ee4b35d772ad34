"""What to do next with a unit, reckoned."""

import numpy as np
import pytest
from scipy import stats

from heatwake.report.unit_judgement import JudgementView
from heatwake.stages.known_good import judge_unit
from heatwake.stages.unit_reach import KnownGoodSettings, width_with_more
from lab_takes import PARTS, drawn_takes, take

SETTINGS = KnownGoodSettings()


def view(units: dict[str, int], *, faults: dict[str, float] | None = None, differ: float = 0.003) -> JudgementView:
    takes = drawn_takes(np.random.default_rng(3), units, units_differ=differ, faults={"new": faults or {}})
    good = [name for name in units if name.startswith("good")]
    [judged] = judge_unit(takes, "new", good, settings=SETTINGS)
    return JudgementView(judged)


def test_more_takes_narrow_by_student_s_t():
    share = width_with_more(4, takes=1, good=4, of_units=False, freedom=3, rate=0.005, settings=SETTINGS)
    halves = [stats.t.ppf(0.9975, 3 + more) * np.sqrt(1 + 1 / (4 + more)) for more in (0, 4)]
    assert share == pytest.approx(halves[1] / halves[0])
    share = width_with_more(2, takes=9, good=3, of_units=True, freedom=2, rate=0.01, settings=SETTINGS)
    halves = [stats.t.ppf(0.995, 2 + more) * np.sqrt(1 + 1 / (3 + more)) for more in (0, 2)]
    assert share == pytest.approx(halves[1] / halves[0])


def test_a_part_outside_is_looked_at_and_taken_again():
    steps = view({f"good{n}": 2 for n in range(6)} | {"new": 1}, faults={"Q2": 9.0}).next_steps
    assert "Look at Q2" in steps[0]
    assert "take it again" in steps[1]
    assert "4 more known good units" in steps[2]


def test_a_board_outside_asks_for_its_supply_first():
    steps = view({f"good{n}": 2 for n in range(6)} | {"new": 2}, faults=dict.fromkeys(PARTS, 9.0)).next_steps
    assert "before any part is blamed" in steps[0]
    assert not any("Look at" in step for step in steps)


def test_with_one_good_unit_two_more_are_asked_for():
    steps = view({"good": 20, "new": 2}, differ=0.0).next_steps
    assert steps == ["Take 2 more known good units: from three on, what healthy units differ by counts."]
    assert "twice or more" in view({"good": 1, "new": 1}).next_steps[0]


def test_units_without_a_part_in_common_are_told_so():
    takes = [take({"Q1": 30.0}, recording=f"{n}", unit="good") for n in range(2)]
    [judged] = judge_unit([*takes, take({"Q2": 30.0}, recording="new", unit="new")], "new", ["good"], settings=SETTINGS)
    told = JudgementView(judged)
    assert told.answer == "0 parts, no part outside."
    assert not any("narrow" in step for step in told.next_steps)
