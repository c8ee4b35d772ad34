"""Runs with a laboratory's record: what they leave there, what comparisons take from it, what people read of it."""

import json
import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from typer.testing import CliRunner

from browser import browser
from heatwake.cli import app
from heatwake.errors import InputError
from heatwake.run import Finished, run_workflow
from heatwake.run.explain import explain_workflow
from heatwake.run.watch import watch_folder
from heatwake.schema.variables import REPEAT_SOURCE
from heatwake.store import record
from lab_takes import drawn_takes
from small_sessions import SPOT_TABLES, write_spot

HOSTILE = "<script>alert(1)</script>"


def workflow(place: Path, name: str, *sessions: str, record: str = 'file = "lab/lab.sqlite"') -> Path:
    path = place / f"{name}.toml"
    table = f"[record]\n{record}\n" if record else ""
    path.write_text(f'title = "Small"\nsessions = {json.dumps(sessions)}\nresults = "{name}"\n{SPOT_TABLES}{table}')
    return path


def run(path: Path) -> Finished:
    *_, last = run_workflow(path, workers=0, pages=False)
    assert isinstance(last, Finished)
    return last


def states(finished: Finished) -> dict[str, str]:
    return {one.name: one.state for one in finished.outcomes}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A laboratory whose record holds two sessions of a run, and three takes of another unit like one of them."""
    place = tmp_path_factory.mktemp("lab")
    for seed, fan in enumerate(("out", "in"), start=4):
        stated = f'fan = "{fan}"\nunit = "SN-2"\n[[events]]\nlabel = "power on"\nelapsed_s = 4\n'
        write_spot(place / fan, seed=seed, count=24, stated=stated)
    assert run(workflow(place, "pair", "out")).exit_code == 0
    file = place / "lab" / "lab.sqlite"
    [like] = [one for one in record.takes(file) if one.session == "out"]
    for number, more in enumerate((0.0, 0.1, -0.1)):
        regions = tuple(replace(region, rise=region.rise + more) for region in like.regions)
        record.enter(
            file, replace(like, recording=f"take {number}", session=f"take{number}", unit="SN-1", regions=regions)
        )
    made = run(workflow(place, "pair", "out", "in"))
    assert states(made) == {"out": "up to date", "in": "done", "comparison": "done"}
    return place


@pytest.fixture
def place(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "lab"))


def contents(place: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in place.rglob("*") if path.suffix in {".nc", ".csv", ".sqlite"}}


def test_each_session_is_entered_with_what_it_found(made):
    takes = {one.session: one for one in record.takes(made / "lab" / "lab.sqlite")}
    assert set(takes) == {"out", "in", "take0", "take1", "take2"}
    one = takes["out"]
    assert (one.unit, one.is_repeat, one.power) == ("SN-2", True, 18.0)
    assert one.kind != takes["in"].kind
    assert one.bench == takes["in"].bench
    [region] = (region for region in one.regions if region.is_known)
    with xr.open_dataset(made / "pair" / "out" / "regions.nc") as regions:
        assert region.rise == pytest.approx(float(regions["steady_rise"].sel(region=region.name)))
        assert one.fingerprint == regions.attrs["fingerprint"]
    assert region.limit == 60
    assert not one.knows_level  # too few clear frames of the cold board to zero it


def test_a_comparison_without_repeats_takes_the_record_s(made):
    with xr.open_dataset(made / "pair" / "comparison.nc") as compared:
        assert REPEAT_SOURCE[int(compared["repeat_source"])] == "record"
        assert int(compared["repeat_record_takes"]) == 3
        assert float(compared["repeat_freedom"]) == 2
        # 0, 0.1 and -0.1 K about a rise of some 8 K
        spread = np.hypot(compared["repeat_constant"], compared["repeat_share"] * 8)
        assert float(spread) == pytest.approx(0.1, rel=0.2)
        assert json.loads(compared.attrs["made_from"])["record"]["takes"] == 3


def test_a_record_is_never_needed_and_may_be_filled_but_not_used(place):
    for stated in ('file = "lab/lab.sqlite"\nuse = false', 'file = "lab/other.sqlite"'):
        *_, told = explain_workflow(workflow(place, "pair", "out", "in", record=stated), pages=False)
        assert told.reasons["comparison.nc"] == ("other takes in the record (3 → 0)",)
    assert not (place / "lab" / "other.sqlite").exists()


def test_what_was_deleted_is_made_again_the_same(place):
    before = contents(place)
    (place / "pair" / "comparison.nc").unlink()
    assert states(run(place / "pair.toml")) == {"out": "up to date", "in": "up to date", "comparison": "done"}
    assert contents(place) == before
    *_, told = explain_workflow(place / "pair.toml", pages=False)
    assert told.to_make == ()


def test_a_damaged_record_ends_a_run_before_it_begins_and_loses_nothing(place):
    file = place / "lab" / "lab.sqlite"
    file.write_bytes(b"not a database" * 100)
    before = contents(place)
    with pytest.raises(InputError, match=r"lab\.sqlite is not readable"):
        run(place / "pair.toml")
    done = CliRunner().invoke(app, ["run", str(place / "pair.toml"), "--workers", "0", "--no-pages"])
    assert done.exit_code == 2
    assert len(done.stderr.strip().splitlines()) == 1
    assert contents(place) == before


def test_a_record_that_others_hold_costs_its_entry_and_no_result(place, monkeypatch):
    file = place / "lab" / "lab.sqlite"
    file.unlink()
    record.enter(file, drawn_takes(np.random.default_rng(1), {"u": 1})[0])
    monkeypatch.setattr(record, "WAIT_S", 0.05)
    other = sqlite3.connect(file, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    alone = workflow(place, "pair", "out")
    held = run(alone)
    other.close()
    assert states(held) == {"out": "up to date", "[record]": "failed"}
    assert held.exit_code == 1
    assert "out and what came after it are not in the record" in next(
        one.reason for one in held.outcomes if one.name == "[record]"
    )
    (place / "in" / "done").touch()
    list(watch_folder(place, alone, settle=0, once=True, pages=False))  # enters what is done, and what is up to date
    assert {one.session for one in record.takes(file)} >= {"out", "in"}


# What people read of it.
def invoke(*arguments: str):
    return CliRunner().invoke(app, ["record", *arguments])


def test_show_lists_kinds_with_pooled_values(made):
    file = str(made / "lab" / "lab.sqlite")
    shown = invoke("show", file)
    assert shown.exit_code == 0
    assert "fan out" in shown.stdout
    kinds = json.loads(invoke("show", file, "--json").stdout)
    assert [(kind["takes"], kind["freedom"], kind["units"]) for kind in kinds] == [
        (4, 2.0, ["SN-1", "SN-2"]),  # three takes of SN-1, one of SN-2
        (1, 0.0, ["SN-2"]),
    ]
    assert kinds[0]["constant"] + kinds[0]["share"] > 0
    assert json.loads(invoke("show", str(made / "pair.toml"), "--json").stdout) == kinds


def test_export_is_tidy(made, tmp_path):
    table = tmp_path / "takes.csv"
    assert invoke("export", str(made / "lab" / "lab.sqlite"), "--output", str(table)).exit_code == 0
    rows = pd.read_csv(table)
    assert not rows.duplicated(["session", "region", "quantity"]).any()
    assert {"item", "kind", "quantity", "unit", "value", "uncertainty"} <= set(rows)
    assert set(rows["session"]) == {"take0", "take1", "take2", "out", "in"}


def test_compare_judges_a_unit_and_says_by_what(tmp_path):
    file = tmp_path / "lab.sqlite"
    units = {f"good{n}": 2 for n in range(4)} | {"[red]<b>": 2}
    for one in drawn_takes(np.random.default_rng(5), units, units_differ=0.005, faults={"[red]<b>": {"Q2": 9.0}}):
        record.enter(file, one)
    good = [word for n in range(4) for word in ("--good", f"good{n}")]
    told = invoke("compare", str(file), "--unit", "[red]<b>", *good)
    assert told.exit_code == 1
    assert "outside: Q2" in told.stdout
    assert "[red]<b>: fan in" in told.stdout
    assert "5 in 100" in told.stdout
    [found] = json.loads(invoke("compare", str(file), *good, "--json", "--tolerance", "--rate", "0.2").stdout)
    assert found["outside"] == ["Q2"]
    assert found["parts"][0]["difference"] == pytest.approx(9.0, abs=1.0)
    assert invoke("compare", str(file), "--unit", "good0", *good).exit_code == 0


def test_pages_are_whole_escaped_and_the_same_again(tmp_path):
    file = tmp_path / "lab.sqlite"
    takes = drawn_takes(np.random.default_rng(4), {"good": 8, HOSTILE: 1}, faults={HOSTILE: {"Q2": 9.0}})
    for day, one in enumerate(takes):
        regions = (replace(one.regions[0], name=f"$Q${HOSTILE}"), *one.regions[1:])
        record.enter(file, replace(one, recorded=f"2026-03-{day + 1:02d}T09:30:00", regions=regions))
    pages = [tmp_path / name for name in ("unit.html", "again.html", "takes.html")]
    told = [invoke("compare", str(file), "--good", "good", "--output", str(page)) for page in pages[:2]]
    assert [one.exit_code for one in told] == [1, 1]
    assert f"page: {pages[0]}" in told[0].stdout
    assert pages[0].read_bytes() == pages[1].read_bytes()
    assert invoke("show", str(file), "--output", str(pages[2])).exit_code == 0
    assert not any("<script>alert" in page.read_text() for page in pages)
    for said in ("What to do next", "5 in 100", "Cautions", "outside", "fan in"):
        assert said in pages[0].read_text()
    assert "8 takes from 2026-03-01 to 2026-03-08" in pages[2].read_text()
    with browser() as tab:
        for page in (pages[0], pages[2]):
            tab.open(page, width=400)
            assert tab.run("document.querySelectorAll('figure svg').length") >= 2
            assert tab.run("document.documentElement.scrollWidth") <= 400
        assert tab.problems == []
        assert all(one.startswith("file:") for one in tab.requests)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["show", "none.sqlite"], "missing"),
        (["compare", "{lab}", "--unit", "SN-2"], "must name a known good unit"),
        (["compare", "{lab}", "--unit", "SN-9", "--good", "SN-1"], "must be one of SN-1, SN-2"),
        (["compare", "{lab}", "--unit", "SN-1", "--good", "SN-1"], "must hold takes of both"),
        (["compare", "{lab}", "--good", "SN-1", "--rate", "2"], "must lie between 0 and 0.5"),
        (["show", "{plain}"], "must name the record's file"),
    ],
)
def test_what_cannot_be_told_is_one_line(made, arguments, said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    plain = workflow(tmp_path, "plain", "x", record="")
    done = invoke(*(one.format(lab=made / "lab" / "lab.sqlite", plain=plain) for one in arguments))
    assert done.exit_code == 2
    assert said in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
