"""Files that stand are whole."""

import errno
import os

import dask.array as da
import netCDF4
import numpy as np
import pytest
import xarray as xr

from heatwake.errors import BusyError, InputError, StorageError
from heatwake.store import results

ATTRIBUTES = {"fingerprint": "f", "settings": "{}"}


def dataset(*, lazy):
    rise = np.arange(6 * 2 * 3, dtype=np.float32).reshape(6, 2, 3)
    data = da.from_array(rise, chunks=(2, -1, -1)) if lazy else rise
    return xr.Dataset(
        {"temperature_rise": (("time", "y", "x"), data), "valid": (("time", "y", "x"), (data > 0).astype(np.int8))},
        coords={
            "time": np.datetime64("2026-03-04T09:30:00", "ns") + np.arange(6) * np.timedelta64(500, "ms"),
            "elapsed": ("time", np.arange(6) * 0.5),
            "x": ("x", [0.5, 1.5, 2.5], {"units": "mm"}),
            "y": [1.5, 0.5],
        },
    )


def write(path, made):
    return list(results.write_result(path, made, attributes=ATTRIBUTES, history="test"))


@pytest.mark.parametrize("lazy", [True, False])
def test_what_is_written_comes_back(tmp_path, lazy):
    write(tmp_path / "a.nc", dataset(lazy=lazy))
    back = results.open_result(tmp_path / "a.nc").load()
    xr.testing.assert_equal(back.drop_attrs(), dataset(lazy=False).drop_attrs())
    assert back["temperature_rise"].attrs["units"] == "K"
    assert np.issubdtype(
        back["time"].dtype, np.datetime64
    )  # a float time with units "s" would come back as another type


def test_lazy_equals_eager_to_the_bit(tmp_path):
    for name, lazy in (("a.nc", True), ("b.nc", True)):
        write(tmp_path / name, dataset(lazy=lazy))
    assert (tmp_path / "a.nc").read_bytes() == (tmp_path / "b.nc").read_bytes()


def test_progress_counts_blocks(tmp_path):
    assert write(tmp_path / "a.nc", dataset(lazy=True)) == [(1, 3), (2, 3), (3, 3)]


def test_the_file_says_what_made_it(tmp_path):
    write(tmp_path / "a.nc", dataset(lazy=True))
    with netCDF4.Dataset(tmp_path / "a.nc") as file:
        assert file.Conventions.startswith("CF-1.")
        assert file.history == "test"
        assert "heatwake" in file.source
        assert file["temperature_rise"].coordinates == "elapsed"
        assert file["time"].units.startswith("microseconds since")


def test_an_interrupted_write_leaves_nothing(tmp_path):
    steps = results.write_result(tmp_path / "a.nc", dataset(lazy=True), attributes=ATTRIBUTES, history="test")
    next(steps)
    assert not (tmp_path / "a.nc").exists()
    steps.close()
    assert list(tmp_path.iterdir()) == []


def test_two_writers_of_one_file_do_not_tear_it(tmp_path):
    path = tmp_path / "a.nc"
    with results.whole_file(path) as first, results.whole_file(path) as second:
        first.write_text("one and the same")
        second.write_text("one and")
        assert not path.exists()
        second.write_text("one and the same")
    assert path.read_text() == "one and the same"
    assert list(tmp_path.iterdir()) == [path]


def test_what_a_killed_writer_left_is_swept_and_nothing_else(tmp_path):
    (tmp_path / "one").mkdir()
    kept = [tmp_path / ".lock", tmp_path / "one" / "rise.nc", tmp_path / "one" / "partial.csv"]
    left = [tmp_path / "one" / ".rise.nc.0123456789ab.partial.nc", tmp_path / ".run.json.0123456789ab.partial.json"]
    for path in (*kept, *left):
        path.write_text("")
    results.sweep(tmp_path)
    assert sorted(path for path in tmp_path.rglob("*") if path.is_file()) == sorted(kept)


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EDQUOT])
def test_a_disk_that_refuses_is_named_with_its_reason(tmp_path, number):
    def refuse():
        with results.whole_file(tmp_path / "a.nc"):
            raise OSError(number, os.strerror(number))

    with pytest.raises(StorageError, match=rf"a\.nc cannot be written: {os.strerror(number)}$"):
        refuse()
    assert list(tmp_path.iterdir()) == []


def test_an_input_that_refuses_is_not_taken_for_the_disk(tmp_path):
    def refuse():
        with results.whole_file(tmp_path / "results" / "a.nc"):
            raise PermissionError(errno.EACCES, "Permission denied", str(tmp_path / "frames.tif"))

    with pytest.raises(PermissionError, match=r"frames\.tif"):
        refuse()


def test_a_damaged_result_has_no_fingerprint(tmp_path):
    write(tmp_path / "a.nc", dataset(lazy=False))
    assert results.read_fingerprint(tmp_path / "a.nc") == "f"
    (tmp_path / "a.nc").write_bytes(b"nonsense")
    assert results.read_fingerprint(tmp_path / "a.nc") is None
    assert results.read_fingerprint(tmp_path / "gone.nc") is None


def test_a_results_folder_that_is_a_file_is_refused(tmp_path):
    (tmp_path / "results").write_text("")
    with pytest.raises(InputError, match="not a folder to write to"):
        results.make_folder(tmp_path / "results")


def test_two_runs_do_not_share_a_results_folder(tmp_path):
    folder = tmp_path / "results"
    with results.held(folder), pytest.raises(BusyError, match="in use by another run"), results.held(folder):
        pass
    with results.held(folder):
        pass
