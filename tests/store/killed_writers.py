"""Processes that enter takes in one record and are killed at random moments: `python killed_writers.py FILE KILLS`."""

import os
import random
import signal
import sys
import time
from pathlib import Path

from heatwake.store import record
from lab_takes import PARTS, take

RECORDINGS = 12
WRITERS = 3


def enter_all(path: Path, *, first: int, rounds: int) -> None:
    """Enter every recording as often as told; a take's rises are all alike, so that torn ones show."""
    parent = os.getppid()
    for number in range(first, first + rounds):
        if os.getppid() != parent:
            return  # nobody waits any longer
        for recording in range(RECORDINGS):
            rises = dict.fromkeys(PARTS, float(number))
            record.enter(path, take(rises, recording=f"{recording}", fingerprint=f"{number}"))


def writer(path: Path, *, first: int, rounds: int) -> int:
    """Return the number of a process that writes."""
    child = os.fork()
    if not child:
        enter_all(path, first=first, rounds=rounds)
        os._exit(0)
    return child


def main(path: Path, kills: int) -> None:
    """Kill writers one by one, others taking their places, and let three more come to their end."""
    rng = random.Random(5)  # noqa: S311
    writers = [writer(path, first=1000 * number, rounds=10**6) for number in range(WRITERS)]
    for number in range(kills):
        time.sleep(rng.uniform(0.0, 0.03))
        victim = writers.pop(rng.randrange(len(writers)))
        os.kill(victim, signal.SIGKILL)
        os.waitpid(victim, 0)
        if number + WRITERS < kills:
            writers.append(writer(path, first=1000 * (number + WRITERS), rounds=10**6))
    writers = [writer(path, first=1000 * (kills + number), rounds=1) for number in range(WRITERS)]
    assert all(os.waitpid(one, 0)[1] == 0 for one in writers)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
