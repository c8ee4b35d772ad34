"""Kinds of set-up, and repeats from a laboratory's record beside those of the sessions themselves."""

import numpy as np
import pytest
import xarray as xr

from heatwake.schema.variables import REPEAT_SOURCE
from heatwake.stages.comparison import ComparisonSettings, compare
from heatwake.stages.set_ups import kind_of, repeatability, telling
from heatwake.stages.takes import Take
from lab_takes import drawn_takes, take
from stages.paired_sessions import session

SETTINGS = ComparisonSettings()
PAIRS = 6


def takes_like(
    one: xr.Dataset, rng: np.random.Generator, *, count: int, unit: str = "old", **errors: float
) -> list[Take]:
    """Return takes of a unit in a session's kind of set-up."""
    return drawn_takes(rng, {unit: count}, kind=kind_of(one).mark, **errors)


def test_a_kind_is_what_is_the_same_in_takes_and_units():
    rng = np.random.default_rng(1)
    first = session(rng, conditions={"fan": "in", "replicate": 1, "unit": "a", "film_fitting": 1, "power_W": 18})
    again = session(rng, conditions={"fan": "in", "replicate": 2, "unit": "b", "film_fitting": 2, "block": 3})
    other = session(rng, conditions={"fan": "out", "unit": "a"})
    assert kind_of(first).mark == kind_of(again).mark != kind_of(other).mark
    assert (kind_of(first).unit, kind_of(again).unit) == ("a", "b")
    assert kind_of(first).bench == kind_of(other).bench
    for name, value in (("netd", 80.0), ("film_present", 0), ("board_width", 170.0)):
        assert kind_of(first.assign({name: value})).bench != kind_of(first).bench
    # where a click of a board's corners puts a part is no other part
    parts = {"part": ["Q1"], **{f"part_{key}": ("part", [10.0]) for key in ("x", "y", "width", "height")}}
    near = first.assign(parts)
    assert kind_of(near.assign(part_x=("part", [10.04]))).bench == kind_of(near).bench
    assert kind_of(near.assign(part_x=("part", [12.0]))).bench != kind_of(near).bench


def test_takes_of_sessions_and_record_are_pooled_with_the_freedom_of_both():
    rng = np.random.default_rng(2)
    stated = {"fan": "in", "unit": "mine"}
    takes = {f"{n}": session(rng, conditions=stated | {"replicate": n}) for n in range(3)}
    base = takes["0"]
    alone = repeatability(takes, base, compensate=True)
    assert alone.freedom == 2
    others = takes_like(base, rng, count=4)
    assert repeatability(takes, base, compensate=True, past=others).freedom == 2 + 3
    same_unit = takes_like(base, rng, count=4, unit="mine")
    assert repeatability(takes, base, compensate=True, past=same_unit).freedom == 6  # seven takes of one set-up
    assert repeatability({"0": base}, base, compensate=True, past=others).freedom == 3


def test_rises_of_the_record_are_brought_to_the_reference_s_power():
    rng = np.random.default_rng(3)
    base = session(rng, conditions={"fan": "in"}, power=18.0)
    past = [take({"Q1": rise}, recording=f"{rise}", power=9.0, kind=kind_of(base).mark) for rise in (10.0, 11.0)]
    doubled = repeatability({"a": base}, base, compensate=True, past=past)
    plain = repeatability({"a": base}, base, compensate=False, past=past)
    assert float(doubled.spread(21.0)) == pytest.approx(2 * float(plain.spread(10.5)))


def test_the_level_of_cameras_is_taken_off_takes_and_of_sessions_among_them():
    rng = np.random.default_rng(8)
    one = session(rng, conditions={"fan": "in", "unit": "a", "replicate": 1}, ambient_error=0.0)
    mark, rises = kind_of(one).mark, dict(zip(one["region"].to_numpy(), one["steady_rise"].to_numpy(), strict=True))

    def past(level: float, *, known: bool = True) -> Take:
        high = {name: rise + 0.125 * level for name, rise in rises.items()}  # half of 0.25 K a kelvin
        more = {"camera_level": level if known else np.nan, "kind": mark, "unit": "a"}
        return take(high, recording=f"{level}", **more)

    takes = [past(2.0), past(-2.0)]
    assert float(repeatability({"one": one}, one, compensate=True, past=takes).spread(30.0)) < 0.01
    raw = [past(2.0), past(-2.0, known=False)]  # of one it is not known: then of none
    # 0.25, -0.25 and 0 K
    assert float(repeatability({"one": one}, one, compensate=True, past=raw).spread(30.0)) == pytest.approx(
        0.25, rel=0.02
    )


def test_a_lone_take_tells_nothing_and_unlike_takes_are_not_mixed():
    rng = np.random.default_rng(4)
    mine = session(rng, conditions={"fan": "in", "unit": "a", "replicate": 1})
    lone = takes_like(mine, rng, count=1, unit="b")
    with_mine = takes_like(mine, rng, count=1, unit="a")
    slips = [take({"Q1": 30.0}, recording=f"{n}", kind="kind", is_repeat=False) for n in range(3)]
    assert telling([*lone, *with_mine, *slips], {"mine": mine}) == with_mine
    assert repeatability({"mine": mine}, mine, compensate=True, past=[*lone, *slips]) is None


def test_a_comparison_says_where_its_repeats_are_from():
    rng = np.random.default_rng(5)
    pair = {"a": session(rng, conditions={"fan": "in"}), "b": session(rng, conditions={"fan": "out"})}
    made = compare(pair, "a", settings=SETTINGS, past=takes_like(pair["a"], rng, count=6))
    assert REPEAT_SOURCE[int(made["repeat_source"])] == "record"
    assert (int(made["repeat_record_takes"]), float(made["repeat_freedom"])) == (6, 5.0)
    assert REPEAT_SOURCE[int(compare(pair, "a", settings=SETTINGS)["repeat_source"])] == "none"


@pytest.fixture(scope="module")
def null_pairs() -> list[xr.Dataset]:
    """Pairs of one set-up judged with a record of it; ambient sensors and films err as in the record."""
    rng = np.random.default_rng(6)
    made = []
    for _ in range(PAIRS):
        pair = {name: session(rng, ambient_error=0.1, film_error=0.004) for name in "ab"}
        past = takes_like(pair["a"], rng, count=9, shift=0.1, film=0.004)
        made.append(compare(pair, "a", settings=SETTINGS, past=past))
    return made


def test_with_a_record_no_more_pairs_of_one_set_up_differ_than_stated(null_pairs):
    # at most 5 %: of 6 pairs more than two once in 450 times; tests/benchmarks/record.py draws 400
    assert sum(bool(pair["region_significant"].any()) for pair in null_pairs) <= 2


def span(made: xr.Dataset) -> float:
    return float((made["steady_rise_difference_high"] - made["steady_rise_difference_low"]).median())


def test_measured_repeats_narrow_what_is_assumed(null_pairs):
    # sensors are off by 0.1 K, the budget reckons with 0.2 K and a drift of 0.1 K
    rng = np.random.default_rng(7)
    plain = compare({name: session(rng) for name in "ab"}, "a", settings=SETTINGS)
    known, assumed = (np.mean([span(one) for one in some]) for some in (null_pairs, [plain]))
    assert known < 0.85 * assumed
