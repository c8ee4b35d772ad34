"""Whatever happens, nothing corrupt stands under a final name, and the same command completes to the same bytes."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import psutil
import pytest
from typer.testing import CliRunner

from heatwake import cli
from heatwake.errors import BusyError
from heatwake.run import Finished, Outcome, Progress, run_workflow
from heatwake.run.journal import Journal
from small_sessions import contents, write_sessions, write_workflow

NAMES = ("a", "b")
KILLS = int(os.environ.get("HEATWAKE_KILLS", "10"))  # 50 and more before a release
TURN = 10  # kills on the way to one set of results, for each to start somewhere else
WAIT = 120.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("faults")
    write_sessions(folder, NAMES)
    return folder


class Server:
    """Runs in forked processes that may be killed."""

    def __init__(self, first: Path):
        limits = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        command = [sys.executable, str(Path(__file__).with_name("fault_server.py")), str(first)]
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
        self.process = subprocess.Popen(command, env=os.environ | limits, text=True, **pipes)
        self.first = json.loads(self.process.stdout.readline())

    def run(self, path: Path, *, delay: float | None = None) -> dict:
        self.process.stdin.write(json.dumps({"workflow": str(path), "delay": delay}) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def close(self):
        self.process.stdin.close()
        self.process.wait()
        self.process.stdout.close()


@pytest.fixture(scope="module")
def server(folder):
    made = Server(write_workflow(folder, NAMES, results="alone"))  # with a comparison: all is imported then
    yield made
    made.close()


@pytest.fixture(scope="module")
def alone(folder, server):
    """What a run that nothing happens to makes: the server's own first, before any process is forked."""
    assert server.first["outcomes"] == [[name, "done", ""] for name in (*NAMES, "comparison")]
    return contents(folder / "alone")


def of_session(name: str, alone: dict[str, bytes]) -> dict[str, bytes]:
    """What a run of one session makes."""
    return {file: content for file, content in alone.items() if file.startswith(f"{name}/")}


def assert_whole(results: Path, alone: dict[str, bytes]) -> None:
    """Every file under a final name is what it should be at the end."""
    for name, content in contents(results).items():
        if ".partial" not in name:
            assert content == alone[name], name


def finish(path: Path) -> Finished:
    *_, last = run_workflow(path, workers=0, pages=False)
    assert isinstance(last, Finished)
    return last


def test_a_run_killed_at_random_moments_ends_with_the_same_bytes(folder, alone, server):
    path = write_workflow(folder, NAMES, results="killed")
    results = folder / "killed"

    def begin():
        shutil.rmtree(results, ignore_errors=True)
        shutil.copytree(folder / "alone" / "b", results / "b")  # one session to do, and the comparison

    begin()
    started = time.monotonic()
    server.run(path)
    longest = time.monotonic() - started
    begin()
    rng = np.random.default_rng(7)
    kills = completed = 0
    while kills < KILLS:
        told = server.run(path, delay=rng.uniform(0.01, 0.5) * longest)
        kills += told["killed"]
        assert_whole(results, alone)
        if not told["killed"] or kills % TURN == 0:
            told = server.run(path)
            assert {state for _, state, _ in told["outcomes"]} <= {"done", "up to date"}
            assert contents(results) == alone  # no unfinished file is left either
            completed += 1
            begin()
    assert completed >= KILLS // TURN


@contextmanager
def mounted(place: Path, *arguments: str):
    place.mkdir(exist_ok=True)
    try:
        subprocess.run(["mount", *arguments, str(place)], check=True, capture_output=True, text=True)
    except (OSError, subprocess.CalledProcessError) as error:
        pytest.skip(f"needs the right to mount: {error}")
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


