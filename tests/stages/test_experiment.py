"""Simulated 2 x 2 x 2 studies: effects are recovered within their intervals, at the rate these say."""

from itertools import product

import numpy as np
import pytest
import xarray as xr

from heatwake.report.tidy_rows import design_of, effect_rows
from heatwake.schema.variables import EFFECT_ERROR
from heatwake.stages.comparison import ComparisonSettings
from heatwake.stages.experiment import analyse_experiment
from heatwake.stages.pair import ExperimentSettings
from stages.paired_sessions import session

SETTINGS = ComparisonSettings()
STATES = list(product(("out", "in"), ("open", "covered"), ("open", "covered")))
MAIN = {"fan": {"Q1": -4.0, "Q2": 3.0}, "left": {"Q3": 2.5}, "top": {"Q2": 1.5, "Q5": -1.0}}  # [K], second less first
TOGETHER = {"Q1": 2.0}  # [K], fan x left


def changes(fan: str, left: str, top: str) -> dict[str, float]:
    """Return the changes of parts of a state."""
    found: dict[str, float] = {}
    state = {"fan": fan == "in", "left": left == "covered", "top": top == "covered"}
    for name, parts in MAIN.items():
        for part, value in parts.items():
            found[part] = found.get(part, 0.0) + value * state[name]
    for part, value in TOGETHER.items():
        found[part] = found.get(part, 0.0) + 2 * value * (state["fan"] and state["left"])
    return found


def study(
    rng: np.random.Generator, *, takes: int, states: list[tuple[str, str, str]] = STATES
) -> dict[str, xr.Dataset]:
    made = {}
    for take, state in product(range(takes), states):
        conditions = dict(zip(("fan", "left", "top"), state, strict=True)) | {"replicate": take, "power_W": 18.0}
        one = session(rng, rises=changes(*state), conditions=conditions, film_error=0.008, ambient_error=0.1)
        made["_".join([*state, str(take)])] = one
    return made


@pytest.fixture(scope="module")
def whole() -> xr.Dataset:
    made = analyse_experiment(study(np.random.default_rng(31), takes=2), "out_open_open_0", settings=SETTINGS)
    assert made is not None
    return made


def truth(name: str, region: str) -> float:
    """Return an effect: of an interaction half of what the one does more at the other's second level."""
    if name.startswith("fan: in − out × left"):
        return TOGETHER.get(region, 0.0)
    factor = name.split(":", maxsplit=1)[0]
    if "×" in name:
        return 0.0
    # half of the interaction's cell stands in the mean over the other factor
    beside = TOGETHER.get(region, 0.0) if factor in ("fan", "left") else 0.0
    return MAIN[factor].get(region, 0.0) + beside


def test_effects_lie_in_their_intervals(whole):
    held = [
        float(whole["effect_rise_low"].sel(effect=name, region=region))
        <= truth(str(name), str(region)) * _seen(region)
        <= float(whole["effect_rise_high"].sel(effect=name, region=region))
        for name in whole["effect"].to_numpy()
        for region in whole["region"].to_numpy()
    ]
    # 30 effects of 16 runs that err together: 95 % by theory
    assert np.mean(held) >= 0.9


def _seen(region: str) -> float:
    """Return the share of a part's plateau that its blurred core still has."""
    rng = np.random.default_rng(0)
    plain, more = (session(rng, rises={region: by}, ambient_error=0.0, noise=0.0) for by in (0.0, 10.0))
    return float((more["steady_rise"] - plain["steady_rise"]).sel(region=region)) / 10.0


def test_the_largest_effects_are_named_and_what_is_none_is_not(whole):
    told = whole["effect_significant"].to_pandas()
    assert told.loc["fan: in − out", "Q1"] == 1
    assert told.loc["fan: in − out × left: covered − open", "Q1"] == 1
    assert told.loc["left: covered − open", "Q3"] == 1
    assert told.loc["top: covered − open", "Q4"] == 0
    assert EFFECT_ERROR[int(whole["error_source"])] == "repeats"


def test_the_map_shows_the_effect_at_the_part_alone(whole):
    flags = whole["effect_map_significant"].sel(effect="left: covered − open")
    effect = whole["effect_map"].sel(effect="left: covered − open")
    assert float(effect.sel(x=48, y=28, method="nearest")) == pytest.approx(2.5, abs=0.6)
    assert int(flags.sel(x=slice(0, 8)).sum()) == 0


def test_the_best_combination_is_the_coolest_at_its_hottest(whole):
    # Q2 decides: 45 K, +3 with the fan in, +1.5 with the top vent covered
    best = str(whole["combination"].to_numpy()[int(np.argmax(whole["is_best"].to_numpy()))])
    assert best.startswith("fan out")
    assert best.endswith("top open")
    assert str(whole["region"].to_numpy()[int(whole["deciding_region"])]) == "Q2"


def test_intervals_of_many_studies_hold_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(32)
    seen = {region: _seen(region) for region in ("Q1", "Q3")}
    held = []
    for _ in range(4):
        made = analyse_experiment(study(rng, takes=2), "out_open_open_0", settings=SETTINGS)
        for region, factor in seen.items():
            chosen = made.sel(region=region)
            expected = [truth(str(name), region) * factor for name in made["effect"].to_numpy()]
            held += list((chosen["effect_rise_low"] <= expected) & (chosen["effect_rise_high"] >= expected))
    # 48 intervals that partly err together: 0.95, standard deviation some 0.05
    assert np.mean(held) >= 0.83


def test_a_half_fraction_without_repeats_says_both():
    half = [state for state in STATES if sum(level in ("in", "covered") for level in state) % 2 == 0]
    made = analyse_experiment(
        study(np.random.default_rng(33), takes=1, states=half), "out_open_open_0", settings=SETTINGS
    )
    assert EFFECT_ERROR[int(made["error_source"])] == "budget"
    assert {tuple(alias["effect"]) for alias in design_of(made)["aliases"]} == {
        ("fan", "left"),
        ("fan", "top"),
        ("left", "top"),
    }
    assert made.sizes["effect"] == 3


def test_sessions_that_state_no_factor_are_no_experiment():
    rng = np.random.default_rng(34)
    plain = {f"s{number}": session(rng) for number in range(4)}
    assert analyse_experiment(plain, "s0", settings=SETTINGS) is None
    one = SETTINGS.model_copy(update={"experiment": ExperimentSettings(factors=("colour",))})
    assert analyse_experiment(study(rng, takes=1), "out_open_open_0", settings=one) is None


def test_the_table_has_a_row_an_effect_and_region_the_largest_first(whole):
    rows = effect_rows(whole)
    assert len(rows) == whole.sizes["effect"] * whole.sizes["region"]
    first = next(row for row in rows if row["region"] == "Q3")
    assert (first["rank"], first["effect"], first["unit"]) == (1, "left: covered − open", "K")
