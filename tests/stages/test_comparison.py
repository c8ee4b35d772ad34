"""Pairs of sessions with drawn errors: false alarms, hits, coverage, matched condition."""

import numpy as np
import pytest
import xarray as xr

from heatwake.report.summary import comparison_rows
from heatwake.schema.variables import MATCH_STATE, OPENING_CHANGE
from heatwake.stages.comparison import ComparisonSettings, compare
from heatwake.stages.region_differences import opening_changes
from stages.paired_sessions import session

SETTINGS = ComparisonSettings()
PAIRS = 12


def compared(first: xr.Dataset, second: xr.Dataset, **more: xr.Dataset) -> xr.Dataset:
    return compare({"a": first, "b": second, **more}, "a", settings=SETTINGS).sel(session="b")


@pytest.fixture(scope="module")
def null_pairs() -> list[xr.Dataset]:
    rng = np.random.default_rng(11)
    return [compared(session(rng), session(rng)) for _ in range(PAIRS)]


def test_pairs_of_one_set_up_flag_nothing(null_pairs):
    # at most 5 % of pairs at 95 %: of 12 one, and more than three once in 400 times
    assert sum(bool(pair["region_significant"].any()) for pair in null_pairs) <= 3
    assert np.mean([float(pair["significant"].mean()) for pair in null_pairs]) <= 0.01


def test_intervals_hold_no_change_at_least_as_often_as_they_say(null_pairs):
    held = [
        (pair["steady_rise_difference_low"] <= 0) & (pair["steady_rise_difference_high"] >= 0) for pair in null_pairs
    ]
    # sensors are drawn at 0.1 K, the budget reckons with 0.2 K and a drift: intervals are wide
    assert np.mean(held) >= 0.95


def test_half_a_kelvin_on_ten_pixels_is_found_and_nothing_else():
    rng = np.random.default_rng(12)
    found = [compared(session(rng), session(rng, rises={"Q4": 0.5}))["region_significant"] for _ in range(PAIRS)]
    hits = [bool(one.sel(region="Q4") == 1) for one in found]
    assert np.mean(hits) >= 0.95
    assert np.mean([bool(one.drop_sel(region="Q4").any()) for one in found]) <= 0.05


def test_noise_that_neighbours_share_is_measured_and_flags_no_more():
    rng = np.random.default_rng(13)
    pairs = [compared(session(rng, noise=0.03, smooth=1.0), session(rng, noise=0.03, smooth=1.0)) for _ in range(3)]
    # Gaussian of 1 px: area 4 pi px^2 less 5 %
    assert np.median([float(pair["noise_area"]) for pair in pairs]) == pytest.approx(0.95 * 4 * np.pi, rel=0.2)
    assert np.mean([float(pair["significant"].mean()) for pair in pairs]) <= 0.01


def test_unequal_power_is_brought_to_the_references():
    rng = np.random.default_rng(14)
    pair = compared(session(rng), session(rng, factor=1.05, power=18.9))
    assert float(pair["power_factor"]) == pytest.approx(1 / 1.05)
    assert float(np.abs(pair["steady_rise_difference"]).max()) < 0.6
    assert not pair["region_significant"].any()
    plain = SETTINGS.model_copy(update={"compensate_power": False})
    raw = compare({"a": session(rng), "b": session(rng, factor=1.05, power=18.9)}, "a", settings=plain)
    assert float(raw["steady_rise_difference"].max()) > 1.5


def test_power_that_no_file_tells_shows_in_the_first_warming():
    rng = np.random.default_rng(15)
    pair = compared(session(rng, noise=0.002), session(rng, factor=1.1, noise=0.002))
    ratio, spread = float(pair["power_by_slope"]), float(pair["power_by_slope_uncertainty"])
    assert abs(ratio - 1.1) < max(3 * spread, 0.02)


def test_what_has_not_settled_is_compared_at_one_time():
    rng = np.random.default_rng(16)
    short = session(rng, settled=False).isel(time=slice(0, 25))
    pair = compared(session(rng), short)
    assert set(pair["match_state"].to_numpy()) == {MATCH_STATE.index("same elapsed time")}
    assert float(pair["matched_elapsed"]) == pytest.approx(float(short["elapsed"][-1]) - 10.0)
    assert float(np.abs(pair["matched_rise_difference"]).max()) < 0.6
    assert not pair["region_significant"].any()


def test_time_counts_from_an_event_of_both():
    rng = np.random.default_rng(17)
    sessions = {"a": session(rng, event=300.0), "b": session(rng, event=240.0)}
    made = compare(sessions, "a", settings=SETTINGS.model_copy(update={"event": "vent covered"}))
    assert float(made["matched_elapsed"][0]) == pytest.approx(float(sessions["a"]["elapsed"][-1]) - 300.0)


