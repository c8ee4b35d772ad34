"""How fast, as ratios measured in one run: ``python tests/benchmarks/throughput.py [--quick] [--json out.json]``.

One recording of zlib-compressed TIFF is decoded alone by tifffile, analysed from disk to NetCDF, and analysed as in a
notebook; then recordings of fewer frames and pixels show how cost grows, and two sessions how workers add up. What is
compared is measured in turns and the least of each is taken: other work on the machine only adds. Nothing else should
run meanwhile. Recordings are kept in ``--cache``; numba compiles in a warm-up that is not counted.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import tifffile
from measure import Run, processor_time, run_once
from recordings import Wanted, cached, size
from rich.console import Console
from rich.table import Table
from scipy.optimize import least_squares

HERE = Path(__file__).parent
CORES = 2
PAGES = 64  # decoded together: 40 MB of 640x512
WARM_UP = Wanted(160, 128, 450)


@dataclass
class Bench:
    """What is measured, where recordings and results go, and the lines of the table so far."""

    cache: Path
    scratch: Path
    repeats: int
    every: int
    shake: bool
    rows: list[tuple[str, str, str, str]] = field(default_factory=list)
    numbers: dict[str, object] = field(default_factory=dict)

    def add(self, name: str, value: float, *, unit: str = "", target: str = "", note: str = "") -> None:
        """Add a line, and the number under its name."""
        self.numbers[name] = value
        self.rows.append((name, f"{value:.3g} {unit}".strip(), target, note))

    def recording(self, columns: int, rows: int, frames: int, *, seed: int = 7) -> Path:
        """Return a session folder, made if need be."""
        return cached(self.cache, Wanted(columns, rows, frames, shake=self.shake, seed=seed))

    def ours(self, *sessions: Path, **options: int) -> Run:
        """Return one run's measures."""
        return run_once(list(sessions), scratch=self.scratch / "run", **options)


def decode_blocks(path: Path) -> None:
    """Decode a stack block by block, each by tifffile with its own two threads."""
    with tifffile.TiffFile(path) as stack:
        count = len(stack.pages)
        for start in range(0, count, PAGES):
            stack.asarray(key=slice(start, min(start + PAGES, count)), maxworkers=CORES)


def decode_imread(path: Path) -> None:
    """Decode a stack block by block with ``tifffile.imread``."""
    with tifffile.TiffFile(path) as stack:
        count = len(stack.pages)
    for start in range(0, count, PAGES):
        tifffile.imread(path, key=slice(start, min(start + PAGES, count)), maxworkers=CORES)


def decode_threads(path: Path, *, threads: int = CORES) -> None:
    """Decode every page of a stack, two threads a page each, each with a file of its own."""

    def every(first: int) -> None:
        with tifffile.TiffFile(path) as stack:
            for number in range(first, len(stack.pages), threads):
                stack.pages[number].asarray(maxworkers=1)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(every, range(threads)))


DECODERS: dict[str, Callable[[Path], None]] = {
    "blocks by TiffFile.asarray": decode_blocks,
    "blocks by imread": decode_imread,
    "two threads, a page each": decode_threads,
}


def timed(function: Callable[[Path], None], path: Path) -> tuple[float, float]:
    """Return seconds, and seconds of processor time."""
    started, spent = time.perf_counter(), processor_time()
    function(path)
    return time.perf_counter() - started, processor_time() - spent


