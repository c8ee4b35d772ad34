"""Designs and effects against worked examples in print."""

from itertools import product

import numpy as np
import pytest

from heatwake.kernels.design import Factor, find_factors, make_design
from heatwake.kernels.effects import fit_effects, map_weights

# Box, Hunter and Hunter, Statistics for Experimenters, Wiley 1978, section 10.2 and table 10.3 (from memory): a pilot
# plant's yield over temperature T, concentration C and catalyst K, each of eight runs made twice.
PILOT = {
    (160, 20, "A"): (59, 61), (180, 20, "A"): (74, 70), (160, 40, "A"): (50, 58), (180, 40, "A"): (69, 67),
    (160, 20, "B"): (50, 54), (180, 20, "B"): (81, 85), (160, 40, "B"): (46, 44), (180, 40, "B"): (79, 81),
}  # fmt: skip
PRINTED = {"T": 23.0, "C": -5.0, "K": 1.5, "CT": 1.5, "KT": 10.0, "CK": 0.0, "CKT": 0.5}


def pilot(*, takes: int = 2):
    runs = [dict(zip("TCK", key, strict=True)) for key in PILOT for _ in range(takes)]
    values = np.array(
        [value for pair in PILOT.values() for value in (pair if takes == 2 else [np.mean(pair)])], dtype=float
    )
    return runs, values


def test_the_printed_effects_and_their_standard_error_of_a_two_level_example():
    runs, values = pilot()
    design = make_design(runs, find_factors(runs, first=runs[0]), order=3)
    assert design.freedom == 8
    effects = fit_effects(values, design, design.contrasts())
    found = {"".join(one.factors): value for one, value in zip(design.contrasts(), effects.values, strict=True)}
    assert found == pytest.approx(PRINTED, abs=1e-9)
    assert effects.spread**2 == pytest.approx(8.0)  # printed: pooled variance 8 with 8 degrees of freedom
    assert effects.uncertainty == pytest.approx(np.full(7, 1.4142), abs=1e-4)  # printed: 1.4


def test_effects_as_statsmodels_own_formula_has_them():
    import pandas as pd
    from statsmodels.formula.api import ols

    runs, values = pilot()
    table = pd.DataFrame(runs).rename(columns={"T": "heat", "C": "strength", "K": "kind"}).assign(y=values)
    coded = ols("y ~ C(heat, Sum) * C(kind, Sum) + C(strength, Sum)", table).fit()
    design = make_design(runs, find_factors(runs, first=runs[0]), order=2)
    effects = fit_effects(values, design, design.contrasts(), spread=1.0)
    found = {one.factors: value for one, value in zip(design.contrasts(), effects.values, strict=True)}
    # a sum contrast of two levels is half the effect, its sign that of the first level
    assert found[("T",)] == pytest.approx(-2 * coded.params["C(heat, Sum)[S.160]"])
    assert found[("K", "T")] == pytest.approx(2 * coded.params["C(heat, Sum)[S.160]:C(kind, Sum)[S.A]"])


def test_a_half_fraction_says_what_goes_together():
    # 2^(3-1) with I = ABC: each main effect goes with the interaction of the two others (any textbook)
    runs = [{"a": a, "b": b, "c": a * b} for a, b in product((-1, 1), repeat=2)]
    design = make_design(runs, find_factors(runs, first=runs[0]))
    assert {alias.term: alias.others for alias in design.aliases} == {
        ("a", "b"): (("c",),),
        ("a", "c"): (("b",),),
        ("b", "c"): (("a",),),
    }
    assert design.freedom == 0


def test_main_effects_that_go_together_are_no_design():
    runs = [{"a": 1, "b": 1}, {"a": 2, "b": 2}, {"a": 1, "b": 1}, {"a": 2, "b": 2}]
    assert make_design(runs, find_factors(runs, first=runs[0])) is None


