"""Units against known good ones: how often a healthy one is accused, and how often a fault is found."""

import math
from dataclasses import replace

import numpy as np
import pytest

from heatwake.stages.known_good import WHOLE, judge_unit
from heatwake.stages.unit_reach import KnownGoodSettings
from lab_takes import PARTS, drawn_takes, take

SETTINGS = KnownGoodSettings()
LABORATORIES = 100
RATE = SETTINGS.false_alarm_rate
BOUND = RATE + 3 * math.sqrt(RATE * (1 - RATE) / LABORATORIES)  # exceeded by a right rate once in 700 times


def accused(seed, units, *, faults=None, settings=SETTINGS, **errors):
    """Return, for each of many laboratories, the parts of the unit "new" that are told to lie outside."""
    rng = np.random.default_rng(seed)
    good = [name for name in units if name.startswith("good")]
    found = []
    for _ in range(LABORATORIES):
        takes = drawn_takes(rng, units, faults=faults, **errors)
        found.append(judge_unit(takes, "new", good, settings=settings)[0].outside)
    return found


@pytest.mark.parametrize(
    ("units", "differ"),
    [
        ({"good": 4, "other": 3, "new": 1}, 0.0),  # one good unit: takes are what counts, units do not differ
        ({"good": 3, "new": 2}, 0.0),
        ({f"good{n}": 2 for n in range(6)} | {"new": 2}, 0.01),
        ({f"good{n}": 3 for n in range(5)} | {"new": 1}, 0.01),  # taken fewer times than the good ones
    ],
)
def test_of_healthy_units_no_more_are_accused_than_stated(units, differ):
    alarms = [bool(parts) for parts in accused(5, units, units_differ=differ)]
    assert np.mean(alarms) <= BOUND


def test_a_fault_of_a_part_is_found_and_no_other_part_is_accused():
    units = {f"good{n}": 2 for n in range(6)} | {"new": 2}
    found = accused(6, units, units_differ=0.01, faults={"new": {"Q2": 6.0}})  # spread of units there is 0.5 K
    assert np.mean(["Q2" in parts for parts in found]) >= 0.95
    assert np.mean([bool(set(parts) - {"Q2"}) for parts in found]) <= BOUND


def test_a_part_is_found_by_what_it_differs_beyond_the_board():
    # takes shift by 0.2 K together and by 0.2 % of each rise: 0.03 K from Q2 to the board's middle
    found = accused(10, {"good": 4, "new": 1}, shift=0.2, film=0.002, faults={"new": {"Q2": 1.0}})
    assert np.mean(["Q2" in parts for parts in found]) >= 0.95
    assert np.mean([bool(set(parts) - {"Q2"}) for parts in found]) <= BOUND


def test_a_board_that_is_warmer_as_a_whole_is_told_as_such():
    units = {f"good{n}": 2 for n in range(6)} | {"new": 2}
    found = accused(11, units, shift=0.1, film=0.002, faults={"new": dict.fromkeys(PARTS, 1.0)})
    assert np.mean([parts == (WHOLE,) for parts in found]) >= 0.9


def test_a_part_that_stays_while_the_board_changes_is_none_that_changed():
    units = {f"good{n}": 2 for n in range(6)} | {"new": 2}
    most = {name: 3.0 for name in PARTS if name != "Q3"}
    found = accused(12, units, shift=0.1, film=0.002, faults={"new": most})
    assert all(WHOLE in parts for parts in found)
    assert not any("Q3" in parts for parts in found)


def test_the_interval_of_a_part_goes_with_the_board():
    rng = np.random.default_rng(13)
    units = {f"good{n}": 2 for n in range(6)} | {"new": 2}
    takes = drawn_takes(rng, units, units_differ=0.01, faults={"new": dict.fromkeys(PARTS, 2.0)})
    good = [name for name in units if name != "new"]
    [judged] = judge_unit(takes, "new", good, settings=SETTINGS)
    assert judged.board.rise == pytest.approx(2.0, abs=0.5)
    for part in judged.parts:
        assert part.is_outside == (not part.low <= part.rise <= part.high)
        assert part.low <= part.expected + judged.board.rise <= part.high
    few = [replace(one, regions=one.regions[:2]) for one in takes]
    assert judge_unit(few, "new", good, settings=SETTINGS)[0].board is None