def compare(bench: Bench, session: Path) -> None:
    """Decode alone, heatwake and the notebook over one recording, in turns."""
    stack = session / "frames.tif"
    timed(decode_threads, stack)  # into the page cache
    decoded: dict[str, list[tuple[float, float]]] = {name: [] for name in DECODERS}
    runs = []
    for _ in range(bench.repeats):
        for name, decode in DECODERS.items():
            decoded[name].append(timed(decode, stack))
        runs.append(bench.ours(session))
    way, (decode_s, _) = min(((name, min(times)) for name, times in decoded.items()), key=lambda pair: pair[1])
    run = min(runs, key=lambda one: one.inside)
    bench.numbers["decoders_s"] = decoded
    bench.add("decode alone", decode_s, unit="s", note=f"tifffile, {way}")
    bench.add("heatwake", run.inside, unit="s", note="from disk to NetCDF, data only")
    bench.add("heatwake, process start included", run.process, unit="s")
    for product, seconds in run.products.items():
        bench.add(f"  {product}", seconds, unit="s", note=f"{seconds / run.inside:.0%}")
    rest = run.inside - sum(run.products.values())
    bench.add("  opening, digests, journal", rest, unit="s", note=f"{rest / run.inside:.0%}")
    bench.add("heatwake / decode", run.inside / decode_s, target="<= 3")
    bench.add("  with process start", run.process / decode_s)
    spent = min(spent for times in decoded.values() for _, spent in times)
    bench.add("  in processor time", min(one.processor for one in runs) / spent, note="suffers less from other work")
    bench.add("floor: decode's share", decode_s / run.inside, note="each frame decoded once, two cores")
    bench.add("peak memory", run.peak / 2**30, unit="GiB", target="<= 1.2")
    notebook(bench, session, run)


def notebook(bench: Bench, session: Path, run: Run) -> None:
    """Time the notebook's way, on a share of the frames if so asked for."""
    order = [sys.executable, str(HERE / "notebook_way.py"), str(session), str(bench.scratch / "notebook")]
    done = subprocess.run([*order, "--every", str(bench.every)], capture_output=True, text=True, check=True)
    told: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    scaled = {name: told[name] * bench.every for name in ("registration", "conversion, warp, average")}
    whole = sum((told | scaled).values()) + run.products["flow.nc"]
    note = "every frame" if bench.every == 1 else f"1 frame in {bench.every}, steps that take frames scaled up"
    bench.numbers["notebook_s"] = told | scaled
    bench.add("notebook way", whole, unit="s", note=f"{note}; flow as ours, {run.products['flow.nc']:.1f} s")
    for name, seconds in (told | scaled).items():
        bench.add(f"  {name}", seconds, unit="s", note=f"{seconds / whole:.0%}")
    bench.add("notebook / heatwake", whole / run.inside, target=">= 15")


def growth(bench: Bench, name: str, sizes: list[tuple[int, int, int]]) -> None:
    """Show how cost grows over recordings (columns, rows, frames) that differ in one of them."""
    amounts = [float(np.prod(one)) for one in sizes]
    runs = [[bench.ours(bench.recording(*one)) for one in sizes] for _ in range(bench.repeats)]

    def least(measure: Callable[[Run], float]) -> list[float]:
        return [min(measure(turn[number]) for turn in runs) for number in range(len(sizes))]

    seconds = {
        "the whole run": least(lambda run: run.inside),
        "steps that take frames": least(lambda run: run.products["registration.nc"] + run.products["rise.nc"]),
        "processor time": least(lambda run: run.processor),
    }
    bench.numbers[f"growth with {name}"] = {"sizes": sizes, **seconds}
    for what, took in seconds.items():
        shown = ", ".join(f"{one:.1f}" for one in took)
        bench.add(f"cost ~ {name}^p, {what}", slope(amounts, took), note=f"{shown} s, as they are")
        power, constant = slope_with_constant(amounts, took)
        bench.add("  constant taken off", power, target="0.95-1.05", note=f"{constant:.1f} s + a N^p, all three fitted")
    for (less, early), (more, late) in pairwise(zip(amounts, seconds["the whole run"], strict=True)):
        bench.add(f"  marginal, {less:.2g} to {more:.2g} px", (late - early) / (more - less) * 1e9, unit="ns/px")


def slope(amounts: list[float], seconds: list[float]) -> float:
    """Return the exponent by a line through the logarithms."""
    return float(np.polyfit(np.log(amounts), np.log(seconds), 1)[0])