def test_repeats_widen_what_one_take_claims():
    rng = np.random.default_rng(18)
    states = [{"fan": "in", "replicate": take} for take in range(1, 7)]
    takes = {f"take{n}": session(rng, conditions=one, film_error=0.03) for n, one in enumerate(states)}
    made = compare(takes, "take0", settings=SETTINGS)
    assert float(made["repeat_freedom"]) == 5
    # 3 % of film on rises of 15 to 45 K
    assert float(made["repeat_share"]) == pytest.approx(0.03, rel=0.8)
    wide = made["steady_rise_difference_uncertainty"].sel(region="Q2")
    assert (wide >= np.sqrt(2) * 45 * 0.9 * float(made["repeat_share"]) * 0.9).all()
    alone = {name: one.assign_attrs(conditions="{}") for name, one in takes.items()}
    narrow = compare(alone, "take0", settings=SETTINGS)["steady_rise_difference_uncertainty"].sel(region="Q2")
    assert (narrow < wide).all()


def test_few_repeats_that_lie_closer_than_the_budget_widen_nothing():
    rng = np.random.default_rng(21)
    takes = {name: session(rng, ambient_error=0.02, conditions={"replicate": n}) for n, name in enumerate("ab")}
    changed = session(rng, ambient_error=0.02, rises={"Q4": 1.5}, conditions={"vent": "covered"})
    made = compare(takes | {"c": changed}, "a", settings=SETTINGS).sel(session="c")
    assert float(made["repeat_freedom"]) == 1
    plain = compare({"a": takes["a"].assign_attrs(conditions="{}"), "c": changed}, "a", settings=SETTINGS).isel(
        session=0
    )
    assert made["region_significant"].sel(region="Q4") == plain["region_significant"].sel(region="Q4") == 1
    for end in ("low", "high"):
        name = f"steady_rise_difference_{end}"
        xr.testing.assert_allclose(made[name].drop_vars("session"), plain[name].drop_vars("session"))


def test_a_film_laid_on_anew_counts_half_a_kelvin_a_run_at_fifty():
    rng = np.random.default_rng(19)
    kept = compared(session(rng), session(rng))["steady_rise_difference_uncertainty"].sel(region="Q2")
    anew = compared(session(rng, conditions={"film_fitting": 1}), session(rng, conditions={"film_fitting": 2}))
    added = np.sqrt(anew["steady_rise_difference_uncertainty"].sel(region="Q2") ** 2 - kept**2)
    # a part of 9 pixels, blurred by one, has 97 % of its 45 K in its core
    assert float(added) == pytest.approx(np.sqrt(2) * 0.46 * 0.97 * 45 / 50, rel=0.02)


def test_enough_takes_with_the_film_laid_on_anew_replace_what_is_assumed_of_it():
    rng = np.random.default_rng(22)
    stated = [{"fan": fan, "replicate": take, "film_fitting": f"{fan}{take}"} for fan in "ab" for take in range(1, 4)]
    takes = {f"{one['fan']}{one['replicate']}": session(rng, conditions=one, film_error=0.002) for one in stated}
    made = compare(takes, "a1", settings=SETTINGS)["steady_rise_difference_uncertainty"]
    assumed = np.sqrt(2) * SETTINGS.refit_share * 45 * 0.97
    # four degrees of freedom of 0.2 % on 44 K, where 0.9 % is assumed
    assert float(made.sel(session="b1", region="Q2")) < 0.7 * assumed
    few = {name: takes[name] for name in ("a1", "a2", "b1")}
    made = compare(few, "a1", settings=SETTINGS)["steady_rise_difference_uncertainty"]
    assert float(made.sel(session="b1", region="Q2")) > assumed


def test_openings_whose_role_changed_are_named():
    names = np.array(["fan", "left", "top"], dtype=object)
    flows = [
        xr.Dataset({"opening_role": ("opening", np.array(roles, dtype=np.int8))}, coords={"opening": names[:count]})
        for roles, count in (([1, 0, 2], 3), ([0, 0], 2))
    ]
    made = opening_changes(flows[0], flows[1])
    words = [OPENING_CHANGE[int(flag)] for flag in made["opening_change"][1]]
    assert dict(zip(made["opening"][1], words, strict=True)) == {
        "fan": "changed",
        "left": "unchanged",
        "top": "in one only",
    }


def test_a_region_that_one_session_lacks_is_not_matched_there_and_tables_stand():
    rng = np.random.default_rng(21)
    lacks = session(rng)
    lacks = lacks.sel(region=lacks["region"] != "Q4")
    made = compare({"a": session(rng), "b": session(rng), "c": lacks}, "a", settings=SETTINGS)
    states = made["match_state"].sel(region="Q4").to_numpy()
    assert [MATCH_STATE[state] for state in states] == ["both settled", "not matched"]
    rows = {(row["session"], row["region"]): row for row in comparison_rows(made)}
    assert rows["c", "Q4"]["significant"] == 0
    assert np.isnan(rows["c", "Q4"]["steady_rise_difference_K"])


def test_sessions_are_left_as_they_are():
    rng = np.random.default_rng(20)
    pair = [session(rng), session(rng)]
    copies = [one.copy(deep=True) for one in pair]
    compared(pair[0], pair[1])
    for one, copy in zip(pair, copies, strict=True):
        xr.testing.assert_identical(one, copy)
