"""What a run writes: rows for tables, lines for the terminal."""

import numpy as np
import pytest
import xarray as xr

from heatwake.report import outputs
from heatwake.report.parts import part_rows

Pair = tuple[xr.Dataset, dict[str, xr.Dataset]]


def test_summary_has_a_row_a_part_with_units_in_the_header(charger: xr.Dataset) -> None:
    rows = {row["region"]: row for row in outputs.summary_rows(part_rows(charger))}
    assert list(rows) == [str(name) for name in charger["region"].to_numpy()]
    assert rows["Q2"]["temperature_degC"] == pytest.approx(75.5)
    assert rows["Q2"]["temperature_at_max_ambient_degC"] == pytest.approx(97.0)
    assert rows["Q2"]["margin_K"] == pytest.approx(5.0)
    assert np.isnan(rows["HS1"]["margin_K"])


def test_comparison_has_a_row_a_region_and_one_for_the_board(pair: Pair) -> None:
    compared = pair[0].drop_attrs(deep=False)
    rows = {row["region"]: row for row in outputs.comparison_rows(compared, pair[1])}
    assert len(rows) == 11
    assert {row["reference"] for row in rows.values()} == {"fan_out"}
    assert rows["board"]["flow_change"] == "reversed"
    # Both means are 0.94 of their core's final rise, and the second session's are 1.12 times the first's.
    assert rows["Q1"]["steady_rise_difference_K"] == pytest.approx(0.12 * 0.94 * 54.9)


def test_terminal_lines_are_the_pages_answers(pair: Pair, comparison_page: str) -> None:
    lines = outputs.comparison_lines(pair[0])
    assert len(lines) == 1
    assert lines[0] in comparison_page


def test_directions_are_told_from_one_recording_and_from_the_pair(told: xr.Dataset, pair: Pair) -> None:
    assert outputs.flow_sentences("fan_in", told, pair[0]) == ("to the right (1° ± 6°)", "to the left (179° ± 4°)")
    assert outputs.flow_sentences("fan_in", told, None) == ("to the right (1° ± 6°)", "not attempted")