def slope_with_constant(amounts: list[float], seconds: list[float]) -> tuple[float, float]:
    """Return exponent and constant of ``constant + a N^p`` by least squares of relative misfits.

    With three amounts in even ratio the exponent is the logarithm of the ratio of the two marginal costs.
    """
    scaled = np.array(amounts) / amounts[-1]

    def misfit(parameters: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        constant, factor, power = parameters
        return np.asarray((constant + factor * scaled**power) / np.array(seconds) - 1)

    start = [0.3 * seconds[0], seconds[-1] - 0.3 * seconds[0], 1.0]
    found = least_squares(misfit, start, bounds=([0, 0, 0.2], [np.inf, np.inf, 3])).x
    return float(found[2]), float(found[0])


def side_by_side(bench: Bench, first: Path, second: Path) -> None:
    """Two workers against one, threads in one session, and what the machine itself gives."""
    stacks = [one / "frames.tif" for one in (first, second)]
    alone = min(decode_side_by_side(stacks[:1]) for _ in range(2))
    together = min(decode_side_by_side(stacks) for _ in range(2))
    bench.add("machine: two decoding processes / one", 2 * alone / together, note="what two cores give at most")
    turns = range(bench.repeats)
    one = min((bench.ours(first, second, workers=1, cores=1) for _ in turns), key=lambda run: run.sessions)
    two = min((bench.ours(first, second, workers=2, cores=2) for _ in turns), key=lambda run: run.sessions)
    note = f"two sessions: {one.sessions:.1f} s by one worker on a core, {two.sessions:.1f} s by two"
    bench.add("two workers / one", one.sessions / two.sessions, target=">= 1.8", note=note)
    note = "start of workers and the comparison included"
    bench.add("  whole runs", one.inside / two.inside, note=note)
    single = min((bench.ours(first, threads=1) for _ in turns), key=lambda run: run.inside)
    double = min((bench.ours(first, threads=2) for _ in turns), key=lambda run: run.inside)
    bench.add("two threads / one, in a session", single.inside / double.inside, note=f"{single.inside:.1f} s with one")


DECODE = """
import sys, time, tifffile
with tifffile.TiffFile(sys.argv[1]) as stack:
    stack.pages[0].asarray()
    started = time.perf_counter()
    for page in stack.pages:
        page.asarray(maxworkers=1)
print(time.perf_counter() - started)
"""


def decode_side_by_side(stacks: list[Path]) -> float:
    """Decode stacks in a process each; return the seconds of the slowest."""
    orders = [[sys.executable, "-c", DECODE, str(one)] for one in stacks]
    running = [subprocess.Popen(order, stdout=subprocess.PIPE, text=True) for order in orders]
    return max(float(one.communicate()[0]) for one in running)


def show(bench: Bench, title: str) -> None:
    """Print the table."""
    table = Table("measured", "value", "target", "", title=title, title_justify="left")
    for row in bench.rows:
        table.add_row(*row)
    busy = os.getloadavg()[0]
    table.caption = f"load average at the end {busy:.1f}: without other work no more than {CORES}"
    Console(width=None if sys.stdout.isatty() else 140).print(table)


def measure(bench: Bench, columns: int, rows: int, frames: int, *, parts: list[str]) -> None:
    """Measure the parts asked for, in order."""
    session = bench.recording(columns, rows, frames)
    bench.ours(cached(bench.cache, WARM_UP))
    if "compare" in parts:
        compare(bench, session)
    if "frames" in parts:
        growth(bench, "frames", [(columns, rows, frames // part) for part in (4, 2, 1)])
    if "pixels" in parts:
        growth(bench, "pixels", [(columns // part, rows // part, frames // 2) for part in (4, 2, 1)])
    if "workers" in parts:
        half = [bench.recording(columns, rows, frames // 2, seed=seed) for seed in (7, 8)]
        side_by_side(bench, *half)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--frames", type=int, default=3000)
    parser.add_argument("--size", type=size, default=(640, 512))
    parser.add_argument("--shake", action="store_true", help="camera held in the hand")
    parser.add_argument("--quick", action="store_true", help="once each; the notebook on every tenth frame")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--parts", nargs="+", default=["compare", "frames", "pixels", "workers"])
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "heatwake_benchmarks")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    columns, rows = asked.size
    if len(os.sched_getaffinity(0)) > CORES:
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:CORES])
    with tempfile.TemporaryDirectory() as scratch:
        repeats, every = (1, 10) if asked.quick else (asked.repeats, 1)
        bench = Bench(asked.cache, Path(scratch), repeats, every, asked.shake)
        measure(bench, columns, rows, asked.frames, parts=asked.parts)
    show(
        bench, f"{asked.frames} frames of {columns}x{rows}{', held in the hand' if asked.shake else ''}, {CORES} cores"
    )
    if asked.json:
        asked.json.write_text(json.dumps(bench.numbers, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
