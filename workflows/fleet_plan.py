"""Workers, storage and hours for a fleet of cameras, from measured rates: ``python workflows/fleet_plan.py``.

``--journal results/NAME/run.json`` takes seconds and memory of a recording from a run; ``--set measured.tasks=40``
changes any number of ``fleet_plan.toml``. The arithmetic is told in ``fleet.md``.
"""

import argparse
import json
import math
import statistics
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
SYSTEM = 2.0  # [GB] of a machine's memory that is not for workers
Rates = dict[str, dict[str, Any]]


@dataclass(frozen=True)
class Limit:
    """One thing that may run out.

    Attributes
    ----------
    name : str
    used, available : float
        In ``unit``.
    advice : str
        What helps.
    """

    name: str
    used: float
    available: float
    unit: str
    advice: str

    @property
    def load(self) -> float:
        """Share in use."""
        return self.used / self.available


@dataclass(frozen=True)
class Plan:
    """What a fleet needs.

    Attributes
    ----------
    workers, machines : int
    worker_hours_per_day : float
    recordings_terabytes_per_day, results_terabytes_per_day, kept_terabytes : float
    read_megabytes_per_s, write_megabytes_per_s : float
        From and to shared storage, averaged over the working hours.
    limits : tuple of Limit
        Nearest to its end first.
    """

    workers: int
    machines: int
    worker_hours_per_day: float
    recordings_terabytes_per_day: float
    results_terabytes_per_day: float
    kept_terabytes: float
    read_megabytes_per_s: float
    write_megabytes_per_s: float
    limits: tuple[Limit, ...]


def plan(rates: Rates) -> Plan:
    """Return what a fleet needs; ``rates`` as in ``fleet_plan.toml``."""
    fleet, recording, measured, storage = (rates[name] for name in ("fleet", "recording", "measured", "storage"))
    count = fleet["recordings_per_day"]
    seconds = fleet["hours_per_day"] * 3600
    needed = count * measured["worker_seconds"] / (seconds * fleet["busy"])
    workers = math.ceil(needed)
    there = rates["machine"]["count"] * workers_per_machine(rates)
    recordings_day = count * recording["megabytes"] / 1e6
    results_day = count * measured["result_megabytes"] / 1e6
    kept = recordings_day * fleet["keep_recordings_days"] + results_day * fleet["keep_results_days"]
    read = count * recording["megabytes"] * recording["reads"] / seconds
    write = count * measured["result_megabytes"] / seconds
    files = count * (recording["files"] + measured["result_files"]) / seconds
    network = rates["machine"]["count"] * rates["machine"]["network_megabytes_per_s"]
    tasks = count * measured["tasks"] / seconds
    runner = count * measured["runner_seconds"] / seconds
    limits = (
        Limit("reading from storage", read, storage["read_megabytes_per_s"], "MB/s", READING),
        Limit("room on storage", kept, storage["capacity_terabytes"], "TB", ROOM),
        Limit("files a second on storage", files, storage["files_per_s"], "files/s", FILES),
        Limit("network of the machines", read + write, network, "MB/s", NETWORK),
        Limit("scheduler", tasks, rates["scheduler"]["tasks_per_s"], "tasks/s", SCHEDULER),
        Limit("runner", runner, 1.0, "process", RUNNER),
        Limit("workers", needed, there, "workers", WORKERS),
    )
    return Plan(
        workers=workers,
        machines=math.ceil(workers / workers_per_machine(rates)),
        worker_hours_per_day=count * measured["worker_seconds"] / 3600,
        recordings_terabytes_per_day=recordings_day,
        results_terabytes_per_day=results_day,
        kept_terabytes=kept,
        read_megabytes_per_s=read,
        write_megabytes_per_s=write,
        limits=tuple(sorted(limits, key=lambda limit: limit.load, reverse=True)),
    )


READING = "stripe over more servers, or copy a recording to its machine once: reads then fall to 1"
ROOM = "keep recordings for fewer days, or results without pages"
FILES = "one file a recording (TIFF stack), not one a frame"
NETWORK = "a machine's own disk for the recording that it works on"
SCHEDULER = "a worker a recording, not blocks over workers; several workflows with a scheduler each"
RUNNER = "several workflows side by side: a workflow's comparison is made by one process"
WORKERS = "add machines: work grows in proportion to recordings, frames and pixels"


