"""A session's folder as a dataset."""

import numpy as np
import pytest

from heatwake.errors import InputError
from heatwake.store.session import open_session


def refusal(folder):
    with pytest.raises(InputError) as caught:
        open_session(folder)
    return str(caught.value)


def test_stored_values_become_temperatures(write_session):
    session = open_session(write_session()).dataset
    assert float(session["indicated_temperature"][0].load().median()) == pytest.approx(23.0, abs=0.2)
    assert session["indicated_temperature"].chunks is not None


def test_kelvin(write_session):
    folder = write_session(
        head='[frames]\nsource = "frames.tif"\nunit = "K"\nscale = 0.01\noffset = 173.15\ninterval_s = 1.0\n'
    )
    assert float(open_session(folder).dataset["indicated_temperature"][0].load().median()) == pytest.approx(
        23.0, abs=0.2
    )


def test_a_stored_zero_is_no_reading(write_session):
    frames = np.full((3, 4, 5), 12300, np.uint16)
    frames[:, 1, 2] = 0
    picture = open_session(write_session(frames=frames)).dataset["indicated_temperature"].to_numpy()
    assert np.isnan(picture).sum() == 3
    assert np.isnan(picture[:, 1, 2]).all()


def test_clock_times_are_utc(write_session):
    folder = write_session(
        head='[frames]\nsource = "frames.tif"\nscale = 0.01\noffset = -100.0\ninterval_s = 0.5\n'
        "start = 2026-03-04T10:30:00+01:00\n"
    )
    session = open_session(folder).dataset
    assert session["time"].to_numpy()[1] == np.datetime64("2026-03-04T09:30:00.500")
    assert session["elapsed"].to_numpy()[1] == 0.5


def test_an_ambient_log_in_clock_time_is_read_at_each_frame(write_session):
    folder = write_session(
        '[ambient]\nlog = "ambient.csv"\n',
        head='[frames]\nsource = "frames.tif"\nscale = 0.01\noffset = -100.0\ninterval_s = 1.0\n'
        "start = 2026-03-04T09:30:00Z\n",
    )
    (folder / "ambient.csv").write_text("time,ambient_degC\n2026-03-04T09:29:58Z,20\n2026-03-04T09:30:08Z,21\n")
    assert open_session(folder).dataset["frame_ambient"].to_numpy()[:3] == pytest.approx([20.2, 20.3, 20.4])


def test_parts_and_regions_come_together_and_the_region_wins(write_session):
    folder = write_session(
        '[board]\nparts = "parts.csv"\n[[regions]]\nname = "Q1"\nx_mm = 1\ny_mm = 2\nwidth_mm = 3\nheight_mm = 4\n'
    )
    (folder / "parts.csv").write_text("name,x_mm,y_mm,width_mm\nQ1,9,9,9\nT1,5,6,7\n")
    session = open_session(folder).dataset
    assert session["part"].to_numpy().tolist() == ["Q1", "T1"]
    assert session["part_x"].to_numpy().tolist() == [1, 5]
    assert np.isnan(session["part_height"].to_numpy()[1])


def test_digests_are_of_contents_not_of_names(write_session):
    first = open_session(write_session(name="one")).digests
    second = open_session(write_session(name="two")).digests
    assert first == second


@pytest.mark.parametrize(
    ("times", "line"),
    [
        ("time\n0\n2\n1\n", r"row 3 is 1 after 2, must be later than the row before"),
        ("time\n0\n1\n1\n", r"frames.timestamps: .*times.csv: time, row 3 is 1 after 1, must be later than the row"),
        ("time\n2026-01-01T10:00:01\n2026-01-01T10:00:00\n", r"row 2 is 2026-.*:00 after 2026-.*:01, must be later"),
        ("frame,time\n0,0\n1,\n2,2\n", r"row 2 is empty, must be a number of seconds"),
        ("frame,time\n0,2026-01-01T10:00:00\n1,\n", r"row 2 is empty, must be ISO 8601 or seconds"),
        ("time\n0\n\n2\n", r"is 2 rows, must be 12, one a frame"),
        ("time\n0\n1\n", r"is 2 rows, must be 12, one a frame"),
        ("time\n0\nnoon\n2\n", r"row 2 is 'noon', must be a number of seconds"),
        ("seconds\n0\n", r"column time is missing"),
    ],
)
def test_wrong_times_get_one_line(write_session, times, line):
    folder = write_session(head='[frames]\nsource = "frames.tif"\ntimestamps = "times.csv"\n')
    (folder / "times.csv").write_text(times)
    with pytest.raises(InputError, match=line):
        open_session(folder)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('[ambient]\nlog = "gone.csv"\n', "gone.csv is missing, must be a CSV file"),
        ('[board]\nparts = "gone.csv"\n', "gone.csv is missing, must be a CSV file"),
        ('[film]\nbare = "gone.tif"\ncovered = "gone.tif"\n', "film.bare: .*gone.tif is missing"),
        ("[palette]\nbar_px = [0, 0, 1, 1]\nlimits = 'l.csv'\n", "frames.tif is no colour video"),
    ],
)
def test_what_is_named_must_be_there(write_session, text, line):
    with pytest.raises(InputError, match=line):
        open_session(write_session(text))


def test_a_missing_session_file_is_named(tmp_path):
    assert refusal(tmp_path / "gone").endswith("session.toml is missing, must be a TOML file")


def test_a_file_that_is_not_toml_is_named(write_session):
    folder = write_session()
    (folder / "session.toml").write_text("title = \n")
    assert "is not TOML (" in refusal(folder)


def test_an_emissivity_beyond_one_in_the_parts_file_is_refused(write_session):
    folder = write_session('[board]\nparts = "parts.csv"\n')
    (folder / "parts.csv").write_text("name,x_mm,y_mm,emissivity\nQ1,9,9,95\n")
    assert "emissivity, row 1 is 95, must lie in (0, 1]" in refusal(folder)
