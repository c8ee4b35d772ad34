"""The laboratory's record as a file: what goes in comes out, once, whatever else happens to it."""

import os
import re
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from conftest import ROOT
from heatwake.errors import BusyError, InputError
from heatwake.store import record
from lab_takes import PARTS, drawn_takes, take
from store import killed_writers

TAKE = take({"Q1": 30.0, "Q2": 45.0}, recording="a", unit="SN-1")
HOSTILE = "'); DROP TABLE session; -- <script>alert(1)</script> [red]"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "lab" / "record.sqlite"


def test_what_goes_in_comes_out(file):
    unknown = replace(TAKE.regions[1], time_constant=np.nan, limit=np.nan)
    entered = replace(TAKE, regions=(TAKE.regions[0], unknown), power=np.nan)
    assert record.enter(file, entered)
    [found] = record.takes(file)
    assert repr(found) == repr(entered)  # NaN is not equal to itself
    assert not record.enter(file, entered)
    assert record.holds(file, "a", fingerprint=TAKE.fingerprint, session=TAKE.session)


# Files of the first layout, which did not keep the camera's level.
@pytest.fixture
def earlier(file: Path) -> Path:
    file.parent.mkdir()
    with sqlite3.connect(file) as database:
        database.executescript((Path(__file__).parent / "record_layout_1.sql").read_text())
    return file


def test_a_file_of_the_first_layout_is_read_as_it_is(earlier):
    before = earlier.read_bytes()
    earlier.chmod(0o400)
    record.check_record(earlier)
    first, second = record.takes(earlier, kinds=["kind"])
    assert (first.rises(), second.rises()) == ({"Q1": 30.0, "Q2": 45.0}, {"Q1": 31.0})
    assert not first.knows_level
    assert not record.holds(earlier, "a", fingerprint="made of a", session="session a")  # to be entered with its level
    assert earlier.read_bytes() == before


def test_whoever_writes_first_brings_a_file_to_this_layout_and_loses_nothing(earlier):
    before = record.takes(earlier)
    new = take({"Q1": 32.0}, recording="c")
    record.enter(earlier, new)
    record.check_whole(earlier)
    assert [repr(one) for one in record.takes(earlier)] == [repr(one) for one in (*before, new)]  # NaN is not itself
    # what was kept before is entered anew, with the level, once
    assert not record.holds(earlier, "a", fingerprint="made of a", session="session a")
    assert record.enter(earlier, TAKE)
    assert record.holds(earlier, "a", fingerprint="made of a", session="session a")
    assert not record.enter(earlier, TAKE)
    assert record.takes(earlier)[0].knows_level
    fresh = earlier.with_name("fresh.sqlite")
    record.enter(fresh, new)
    texts = [
        sqlite3.connect(one).execute("SELECT sql FROM sqlite_master ORDER BY name").fetchall()
        for one in (earlier, fresh)
    ]
    assert texts[0] == texts[1]


def test_who_is_stopped_while_a_file_is_brought_to_this_layout_leaves_it_as_it_was(earlier, monkeypatch):
    before = earlier.read_bytes()

    def stopped(file: sqlite3.Connection) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(record, "_take_back", stopped)
    with pytest.raises(KeyboardInterrupt):
        record.enter(earlier, TAKE)
    assert earlier.read_bytes() == before


def test_an_earlier_layout_with_tables_of_its_own_is_refused(earlier):
    with sqlite3.connect(earlier) as database:
        database.execute("ALTER TABLE session ADD COLUMN note TEXT")
    with pytest.raises(InputError, match="tables that are not its own"):
        record.enter(earlier, TAKE)


def test_a_recording_done_again_takes_its_own_place(file):
    record.enter(file, TAKE)
    again = replace(TAKE, fingerprint="other", session="moved", regions=TAKE.regions[:1])
    assert record.enter(file, again)
    assert record.takes(file) == [again]
    assert not record.holds(file, "a", fingerprint=TAKE.fingerprint, session=TAKE.session)


def test_takes_are_found_by_kind_and_by_bench(file):
    for one in drawn_takes(np.random.default_rng(1), {"u": 2}, kind="in") + drawn_takes(
        np.random.default_rng(2), {"u": 2}, kind="out"
    ):
        record.enter(file, one)
    assert {one.kind for one in record.takes(file, kinds=["in"])} == {"in"}
    assert len(record.takes(file, kinds=["in", "out", "in"])) == 4
    assert len(record.takes(file, benches=["bench"])) == 4
    assert record.takes(file, kinds=["none"]) == []


def test_names_that_look_like_commands_are_names(file):
    named = take({HOSTILE: 20.0}, recording="b", unit=HOSTILE, kind=HOSTILE, conditions={HOSTILE: HOSTILE})
    record.enter(file, TAKE)
    record.enter(file, named)
    assert record.takes(file, kinds=[HOSTILE]) == [named]
    assert len(record.takes(file)) == 2


def test_a_file_that_is_missing_or_empty(file):
    record.check_record(file)
    with pytest.raises(InputError, match=r"record\.sqlite is missing"):
        record.takes(file)
    file.parent.mkdir()
    file.touch()
    record.check_record(file)
    assert record.takes(file) == []
    assert record.enter(file, TAKE)


