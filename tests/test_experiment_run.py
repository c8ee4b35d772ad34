"""A run over sessions that are one experiment: its files, and that it is not made twice."""

import pandas as pd
import pytest
import xarray as xr

from heatwake.run import Finished, run_workflow
from small_sessions import write_sessions, write_workflow

STATES = {"a": ("out", "open"), "b": ("in", "open"), "c": ("out", "covered"), "d": ("in", "covered")}


def run(path):
    *_, last = run_workflow(path, workers=0, pages=False)
    assert isinstance(last, Finished)
    assert last.exit_code == 0, last.outcomes
    return last


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("experiment")
    write_sessions(place, tuple(STATES))
    for name, (fan, vent) in STATES.items():
        file = place / name / "session.toml"
        added = f'[conditions]\nfan = "{fan}"\nvent = "{vent}"\n'
        file.write_text(file.read_text().replace("[conditions]\n", added))
    run(write_workflow(place, tuple(STATES), text='reference = "a"\n'))
    return place


def test_effects_stand_as_data_set_and_table(folder):
    with xr.open_dataset(folder / "results" / "experiment.nc") as made:
        assert set(made["effect"].to_numpy()) == {
            "fan: in − out",
            "vent: covered − open",
            "fan: in − out × vent: covered − open",
        }
        assert made["effect_rise"].attrs["units"] == "K"
        assert made.attrs["fingerprint"]
        assert made["effect_rise"].notnull().all()
        # one charger recorded four times: what differs is noise, and place, for no board is declared
        assert (abs(made["effect_rise"]) < 5 * made["effect_rise_uncertainty"]).all()
    effects = pd.read_csv(folder / "results" / "effects.csv")
    assert {"region", "effect", "quantity", "unit", "value", "uncertainty", "low_95", "high_95"} <= set(effects)
    assert len(effects) == 3 * effects["region"].nunique()


def test_differences_are_a_row_a_session_region_and_quantity(folder):
    table = pd.read_csv(folder / "results" / "differences.csv")
    assert not table.duplicated(["session", "region", "quantity"]).any()
    assert set(table["session"]) == {"b", "c", "d"}
    assert {"matched_rise_difference"} <= set(table["quantity"])


def test_the_same_again_makes_nothing_and_other_conditions_take_the_experiment_away(folder):
    again = run(folder / "results.toml")
    assert {outcome.state for outcome in again.outcomes} == {"up to date"}
    for name in STATES:
        file = folder / name / "session.toml"
        file.write_text(file.read_text().replace('fan = "out"', 'fan = "in"').replace('"covered"', '"open"'))
    run(folder / "results.toml")
    assert not (folder / "results" / "experiment.nc").exists()
    assert not (folder / "results" / "effects.csv").exists()
