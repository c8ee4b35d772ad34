"""A run over sessions that are one experiment: its files, and that it is not made twice."""

import pandas as pd
import pytest
import xarray as xr

import heatwake
from heatwake.run import Finished, run_workflow
from heatwake.run.explain import explain_workflow
from small_sessions import CADENCE, write_sessions

STATES = {"a": ("out", "open"), "b": ("in", "open"), "c": ("out", "covered"), "d": ("in", "covered")}
WORKFLOW = f"""
title = "Small"
sessions = ["a", "b", "c", "d"]
results = "results"
reference = "a"
{CADENCE}"""


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
        file.write_text(file.read_text().replace("[conditions]", f'[conditions]\nfan = "{fan}"\nvent = "{vent}"'))
    (place / "workflow.toml").write_text(WORKFLOW)
    run(place / "workflow.toml")
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
        assert (abs(made["effect_rise"]) < 3 * made["effect_rise_uncertainty"]).all()
    effects = pd.read_csv(folder / "results" / "effects.csv")
    assert {"region", "effect", "quantity", "unit", "value", "uncertainty", "low_95", "high_95"} <= set(effects)
    assert len(effects) == 3 * effects["region"].nunique()


def test_differences_are_a_row_a_session_region_and_quantity(folder):
    table = pd.read_csv(folder / "results" / "differences.csv")
    assert not table.duplicated(["session", "region", "quantity"]).any()
    assert set(table["session"]) == {"b", "c", "d"}
    assert {"matched_rise_difference"} <= set(table["quantity"])


def test_what_was_deleted_is_made_again_and_nothing_else(folder):
    results = folder / "results"
    before = {name: (results / name).read_bytes() for name in ("comparison.nc", "effects.csv")}
    (results / "experiment.nc").unlink()
    (results / "effects.csv").unlink()
    *_, named = explain_workflow(folder / "workflow.toml", pages=False)
    assert {"experiment.nc", "effects.csv"} <= set(named.to_make)
    assert "comparison.nc" not in named.to_make
    states = {one.name: one.state for one in run(folder / "workflow.toml").outcomes}
    assert states == dict.fromkeys(STATES, "up to date") | {"comparison": "done"}
    assert (results / "experiment.nc").is_file()
    assert {name: (results / name).read_bytes() for name in before} == before


def test_sessions_and_files_open_as_one(folder):
    tree = heatwake.open_results(folder / "results")
    assert {"a/regions", "d/flow", "comparison", "experiment"} <= {group.strip("/") for group in tree.groups}
    rises = xr.concat([tree[f"{name}/regions"]["steady_rise"] for name in STATES], dim="session")
    files = [folder / "results" / name / "regions.nc" for name in STATES]
    with xr.open_mfdataset(files, combine="nested", concat_dim="session", join="outer") as made:
        xr.testing.assert_allclose(made["steady_rise"].compute(), rises)


def test_an_experiment_that_is_none_any_more_is_taken_away(folder):
    workflow = folder / "workflow.toml"
    workflow.write_text(workflow.read_text().replace(', "c", "d"]', "]"))  # two sessions are no experiment
    run(workflow)
    assert not (folder / "results" / "experiment.nc").exists()
    assert not (folder / "results" / "effects.csv").exists()
