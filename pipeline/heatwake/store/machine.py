"""What the machine says of this process."""

import resource
import sys
from pathlib import Path


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
