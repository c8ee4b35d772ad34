"""Sessions on worker processes: a real scheduler, real workers, killed where it hurts; results as from one process."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager, suppress
from dataclasses import replace

import dask
import psutil
import pytest
from distributed import Client, Security

from heatwake.errors import ClusterError, InputError
from heatwake.run import Finished, Outcome, Progress, cluster, run_workflow
from heatwake.run.on_worker import Cluster
from small_sessions import contents, write_sessions, write_workflow

NAMES = ("a", "b")
PORT_WAIT = 30.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cluster")
    write_sessions(folder, NAMES)
    return folder


@pytest.fixture(scope="module")
def alone(folder):
    """What one process makes of the sessions."""
    finished = finish(write_workflow(folder, NAMES, results="alone"), workers=0)
    assert [outcome.state for outcome in finished.outcomes] == ["done"] * 3
    return contents(folder / "alone")


def finish(path, **options) -> Finished:
    *_, last = run_workflow(path, pages=False, **options)
    assert isinstance(last, Finished)
    return last


def journal_of(results) -> dict[str, str]:
    """Return each session's state as ``run.json`` has it."""
    return {row["name"]: row["state"] for row in json.loads((results / "run.json").read_text())["outcomes"]}


class Machines:
    """A scheduler and workers, each a process of its own."""

    def __init__(self, folder, *, tls=()):
        self.folder, self.tls = folder, tuple(map(str, tls))
        self.processes = []
        file = folder / "scheduler.json"
        file.unlink(missing_ok=True)
        protocol = ("--protocol", "tls") if tls else ()
        places = ("--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-show")
        self.scheduler = self._start("dask_scheduler", *places, *protocol, "--scheduler-file", str(file))
        end = time.monotonic() + PORT_WAIT
        while self.scheduler.poll() is None and time.monotonic() < end:
            with suppress(OSError, ValueError, KeyError):
                self.address = json.loads(file.read_text())["address"]
                return
            time.sleep(0.05)
        raise RuntimeError("no scheduler")

    def add_worker(self):
        places = ("--no-nanny", "--no-dashboard", "--nthreads", "1", "--memory-limit", "0", "--death-timeout", "60")
        scratch = ("--local-directory", str(self.folder / "scratch"))
        return self._start("dask_worker", self.address, *places, *scratch)

    def _start(self, module, *arguments):
        command = [sys.executable, "-m", f"distributed.cli.{module}", *arguments, *self.tls]
        log = (self.folder / f"{module}.log").open("ab")
        with log:
            process = subprocess.Popen(command, stdout=log, stderr=log)
        self.processes.append(process)
        return process

    def kill(self):
        for process in self.processes:
            process.kill()
            process.wait()


@contextmanager
def machines(folder, *, workers, tls=()):
    folder.mkdir(exist_ok=True)
    made = Machines(folder, tls=tls)
    try:
        made.workers = [made.add_worker() for _ in range(workers)]
        yield made
    finally:
        made.kill()


@pytest.fixture(scope="module")
def them(folder, tmp_path_factory):
    """Machines that the tests below wear out one after the other."""
    with machines(tmp_path_factory.mktemp("machines"), workers=2) as made:
        yield made


def test_one_long_session_is_spread_over_the_workers_and_makes_the_same_to_the_bit(folder, alone, them):
    finish(write_workflow(folder, ("a",), results="spread"), scheduler=them.address)
    made = contents(folder / "spread")
    assert len(made) >= 6
    assert made == {name: content for name, content in alone.items() if name.startswith("a/")}


def test_workers_stop_when_the_run_is_given_up(folder, alone, them):
    path = write_workflow(folder, NAMES, results="given_up")
    events = run_workflow(path, scheduler=them.address, pages=False)
    next(event for event in events if isinstance(event, Progress) and event.file == "registration.nc")
    events.close()  # as an interrupt does
    with Client(them.address, set_as_default=False) as client:
        end = time.monotonic() + PORT_WAIT
        while any(client.run(lambda dask_worker: len(dask_worker.state.executing)).values()):
            assert time.monotonic() < end
            time.sleep(0.05)
    made = contents(folder / "given_up")
    assert "a/flow.nc" not in made  # it did not go on to the end
    assert "b/flow.nc" not in made
    assert all(made[name] == alone[name] for name in made)  # nor left anything unfinished


