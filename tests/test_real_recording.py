"""A real recording, outdoors, of one leaf in sun and light wind: no board, no film, no fan, masked round the leaf."""

import csv

import numpy as np
import pytest
import xarray as xr

from heatwake.run import Finished, run_workflow


@pytest.fixture(scope="module")
def published(leaf):
    """Frame means of the published table [degC]."""
    with (leaf / "leaf_data_L12.csv").open() as file:
        means = [float(row["LTemp"]) for row in csv.DictReader(file) if row["LTemp"] != "NA"]
    return np.array(means[:14])


def run(leaf, folder, source, extra, *, pages=True):
    session = folder / "leaf"
    session.mkdir(parents=True)
    (session / "session.toml").write_text(
        f'title = "Leaf"\n[frames]\nsource = "{(leaf / source).as_posix()}"\ninterval_s = 15.0\n{extra}'
        "[ambient]\ndegC = 31.6\n"
    )
    (folder / "workflow.toml").write_text('title = "Leaf"\nsessions = ["leaf"]\nresults = "results"\n')
    *_, last = run_workflow(folder / "workflow.toml", pages=pages)
    assert isinstance(last, Finished)
    assert last.exit_code == 0, last.outcomes
    return folder / "results" / "leaf"


@pytest.fixture(scope="module")
def results(leaf, tmp_path_factory):
    return run(leaf, tmp_path_factory.mktemp("leaf"), "L12_u16.tif", 'unit = "degC"\nscale = 0.01\n')


def test_frame_means_are_those_of_the_published_table(results, published):
    # Published support data, MIT licence (its README gives doi 10.5281/zenodo.1167842); 0.01 K is the stored step.
    with xr.open_dataset(results / "rise.nc") as rise:
        means = rise["temperature"].mean(("y", "x")).to_numpy()
    assert means == pytest.approx(published, abs=0.01)


def test_masked_pixels_are_not_valid(results):
    with xr.open_dataset(results / "rise.nc") as rise:
        assert rise["x"].attrs["units"] == "pixel"
        share = float((rise["valid"] == 1).mean())
        assert 0.01 < share < 0.9
        assert np.isnan(rise["temperature"].to_numpy()[rise["valid"].to_numpy() == 0]).all()


def test_no_board_and_no_fan_mean_no_board_direction(results):
    with xr.open_dataset(results / "flow.nc") as flow:
        assert np.isnan(flow["board_flow_direction"]).all()


def test_the_published_matrices_give_the_same_means(leaf, published, tmp_path):
    folder = run(leaf, tmp_path, "csv/L12_*.csv", 'unit = "degC"\n', pages=False)
    with xr.open_dataset(folder / "rise.nc") as rise:
        assert rise["temperature"].mean(("y", "x")).to_numpy() == pytest.approx(published[:5], abs=0.01)
