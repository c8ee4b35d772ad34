"""A folder of results as one tree."""

import pytest
import xarray as xr

import heatwake
from heatwake.errors import InputError
from heatwake.store.results import write_result


def written(path, name, **variables):
    path.mkdir(exist_ok=True)
    dataset = xr.Dataset(variables, coords={"region": ["Q1", "Q2"]})
    for _ in write_result(path / name, dataset, attributes={"fingerprint": name}, history="test"):
        pass


def test_a_tree_has_a_group_a_session_and_in_it_each_file(tmp_path):
    for number, session in enumerate(("fan in", "fan out")):
        written(tmp_path / session, "regions.nc", steady_rise=("region", [10.0 + number, 20.0]))
        written(tmp_path / session, "flow.nc", region_x=("region", [1.0, 2.0]))
    written(tmp_path, "comparison.nc", steady_rise_ratio=("region", [0.9, 1.1]))
    (tmp_path / "notes").mkdir()
    tree = heatwake.open_results(str(tmp_path))
    assert set(tree.groups) == {
        "/", "/comparison", *(f"/{one}{file}" for one in ("fan in", "fan out") for file in ("", "/regions", "/flow"))
    }  # fmt: skip
    assert tree["fan out/regions"]["steady_rise"].sel(region="Q1") == 11.0
    assert tree["fan out/regions"].attrs["fingerprint"] == "regions.nc"
    assert tree["comparison"]["steady_rise_ratio"].attrs["units"] == "1"


def test_one_session_s_folder_is_a_tree_of_its_files(tmp_path):
    written(tmp_path, "regions.nc", steady_rise=("region", [10.0, 20.0]))
    assert list(heatwake.open_results(tmp_path).children) == ["regions"]


def test_a_file_of_many_sessions_opens_as_one_data_set(tmp_path):
    for session, regions in (("a", [1.0, 2.0]), ("b", [3.0, 4.0])):
        written(tmp_path / session, "regions.nc", steady_rise=("region", regions))
    with xr.open_mfdataset(str(tmp_path / "*" / "regions.nc"), combine="nested", concat_dim="session") as made:
        assert made["steady_rise"].transpose("session", "region").to_numpy().tolist() == [[1.0, 2.0], [3.0, 4.0]]


def test_what_is_no_folder_of_results_is_refused(tmp_path):
    with pytest.raises(InputError, match="must be a folder of results"):
        heatwake.open_results(tmp_path / "none")
    with pytest.raises(InputError, match="must hold data sets"):
        heatwake.open_results(tmp_path)
