"""What a record tells of a plan: which takes count, and what becomes of their repeatability."""

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest

from heatwake.errors import InputError
from heatwake.kernels.run_power import least_difference, run_spread, takes_for
from heatwake.planning.sheet import PlannedTest, plan_test
from heatwake.stages.takes import Take
from lab_takes import take
from planned import small_plan

RECORD = {"runs.record": "lab.sqlite"}
CAMERA = {"band_low": 7.5, "band_high": 14.0, "netd": 50.0, "accuracy": 2.0, "accuracy_percent": 2.0}
PARTS = {"Q1": [25.0, 20.0, 12.0, 10.0], "U1": [50.0, 40.0, 8.0, 8.0]}
BENCH = {
    "board": {"board_width": 80.0, "board_height": 60.0, "channel_height": 25.0},
    "film": {"film_present": 1.0, "film_transmittance_given": 0.87},
    "camera": CAMERA,
    "parts": PARTS,
}


def takes(
    offsets: list[float],
    *,
    share: float = 0.0,
    bench: dict[str, Any] = BENCH,
    fan: str = "out",
    unit: str = "",
    fitted: bool = False,
    power: float = 4.0,
    **more: Any,
) -> list[Take]:
    """Return takes of one set-up of the small plan, each off by so much [K] or share of 40 and 25 K."""
    made = []
    for number, off in enumerate(offsets):
        rises = {
            name: rise * (1 + share * off) + (0.0 if share else off) for name, rise in (("Q1", 40.0), ("U1", 25.0))
        }
        stated: dict[str, Any] = {"fan": fan, "film_fitting": number if fitted else 1}
        set_up = {"bench": bench, "conditions": {"fan": fan}}
        made.append(
            take(rises, recording=f"{fan} {unit} {more} {number}", unit=unit, kind=f"{fan} {bench is BENCH}",
                 conditions=stated, set_up=set_up, power=power, **more)
        )  # fmt: skip
    return made


def planned(past: list[Take] | None, changes: dict[str, Any] | None = None) -> PlannedTest:
    return plan_test(small_plan(RECORD | (changes or {})), pd.DataFrame(), past=past)


OFF = [0.1, -0.1, 0.2, -0.2, 0.0]  # of variance 0.025, four degrees of freedom


def test_a_constant_is_the_same_at_every_rise_and_a_share_goes_with_it():
    even, shared = planned(takes(OFF)), planned(takes(OFF, share=0.1))
    for one in even.certainties:
        assert one.run_spread == pytest.approx(math.sqrt(0.025), rel=1e-3)
    # 1.58 % of 40 and of 25 K
    assert [one.run_spread for one in shared.certainties] == pytest.approx([0.632, 0.395], abs=0.002)
    assert (shared.runs.earlier.constant, shared.runs.earlier.share) == pytest.approx((0.0, 0.01581), abs=1e-4)
    assert shared.runs.spread_part == "Q1"
    other = planned(takes(OFF, share=0.1), {"parts.0.rise_K": 80.0})
    assert other.certainties[0].run_spread == pytest.approx(2 * 0.632, abs=0.004)


def test_what_runs_show_and_the_repeats_needed_follow_the_record():
    found = planned(takes(OFF), {"runs.smallest_difference_K": 0.8}).runs
    (fan,), spread = found.factors, math.sqrt(0.025)
    assert fan.freedom == 2 + 4  # these runs' own, and the record's
    assert fan.shown == pytest.approx(least_difference(2, spread=spread, freedom=6), rel=1e-3)
    assert fan.needed == takes_for(0.8, spread=spread, beforehand=4)
    assert found.earlier.counted == 4
    assert "from lab.sqlite, 5 takes of these set-ups, 4 degrees of freedom: 0.16 K" in found.spread_source
    assert not [text for text in planned(takes(OFF)).questions if "lie apart" in text]


