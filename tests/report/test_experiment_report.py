"""What the page says of what differs, of repeats and of an experiment."""

import json

import numpy as np
import pytest
import xarray as xr

from heatwake.report.comparison_report import comparison_page
from heatwake.report.experiment_report import alias_words, effect_rows_by_region, experiment_answer, prediction_rows
from heatwake.report.takes import take_words
from heatwake.report.unlike import lead, unlike
from report import charger_results


def study() -> xr.Dataset:
    """Return an experiment in which the fan cools Q1 and the vent heats it."""
    effects = ["fan: in − out", "vent: covered − open"]
    value = np.array([[-6.0, -1.0], [2.0, 0.1]])
    return xr.Dataset(
        {
            "effect_rise": (("effect", "region"), value),
            "effect_rise_low": (("effect", "region"), value - 0.5),
            "effect_rise_high": (("effect", "region"), value + 0.5),
            "effect_significant": (("effect", "region"), np.array([[1, 1], [1, 0]], dtype=np.int8)),
            "effect_factors": ("effect", np.array([1, 1], dtype=np.int8)),
            "predicted_rise": (("combination", "region"), np.array([[50.0, 20], [44, 19], [52, 20], [46, 19]])),
            "predicted_rise_low": (("combination", "region"), np.full((4, 2), 43.0)),
            "predicted_rise_high": (("combination", "region"), np.full((4, 2), 45.0)),
            "times_run": ("combination", np.array([1, 0, 1, 1])),
            "is_best": ("combination", np.array([0, 1, 0, 0], dtype=np.int8)),
            "deciding_region": ((), 0),
            "second_best": ((), 3),
            "best_ahead": ((), 2.0),
            "best_ahead_uncertainty": ((), 0.6),
        },
        coords={
            "effect": effects,
            "region": ["Q1", "L1"],
            "combination": ["fan out, vent open", "fan in, vent open", "fan out, vent covered", "fan in, vent covered"],
        },
    )


def test_the_answer_names_the_largest_effect_and_the_best_combination():
    said = experiment_answer(study())
    assert "fan: in − out cools Q1 by 6.0 K (5.5 to 6.5 K)" in said
    assert "Best is predicted to be fan in, vent open: Q1" in said
    assert "it was not run" in said
    assert "hotter there by 2.0 ± 0.6 K" in said


def test_each_parts_effects_come_largest_first():
    rows = effect_rows_by_region(study())
    assert [(row.region, row.value) for row in rows] == [("Q1", -6.0), ("Q1", 2.0), ("L1", -1.0), ("L1", 0.1)]
    assert prediction_rows(study())[0]["name"] == "fan in, vent open"


def test_the_page_shows_an_experiment_beside_the_pairs(reference):
    other = charger_results.session(factor=1.1)
    regions = [str(name) for name in reference["region"].to_numpy()]
    shape = (2, reference.sizes["y"], reference.sizes["x"])
    maps = {
        "effect_map": (("effect", "y", "x"), np.ones(shape)),
        "effect_map_significant": (("effect", "y", "x"), np.ones(shape, dtype=np.int8)),
        "effect_freedom": ("region", np.full(2, 4.0)),
        "error_source": ((), 0),
    }
    made = study().assign_coords(region=regions[:2], x=reference["x"], y=reference["y"]).assign(maps)
    about = {"factors": {"fan": ["out", "in"]}, "aliases": [], "runs": {name: {} for name in "abcd"}}
    page = comparison_page(
        charger_results.compared(reference, other, name="fan_in"),
        {"fan_out": reference, "fan_in": other},
        flows={},
        title="Study",
        settings={},
        provenance={},
        experiment=made.assign_attrs(design=json.dumps(about)),
        explore=False,
    )
    assert "All sessions as one experiment" in page
    assert "Over 4 sessions" in page
    assert "fan: in − out" in page
    assert "4 degrees of freedom" in page


def test_what_goes_together_is_said():
    said = alias_words({"aliases": [{"effect": ["fan", "left"], "goes_with": [["top"]]}]})
    assert said == ["fan × left cannot be told from top."]


@pytest.fixture
def reference() -> xr.Dataset:
    return charger_results.session()


def test_more_than_one_thing_that_differs_stands_in_the_first_sentence(reference):
    conditions = {"fan": "in", "left_vent": "covered", "power_W": 18.0}
    other = reference.assign_attrs(conditions=json.dumps(conditions)).assign(power=((), 19.0))
    rows = unlike(reference, other)
    said = lead(rows)
    assert said.startswith("More than one thing differs: fan and left vent on purpose")
    # 1 W of 18 W on the hottest part's 0.94 * 54.9 K
    assert "total power of the item (up to 2.9 K)" in said
    assert lead(unlike(reference, reference)) == ""


def test_what_was_brought_to_one_condition_is_no_alarm(reference):
    other = reference.assign(power=((), 19.0))
    chosen = xr.Dataset({"power_factor": ((), 18 / 19)})
    (row,) = unlike(reference, other, chosen)
    assert row.treatment
    assert row.effect == pytest.approx(0.94 * 54.9 / 18, rel=0.01)
    assert lead([row]) == ""


def test_power_read_off_the_first_warming_is_told_with_its_effect(reference):
    chosen = xr.Dataset({"power_by_slope": ((), 1.08), "power_by_slope_uncertainty": ((), 0.01)})
    (row,) = unlike(reference, reference, chosen)
    assert "begin to warm" in row.what
    assert row.effect == pytest.approx(0.08 * 0.94 * 54.9, rel=0.01)


def test_a_film_laid_on_anew_is_told_with_half_a_kelvin_a_run(reference):
    stated = json.loads(reference.attrs["conditions"])
    others = [reference.assign_attrs(conditions=json.dumps(stated | {"film_fitting": n})) for n in (1, 2)]
    (row,) = unlike(*others)
    assert row.effect == pytest.approx(np.sqrt(2) * 0.0092 * 0.94 * 54.9, rel=0.01)
    assert row.treatment == "counted in ±"
    (own,) = unlike(*others, refit_share=0.002)  # as a workflow says it
    assert own.effect == pytest.approx(np.sqrt(2) * 0.002 * 0.94 * 54.9, rel=0.01)


def test_emissivities_that_differ_are_named(reference):
    emissivity = reference["part_emissivity"].copy()
    emissivity[2] = 0.84
    (row,) = unlike(reference, reference.assign(part_emissivity=emissivity))
    assert row.what == "emissivity of Q1"
    assert (row.was, row.now) == ("0.94 (Q1)", "0.84 (Q1)")


def test_without_repeats_the_takes_needed_are_said(reference):
    chosen = xr.Dataset({"steady_rise_difference_uncertainty": ("region", np.full(3, 0.42 * np.sqrt(2)))})
    said = take_words(xr.Dataset({"repeat_freedom": ((), 0.0)}), chosen, reference, {"least_difference_K": 1.0})
    assert "one take" in said
    assert "A-B-B-A" in said
    # 1.0 K of 0.42 K is 2.4 standard deviations: four takes (table of sample sizes)
    assert "4 takes of either" in said


def test_repeats_are_said_with_their_degrees_of_freedom(reference):
    known = {"repeat_freedom": 4.0, "repeat_constant": 0.2, "repeat_share": 0.006}
    comparison = xr.Dataset({name: ((), value) for name, value in known.items()})
    said = take_words(comparison, xr.Dataset(), reference, {})
    assert "0.20 K and 0.60 % of the rise" in said
    assert "4 degrees of freedom" in said