def test_a_camera_that_reads_too_high_is_not_laid_to_the_unit():
    # 2 K too high, of which 0.25 is left and half taken off
    good = [take({"Q1": 30.0, "Q2": 45.0}, recording=f"{n}", unit="good") for n in range(3)]
    high = take({"Q1": 30.25, "Q2": 45.25}, recording="new", unit="new", camera_level=2.0)
    [judged] = judge_unit([*good, high], "new", ["good"], settings=SETTINGS)
    assert [part.difference for part in judged.parts] == pytest.approx([0.0, 0.0])
    unknown = replace(good[0], camera_level=math.nan)  # of one it is not known: then of none
    [judged] = judge_unit([unknown, *good[1:], high], "new", ["good"], settings=SETTINGS)
    assert [part.difference for part in judged.parts] == pytest.approx([0.25, 0.25])


def test_tolerance_intervals_are_wider_and_accuse_fewer():
    units = {f"good{n}": 1 for n in range(8)} | {"new": 1}
    wide = KnownGoodSettings(interval="tolerance")
    assert np.mean([bool(parts) for parts in accused(7, units, units_differ=0.02, settings=wide)]) <= RATE / 2
    takes = drawn_takes(np.random.default_rng(8), units, units_differ=0.02)
    good = [name for name in units if name != "new"]
    plain, tolerant = (judge_unit(takes, "new", good, settings=one)[0].parts for one in (SETTINGS, wide))
    spans = [{part.name: part.high - part.low for part in parts} for parts in (plain, tolerant)]
    assert all(spans[1][name] > spans[0][name] for name in PARTS)


def test_with_one_good_unit_it_is_takes_that_count():
    takes = drawn_takes(np.random.default_rng(9), {"good": 4, "new": 2})
    [judged] = judge_unit(takes, "new", ["good"], settings=SETTINGS)
    assert judged.spread_from == "takes"
    assert judged.freedom == 4  # three of the good unit's, one of the new one's
    assert (judged.takes, judged.good_takes, judged.good_units) == (2, 4, ("good",))


def test_without_repeats_the_budget_counts():
    takes = [
        take({"Q1": 30.0, "Q2": 45.0}, recording="a", unit="good", own=0.2),
        take({"Q1": 30.5, "Q2": 47.0}, recording="b", unit="new", own=0.2),
    ]
    [judged] = judge_unit(takes, "new", ["good"], settings=SETTINGS)
    assert judged.spread_from == "budget"
    assert judged.outside == ("Q2",)
    q1 = next(part for part in judged.parts if part.name == "Q1")
    # two parts share 5 %: 2.241 of a normal distribution; sqrt(2) 0.2 K
    assert q1.high - q1.expected == pytest.approx(2.241 * math.sqrt(2) * 0.2, rel=1e-3)


def test_rises_are_brought_to_one_power_unless_it_is_far_off():
    takes = [
        take({"Q1": 30.0}, recording="a", unit="good", power=18.0),
        take({"Q1": 60.0}, recording="b", unit="good", power=36.0),
        take({"Q1": 33.0}, recording="c", unit="new", power=19.8),
    ]
    [judged] = judge_unit(takes, "new", ["good"], settings=SETTINGS)
    assert judged.parts[0].difference == pytest.approx(0.0)
    assert judged.left_out == ("session b",)


def test_only_like_set_ups_are_compared():
    takes = [
        take({"Q1": 30.0}, recording="a", unit="good", kind="fan out"),
        take({"Q1": 30.0}, recording="b", unit="new"),
    ]
    assert judge_unit(takes, "new", ["good"], settings=SETTINGS) == []
    assert judge_unit(takes, "good", ["good"], settings=SETTINGS) == []


def test_values_of_two_versions_are_told():
    takes = [
        take({"Q1": 30.0}, recording="a", unit="good"),
        take({"Q1": 30.0}, recording="b", unit="new", source="heatwake 2"),
    ]
    assert judge_unit(takes, "new", ["good"], settings=SETTINGS)[0].versions == ("heatwake 1", "heatwake 2")
