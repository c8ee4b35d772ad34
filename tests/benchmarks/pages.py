"""What pages, figures and films cost: ``python tests/benchmarks/pages.py [WORKFLOW ...] [--hour]``.

Of each workflow the data sets are brought up to date first, which is not measured; then all its pages are made anew by
a run in a process of its own, in turn (``--workers 0``) unless told otherwise. Beside seconds of the clock stand those
of processor time: others may be at work. ``--hour`` adds a session of an hour in 640x512 pixels and 3600 maps, recorded
once by the scene and kept in ``--cache``.
"""

import argparse
import cProfile
import json
import resource
import subprocess
import sys
import tempfile
import time
import tomllib
from contextlib import nullcontext
from pathlib import Path
from typing import Any

from measure import processor_time
from recordings import Wanted, cached
from rich.console import Console
from rich.table import Table

HOUR = Wanted(640, 512, 3600, rate=1.0)
TARGETS = {"hour": (30.0, 1.5)}  # [s], [GiB]
SAMPLE = (10.0, None)
PAGES = ("report.html", "comparison.html")


def hour_workflow(cache: Path) -> Path:
    """Return a workflow of the hour's session, recorded if need be."""
    folder = cached(cache / "hour", HOUR)
    workflow = cache / "hour.toml"
    named = folder.resolve().as_posix()
    workflow.write_text(f'title = "An hour"\nsessions = ["{named}"]\nresults = "hour_results"\n', encoding="utf-8")
    return workflow


def make_pages(workflow: Path, *, workers: int, profile: Path | None) -> dict[str, Any]:
    """Make all pages of a workflow from this process; return seconds by session, of all together, and peak memory."""
    from heatwake.run import run_workflow
    from heatwake.run.events import Outcome

    seconds: dict[str, tuple[float, float]] = {}
    begun = last = (time.perf_counter(), processor_time())
    watched = cProfile.Profile() if profile else None
    with watched or nullcontext():
        for event in run_workflow(workflow, workers=workers):
            if not isinstance(event, Outcome):
                continue
            if event.state == "failed":
                raise RuntimeError(f"{event.name}: {event.reason}\n{event.details}")
            now = (time.perf_counter(), processor_time())
            seconds[event.name] = (event.products.get("pages", now[0] - last[0]), now[1] - last[1])
            last = now
    whole = last[0] - begun[0], last[1] - begun[1]
    if watched is not None and profile is not None:
        watched.dump_stats(profile)
    peak = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return {"seconds": seconds, "whole": whole, "peak": peak / 2**20}


def measured(workflow: Path, *, workers: int, profile: Path | None) -> dict[str, Any]:
    """Bring a workflow's data up to date, take its pages away and have them made in a fresh process."""
    from heatwake.run import run_workflow

    for _ in run_workflow(workflow, workers=0, pages=False):
        pass
    root = results_of(workflow)
    for page in (path for name in PAGES for path in root.rglob(name)):
        page.unlink()
    order = [sys.executable, __file__, str(workflow), "--here", "--workers", str(workers)]
    order += ["--profile", str(profile)] if profile else []
    done = subprocess.run(order, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr)
    told: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    told["bytes"] = {
        place: (root / place).stat().st_size for place in (str(path.relative_to(root)) for path in root.rglob("*.html"))
    }
    return told


def results_of(workflow: Path) -> Path:
    """Return the folder of a workflow's results."""
    content = tomllib.loads(workflow.read_text(encoding="utf-8"))
    return workflow.parent / content["results"]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("workflows", type=Path, nargs="*")
    parser.add_argument("--hour", action="store_true")
    parser.add_argument("--workers", type=int, default=0)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "heatwake_benchmarks")
    parser.add_argument("--profile", type=Path, help="what cProfile saw goes there")
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.here:
        told = make_pages(asked.workflows[0], workers=asked.workers, profile=asked.profile)
        sys.stdout.write(json.dumps(told) + "\n")
        return
    console = Console(width=None if sys.stdout.isatty() else 100)
    for workflow in [*asked.workflows, *([hour_workflow(asked.cache)] if asked.hour else [])]:
        told = measured(workflow, workers=asked.workers, profile=asked.profile)
        console.print(table_of(workflow, told))


def table_of(workflow: Path, told: dict[str, Any]) -> Table:
    """Return a table of what a workflow's pages took."""
    seconds, memory = TARGETS.get(workflow.stem, SAMPLE)
    target = f"targets: {seconds:g} s" + (f", {memory:g} GiB" if memory else "")
    table = Table("pages of", "seconds", "of processor", "page, MB", title=f"{workflow.name} ({target})")
    for name, (taken, processor) in told["seconds"].items():
        page = "comparison.html" if name == "comparison" else f"{name}/report.html"
        table.add_row(name, f"{taken:.1f}", f"{processor:.1f}", f"{told['bytes'].get(page, 0) / 1e6:.1f}")
    table.add_section()
    each = [taken for name, taken in told["seconds"].items() if name != "comparison"]
    table.add_row("sessions", *(f"{sum(kind):.1f}" for kind in zip(*each, strict=True)), "")
    table.add_row("whole run", *(f"{taken:.1f}" for taken in told["whole"]), "")
    table.add_row("peak memory, GiB", f"{told['peak']:.2f}", "", "")
    return table


if __name__ == "__main__":
    main()
