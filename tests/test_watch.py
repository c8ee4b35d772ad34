"""Sessions as they arrive: when they are complete, one at a time, over restarts, failures and other runs."""

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Generator
from contextlib import ExitStack
from pathlib import Path

import pytest
import tifffile
from typer.testing import CliRunner

from conftest import small_frames
from heatwake.cli import app
from heatwake.errors import InputError
from heatwake.run import Outcome, Progress, run_workflow
from heatwake.run.watch import Clock, Waiting, watch_folder
from heatwake.stages.table import PRODUCTS
from heatwake.store import results
from heatwake.store.arrivals import look

SETTLE = 30.0
SESSION = """
title = "Small"
[frames]
source = "frames.tif"
scale = 0.01
offset = -100.0
interval_s = 1.0
[ambient]
degC = 23.0
"""


class EndedError(Exception):
    """The script of a test is at its end."""


class Script(Clock):
    """Time that passes when the watch sleeps; things happen at set times, and the last is the end."""

    def __init__(self, happenings: dict[float, Callable[[], object]], *, end: float) -> None:
        self.time = 0.0
        self.looks = 0
        self._happenings = sorted(happenings.items())
        self._end = end

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        assert seconds > 0
        self.looks += 1
        self.time += seconds
        while self._happenings and self._happenings[0][0] <= self.time:
            self._happenings.pop(0)[1]()
        if self.time >= self._end:
            raise EndedError


class Place:
    """A folder that is watched, and a workflow beside it."""

    def __init__(self, folder: Path) -> None:
        self.incoming = folder / "incoming"
        self.incoming.mkdir()
        self.workflow = folder / "workflow.toml"
        self.workflow.write_text('title = "Watched"\nsessions = ["incoming/*"]\nresults = "results"\n')
        self.results = folder / "results"

    def arrive(self, name: str, *, done: bool = False, text: str = SESSION) -> Path:
        folder = self.incoming / name
        folder.mkdir(exist_ok=True)
        tifffile.imwrite(folder / "frames.tif", small_frames(), photometric="minisblack")
        (folder / "session.toml").write_text(text)
        if done:
            (folder / "done").touch()
        return folder

    def once(self, clock: Clock | None = None) -> list[tuple[str, str]]:
        events = watch_folder(self.incoming, self.workflow, settle=SETTLE, once=True, pages=False, clock=clock)
        return [(event.name, event.state) for event in events if isinstance(event, Outcome)]

    def watch(self, clock: Script) -> list[tuple[float, Outcome | Waiting]]:
        """Watch until the script ends; return what was told, and when."""
        told: list[tuple[float, Outcome | Waiting]] = []
        events = watch_folder(self.incoming, self.workflow, settle=SETTLE, pages=False, clock=clock)
        with pytest.raises(EndedError):
            told.extend((clock.time, event) for event in events if isinstance(event, Outcome | Waiting))
        return told

    def outcomes(self, happenings: dict[float, Callable[[], object]], *, end: float) -> list[tuple[float, str, str]]:
        told = self.watch(Script(happenings, end=end))
        return [(when, event.name, event.state) for when, event in told if isinstance(event, Outcome)]


@pytest.fixture
def place(tmp_path) -> Place:
    return Place(tmp_path)


@pytest.fixture
def quick(monkeypatch):
    """Sessions that are done in no time: what counts is when they are begun."""

    def steps(folder: Path, *_, **__) -> Generator[Progress, None, Outcome]:
        yield Progress(folder.name, "rise.nc", 0, 1)
        return Outcome(folder.name, "done")

    monkeypatch.setattr("heatwake.run.watch.session_steps", steps)


def stands(folder: Path) -> bool:
    return all((folder / product.file).is_file() for product in PRODUCTS) and (folder / "summary.csv").is_file()


def test_a_marked_session_is_done_at_once_and_only_once(place):
    place.arrive("one", done=True)
    assert place.outcomes({}, end=200) == [(0.0, "one", "done")]
    assert stands(place.results / "one")
    assert not list(place.results.rglob("*.partial*"))


def test_a_new_start_finds_what_stands_up_to_date(place):
    place.arrive("one", done=True)
    assert place.once() == [("one", "done")]
    before = {path: path.stat().st_mtime_ns for path in (place.results / "one").iterdir()}
    assert place.once() == [("one", "up to date")]
    assert {path: path.stat().st_mtime_ns for path in (place.results / "one").iterdir()} == before


def test_results_are_those_of_a_run(place):
    place.arrive("one", done=True)
    place.once()
    outcomes = [event for event in run_workflow(place.workflow, workers=0, pages=False) if isinstance(event, Outcome)]
    assert [(outcome.name, outcome.state) for outcome in outcomes] == [("one", "up to date")]