def test_a_worker_killed_in_a_run_changes_nothing_to_the_bit(folder, alone, them):
    path = write_workflow(folder, NAMES, results="killed_worker")
    outcomes, killed = [], False
    for event in run_workflow(path, scheduler=them.address, pages=False):
        if isinstance(event, Progress) and event.file == "rise.nc" and not killed:
            killed = True
            them.workers[0].kill()
        if isinstance(event, Outcome):
            outcomes.append(event)
    assert killed
    assert [outcome.reason for outcome in outcomes] == [""] * 3
    assert contents(folder / "killed_worker") == alone


def test_a_scheduler_killed_in_a_run_is_one_clear_line(folder, alone, them):
    path = write_workflow(folder, NAMES, results="killed_scheduler")

    def run_until_it_is_lost():
        for event in run_workflow(path, scheduler=them.address, pages=False):
            if isinstance(event, Outcome):
                them.scheduler.kill()

    with pytest.raises(ClusterError, match=r"the scheduler is lost .*: with a scheduler again the same command"):
        run_until_it_is_lost()
    journal = json.loads((folder / "killed_scheduler" / "run.json").read_text())
    assert (journal["state"], len(journal["outcomes"])) == ("interrupted", 1)


def test_worker_processes_here_make_the_same_to_the_bit(folder, alone):
    finished = finish(write_workflow(folder, NAMES, results="here"), workers=2)
    assert [outcome.name for outcome in finished.outcomes] == [*NAMES, "comparison"]  # in the workflow's order
    assert contents(folder / "here") == alone
    journal = json.loads((folder / "here" / "run.json").read_text())
    assert journal["workers"]["processes"] == 2
    assert not (folder / "here" / ".workers").exists()


@pytest.fixture(scope="module")
def two_workers(tmp_path_factory):
    scratch = tmp_path_factory.mktemp("two_workers")
    with (
        dask.config.set(
            {"distributed.scheduler.allowed-failures": 1, "distributed.client.scheduler-info-interval": "1ms"}
        ),
        cluster.local_pool(2, scratch=scratch) as pool,
    ):
        yield pool


def test_all_workers_are_seen_whatever_else_the_client_asks_meanwhile(two_workers):
    # the client's own looks, which ask for no worker, come every millisecond here
    assert {len(two_workers._look()) for _ in range(60)} == {2}


def test_a_silent_worker_is_not_taken_for_dead(two_workers):
    # it may be slow, or the machine slept: with a time to live all workers are killed when it wakes up
    scheduler = two_workers.client.cluster.scheduler
    assert scheduler.worker_ttl is None
    assert "worker-ttl" not in scheduler.periodic_callbacks


def test_blocks_of_one_task_come_back_in_order_from_all_workers(two_workers):
    def block(number):
        time.sleep(0.02)
        return number, os.getpid()

    def session():
        return list(Cluster().in_order(block, ((number,) for number in range(40))))

    numbers, processes = zip(*two_workers.client.submit(session).result(timeout=60), strict=True)
    assert numbers == tuple(range(40))
    assert len(set(processes)) == 2


def test_blocks_of_a_worker_that_dies_are_done_by_another(two_workers, tmp_path):
    died = tmp_path / "died"

    def block(number, own):
        time.sleep(0.02)
        if os.getpid() != own and not died.exists():
            died.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return number

    def session():
        own = os.getpid()
        return list(Cluster().in_order(block, ((number, own) for number in range(20))))

    assert two_workers.client.submit(session).result(timeout=60) == list(range(20))
    assert died.exists()


def test_what_is_wrong_in_a_block_comes_back_as_it_was_raised(two_workers):
    def block(number):
        raise InputError("frames.tif", f"cut short at {number}", "must be whole")

    def session():
        return list(Cluster().in_order(block, ((number,) for number in range(4))))

    with pytest.raises(InputError, match=r"^frames.tif is cut short at 0, must be whole$"):
        two_workers.client.submit(session).result(timeout=60)


def test_workers_here_listen_to_this_machine_alone(two_workers):
    places = {
        connection.laddr.ip
        for process in (psutil.Process(), *psutil.Process().children(recursive=True))
        for connection in process.net_connections("inet")
        if connection.status == psutil.CONN_LISTEN
    }
    assert places == {"127.0.0.1"}


def test_a_session_that_kills_its_workers_fails_alone(two_workers, folder, monkeypatch, tmp_path):
    def do(order):
        if order.name == "b":
            os.kill(os.getpid(), signal.SIGKILL)
        return Outcome(order.name, "done")

    monkeypatch.setattr(cluster, "do_order", do)
    orders = [
        cluster.Order(name, folder / name, tmp_path / name, {}, pages=False, topic="") for name in ("a", "b", "c")
    ]
    outcomes = {event.name: event for event in two_workers.outcomes(orders) if isinstance(event, Outcome)}
    assert {name: outcome.state for name, outcome in outcomes.items()} == {"a": "done", "b": "failed", "c": "done"}
    assert outcomes["b"].reason.startswith("its worker died, and so did the next ones")