def test_a_level_is_compared_with_the_first_in_the_mean_over_all_else():
    runs = [{"vent": v, "fan": f} for v, f in product(("open", "half", "shut"), ("in", "out"))]
    values = np.array([10, 12, 14, 18, 20, 30.0])
    design = make_design(runs, find_factors(runs, first=runs[0]))
    effects = fit_effects(values, design, design.contrasts(), spread=1.0)
    found = {(one.factors, one.levels): value for one, value in zip(design.contrasts(), effects.values, strict=True)}
    assert found[("vent",), ("shut",)] == pytest.approx(25 - 11)
    assert found[("vent",), ("half",)] == pytest.approx(16 - 11)
    assert found[("fan",), ("out",)] == pytest.approx(20 - 44 / 3)
    assert found[("fan", "vent"), ("out", "shut")] == pytest.approx(((30 - 20) - (12 - 10)) / 2)
    # saturated: the predictions are the cells
    assert sorted(effects.predicted) == pytest.approx(sorted(values))


def test_blocks_take_a_day_out_and_nothing_else():
    runs = [{"a": a, "b": b} for a, b in product((0, 1), repeat=2)] * 2
    days = ["monday"] * 4 + ["tuesday"] * 4
    values = np.array([run["a"] * 3.0 + run["b"] + (5.0 if day == "tuesday" else 0.0) for run, day in zip(runs, days, strict=True)])  # fmt: skip  # noqa: E501
    design = make_design(runs, find_factors(runs, first=runs[0]), blocks=days)
    effects = fit_effects(values, design, design.contrasts())
    assert effects.values[:2] == pytest.approx([3.0, 1.0])
    assert effects.spread == pytest.approx(0.0, abs=1e-9)


def test_many_numbers_are_a_straight_line_and_labels_no_factor():
    runs = [{"flow": flow, "serial": f"s{flow}"} for flow in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0)]
    (factor,) = find_factors(runs, first=runs[0])
    assert factor == Factor("flow", (1.0, 4.0), is_line=True)
    design = make_design(runs, (factor,))
    effects = fit_effects(np.array([run["flow"] * -2.0 for run in runs]), design, design.contrasts())
    assert effects.values == pytest.approx([-6.0])


def test_runs_that_miss_a_cell_or_a_value_still_tell_what_they_can():
    runs, values = pilot()
    values[3] = np.nan
    design = make_design(runs, find_factors(runs, first=runs[0]))
    assert fit_effects(values, design, design.contrasts()).freedom == 15 - 7
    values[5:] = np.nan
    assert fit_effects(values, design, design.contrasts(), spread=1.0) is None


def test_effects_of_maps_are_those_of_each_place():
    runs, values = pilot(takes=1)
    design = make_design(runs, find_factors(runs, first=runs[0]))
    weights = map_weights(design, design.contrasts())
    single = fit_effects(values, design, design.contrasts(), spread=2.0)
    assert weights @ values == pytest.approx(single.values)
    assert 2.0 * np.sqrt((weights**2).sum(axis=1)) == pytest.approx(single.uncertainty)


def test_intervals_of_effects_hold_the_truth_as_often_as_they_say():
    runs, _ = pilot()
    design = make_design(runs, find_factors(runs, first=runs[0]))
    rng = np.random.default_rng(8)
    truth = design.matrix @ np.array([50, -3, 1, 4, 0, 0.5, 2.0])
    from heatwake.kernels.repeats import coverage_factor

    held = []
    clean = fit_effects(truth, design, design.contrasts(), spread=1.0).values
    for _ in range(150):
        effects = fit_effects(truth + rng.normal(0, 1.5, len(runs)), design, design.contrasts())
        held += list(np.abs(effects.values - clean) <= coverage_factor(effects.freedom) * effects.uncertainty)
    # 900 effects, correlated within a study by their common spread: 0.95 by theory, 0.012 of standard deviation
    assert np.mean(held) == pytest.approx(0.95, abs=0.03)