def corrupt(file: Path) -> None:
    content = bytearray(file.read_bytes())
    content[100:3000] = b"\xa5" * 2900
    file.write_bytes(content)


def of_later_layout(file: Path) -> None:
    with sqlite3.connect(file) as database:
        database.execute("PRAGMA user_version = 9")


def with_trigger(file: Path) -> None:
    with sqlite3.connect(file) as database:
        database.execute("CREATE TRIGGER sly AFTER INSERT ON session BEGIN DELETE FROM region; END")


def of_something_else(file: Path) -> None:
    file.unlink()
    with sqlite3.connect(file) as database:
        database.execute("CREATE TABLE prices (item TEXT)")


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (corrupt, "not readable"),
        (lambda file: file.write_text("no database at all, only words " * 40), "not readable"),
        (of_later_layout, r"layout is 9, must be 2 .*nothing was changed"),
        (with_trigger, "tables that are not its own"),
        (of_something_else, "a database of something else"),
    ],
    ids=["corrupt", "words", "later", "trigger", "foreign"],
)
def test_what_is_no_record_is_refused_in_one_line_and_left_alone(file, spoil, said):
    record.enter(file, TAKE)
    spoil(file)
    before = file.read_bytes()
    for attempt in (record.check_record, record.takes, lambda path: record.enter(path, TAKE)):
        with pytest.raises(InputError, match=said) as raised:
            attempt(file)
        assert "\n" not in str(raised.value)
    assert file.read_bytes() == before


def test_a_folder_is_no_record(tmp_path):
    with pytest.raises(InputError, match="no file"):
        record.check_record(tmp_path)


def test_damage_that_no_query_meets_is_found_by_going_through(file):
    for one in drawn_takes(np.random.default_rng(1), {"u": 60}):
        record.enter(file, one)
    record.check_whole(file)
    content = bytearray(file.read_bytes())
    content[-4096:] = bytes(4096)
    file.write_bytes(content)
    with pytest.raises(InputError, match=r"damaged|not readable"):
        record.check_whole(file)


def test_numbers_that_are_words_are_not_known(file):
    record.enter(file, TAKE)
    with sqlite3.connect(file) as database:
        database.execute("UPDATE region SET rise = 'hot' WHERE name = 'Q1'")
        database.execute("UPDATE session SET set_up = '[1', conditions = 'x'")
    [found] = record.takes(file)
    assert found.rises() == {"Q2": 45.0}
    assert (found.set_up, found.conditions) == ({}, {})


def test_who_finds_the_file_taken_says_so(file, monkeypatch):
    monkeypatch.setattr(record, "WAIT_S", 0.05)
    record.enter(file, TAKE)
    other = sqlite3.connect(file, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(BusyError, match=r"written by others for longer than 0\.05 s"):
        record.enter(file, TAKE)
    other.close()
    assert record.takes(file) == [TAKE]


def test_a_copy_that_may_not_be_written_can_be_read(file):
    record.enter(file, TAKE)
    file.chmod(0o400)
    assert record.takes(file) == [TAKE]


def test_writers_killed_at_any_moment_leave_each_take_whole_and_once(earlier):
    """``HEATWAKE_KILLS=500`` kills as many; the suite 30. The first of them find a file of the first layout."""
    file = earlier
    kills = os.environ.get("HEATWAKE_KILLS", "30")
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(map(str, (ROOT / "pipeline", ROOT / "tests")))}
    arguments = [sys.executable, killed_writers.__file__, str(file), kills]
    done = subprocess.run(arguments, env=environment, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    record.check_whole(file)
    found = record.takes(file)
    assert [one.recording for one in found[-2:]] == ["a", "b"]
    found = found[:-2]
    assert [one.recording for one in found] == sorted(map(str, range(killed_writers.RECORDINGS)))
    for one in found:
        assert [region.name for region in one.regions] == list(PARTS)
        assert {region.rise for region in one.regions} == {float(one.fingerprint)}


def test_what_a_killed_writer_left_is_taken_back(file, tmp_path):
    record.enter(file, TAKE)
    # a journal that a writer left when it was killed in the middle: made by copying both files before its commit
    writer = sqlite3.connect(file, isolation_level=None)
    writer.execute("PRAGMA cache_size = 1")
    writer.execute("PRAGMA cache_spill = 1")
    writer.execute("BEGIN IMMEDIATE")
    writer.execute("UPDATE session SET unit = 'torn'")
    many = "INSERT INTO region (recording, name, is_known, is_steady) VALUES ('a', ?, 1, 1)"
    writer.executemany(many, [(f"x{number}",) for number in range(3000)])
    left = tmp_path / "left.sqlite"
    shutil.copy(file, left)
    shutil.copy(f"{file}-journal", f"{left}-journal")
    writer.rollback()
    writer.close()
    assert left.read_bytes() != file.read_bytes()  # pages of the change are in the file already
    assert record.takes(left) == [TAKE]


def test_the_layout_is_told_in_one_place():
    source = Path(record.__file__).read_text()
    assert re.findall(r"\.execute\(f?\"(?:CREATE|ALTER) TABLE", source) == []