@pytest.mark.usefixtures("quick")
def test_without_a_mark_a_session_is_complete_when_nothing_has_changed_for_a_while(place):
    frames = place.arrive("one") / "frames.tif"
    whole = frames.read_bytes()
    frames.write_bytes(whole[: len(whole) // 2])  # a copy on its way
    happenings = {
        20.0: lambda: frames.write_bytes(whole[: len(whole) * 3 // 4]),
        45.0: lambda: frames.write_bytes(whole),
    }
    ((when, name, state),) = place.outcomes(happenings, end=200)
    assert (name, state) == ("one", "done")
    assert 45.0 + SETTLE <= when <= 45.0 + SETTLE + 25.0  # found changed one look later, settled one look later


@pytest.mark.usefixtures("quick")
def test_a_file_that_comes_late_counts(place):
    folder = place.arrive("one")
    ((when, _, _),) = place.outcomes({25.0: lambda: (folder / "notes.txt").write_text("fan out")}, end=200)
    assert when >= 25.0 + SETTLE


@pytest.mark.usefixtures("quick")
def test_a_file_of_the_same_size_that_is_still_written_counts(place):
    folder = place.arrive("one")
    later = time.time_ns() + 10**9
    ((when, _, _),) = place.outcomes({25.0: lambda: os.utime(folder / "frames.tif", ns=(later, later))}, end=200)
    assert when >= 25.0 + SETTLE


@pytest.mark.usefixtures("quick")
def test_a_mark_ends_the_wait(place):
    folder = place.arrive("one")
    ((when, _, _),) = place.outcomes({10.0: (folder / "done").touch}, end=200)
    assert 10.0 <= when < SETTLE


@pytest.mark.usefixtures("quick")
def test_a_folder_without_a_session_file_is_not_complete(place):
    folder = place.arrive("one", done=True)
    (folder / "session.toml").unlink()
    (place.incoming / ".copying").mkdir()
    told = place.watch(Script({}, end=300))
    assert told == [(0.0, Waiting(incomplete=1))]
    assert place.outcomes({100.0: lambda: place.arrive("one")}, end=300)[0][1:] == ("one", "done")


@pytest.mark.usefixtures("quick")
def test_sessions_come_one_after_the_other(place):
    happenings = {50.0: lambda: place.arrive("two", done=True), 5.0: lambda: place.arrive("one", done=True)}
    assert [row[1:] for row in place.outcomes(happenings, end=200)] == [("one", "done"), ("two", "done")]


def test_a_failed_session_is_told_logged_and_tried_again_only_when_it_changes(place):
    folder = place.arrive("bad", done=True, text=SESSION.replace("interval_s = 1.0", "interval_s = -1.0"))
    place.arrive("good", done=True)
    told = place.watch(Script({}, end=1000))
    outcomes = [event for _, event in told if isinstance(event, Outcome)]
    assert [outcome.state for outcome in outcomes] == ["failed", "done"]
    assert outcomes[0].reason == f"{folder}/session.toml: frames.interval_s is -1.0, must be more than 0.0"
    assert "frames.interval_s" in (place.results / "bad" / "error.log").read_text()
    assert told[-1][1] == Waiting(done=1, failed=1)

    mended = {100.0: lambda: (folder / "session.toml").write_text(SESSION)}
    outcomes = place.outcomes(mended, end=300)
    assert [row[1:] for row in outcomes] == [("bad", "failed"), ("good", "up to date"), ("bad", "done")]
    assert not (place.results / "bad" / "error.log").exists()
    journal = results.read_json(place.results / "run.json")
    assert [(row["name"], row["state"]) for row in journal["outcomes"]] == [("bad", "done"), ("good", "up to date")]
    assert journal["failed"] == []


def test_a_failed_session_is_tried_again_when_an_input_beside_it_comes(place):
    text = SESSION + '[film]\nbare = "../../pair/bare.tif"\ncovered = "../../pair/covered.tif"\n'
    place.arrive("one", done=True, text=text)

    def pair() -> None:
        (place.incoming.parent / "pair").mkdir()
        for name in ("bare", "covered"):
            tifffile.imwrite(place.incoming.parent / "pair" / f"{name}.tif", small_frames(), photometric="minisblack")

    outcomes = place.outcomes({100.0: pair}, end=300)
    assert len(outcomes) == 2
    assert outcomes[0][2] == "failed"
    assert outcomes[1][0] >= 100.0


@pytest.mark.usefixtures("quick")
def test_another_run_in_the_results_folder_is_waited_for(place):
    place.arrive("one", done=True)
    with ExitStack() as other:
        other.enter_context(results.held(place.results))
        told = place.watch(Script({95.0: other.close}, end=300))
    (start, waiting), (end, outcome) = told[:2]
    assert isinstance(waiting, Waiting)
    assert (start, waiting.reason) == (0.0, f"{place.results} is in use by another run: wait for it, or write results "
                                            "elsewhere")  # fmt: skip
    assert end >= 95.0
    assert (outcome.name, outcome.state) == ("one", "done")


@pytest.mark.usefixtures("quick")
def test_the_results_folder_is_free_between_sessions(place):
    place.arrive("one", done=True)

    def other() -> None:
        with results.held(place.results):
            pass

    assert len(place.outcomes({100.0: other}, end=150)) == 1


def test_it_looks_seldom(place):
    clock = Script({}, end=1000)
    place.watch(clock)
    assert 90 <= clock.looks <= 110


@pytest.mark.usefixtures("quick")
def test_a_watched_folder_that_vanishes_comes_back(place):
    away = place.incoming.with_name("away")
    happenings = {
        50.0: lambda: place.incoming.rename(away),
        100.0: lambda: away.rename(place.incoming),
        120.0: lambda: place.arrive("one", done=True),
    }
    told = place.watch(Script(happenings, end=300))
    assert any(isinstance(event, Waiting) and "incoming is not readable" in event.reason for _, event in told)
    assert [event.state for _, event in told if isinstance(event, Outcome)] == ["done"]


def test_a_second_session_of_a_name_does_not_take_the_first_ones_place(place):
    first = place.arrive("one", done=True)
    shutil.copytree(first, place.incoming.parent / "kept" / "one")
    place.workflow.write_text('title = "Watched"\nsessions = ["kept/one"]\nresults = "results"\n')
    told = [event for _, event in place.watch(Script({}, end=100)) if isinstance(event, Outcome)]
    assert [(outcome.name, outcome.state) for outcome in told] == [("one", "failed")]
    assert "a second session named one" in told[0].reason
    assert not (place.results / "one").exists()


def test_a_link_to_a_session_is_that_session(place):
    there = place.arrive("one", done=True).rename(place.incoming.parent / "there")
    (place.incoming / "link").symlink_to(there)
    assert place.once() == [("there", "done")]
    assert stands(place.results / "there")


@pytest.mark.usefixtures("quick")
def test_once_waits_for_what_is_not_marked_but_settles(place):
    place.arrive("one")
    place.arrive("two", done=True)
    assert place.once(Script({}, end=SETTLE + 1)) == [("two", "done"), ("one", "done")]


def test_once_leaves_what_is_still_copied(place):
    folder = place.arrive("one")
    growing = Script({SETTLE: lambda: (folder / "frames.tif").write_bytes(b"more")}, end=10 * SETTLE)
    assert place.once(growing) == []


@pytest.mark.parametrize("settle", [-1.0, float("nan"), 1e9])
def test_a_wrong_time_to_settle_is_refused(place, settle):
    with pytest.raises(InputError, match=r"settle is .* s, must be 0 to 86400 s"):
        next(watch_folder(place.incoming, place.workflow, settle=settle))


def test_a_look_survives_what_goes_away(tmp_path):
    (tmp_path / "broken").symlink_to(tmp_path / "nowhere")
    (tmp_path / "session.toml").write_text('[frames]\nsource = "../a\\u0000b/*.tif"\n[film]\nbare = 3\n')
    assert set(look(tmp_path).files) == {"broken", "session.toml"}
    assert look(tmp_path / "nowhere").files == {}


def command(place: Place, *options: str) -> list[str]:
    return [sys.executable, "-m", "heatwake", "watch", str(place.incoming), str(place.workflow), "--no-pages", *options]


def test_it_goes_on_after_a_kill_and_ends_at_an_interrupt(place):
    place.arrive("one", done=True)
    killed = subprocess.Popen(command(place), stdout=subprocess.DEVNULL)
    while not (place.results / "one" / "registration.nc").exists():
        assert killed.poll() is None
        time.sleep(0.01)
    killed.kill()
    killed.wait()
    assert not stands(place.results / "one")

    place.arrive("bad", done=True, text="title = ")
    process = subprocess.Popen(command(place), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    late = threading.Timer(120.0, process.kill)  # else a line that never comes would be waited for
    late.start()
    said = [process.stdout.readline() for _ in range(3)]
    late.cancel()
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate()
    assert process.returncode == 130
    assert said[0] == "one: started\n"
    assert said[1].startswith("one: done in ")
    assert said[2] == "no more to do: 1 done, 1 failed, 0 not complete\n"
    first, last = errors.splitlines()
    assert first.startswith(f"failed: bad: {place.incoming}/bad/session.toml is not TOML")
    assert last == "heatwake: interrupted; the same command goes on where it was"
    assert stands(place.results / "one")
    assert not list(place.results.rglob("*.partial*"))


def test_once_ends_with_1_when_a_session_failed_and_with_2_when_the_folder_is_wrong(place):
    place.arrive("bad", done=True, text="title = ")
    done = CliRunner().invoke(app, [*command(place, "--once")[3:]])
    assert (done.exit_code, done.stdout) == (1, "no more to do: 0 done, 1 failed, 0 not complete\n")
    place.incoming.rename(place.incoming.with_name("away"))
    done = CliRunner().invoke(app, [*command(place, "--once")[3:]])
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr == (
        f"heatwake: {place.incoming} is not readable (No such file or directory), must be a folder of session folders\n"
    )
