"""Margins and verdicts against closed forms."""

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from heatwake.report.parts import margin, part_rows, parts_off_board, verdict
from heatwake.schema.variables import REGION_STATE
from report import charger_results


def judge(margin_K: float, *, u: float = 1.5, settled: bool = True, reading: float = 10.0) -> str:
    return verdict(margin_K, expanded=2 * u, has_limit=True, settled=settled, reading_margin_K=reading)


@pytest.mark.parametrize(
    ("margin_K", "word"),
    [
        (3.01, "inside"),
        (3.0, "inside"),  # exactly U counts as inside, as the rule on the page says
        (2.99, "inside but within the uncertainty"),
        (0.0, "inside but within the uncertainty"),
        (-0.01, "over"),
    ],
)
def test_verdict_follows_the_stated_rule(margin_K: float, word: str) -> None:
    assert judge(margin_K) == word


def test_part_that_has_not_settled_gets_no_verdict_of_its_forecast() -> None:
    assert judge(20.0, settled=False) == "not settled"
    assert judge(-20.0, settled=False) == "not settled"


def test_part_that_reads_over_its_limit_is_over_though_it_has_not_settled() -> None:
    assert judge(20.0, settled=False, reading=-0.1) == "over"


def test_part_without_limit_or_without_number_is_not_judged() -> None:
    assert verdict(np.nan, expanded=3.0, has_limit=False, settled=True, reading_margin_K=np.nan) == "no limit given"
    assert verdict(np.nan, expanded=3.0, has_limit=True, settled=True, reading_margin_K=np.nan) == "not settled"
    assert verdict(5.0, expanded=np.nan, has_limit=True, settled=True, reading_margin_K=5.0) == "not settled"


@given(limit=st.floats(40, 200), rise=st.floats(0, 150), ambient=st.floats(-20, 70))
def test_margin_is_carried_by_the_difference_of_the_ambients(limit: float, rise: float, ambient: float) -> None:
    """IEC 60950-1, 1.4.12 as commonly quoted: T <= T_max + T_amb - T_ma, from memory."""
    tested_at = 23.5
    measured = tested_at + rise
    # Both ways are sums of a few numbers below 300: they differ by rounding alone.
    assert margin(limit, rise=rise, ambient=ambient) == pytest.approx(
        (limit + tested_at - ambient) - measured, abs=1e-9
    )


def test_rows_carry_the_rise_to_the_maximum_ambient(charger: xr.Dataset) -> None:
    rows = {row.name: row for row in part_rows(charger)}
    q2 = rows["Q2"]
    assert q2.temperature == pytest.approx(23.5 + 52.0)
    assert q2.margin == pytest.approx(102.0 - (45.0 + 52.0))
    assert q2.expanded_uncertainty == pytest.approx(2 * 1.5)
    assert rows["Q1"].verdict == "over"
    assert rows["HS1"].verdict == "no limit given"
    assert rows["T1"].verdict == "not settled"
    assert "emissivity 0.45" in rows["HS2"].remark


def test_without_a_maximum_ambient_the_margin_is_at_the_tests_own(charger: xr.Dataset) -> None:
    rows = {row.name: row for row in part_rows(charger.assign(max_ambient=((), np.nan)))}
    assert rows["Q2"].margin_ambient == pytest.approx(23.5)
    assert rows["Q2"].margin == pytest.approx(102.0 - 75.5)


def test_ambient_is_the_last_that_is_known(charger: xr.Dataset) -> None:
    ambient = charger["ambient"].copy()
    ambient[-3:], ambient[-4] = np.nan, 24.0
    assert part_rows(charger.assign(ambient=ambient))[0].temperature == pytest.approx(24.0 + 38.0)


def test_session_without_regions_has_no_rows() -> None:
    session = charger_results.session(steps=3)
    assert part_rows(session.drop_dims("region")) == []


def test_rows_leave_the_dataset_as_it_was(charger: xr.Dataset) -> None:
    before = charger.copy(deep=True)
    part_rows(charger)
    xr.testing.assert_identical(before, charger)


def test_at_altitude_the_rise_and_its_uncertainty_grow_by_the_thinner_air(charger: xr.Dataset) -> None:
    high = charger.assign(max_altitude=((), 3000.0))
    before, after = ({row.name: row for row in part_rows(one)}["Q2"] for one in (charger, high))
    # 1 / 0.7421, density of the International Standard Atmosphere at 3000 m (from memory)
    assert after.margin == pytest.approx(102.0 - (45.0 + 52.0 / 0.7421), abs=0.02)
    assert before.margin_less_uncertainty == pytest.approx(5.0 - 3.0)
    assert after.margin - after.margin_less_uncertainty == pytest.approx(3.0 / 0.7421, abs=0.01)
    assert (before.verdict, after.verdict) == ("inside", "over")
    there = {row.name: row for row in part_rows(high.assign(altitude=((), 3000.0)))}["Q2"]
    assert there.margin == before.margin


def test_what_is_cold_ambiguous_or_no_known_part_is_said(charger: xr.Dataset) -> None:
    count = charger.sizes["region"]
    flags = {
        "region_known": np.arange(count) != 1,
        "region_found": np.arange(count) != 2,
        "region_ambiguous": np.arange(count) == 3,
        "region_turned": np.arange(count) == 0,
    }
    flagged = charger.assign({name: ("region", values.astype(np.int8)) for name, values in flags.items()})
    rows = part_rows(flagged)
    x, y = (float(charger[f"region_{axis}"][1]) for axis in "xy")
    assert f"in no known part, at x {x:.1f}, y {y:.1f} mm" in rows[1].remark
    assert "no rise of its own" in rows[2].remark
    assert "ambiguous" in rows[3].remark
    assert "turned" in rows[0].remark
    assert [("no known part" in row.remark) for row in rows] == [number == 1 for number in range(count)]


def test_parts_off_the_board_are_named(charger: xr.Dataset) -> None:
    assert parts_off_board(charger) == ""
    off = charger.assign(off_x=("part_off", [300.0, 400.0])).assign_coords(part_off=["U8", "U9"])
    assert "U8, U9" in parts_off_board(off)


def test_a_part_still_rising_says_when_it_reaches_its_limit(charger: xr.Dataset) -> None:
    count = charger.sizes["region"]
    times = {"time_to_limit": 200.0, "time_to_limit_early": 42.0, "time_to_limit_late": np.nan}
    rows = part_rows(charger.assign({name: ("region", np.full(count, at)) for name, at in times.items()}))
    assert rows[0].limit_words == "reaches its limit 3 min after the end by the fit (95 %: 42 s or never)"
    assert rows[0].limit_words in rows[0].remark
    assert part_rows(charger)[0].limit_words == ""


def test_a_load_that_went_off_is_told_from_a_cold_part(charger: xr.Dataset) -> None:
    states = np.full((charger.sizes["region"], 3), REGION_STATE.index("seen"), dtype=np.int8)
    states[1, -1] = REGION_STATE.index("faded")
    rows = part_rows(charger.assign(region_state=(("region", "look"), states)))
    told = [("no longer at the end" in row.remark) for row in rows]
    assert told == [number == 1 for number in range(len(rows))]
