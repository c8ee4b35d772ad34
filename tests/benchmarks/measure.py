"""Runs of a session in processes of their own, measured: wall time, seconds by product, peak memory.

``python tests/benchmarks/measure.py RESULTS SESSION... --workers 0`` does one run and says what it took as JSON.
"""

import argparse
import contextlib
import json
import os
import resource
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Run:
    """What a run took.

    Seconds of the whole process, of the run inside it, and of the sessions from the first word of one to the end of the
    last (no start of workers, no comparison); of processor time; by product. Peak memory [bytes] of one process.
    """

    process: float
    inside: float
    sessions: float
    processor: float
    products: dict[str, float]
    peak: int


def run_once(
    sessions: list[Path], *, scratch: Path, workers: int = 0, cores: int | None = None, threads: int | None = None
) -> Run:
    """Run sessions in a fresh process into a fresh results folder, data only.

    Parameters
    ----------
    sessions : list of Path
        Session folders.
    scratch : Path
        Where results go; they are removed again.
    workers : int
        Worker processes, as ``run_workflow`` takes them; 0: all in the one process.
    cores, threads : int, optional
        Cores that the process and its workers may use, and threads for a session; all by default.
    """
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir(parents=True)
    order = [sys.executable, str(HERE / "measure.py"), str(scratch), *map(str, sessions), "--workers", str(workers)]
    order += ["--threads", str(threads)] if threads else []
    order += ["--cores", str(cores)] if cores else []
    started = time.perf_counter()
    done = subprocess.run(order, capture_output=True, text=True, check=False)
    elapsed = time.perf_counter() - started
    shutil.rmtree(scratch, ignore_errors=True)
    if done.returncode:
        raise RuntimeError(f"{' '.join(order)}\n{done.stdout}\n{done.stderr}")
    told = json.loads(done.stdout.splitlines()[-1])
    return Run(elapsed, told["seconds"], told["sessions"], told["processor"], told["products"], told["peak"])


def run_here(results: Path, sessions: list[Path], *, workers: int, threads: int | None) -> dict[str, Any]:
    """Run sessions from this process; return what a ``Run`` holds."""
    from heatwake.run import run_workflow
    from heatwake.run.events import Outcome, Progress
    from heatwake.workers import Threads, working_with

    workflow = results / "workflow.toml"
    named = ", ".join(f'"{folder.resolve().as_posix()}"' for folder in sessions)
    workflow.write_text(f'title = "Benchmark"\nsessions = [{named}]\nresults = "results"\n', encoding="utf-8")
    products: dict[str, float] = {}
    started = time.perf_counter()
    first, last, spent = None, started, processor_time()
    with working_with(Threads(threads)) if threads else contextlib.nullcontext():
        for event in run_workflow(workflow, workers=workers, pages=False):
            now = time.perf_counter()
            if isinstance(event, Progress):
                first = first or now
            elif isinstance(event, Outcome) and event.name != "comparison":
                if event.state != "done":
                    raise RuntimeError(f"{event.name} {event.state}: {event.reason}\n{event.details}")
                last, products = now, products | event.products
    seconds = time.perf_counter() - started
    peak = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    spent = processor_time() - spent
    return {
        "seconds": seconds,
        "sessions": last - (first or started),
        "processor": spent,
        "products": products,
        "peak": peak * 1024,
    }


def processor_time() -> float:
    """Return the seconds of processor time that this process and its ended children have had."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def main() -> None:
    """Do one run as told."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("results", type=Path)
    parser.add_argument("sessions", type=Path, nargs="+")
    parser.add_argument("--workers", type=int, default=0)
    parser.add_argument("--threads", type=int)
    parser.add_argument("--cores", type=int)
    asked = parser.parse_args()
    if asked.cores:
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[: asked.cores])
    told = run_here(asked.results, asked.sessions, workers=asked.workers, threads=asked.threads)
    sys.stdout.write(json.dumps(told) + "\n")


if __name__ == "__main__":
    main()
