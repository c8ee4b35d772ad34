"""Thermocouples of the session file, and their log."""

import numpy as np
import pytest

from heatwake.errors import InputError
from heatwake.run.fingerprints import determinants
from heatwake.run.workflows import read_workflow
from heatwake.store.arrivals import look
from heatwake.store.session import open_session

TWO = (
    '[[thermocouples]]\nname = "heat sink"\ncolumn = "A"\nx_mm = 12\ny_mm = 9\naccuracy_K = 0.5\n'
    '[[thermocouples]]\nname = "B"\nx_mm = 30.5\ny_mm = 20\n'
)
LOG = "elapsed_s,A,B\n-2,23,24\n0,23.5,\n2,24,25\n"
CLOCK = (
    '[frames]\nsource = "frames.tif"\nscale = 0.01\noffset = -100.0\ninterval_s = 1.0\nstart = 2026-03-04T09:30:00Z\n'
)


def written(write_session, log=LOG, text=TWO, **keys):
    folder = write_session(text, **keys)
    (folder / "thermocouples.csv").write_text(log)
    return folder


def test_places_and_readings_come_with_the_session(write_session):
    session = open_session(written(write_session)).dataset
    assert session["probe"].to_numpy().tolist() == ["heat sink", "B"]
    assert session["probe_x"].to_numpy().tolist() == [12, 30.5]
    # IEC 60584-1, class 1, type K: 1.5 K (from memory) where nothing is said
    assert session["probe_accuracy"].to_numpy().tolist() == [0.5, 1.5]
    assert session["probe_elapsed"].to_numpy().tolist() == [-2, 0, 2]
    assert np.isnan(session["probe_log"].sel(probe="B")[1])
    assert session["probe_log"].attrs["units"] == "degC"


def test_clock_times_count_from_the_first_frame(write_session):
    log = "time,A,B\n2026-03-04T10:29:58+01:00,20,21\n2026-03-04T10:30:08.5+01:00,21,22\n"
    session = open_session(written(write_session, log, head=CLOCK)).dataset
    assert session["probe_elapsed"].to_numpy() == pytest.approx([-2, 8.5])


@pytest.mark.parametrize(
    ("log", "line"),
    [
        ("elapsed_s,A\n0,1\n1,2\n", r"column B is missing, must be there, found elapsed_s, A"),
        ("seconds,A,B\n0,1,2\n1,2,3\n", r"column time is missing"),
        ("elapsed_s,A,B\n0,1,2\n1,open,3\n", r"A, row 2 is 'open', must be a number"),
        ("elapsed_s,A,B\n0,1,2\n1,-9999,3\n", r"A, row 2 is -9999, must be -273.15 or more"),
        ("elapsed_s,A,B\n0,,2\n1,,3\n", r"column A is without a reading, must have at least one"),
        ("elapsed_s,A,B\n0,1,2\n", r"is one row, must be two or more"),
        ("elapsed_s,A,B\n1,1,2\n0,1,2\n", r"row 2 is 0 after 1, must be later"),
        ("time,A,B\n2026-03-04T09:30:00Z,1,2\n2026-03-04T09:31:00Z,1,2\n", r"in clock time, must come with frames"),
    ],
)
def test_a_wrong_log_gets_one_line(write_session, log, line):
    with pytest.raises(InputError, match=f"session.toml: thermocouples.log: .*{line}"):
        open_session(written(write_session, log))


def test_a_log_that_is_not_there(write_session):
    with pytest.raises(InputError, match=r"thermocouples.log: .*thermocouples.csv is missing, must be a CSV file"):
        open_session(write_session(TWO))


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (TWO.replace('"B"', '"heat sink"'), r"thermocouples is 'heat sink' given twice, must have unique names"),
        (TWO + 'log = "other.csv"\n', r"thermocouples is logs other.csv, thermocouples.csv, must be one log"),
        (TWO + "accuracy_K = 0\n", r"thermocouples\[2\].accuracy_K is 0, must be more than 0"),
        (TWO.replace("accuracy_K", "accuracy"), r"\[1\].accuracy is an unknown key, did you mean accuracy_K"),
    ],
)
def test_a_wrong_table_gets_one_line(write_session, text, line):
    with pytest.raises(InputError, match=line):
        open_session(written(write_session, text=text))


def test_the_logs_content_counts_and_its_name_does_not(write_session, tmp_path):
    workflow = tmp_path / "w.toml"
    workflow.write_text('title = "W"\nsessions = ["one"]\nresults = "r"\n')
    _, settings = read_workflow(workflow)

    def made_from(folder):
        return determinants(open_session(folder), settings)["rise.nc"]

    first = made_from(written(write_session))
    renamed = written(write_session, text=TWO.replace("y_mm = 9\n", 'y_mm = 9\nlog = "tc.csv"\n') + 'log = "tc.csv"\n')
    (renamed / "tc.csv").write_text(LOG)
    assert made_from(renamed) == first
    changed = made_from(written(write_session, LOG.replace("23.5", "23.6")))
    assert changed["inputs"] != first["inputs"]
    assert changed["description"] == first["description"]


def test_a_log_beside_the_folder_is_watched_too(write_session, tmp_path):
    folder = written(write_session, text=TWO + 'log = "../tc.csv"\n')
    assert str(folder / "../tc.csv") in look(folder).files
