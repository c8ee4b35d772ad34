"""Budgets for people: rows of the table, readings that are no measurement, the page's section and figure."""

import numpy as np
import pytest
import xarray as xr

from heatwake.report import figure_style as style
from heatwake.report import outputs
from heatwake.report.answers import session_answer
from heatwake.report.budget import WORDS, budget_lines, has_budget
from heatwake.report.budget_figure import GROUPS, budget_figure, group_shares
from heatwake.report.page import session_page
from heatwake.report.parts import part_rows
from heatwake.stages.region_budget import TERMS
from report.charger_results import BUDGET


def rows_of(charger: xr.Dataset, region: str, quantity: str) -> list[dict[str, object]]:
    rows = outputs.budget_rows(charger, part_rows(charger))
    return [row for row in rows if (row["region"], row["quantity"]) == (region, quantity)]


def flagged(charger: xr.Dataset, **flags: int) -> xr.Dataset:
    """Return the charger with flags of Q2, which is inside its limit otherwise."""
    place = charger["region"].to_numpy().tolist().index("Q2")
    made = charger
    for name, flag in flags.items():
        values = made[name].to_numpy().copy()
        values[place] = flag
        made = made.assign({name: ("region", values)})
    return made


def test_a_table_has_a_row_an_input_and_its_sums(charger: xr.Dataset) -> None:
    rows = rows_of(charger, "Q2", "rise")
    inputs = [row["input"] for row in rows]
    assert inputs == [*BUDGET, "combined shared", "combined own", "combined", "expanded (k = 2)"]
    by = {row["input"]: row for row in rows}
    # The shares are those the charger was made with, of a standard uncertainty of 1.5 K.
    assert by["emissivity"]["contribution_K"] == pytest.approx(1.5 * np.sqrt(0.48))
    assert by["emissivity"]["share_of_variance"] == pytest.approx(0.48)
    assert by["combined shared"]["contribution_K"] == pytest.approx(1.5 * np.sqrt(0.90))
    assert by["combined own"]["contribution_K"] == pytest.approx(1.5 * np.sqrt(0.10))
    assert by["combined"]["contribution_K"] == pytest.approx(1.5)
    assert by["expanded (k = 2)"]["contribution_K"] == pytest.approx(3.0)


def test_a_line_tells_distribution_divisor_and_kind(charger: xr.Dataset) -> None:
    by = {row["input"]: row for row in rows_of(charger, "L1", "temperature")}
    assert (by["camera"]["distribution"], by["camera"]["unit"], by["camera"]["kind"]) == (
        "rectangular",
        "degC",
        "shared",
    )
    assert by["camera"]["divisor"] == pytest.approx(np.sqrt(3))
    assert (by["noise"]["distribution"], by["noise"]["divisor"], by["noise"]["kind"]) == ("normal", 1.0, "own")
    assert {row["quantity_unit"] for row in by.values()} == {"degC"}
    assert by["ambient"]["sensitivity_unit"] == "K/K"


def test_every_row_has_the_same_columns(charger: xr.Dataset) -> None:
    rows = outputs.budget_rows(charger, part_rows(charger))
    assert len({frozenset(row) for row in rows}) == 1
    assert len(rows) == 10 * 2 * (len(BUDGET) + 4)


def test_temperature_and_rise_differ_by_the_ambient_alone(charger: xr.Dataset) -> None:
    rise, temperature = (
        {line.name: line.contribution for line in budget_lines(charger, 0, quantity=quantity)}
        for quantity in ("rise", "temperature")
    )
    assert {name for name in rise if rise[name] != temperature[name]} == {"ambient"}


def test_every_term_of_the_stage_has_words_and_a_colour() -> None:
    assert set(WORDS) == set(TERMS) == set(BUDGET)
    assert sorted(name for _, names, _ in GROUPS for name in names) == sorted(TERMS)


def test_groups_hold_all_of_the_variance(charger: xr.Dataset) -> None:
    assert sum(group_shares(charger, 3)) == pytest.approx(1.0)


def test_results_without_budgets_have_no_rows(charger: xr.Dataset) -> None:
    bare = charger.drop_vars("budget_contribution")
    assert not has_budget(bare)
    assert outputs.budget_rows(bare, part_rows(bare)) == []


