"""The planning page's arithmetic, against numbers worked by hand."""

import copy
import importlib.util
import json
import subprocess
import sys
import tomllib

import pytest

from conftest import ROOT

SCRIPT = ROOT / "workflows" / "fleet_plan.py"
RATES = {
    "fleet": {
        "recordings_per_day": 10000,
        "hours_per_day": 20.0,
        "busy": 0.8,
        "keep_recordings_days": 30,
        "keep_results_days": 100,
    },
    "recording": {"megabytes": 1000.0, "files": 5, "reads": 3.0},
    "measured": {
        "worker_seconds": 90.0,
        "worker_threads": 2,
        "worker_megabytes": 1200.0,
        "result_megabytes": 50.0,
        "result_files": 7,
        "tasks": 1,
        "runner_seconds": 0.72,
    },
    "machine": {"count": 2, "cores": 16, "memory_gigabytes": 64.0, "network_megabytes_per_s": 1250.0},
    "storage": {"read_megabytes_per_s": 1000.0, "capacity_terabytes": 700.0, "files_per_s": 1000.0},
    "scheduler": {"tasks_per_s": 500.0},
}


@pytest.fixture(scope="module")
def fleet_plan():
    specification = importlib.util.spec_from_file_location("fleet_plan", SCRIPT)
    module = importlib.util.module_from_spec(specification)
    sys.modules["fleet_plan"] = module  # its dataclasses look themselves up by module
    specification.loader.exec_module(module)
    return module


def test_a_plan_is_what_it_is_by_hand(fleet_plan):
    made = fleet_plan.plan(RATES)
    # 10,000 x 90 s = 900,000 s = 250 h; 20 h x 3600 x 0.8 = 57,600 s a worker and day; 900,000 / 57,600 = 15.625
    assert made.worker_hours_per_day == pytest.approx(250)
    assert made.workers == 16
    # 16 cores / 2 threads = 8 by cores; (64 - 2) GB / 1.2 GB = 51 by memory; 16 / 8 = 2 machines
    assert fleet_plan.workers_per_machine(RATES) == 8
    assert made.machines == 2
    # 10,000 x 1 GB = 10 TB; 10,000 x 50 MB = 0.5 TB; 10 x 30 + 0.5 x 100 = 350 TB
    assert made.recordings_terabytes_per_day == pytest.approx(10)
    assert made.results_terabytes_per_day == pytest.approx(0.5)
    assert made.kept_terabytes == pytest.approx(350)
    # 30,000,000 MB in 72,000 s; 500,000 MB in 72,000 s
    assert made.read_megabytes_per_s == pytest.approx(416.667, abs=0.001)
    assert made.write_megabytes_per_s == pytest.approx(6.944, abs=0.001)


def test_bottlenecks_come_in_order_of_their_load(fleet_plan):
    loads = {limit.name: limit.load for limit in fleet_plan.plan(RATES).limits}
    assert loads == pytest.approx(
        {
            "workers": 15.625 / 16,
            "room on storage": 350 / 700,
            "reading from storage": 416.667 / 1000,
            "network of the machines": (416.667 + 6.944) / 2500,
            "runner": 0.1,  # 7,200 s of 72,000 s
            "files a second on storage": 120000 / 72000 / 1000,
            "scheduler": 10000 / 72000 / 500,
        },
        rel=1e-4,
    )
    assert list(loads) == sorted(loads, key=loads.get, reverse=True)


def test_memory_can_decide_how_many_workers_fit(fleet_plan):
    rates = copy.deepcopy(RATES)
    rates["machine"]["memory_gigabytes"] = 8.0
    assert fleet_plan.workers_per_machine(rates) == 5  # 6 GB / 1.2 GB
    assert fleet_plan.plan(rates).machines == 4  # 16 / 5, rounded up


def test_the_page_names_the_bottleneck_and_when_it_is_full(fleet_plan):
    text = fleet_plan.page(RATES, fleet_plan.plan(RATES))
    assert "bottleneck: workers, full at 10,240 recordings a day." in text  # 10,000 x 16 / 15.625
    assert "then: room on storage, at 20,000." in text


def test_rates_are_taken_from_a_run_s_journal(fleet_plan):
    made = [
        {"name": "a", "state": "done", "products": {"registration.nc": 4.0, "rise.nc": 2.0}, "peak_mb": 700},
        {"name": "b", "state": "done", "products": {"registration.nc": 6.0, "rise.nc": 4.0}, "peak_mb": 800},
        {"name": "c", "state": "up to date", "peak_mb": 900},
        {"name": "comparison", "state": "done", "seconds": 3.0},
    ]
    found = fleet_plan.rates_of_run({"outcomes": made})
    assert found == {"worker_seconds": 8.0, "worker_megabytes": 800, "runner_seconds": 1.5}
    with pytest.raises(ValueError, match="no rate can be taken from it"):
        fleet_plan.rates_of_run({"outcomes": made[2:]})


def test_the_script_runs_with_the_shipped_rates_and_with_others(fleet_plan, tmp_path):
    rates = tomllib.loads((ROOT / "workflows" / "fleet_plan.toml").read_text())
    assert set(rates) == set(RATES)
    assert {table: set(numbers) for table, numbers in rates.items()} == {t: set(n) for t, n in RATES.items()}
    journal = {"outcomes": [{"name": "a", "state": "done", "products": {"registration.nc": 57.6}, "peak_mb": 1000.0}]}
    (tmp_path / "run.json").write_text(json.dumps(journal))
    options = ["--journal", tmp_path / "run.json", "--set", "fleet.recordings_per_day=1000", "--set", "fleet.busy=1"]
    done = subprocess.run([sys.executable, SCRIPT, *options], capture_output=True, text=True, check=True)
    # 1,000 x 57.6 s = 57,600 s of 72,000 s: one worker
    assert "workers           1 (16 worker-hours a day)" in done.stdout
    wrong = subprocess.run([sys.executable, SCRIPT, "--set", "fleet.x=1"], capture_output=True, text=True, check=False)
    assert wrong.returncode == 2
    assert wrong.stderr.splitlines()[-1].endswith("fleet.x: no such number in fleet_plan.toml")