def remount(place: Path, options: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{options}", str(place)], check=True)


def test_a_full_disk_is_told_and_with_room_the_same_command_completes(folder, alone, server):
    path = write_workflow(folder, NAMES, results="full")
    sizes = sorted(len(content) for content in alone.values())
    with mounted(folder / "full", "-t", "tmpfs", "-o", "size=4k", "tmpfs"):
        # from no room at all, by steps, to just not enough
        for kilobytes in range(4, sum(sizes) // 1024, max(4, sum(sizes) // 1024 // 3)):
            remount(folder / "full", f"size={kilobytes}k")
            told = server.run(path)
            assert not told["killed"]
            reasons = [reason for _, _, reason in told["outcomes"] if reason]
            assert any("No space left on device" in reason for reason in reasons), told
            assert_whole(folder / "full", alone)
        remount(folder / "full", "size=64m")
        told = server.run(path)
        assert {state for _, state, _ in told["outcomes"]} <= {"done", "up to date"}, told
        assert contents(folder / "full") == alone


def test_a_read_only_results_folder_is_refused_in_one_line(folder, alone, server):
    path = write_workflow(folder, ("a",), results="read_only")
    with mounted(folder / "read_only", "-t", "tmpfs", "-o", "size=64m", "tmpfs"):
        remount(folder / "read_only", "ro")
        [[_, state, reason]] = server.run(path)["outcomes"]
        assert state == "refused"
        assert reason.endswith("read_only is not a folder to write to (Read-only file system), must be one")
        remount(folder / "read_only", "rw")
        server.run(path)
        assert contents(folder / "read_only") == of_session("a", alone)


def test_an_input_that_vanishes_in_a_run_fails_its_session_alone(folder, alone):
    path = write_workflow(folder, NAMES, results="vanished")
    recording, away = folder / "a" / "frames.tif", folder / "away.tif"
    outcomes = {}
    for event in run_workflow(path, workers=0, pages=False):
        if isinstance(event, Progress) and event == Progress("a", "registration.nc", 0, 1) and recording.exists():
            recording.rename(away)
        if isinstance(event, Outcome):
            outcomes[event.name] = event
    away.rename(recording)
    assert outcomes["a"].state == "failed"
    assert "frames.tif" in outcomes["a"].reason
    assert outcomes["b"].state == "done"
    assert_whole(folder / "vanished", alone)
    journal = json.loads((folder / "vanished" / "run.json").read_text())
    assert journal["failed"][0] == "a"
    assert journal["outcomes"][0]["log"] == "a/error.log"
    assert "Traceback" in (folder / "vanished" / "a" / "error.log").read_text()
    finish(path)
    assert not (folder / "vanished" / "a" / "error.log").exists()
    assert contents(folder / "vanished") == alone


def test_clocks_and_file_times_mean_nothing(folder, alone, monkeypatch):
    path = write_workflow(folder, NAMES, results="clock")
    clock, step = time.time, 0.0
    monkeypatch.setattr(time, "time", lambda: clock() - step)
    for event in run_workflow(path, workers=0, pages=False):
        step += 86400.0  # the clock goes a day back at every step
        if isinstance(event, Outcome):
            assert (event.state, event.seconds > 0) == ("done", True)
    assert contents(folder / "clock") == alone
    for number, place in enumerate(sorted((folder / "clock").rglob("*")) + sorted((folder / "a").iterdir())):
        os.utime(place, (number * 1e8, number * 1e8))  # from 1970 to far in the future, in no sensible order
    assert {outcome.state for outcome in finish(path).outcomes} == {"up to date"}


def test_a_second_run_in_the_same_results_folder_is_refused_in_one_line(folder, alone):
    path = write_workflow(folder, ("a",), results="twice")
    first = run_workflow(path, workers=0, pages=False)
    next(first)
    with pytest.raises(BusyError, match=r"twice is in use by another run: wait for it, or write results elsewhere$"):
        finish(path)
    for _ in first:
        pass
    assert contents(folder / "twice") == of_session("a", alone)


def test_failures_come_last_with_the_command_that_retries_them(folder, monkeypatch):
    path = write_workflow(folder, ("gone", "a"), results="one gone", text='reference = "a"\n')
    arguments = ["run", str(path), "--no-pages", "--workers", "0"]
    monkeypatch.setattr(sys, "argv", ["heatwake", *arguments])
    done = CliRunner().invoke(cli.app, arguments)
    assert done.exit_code == 1
    gone, compared, retry = done.stderr.splitlines()[-3:]
    assert gone.startswith("failed: gone: ")
    assert gone.endswith("gone/session.toml is missing, must be a TOML file")
    assert compared.startswith("failed: comparison: comparison is blocked")
    assert retry == f"when mended, repeat: heatwake run '{path}' --no-pages --workers 0"
    assert done.stdout.splitlines()[-1].startswith("results: ")


def test_the_journal_tells_sessions_in_the_workflows_order_whichever_ends_first(tmp_path):
    journal = Journal(tmp_path, about={}, names=["first", "second", "third"])
    for name in ("third", "comparison", "second", "first"):
        journal.add(Outcome(name, "failed" if name == "second" else "done"))
    told = journal.content()
    assert [row["name"] for row in told["outcomes"]] == ["first", "second", "third", "comparison"]
    assert told["failed"] == ["second"]


def test_the_journal_tells_what_ran_how_long_and_with_what(folder, alone):
    journal = json.loads((folder / "alone" / "run.json").read_text())
    assert journal["state"] == "complete"
    assert {"heatwake", "python", "numpy", "xarray", "distributed", "netCDF4"} <= set(journal["versions"])
    row = journal["outcomes"][0]
    assert set(row["products"]) == {
        "registration.nc",
        "rise.nc",
        "regions.nc",
        "spread.nc",
        "flow.nc",
        "summary.csv",
    }
    assert sum(row["products"].values()) <= row["seconds"] <= journal["seconds"]
    assert 50 < row["peak_mb"] < 4000  # an interpreter with the libraries takes 100 and more


def start(path: Path, *options: str) -> subprocess.Popen:
    """Start the command in a group of its own, as a terminal does."""
    command = [sys.executable, "-m", "heatwake", "run", str(path), "--no-pages", *options]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    return subprocess.Popen(command, text=True, start_new_session=True, **pipes)


def wait_for(condition, process: subprocess.Popen) -> None:
    end = time.monotonic() + WAIT
    while not condition() and process.poll() is None and time.monotonic() < end:
        time.sleep(0.02)
    assert condition()


def group(number: int) -> list[int]:
    """Return the processes of a group that live."""
    found = []
    for process in psutil.process_iter():
        try:
            if os.getpgid(process.pid) == number and process.status() != psutil.STATUS_ZOMBIE:
                found.append(process.pid)
        except (ProcessLookupError, psutil.NoSuchProcess):
            continue
    return found


def assert_left_alone(process: subprocess.Popen) -> None:
    """No process of its group is left, given the moment in which they notice that it is gone."""
    end = time.monotonic() + 10.0
    while group(process.pid) and time.monotonic() < end:
        time.sleep(0.05)
    assert group(process.pid) == []


@pytest.mark.parametrize("workers", [0, 2])
def test_ctrl_c_stops_everything_and_says_so(folder, alone, workers):
    path = write_workflow(folder, NAMES, results=f"interrupted_{workers}")
    results = folder / f"interrupted_{workers}"
    process = start(path, "--workers", str(workers))
    wait_for(lambda: any(results.glob("*/.registration.nc.*")) or any(results.glob("*/registration.nc")), process)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal sends it: to all of the group
    told, errors = process.communicate(timeout=WAIT)
    assert (process.returncode, told, errors) == (130, "", "heatwake: interrupted; the same command resumes\n")
    assert_left_alone(process)
    assert_whole(results, alone)
    assert not [name for name in contents(results) if ".partial" in name]
    assert not (results / ".workers").exists()
    finish(path)
    assert contents(results) == alone


def test_a_killed_run_takes_its_worker_processes_along(folder, alone):
    path = write_workflow(folder, NAMES, results="orphans")
    results = folder / "orphans"
    process = start(path, "--workers", "1")
    wait_for(lambda: any(results.glob("*/registration.nc")), process)
    assert len(group(process.pid)) >= 2
    process.kill()
    process.communicate(timeout=WAIT)
    assert_left_alone(process)
    assert_whole(results, alone)
    finish(path)
    assert contents(results) == alone