@pytest.mark.parametrize(
    ("flags", "word"),
    [
        ({"region_emissivity_low": 1}, "not a temperature"),
        ({"region_size": 2}, "too small to measure"),
        ({"region_beyond_range": 1}, "beyond the camera's range"),
    ],
)
def test_no_margin_is_claimed_of_what_is_not_measured(charger: xr.Dataset, flags: dict[str, int], word: str) -> None:
    rows = part_rows(flagged(charger, **flags))
    row = next(row for row in rows if row.name == "Q2")
    assert row.verdict == word
    assert not row.is_measured
    assert np.isnan([row.margin, row.carried_temperature]).all()
    summary = next(line for line in outputs.summary_rows(rows) if line["region"] == "Q2")
    assert (summary["verdict"], summary["is_measured"]) == (word, 0)
    assert np.isnan([summary["margin_K"], summary["temperature_at_max_ambient_degC"]]).all()
    assert next(row for row in part_rows(charger) if row.name == "Q2").is_measured


def test_low_emissivity_is_said_though_no_limit_is_given(charger: xr.Dataset) -> None:
    row = next(row for row in part_rows(charger) if row.name == "HS2")
    assert row.verdict == "not a temperature"
    assert "emissivity 0.45: mostly reflection is seen" in row.remark


def test_a_small_part_is_judged_and_its_pixels_and_bias_are_said(charger: xr.Dataset) -> None:
    row = next(row for row in part_rows(charger) if row.name == "Q2")
    assert np.isfinite(row.margin)
    assert "9.0 px across: small, may read 0.2 K too low" in row.remark
    large = flagged(charger, region_size=0)
    assert next(row for row in part_rows(large) if row.name == "Q2").remark == ""


def test_a_budget_that_trials_do_not_bear_out_says_its_interval(charger: xr.Dataset) -> None:
    row = next(row for row in part_rows(flagged(charger, first_order_holds=0)) if row.name == "Q2")
    # a rise of 52 K, with 1.9 and 2.0 of 1.5 K on either side
    assert "95 % of trials lie from 49.1 to 55.0 K" in row.remark


def test_an_interval_that_reaches_farther_than_u_decides(charger: xr.Dataset) -> None:
    high = np.full(charger.sizes["region"], 6.0)  # Q2 has a margin of 5 K, and U = 3 K
    made = charger.assign(trials_high=("region", high))
    words = {
        holds: next(row for row in part_rows(flagged(made, first_order_holds=holds)) if row.name == "Q2").verdict
        for holds in (0, 1)
    }
    assert words == {1: "inside", 0: "inside but within the uncertainty"}


def test_what_is_not_measured_is_never_the_hottest(charger: xr.Dataset) -> None:
    rises = charger["steady_rise_max"].to_numpy().copy()
    rises[charger["region"].to_numpy().tolist().index("HS2")] = 200.0
    heat, _ = session_answer(charger.assign(steady_rise_max=("region", rises)), None)
    assert heat.startswith("Q1 gets hottest")


def test_parts_with_a_limit_that_are_not_measured_are_named(charger: xr.Dataset) -> None:
    heat, _ = session_answer(flagged(charger, region_emissivity_low=1), None)
    assert "of Q2 no margin can be told" in heat


def test_the_page_shows_the_budget_of_the_least_margin(page: str) -> None:
    assert "Budget of Q1, the part of least margin" in page  # over by 1.9 K
    assert "film transmittance" in page
    assert "v-not-a-temperature" in page


def test_the_page_of_results_without_budgets_has_no_such_section(small: xr.Dataset, page: str) -> None:
    bare = small.drop_vars("budget_contribution").drop_dims(["frame", "spread_time"])
    made = session_page(bare, flow=None, title="Charger", settings={}, provenance={}, explore=False)
    assert "Budget of" in page
    assert "Budget of" not in made


def test_bars_are_as_long_as_the_uncertainty_and_cut_by_shares(charger: xr.Dataset) -> None:
    rows = part_rows(charger)
    with style.house_style():
        axes = budget_figure(charger, rows).axes[0]
    widths = [float(np.ptp(bar.vertices[:, 0])) for bar in axes.collections[0].get_paths()]  # of the first row
    assert len(widths) == len(GROUPS)
    assert sum(widths) == pytest.approx(1.5)
    assert widths[[name for name, *_ in GROUPS].index("emissivity")] == pytest.approx(0.48 * 1.5)


def test_a_bar_of_what_is_not_measured_does_not_make_the_others_small(charger: xr.Dataset) -> None:
    spread = charger["steady_rise_max_uncertainty"].to_numpy().copy()
    spread[charger["region"].to_numpy().tolist().index("HS2")] = 60.0
    rows = part_rows(charger.assign(steady_rise_max_uncertainty=("region", spread)))
    with style.house_style():
        axes = budget_figure(charger, rows).axes[0]
    assert axes.get_xlim()[1] == pytest.approx(1.25 * 1.5)
    assert any("60.00 K, not a temperature →" in text.get_text() for text in axes.texts)
