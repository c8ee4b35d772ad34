"""What to record next: ranked, worded, and reckoned from what stands in the results."""

import json

import numpy as np
import pytest
import xarray as xr

from heatwake.kernels.repeats import coverage_factor
from heatwake.report.further import Further, further_from, further_recordings, further_rows, ranked
from heatwake.report.further_pairs import further_of_comparison
from heatwake.report.page import session_page
from heatwake.stages.pair import ComparisonSettings
from heatwake.store import tables


def session(rises: list[float], **conditions: object) -> xr.Dataset:
    places = {"region": [f"P{at}" for at in range(len(rises))], "elapsed": ("time", [0.0, 600.0])}
    made = xr.Dataset({"steady_rise": ("region", rises), "power_on": 10.0}, coords=places)
    return made.assign_attrs(conditions=json.dumps(conditions))


def compared(differences: list[float], spread: float, *, significant: list[int]) -> xr.Dataset:
    pair = ("session", "region")
    return xr.Dataset(
        {
            "steady_rise_difference": (pair, [differences]),
            "steady_rise_difference_uncertainty": (pair, [[spread] * len(differences)]),
            "region_significant": (pair, [significant]),
        },
        coords={"session": ["b"], "region": [f"P{at}" for at in range(len(differences))]},
    )


def of(comparison: xr.Dataset, sessions: dict[str, xr.Dataset], **own: list[Further]) -> list[Further]:
    settings = ComparisonSettings().model_dump()
    return further_of_comparison(comparison, sessions, reference="a", settings=settings, own=own)


def test_repeats_are_as_many_as_tell_a_difference_that_matters():
    comparison = compared([1.0, 0.1, 4.0], 0.6, significant=[0, 0, 1])
    (repeats,) = of(comparison, {"a": session([40, 40, 40], fan="out"), "b": session([41, 40, 44], fan="in")})
    takes = round((repeats.now / repeats.then) ** 2)
    assert coverage_factor(2 * (takes - 1)) * 0.6 / np.sqrt(takes) < 1.0
    assert coverage_factor(2 * (takes - 2)) * 0.6 / np.sqrt(takes - 1) > 1.0  # one take less would not do
    assert "P0" in repeats.settles
    assert "P1" not in repeats.settles  # too small to matter
    assert "P2" not in repeats.settles  # told already
    assert repeats.open_questions == 2  # P0, and how far takes lie apart


def test_a_film_laid_on_anew_costs_what_the_settings_say():
    sessions = {
        name: session([50.0], fan=fan, film_fitting=number)
        for number, (name, fan) in enumerate({"a": "out", "b": "in"}.items())
    }
    kept = next(one for one in of(compared([3.0], 0.9, significant=[1]), sessions) if one.name == "film kept")
    share = ComparisonSettings().refit_share
    assert kept.then == pytest.approx(np.sqrt(0.9**2 - 2 * (share * 50.0) ** 2))


def test_missing_set_ups_of_a_design_are_named():
    sessions = {
        "a": session([40.0], fan="out", vent="open"),
        "b": session([41.0], fan="in", vent="open"),
        "c": session([41.0], fan="in", vent="covered"),
    }
    found = of(compared([1.0], 0.1, significant=[1]), sessions)
    missing = next(one for one in found if one.name == "the set-ups that are missing")
    assert "fan out, vent covered" in missing.how
    assert "1 of 4" in missing.settles


def test_what_several_sessions_ask_for_is_one_row():
    wish = Further("cold picture", "Ten seconds.", "Margins.", 2, 1.0, 0.5, quantity="rise of P0")
    sessions = {"a": session([40.0], fan="out"), "b": session([41.0], fan="in")}
    first, *_ = of(compared([1.0], 0.1, significant=[1]), sessions, a=[wish], b=[wish])
    assert (first.name, first.session, first.open_questions) == ("cold picture", "a, b", 4)


def test_questions_count_before_numbers():
    rows = [
        Further("sharper", "", "", 0, 1.0, 0.1),
        Further("settles", "", "", 1),
        Further("less", "", "", 0, 1.0, 0.9),
    ]
    assert [one.name for one in ranked(rows)] == ["settles", "sharper", "less"]


def test_rows_of_the_table_come_back_from_the_file_as_they_were(tmp_path):
    one = Further("longer", "Record, for 9 minutes.", 'Says "settled".', 1, 0.5, 0.25, quantity="rise of <P0>")
    bare = Further("fan off", "Two minutes.", "Shows.", 0, session="a, b")
    (tmp_path / "next.csv").write_text(tables.csv_text(further_rows([one, bare])))
    back = [further_from(row) for row in tables.read_rows(tmp_path / "next.csv")]
    assert back[0] == one
    assert (back[1].name, back[1].session, back[1].quantity) == ("fan off", "a, b", "")
    assert np.isnan([back[1].now, back[1].then]).all()


def test_a_direction_that_is_not_told_asks_for_what_the_fit_foresees(charger, told):
    open_flow = told.copy()
    open_flow["board_flow_status"] = ("time", np.full(told.sizes["time"], 2, np.int8))
    foreseen = np.zeros((2, charger.sizes["region"]))
    foreseen[1, 2] = -9.0
    open_flow = open_flow.assign_coords(further=["fan off", "fan turned round"]).assign(
        foreseen_early=80.0,
        foreseen_early_change=(("further", "region"), 0.3 * foreseen),
        foreseen_rise_change=(("further", "region"), foreseen),
        foreseen_flow_status=("further", np.array([2, 0], np.int8)),
        foreseen_against_opposite=("further", [10.0, 300.0]),
        foreseen_against_still=("further", [90.0, 200.0]),
    )
    open_flow.attrs["flow_outcome"] = "physical fit"
    found = {one.name: one for one in further_recordings(charger.drop_dims("budget_input"), open_flow, {})}
    assert found["fan turned round"].open_questions > 0
    assert "evidence foreseen 200" in found["fan turned round"].settles
    assert "Q1 −9 K" in found["fan turned round"].settles
    assert "7 signs of 10" in found["fan turned round"].settles
    assert found["fan off"].open_questions == 0
    assert "hardly tell" in found["fan off"].settles


def test_the_page_shows_the_list_and_markup_in_it_as_text(plain):
    further = [Further("repeats", "Again.", "Whether <b>P0</b> changed.", 1, 0.6, 0.42, quantity="<i>P0</i>")]
    page = session_page(plain, flow=None, title="Charger", settings={}, provenance={}, further=further, explore=False)
    assert "What to record next" in page
    assert "&lt;b&gt;P0&lt;/b&gt;" in page
    assert "0.60 → 0.42 K" in page
