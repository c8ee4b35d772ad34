"""Time of the local drift: 160 x 120 pixels, 1080 frames at 9 Hz, or their means over a second.

``python tests/benchmarks/local_drift.py`` prints seconds by the clock and of processor time, covariance included; the
least of several repeats counts, for other work on the machine only makes it slower.
"""

import argparse
import sys
import time
from collections.abc import Callable

import numpy as np

from heatwake.kernels.local_drift import choose_form
from heatwake.kernels.transport import TransportField, heating_transport, off_source_transport

RATE, SECONDS, SHAPE = 9, 120, (120, 160)


def recording() -> tuple[np.ndarray, np.ndarray]:
    """Return frames ``(time, ny, nx)`` [K] of spots that warm up and widen, with 50 mK noise, and their times [s]."""
    times = np.arange(RATE * SECONDS) / RATE
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    frames = np.random.default_rng(0).normal(0.0, 0.05, (len(times), *SHAPE)).astype(np.float32)
    for number, time_of in enumerate(times):
        for row, column in ((30, 40), (60, 110), (90, 60)):
            apart = (x - column - 0.1 * time_of) ** 2 + (y - row) ** 2
            width = 40.0 + 4.0 * time_of
            frames[number] += 12.0 * (1.0 - np.exp(-time_of / 60.0)) * np.exp(-apart / width)
    return frames, times


def least(work: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Return the least time by the clock and of the processor [s]."""
    clock, processor = [], []
    for _ in range(repeats):
        started, spent = time.perf_counter(), time.process_time()
        work()
        clock.append(time.perf_counter() - started)
        processor.append(time.process_time() - spent)
    return min(clock), min(processor)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--repeats", type=int, default=5)
    asked = parser.parse_args()
    frames, times = recording()
    maps = frames.reshape(SECONDS, RATE, *SHAPE).mean(axis=1)
    seconds = times.reshape(SECONDS, RATE).mean(axis=1)
    sources = maps[:4].mean(axis=0) > 0.08 * maps[:4].mean(axis=0).max()
    seen = np.ones(SHAPE, dtype=bool)

    def both() -> object:
        heating = heating_transport(maps, elapsed=seconds, spacing=1.0)
        return choose_form(heating, outside(maps, seconds), seen=seen)

    def outside(rise: np.ndarray, elapsed: np.ndarray) -> TransportField:
        return off_source_transport(rise, elapsed=elapsed, spacing=1.0, sources=sources)

    rows = {
        "warming up, frames, 2 subsets": lambda: heating_transport(frames, elapsed=times, spacing=1.0),
        "warming up, frames, 4 subsets": lambda: heating_transport(frames, elapsed=times, spacing=1.0, subsets=4),
        "warming up, maps of a second": lambda: heating_transport(maps, elapsed=seconds, spacing=1.0),
        "off sources, maps of a second": lambda: outside(maps, seconds),
        "both and the choice": both,
    }
    sys.stdout.write(f"{'':34}{'clock s':>9}{'processor s':>13}\n")
    for name, work in rows.items():
        clock, processor = least(work, asked.repeats)
        sys.stdout.write(f"{name:34}{clock:9.2f}{processor:13.2f}\n")


if __name__ == "__main__":
    main()
