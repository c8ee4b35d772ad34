"""A process that does a run and forks others to be killed: ``python fault_server.py PATH``, a JSON line a run.

What it does first itself has everything imported. It answers what became of that.
Asked ``{"workflow": path, "delay": seconds or null}`` it answers whether it was killed, and its outcomes.
"""

import json
import os
import signal
import sys
import time
from pathlib import Path

import cv2
import dask

from heatwake.errors import HeatwakeError
from heatwake.run import Outcome, run_workflow
from heatwake.workers import Threads, working_with


def run(path: Path) -> list[list[str]]:
    """Return what becomes of each session."""
    try:
        events = run_workflow(path, workers=0, pages=False)
        return [[event.name, event.state, event.reason] for event in events if isinstance(event, Outcome)]
    except HeatwakeError as error:
        return [["run", "refused", str(error)]]


def fork(path: Path, delay: float | None) -> dict[str, object]:
    """Run in a process of its own; kill that after ``delay`` seconds unless it is done."""
    reading, writing = os.pipe()
    process = os.fork()
    if process == 0:
        os.write(writing, json.dumps(run(path)).encode())
        os._exit(0)
    os.close(writing)
    if delay is not None:
        time.sleep(delay)
        os.kill(process, signal.SIGKILL)
    with os.fdopen(reading, "rb") as pipe:
        told = pipe.read()
    _, status = os.waitpid(process, 0)
    return {"killed": os.WIFSIGNALED(status), "outcomes": json.loads(told or b"[]")}


def main() -> None:
    """Do the first run without a thread, for a forked process has none of its parent's; then serve."""
    cv2.setNumThreads(1)
    with dask.config.set(scheduler="synchronous"), working_with(Threads(1)):
        answer({"killed": False, "outcomes": run(Path(sys.argv[1]))})
    for line in sys.stdin:
        asked = json.loads(line)
        answer(fork(Path(asked["workflow"]), asked["delay"]))


def answer(told: dict[str, object]) -> None:
    """Write a line."""
    sys.stdout.write(json.dumps(told) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
