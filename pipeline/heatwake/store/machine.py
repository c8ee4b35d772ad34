"""What the machine says to this process, and of it."""

import resource
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

LIBRARY: Final = threading.Lock()  # HDF5 is not safe in several threads at once


def peak_memory() -> int:
    """Return this process's peak resident memory [bytes].

    Where the kernel keeps it for the process's own image that is read: ``getrusage`` also counts what the parent held
    when it started this one.
    """
    try:
        lines = Path("/proc/self/status").read_text(encoding="ascii", errors="replace").splitlines()
        return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM:"))
    except (OSError, StopIteration, ValueError):
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return peak if sys.platform == "darwin" else peak * 1024


@contextmanager
def uninterrupted() -> Iterator[None]:
    """Hold Ctrl-C back until a block ends: a library interrupted while it takes a lock may wait for it for ever."""
    if threading.current_thread() is not threading.main_thread():  # only the main thread is interrupted
        yield
        return
    held: list[tuple[object, ...]] = []
    before = signal.signal(signal.SIGINT, lambda *given: held.append(given))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if held and callable(before):
        before(signal.SIGINT, None)
