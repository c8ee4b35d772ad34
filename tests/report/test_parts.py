"""Margins and verdicts against closed forms."""

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from heatwake.report.parts import margin, part_rows, verdict
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