def workers_per_machine(rates: Rates) -> int:
    """Return how many workers fit a machine by cores and by memory; at least one."""
    machine, measured = rates["machine"], rates["measured"]
    by_cores = machine["cores"] // measured["worker_threads"]
    by_memory = int((machine["memory_gigabytes"] - SYSTEM) * 1e3 / measured["worker_megabytes"])
    return max(1, min(by_cores, by_memory))


def rates_of_run(journal: dict[str, Any]) -> dict[str, float]:
    """Return seconds and memory of a recording from ``run.json``: the median and the largest of what was done in full.

    Raises
    ------
    ValueError
        Nothing was: a run that was up to date tells no rate.
    """
    rows = [
        row for row in journal["outcomes"] if row["state"] == "done" and "registration.nc" in row.get("products", {})
    ]
    if not rows:
        raise ValueError("no session of this run was done from its beginning: no rate can be taken from it")
    seconds = statistics.median(sum(row["products"].values()) for row in rows)
    found = {"worker_seconds": seconds, "worker_megabytes": max(row["peak_mb"] for row in rows)}
    compared = [row["seconds"] for row in journal["outcomes"] if row["name"] == "comparison" and row["state"] == "done"]
    return found | ({"runner_seconds": compared[0] / len(rows)} if compared else {})


def page(rates: Rates, made: Plan) -> str:
    """Return the plan as text."""
    count, hours = rates["fleet"]["recordings_per_day"], rates["fleet"]["hours_per_day"]
    first, second = made.limits[:2]
    lines = [
        f"{count:,.0f} recordings a day, done in {hours:g} hours",
        f"  workers           {made.workers} ({made.worker_hours_per_day:,.0f} worker-hours a day)",
        f"  machines          {made.machines}, up to {workers_per_machine(rates)} workers each",
        f"  recordings        {made.recordings_terabytes_per_day:.2f} TB a day",
        f"  results           {made.results_terabytes_per_day:.2f} TB a day",
        f"  kept              {made.kept_terabytes:,.0f} TB",
        f"  read              {made.read_megabytes_per_s:,.0f} MB/s, written {made.write_megabytes_per_s:,.0f} MB/s",
        "",
        "what is in use of what there is",
        *(
            f"  {limit.load:7.1%}  {limit.name}: {limit.used:,.1f} of {limit.available:,.1f} {limit.unit}"
            for limit in made.limits
        ),
        "",
        f"bottleneck: {first.name}, full at {count / first.load:,.0f} recordings a day. {first.advice}.",
        f"then: {second.name}, at {count / second.load:,.0f}. {second.advice}.",
    ]
    return "\n".join(lines) + "\n"


def change(rates: Rates, settings: list[str]) -> None:
    """Apply ``table.key=number`` to rates.

    Raises
    ------
    ValueError
        There is no such number.
    """
    for setting in settings:
        place, _, value = setting.partition("=")
        table, _, key = place.partition(".")
        if key not in rates.get(table, {}):
            raise ValueError(f"{place}: no such number in fleet_plan.toml")
        rates[table][key] = float(value)


def main(arguments: list[str]) -> None:
    """Print the plan."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rates", type=Path, default=HERE / "fleet_plan.toml", help="another file of rates")
    parser.add_argument("--journal", type=Path, help="run.json of a run with recordings like the fleet's")
    parser.add_argument("--set", action="append", default=[], metavar="TABLE.KEY=NUMBER")
    options = parser.parse_args(arguments)
    try:
        rates = tomllib.loads(options.rates.read_text(encoding="utf-8"))
        if options.journal is not None:
            rates["measured"] |= rates_of_run(json.loads(options.journal.read_text(encoding="utf-8")))
        change(rates, options.set)
    except (OSError, ValueError) as error:
        parser.error(str(error))
    sys.stdout.write(page(rates, plan(rates)))


if __name__ == "__main__":
    main(sys.argv[1:])