def test_a_worker_with_another_version_is_refused(folder, monkeypatch, tmp_path):
    order = cluster.Order("a", folder / "a", tmp_path / "a", {}, pages=False, topic="")
    outcome = cluster.do_order(replace(order, version="0.0.1"))
    assert outcome.state == "failed"
    assert "this run 0.0.1: install the same on both" in outcome.reason


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    """A certificate that is its own authority, for this machine's loopback."""
    folder = tmp_path_factory.mktemp("tls")
    cert, key = folder / "cert.pem", folder / "key.pem"
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "1", "-subj", "/CN=127.0.0.1"]
    try:
        subprocess.run(
            [*command, "-addext", "subjectAltName=IP:127.0.0.1", "-out", str(cert), "-keyout", str(key)],
            check=True,
            capture_output=True,
        )
    except (OSError, subprocess.CalledProcessError) as error:
        pytest.skip(f"needs openssl to make a certificate: {error}")
    return cert, key


def test_the_next_scheduler_resumes_and_is_reached_by_tls_alone(folder, alone, certificates, tmp_path):
    cert, key = certificates
    path = write_workflow(folder, NAMES, results="killed_scheduler")
    [(before, _)] = journal_of(folder / "killed_scheduler").items()
    files = ("--tls-ca-file", cert, "--tls-cert", cert, "--tls-key", key)
    with machines(tmp_path / "m", workers=1, tls=files) as them:
        assert them.address.startswith("tls://")
        security = cluster.tls_options(ca=cert, cert=cert, key=key)
        assert isinstance(security, Security)
        with pytest.raises(InputError, match=r"--scheduler is 'tls://.*', must come with --tls-ca, --tls-cert"):
            finish(path, scheduler=them.address)
        with pytest.raises(ClusterError, match="does not answer"):
            finish(path, scheduler=them.address.replace("tls:", "tcp:"))
        finish(path, scheduler=them.address, security=security)
    states = journal_of(folder / "killed_scheduler")
    assert states.pop(before) == "up to date"
    assert set(states.values()) == {"done"}
    assert contents(folder / "killed_scheduler") == alone


def test_tls_takes_all_three_files(certificates, tmp_path):
    cert, key = certificates
    with pytest.raises(InputError, match=r"--tls-key is missing, must be a PEM file: TLS takes all three"):
        cluster.tls_options(ca=cert, cert=cert, key=None)
    with pytest.raises(InputError, match=r"--tls-ca is .*gone.pem, must be a PEM file"):
        cluster.tls_options(ca=tmp_path / "gone.pem", cert=cert, key=key)
    assert cluster.tls_options(ca=None, cert=None, key=None) is None


def test_a_scheduler_that_is_not_there_is_one_clear_line(folder, monkeypatch):
    monkeypatch.setattr(cluster, "CONNECT", 1.0)
    path = write_workflow(folder, ("a",), results="nobody")
    with pytest.raises(ClusterError, match=r"the scheduler tcp://127.0.0.1:9 does not answer"):
        finish(path, scheduler="tcp://127.0.0.1:9")
    with pytest.raises(InputError, match=r"--scheduler is 'nonsense://1', must be like tcp://host:8786"):
        finish(path, scheduler="nonsense://1")


def test_workers_are_the_scheduler_s_or_ours(folder):
    path = write_workflow(folder, ("a",), results="nobody")
    with pytest.raises(InputError, match="--workers is 2, must be left out with --scheduler"):
        finish(path, scheduler="tcp://127.0.0.1:9", workers=2)


def test_a_scheduler_without_workers_is_not_waited_for_for_ever(folder, monkeypatch, tmp_path):
    monkeypatch.setattr(cluster, "PATIENCE", 1.0)
    path = write_workflow(folder, ("a",), results="nobody")
    with machines(tmp_path / "m", workers=0) as them, pytest.raises(ClusterError, match="no worker has been"):
        finish(path, scheduler=them.address)


def test_a_single_session_needs_no_processes(folder):
    finish(write_workflow(folder, ("a",), results="single"))
    journal = json.loads((folder / "single" / "run.json").read_text())
    assert journal["workers"] == {"processes": 0}