@pytest.mark.parametrize(
    ("past", "found", "freedom", "counted", "pool"),
    [
        (takes(OFF), "set-ups", 4, 4, "kind"),
        (takes(OFF) + takes(OFF, fan="off"), "set-ups", 4, 4, "kind"),
        (takes(OFF) + takes(OFF, fan="in"), "set-ups", 8, 8, "kind"),
        (takes(OFF[:2]) + takes(OFF, fan="off"), "bench", 5, 5, "bench"),
        (takes(OFF, fan="off"), "bench", 4, 4, "bench"),
        (takes(OFF[:3]), "set-ups", 2, 2, "kind"),
        (takes(OFF[:2]) + takes(OFF, bench=BENCH | {"parts": {"D7": [9.0, 9.0, 5.0, 5.0]}}), "camera", 5, 1, "kind"),
        (takes(OFF, bench=BENCH | {"board": {"board_width": 81.0, "board_height": 60.0}}), "camera", 4, 0, "kind"),
        (takes(OFF[:3], unit="A") + takes(OFF[:3], unit="B"), "set-ups", 4, 4, "kind"),
    ],
    ids=["as planned", "and another", "both", "too few", "other", "few", "other parts", "other board", "units"],
)
def test_the_nearest_takes_count_that_suffice(past, found, freedom, counted, pool):
    earlier = planned(past).runs.earlier
    assert (earlier.found, earlier.freedom, earlier.counted, earlier.pool) == (found, freedom, counted, pool)


def test_takes_of_other_boards_tell_the_spread_but_do_not_count():
    past = takes(OFF, bench=BENCH | {"parts": {}})
    test = planned(past)
    assert test.certainties[0].run_spread == pytest.approx(math.sqrt(0.025), rel=1e-3)
    assert test.runs.factors[0].freedom == 2
    assert any("other boards with such a camera" in text for text in test.questions)


@pytest.mark.parametrize(
    ("past", "why"),
    [
        (None, "is not there yet"),
        ([], "holds no takes yet"),
        (takes(OFF[:1]), "holds no set-up taken twice"),
        (takes(OFF, is_repeat=False), "holds no set-up taken twice"),
        (takes(OFF, bench=BENCH | {"camera": CAMERA | {"netd": 30.0}}), "holds no set-up taken twice"),
        (takes(OFF, bench=BENCH | {"film": {"film_present": 0.0}}), "holds no set-up taken twice"),
        (takes(OFF[:1]) + takes(OFF[1:2], power=2.0, session="half"), "holds no set-up taken twice"),
        (takes(OFF, bench={"camera": 3, "film": [], "board": None}), "holds no set-up taken twice"),
    ],
    ids=["missing", "empty", "once", "no repeats", "other camera", "no film", "other power", "not a record's own"],
)
def test_without_repeats_the_spread_is_assumed_and_that_is_said(past, why):
    test, plain = planned(past), plan_test(small_plan(), pd.DataFrame())
    assert [one.run_spread for one in test.certainties] == [one.run_spread for one in plain.certainties]
    assert [one.shown for one in test.runs.factors] == [one.shown for one in plain.runs.factors]
    assert test.runs.spread_source.startswith("assumed, for lab.sqlite ")
    assert why in test.runs.spread_source
    assert [text for text in test.questions if why in text and "is assumed" in text]


def test_few_repeats_do_not_tell_less_than_is_assumed():
    assumed = run_spread(40.0, power=0.005)
    few, many = planned(takes([0.01, -0.01])), planned(takes([1.0, -1.0]))
    assert few.certainties[0].run_spread == pytest.approx(assumed)
    assert "fewer than 4: no less than is otherwise assumed" in few.runs.spread_source
    assert many.certainties[0].run_spread == pytest.approx(math.sqrt(2))


def test_a_film_laid_on_anew_is_added_where_takes_kept_theirs():
    kept = planned(takes(OFF), {"film.refitted": True})
    anew = planned(takes(OFF, fitted=True), {"film.refitted": True})
    refit = math.sqrt(kept.certainties[0].run_spread ** 2 - anew.certainties[0].run_spread ** 2)
    assert refit == pytest.approx(0.37, abs=0.03)  # 0.46 K at 50 K
    assert "and a film laid on anew" in kept.runs.spread_source
    assert "laid on anew" not in anew.runs.spread_source


def test_takes_are_brought_to_one_power():
    past = takes([0.0], power=4.0) + [
        one
        for number, factor in enumerate((1.02, 0.98, 1.01, 0.99))
        for one in takes([40.0 * (factor - 1)], power=4.0 * factor, session=str(number))
    ]
    regions = {one.power: one.rises()["Q1"] for one in past}
    assert np.ptp(list(regions.values())) > 1.5
    earlier = planned(past).runs.earlier
    assert earlier.freedom == 4
    # 40 K follow the power; 25 K do not, for their offset is that of 40 K: 15 K x 1.6 % is left
    assert float(np.hypot(earlier.constant, earlier.share * 40)) < 0.3


def test_a_number_and_a_record_get_one_line():
    both = RECORD | {"runs.repeatability_K": 0.3, "runs.repeatability_freedom": 4}
    with pytest.raises(InputError, match=r"runs.record is given beside repeatability_K, must be one of the two"):
        small_plan(both)
