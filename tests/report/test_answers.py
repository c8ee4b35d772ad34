"""The sentences that a person reads first."""

import json

import numpy as np
import pytest
import xarray as xr

from heatwake.report.answers import comparison_answer, session_answer
from heatwake.report.flow_reading import WHY, arrow_field, board_direction, opening_roles
from heatwake.report.unlike import unlike, warning
from heatwake.report.words import heading
from heatwake.schema.variables import FLOW_REASON
from report import charger_results

Pair = tuple[xr.Dataset, dict[str, xr.Dataset]]


@pytest.mark.parametrize(
    ("degrees", "words"),
    [(0, "to the right"), (22, "to the right"), (23, "up and to the right"), (90, "up"), (180, "to the left")],
)
def test_headings_are_the_nearest_eighth_of_a_turn(degrees: float, words: str) -> None:
    assert heading(degrees) == words
    assert heading(degrees - 360) == words


def test_answer_names_the_hottest_part_the_limits_and_the_direction(charger: xr.Dataset, told: xr.Dataset) -> None:
    heat, flow = session_answer(charger, told)
    assert heat.startswith("Q1 gets hottest, 78.4 °C at an ambient of 23.5 °C: a rise of 54.9 ± 1.5 K")
    assert "Q1 (by 1.9 K) and U1 (by 1.0 K) are over their limits" in heat
    assert "L1 and T1 have not settled" in heat
    assert flow.startswith("Heat is carried to the right (1° ± 6°)")
    assert "air enters at the left vent and top vent and leaves at the right fan" in flow


def test_answer_says_so_where_no_direction_can_be_told(charger: xr.Dataset) -> None:
    _, flow = session_answer(charger, charger_results.flow(charger, told=False))
    assert "not identifiable" in flow
    assert "°" not in flow


def test_answer_stands_without_flow_parts_or_limits(charger: xr.Dataset) -> None:
    heat, flow = session_answer(charger.drop_dims("region"), None)
    assert heat == "No part was measured and no hot spot was found."
    assert flow == "Where the heat is carried was not attempted."
    bare = charger.assign(region_limit=charger["region_limit"] * np.nan)
    assert "no limit is given" in session_answer(bare, None)[0]


def test_direction_is_the_surest_identified_window(told: xr.Dataset) -> None:
    direction = board_direction(told)
    assert (direction.degrees, direction.uncertainty, direction.window) == (1.0, 6.0, 2)
    assert not direction.turns


def test_direction_that_turns_is_said_to_turn(told: xr.Dataset) -> None:
    turned = told.assign(board_flow_direction=("time", [np.nan, 170.0, 1.0]))
    assert board_direction(turned).turns


def test_number_beside_a_flag_that_says_no_is_not_shown(told: xr.Dataset) -> None:
    flagged = told.assign(
        board_flow_status=("time", np.full(3, 2, dtype=np.int8)), flow_status=xr.full_like(told["flow_status"], 2)
    )
    assert not board_direction(flagged).is_told
    degrees, confidence = arrow_field(flagged, 2)
    assert np.isnan(degrees).all()
    assert (confidence == 0).all()


def test_role_of_an_unknown_opening_is_undecided(told: xr.Dataset) -> None:
    assert opening_roles(told, "right fan") == "outlet"
    assert opening_roles(told, "no such vent") == "undecided"


def test_comparison_answer_counts_significant_parts_and_names_the_reversal(pair: Pair) -> None:
    text = comparison_answer(pair[0], "fan_in", reference="fan_out")
    # Every rise is 1.12 times the reference's: Q1's mean changes most, by 0.12 * 0.94 * 54.9 K = 6.19 K.
    assert text.startswith(
        "fan_in against fan_out: 10 of 10 parts change by more than noise (the most: Q1 hotter by 6.2"
    )
    assert "the direction of the heat is reversed (+178 ± 9°)" in text


def test_comparison_answer_does_not_name_what_is_no_more_than_noise(pair: Pair) -> None:
    quiet = pair[0].assign(region_significant=xr.zeros_like(pair[0]["region_significant"]))
    quiet["board_flow_change"] = ("session", np.array([3], dtype=np.int8))
    text = comparison_answer(quiet, "fan_in", reference="fan_out")
    assert "none of 10 parts changes by more than noise" in text
    assert "whether the direction of the heat changes is not identifiable" in text
    assert "178" not in text
    quiet["board_flow_change"] = ("session", np.array([4], dtype=np.int8))
    text = comparison_answer(quiet, "fan_in", reference="fan_out")
    assert "whether the direction of the heat changes is undecided (+178 ± 9°)" in text


def test_condition_that_differs_is_told_from_what_should_have_been_equal(charger: xr.Dataset) -> None:
    conditions = json.loads(charger.attrs["conditions"]) | {"fan": "in"}
    other = charger.assign(power=((), 19.0)).assign_attrs(conditions=json.dumps(conditions))
    rows = {row.what: row for row in unlike(charger, other)}
    assert (rows["fan"].was, rows["fan"].now, rows["fan"].is_factor) == ("out", "in", True)
    assert (rows["total power of the item"].was, rows["total power of the item"].now) == ("18 W", "19 W")
    assert not rows["total power of the item"].is_factor
    assert len(rows) == 2
    assert "not stated as a condition" in warning(list(rows.values()))


def test_another_spectral_response_is_an_unlike_thing(charger: xr.Dataset) -> None:
    samples = {"response_wavelength": ("response_sample", [7.0, 10.0, 14.0])}
    one = charger.assign(samples | {"response_value": ("response_sample", [0.0, 1.0, 0.0])})
    other = charger.assign(samples | {"response_value": ("response_sample", [0.0, 1.0, 0.5])})
    assert [(row.what, row.was) for row in unlike(charger, one)] == [
        ("spectral response of the camera", "flat in the band")
    ]
    assert [row.what for row in unlike(one, other)] == ["spectral response of the camera"]
    assert unlike(one, one) == []


def test_film_that_was_fitted_anew_is_an_unlike_thing(charger: xr.Dataset) -> None:
    # 0.873 and 0.890 differ by 3.0 of their combined standard uncertainty, 0.004 * sqrt(2); 0.880 by 1.2.
    assert [row.what for row in unlike(charger, charger.assign(transmittance=((), 0.89)))] == ["film transmittance"]
    assert unlike(charger, charger.assign(transmittance=((), 0.88))) == []


def test_why_no_direction_is_told_is_said_in_words(charger: xr.Dataset) -> None:
    still = charger_results.flow(charger, told=False)
    windows = still.sizes["time"]
    codes = np.full(windows, FLOW_REASON.index("no drift"), dtype=np.int8)
    told = board_direction(still.assign(board_flow_reason=("time", codes)))
    assert told.reason == WHY["no drift"]
    assert board_direction(still).reason == ""
    assert set(WHY) == set(FLOW_REASON) - {"told"}
