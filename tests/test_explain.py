"""What would run and why: in words that hold, and the same as what a run then makes."""

import dataclasses
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import Result
from typer.testing import CliRunner

from conftest import small_frames
from heatwake.cli import app
from heatwake.errors import InputError
from heatwake.report import outputs
from heatwake.run import Finished, run_workflow
from heatwake.run import fingerprints as marks
from heatwake.run.changes import changes
from heatwake.run.explain import Explained, explain_workflow
from heatwake.run.sessions import TABLES
from heatwake.stages.table import PRODUCTS
from heatwake.store import results
from small_sessions import SPOT_TABLES, write_spot

WORKFLOW = f"""
title = "Small"
sessions = ["one", "two"]
results = "results"
reference = "one"
{SPOT_TABLES}"""
OUT = 'fan = "out"\n'


@pytest.fixture(scope="module")
def base(tmp_path_factory) -> Path:
    """Two sessions, and their results without pages."""
    folder = tmp_path_factory.mktemp("base")
    for seed, name in enumerate(("one", "two")):
        write_spot(folder / name, seed=seed, stated=OUT)
    (folder / "workflow.toml").write_text(WORKFLOW)
    assert run(folder / "workflow.toml").exit_code == 0
    return folder


@pytest.fixture
def place(base, tmp_path) -> Path:
    """A copy to change."""
    shutil.copytree(base, tmp_path / "copy")
    return tmp_path / "copy"


def run(path: Path, *, pages: bool = False) -> Finished:
    *_, last = run_workflow(path, workers=0, pages=pages)
    assert isinstance(last, Finished)
    return last


def explained(folder: Path, *, pages: bool = False) -> dict[str, Explained]:
    return {one.name: one for one in explain_workflow(folder / "workflow.toml", pages=pages)}


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def standing(root: Path) -> dict[str, tuple[int, int]]:
    """Every result and which file it is: whoever writes one makes a new file of it."""
    files = [path for path in root.rglob("*.*") if path.suffix in {".nc", ".csv", ".html", ".mp4"}]
    return {path.relative_to(root).as_posix(): (path.stat().st_ino, path.stat().st_mtime_ns) for path in files}


def named(found: dict[str, Explained]) -> set[str]:
    return {file if name == "comparison" else f"{name}/{file}" for name, one in found.items() for file in one.to_make}


def test_what_stands_is_up_to_date(place):
    found = explained(place)
    assert [(one.name, one.to_make, one.problem) for one in found.values()] == [
        (name, (), "") for name in ("one", "two", "comparison")
    ]


def test_nothing_is_written_and_nothing_run(place):
    shutil.rmtree(place / "results" / "one")
    edit(place / "workflow.toml", "quiet_s = 3.0", "quiet_s = 4")
    before = {path: path.stat().st_mtime_ns for path in place.rglob("*")}
    explained(place)
    assert {path: path.stat().st_mtime_ns for path in place.rglob("*")} == before


def test_a_session_without_results_is_not_read(place, monkeypatch):
    shutil.rmtree(place / "results")
    monkeypatch.setattr("heatwake.store.session._digest", None)
    found = explained(place)
    assert set(found["one"].reasons.values()) == {("missing",)}
    assert len(found["one"].to_make) == len(PRODUCTS) + len(TABLES)


def test_a_changed_setting_is_named_with_both_values_and_what_depends_on_it(place):
    edit(place / "workflow.toml", "quiet_s = 3.0", "quiet_s = 4.50")
    reasons = explained(place)["one"].reasons
    assert reasons["registration.nc"] == ()
    assert reasons["rise.nc"] == ("baseline.quiet_s 3 → 4.5",)
    for file in ("regions.nc", "spread.nc", "flow.nc"):
        assert reasons[file] == ("depends on rise.nc",)
    assert reasons["summary.csv"] == ("depends on spread.nc",)


@pytest.mark.parametrize(
    ("table", "session_file", "reason"),
    [
        ("[temperature]\nemissivity_uncertainty = 0.05\n", "rise.nc", "temperature.emissivity_uncertainty 0.02 → 0.05"),
        ("[spread]\n", "spread.nc", None),  # a default that is written out changes nothing
        ("[flow]\nboard_floor = 25\n", "flow.nc", "flow.board_floor 6.5 → 25"),
    ],
)
def test_settings_are_named_as_the_file_names_them(place, table, session_file, reason):
    with (place / "workflow.toml").open("a") as file:
        file.write(table)
    found = explained(place)
    assert found["two"].reasons[session_file] == ((reason,) if reason else ())
    if reason:  # the comparison takes these settings over; it says so once
        assert found["comparison"].reasons["comparison.nc"] == (
            "one: session changed",
            "two: session changed",
            reason,
        )


def test_the_cadence_is_named_as_the_file_names_it(place):
    edit(place / "workflow.toml", "analysis_s = 1.0", "analysis_s = 2")
    assert explained(place)["one"].reasons["rise.nc"] == ("cadence.analysis_s 1 → 2",)


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ("transmittance = 0.89", "transmittance = 0.9", "film.transmittance 0.89 → 0.9"),
        ("transmittance = 0.89", "transmittance = 0.89\nreflectance = 0.08", "film.reflectance not given → 0.08"),
        ("[film]\ntransmittance = 0.89\n", "", "film: no longer given"),
        ("width_mm = 8", "width_mm = 9", "regions[Q1].width_mm 8 → 9"),
        ('name = "Q1"', 'name = "Q2"', "regions[Q2]: new"),
        ('fan = "out"', 'fan = "in"', 'conditions.fan "out" → "in"'),
        ("power_W = 18", "power_W = 18.5", "conditions.power_W 18 → 18.5"),
        ("[ambient]", '[[events]]\nelapsed_s = 4\nlabel = "on"\n[ambient]', "events[1]: new"),
    ],
)
def test_a_changed_description_is_named(place, old, new, reason):
    edit(place / "one" / "session.toml", old, new)
    found = explained(place)
    assert reason in found["one"].reasons["registration.nc"]
    assert found["one"].reasons["rise.nc"] == ("depends on registration.nc",)
    assert found["two"].to_make == ()
    assert found["comparison"].reasons["comparison.nc"] == ("one: session changed",)


def test_changed_inputs_are_named(place):
    with (place / "one" / "ambient.csv").open("a") as file:
        file.write("13,23.3\n")
    assert explained(place)["one"].reasons["registration.nc"] == ("ambient.log: other content",)
    tifffile.imwrite(place / "one" / "frames.tif", small_frames(seed=9), photometric="minisblack")
    edit(place / "one" / "session.toml", 'log = "ambient.csv"', "degC = 23.0")
    assert explained(place)["one"].reasons["registration.nc"] == (
        "frames: other content",
        "ambient.log: no longer given",
        "ambient.degC not given → 23",
    )


def raise_version(monkeypatch, stage: str) -> None:
    """A later heatwake, whose stage of this name makes other results."""
    later = tuple(
        dataclasses.replace(
            product,
            stages=tuple(
                dataclasses.replace(one, version=one.version + 1) if one.name == stage else one
                for one in product.stages
            ),
        )
        for product in PRODUCTS
    )
    monkeypatch.setattr(marks, "PRODUCTS", later)


def test_a_stage_of_another_version_is_named(place, monkeypatch):
    version = next(stage.version for product in PRODUCTS for stage in product.stages if stage.name == "regions")
    raise_version(monkeypatch, "regions")
    reasons = explained(place)["one"].reasons
    assert reasons["rise.nc"] == ()
    assert reasons["regions.nc"] == (f"regions version {version} → {version + 1}",)
    assert reasons["flow.nc"] == ("depends on regions.nc",)


@pytest.mark.parametrize("length", [0, 10, 4000])
def test_a_damaged_file_is_named(place, length):
    path = place / "results" / "one" / "regions.nc"
    path.write_bytes(path.read_bytes()[:length])
    assert explained(place)["one"].reasons["regions.nc"] == ("damaged",)


def test_each_missing_or_damaged_file_says_so_of_itself(place):
    for name in ("registration.nc", "spread.nc"):
        (place / "results" / "one" / name).unlink()
    for name in ("rise.nc", "flow.nc"):
        (place / "results" / "one" / name).write_bytes(b"")
    assert explained(place)["one"].reasons == {
        "registration.nc": ("missing",),
        "rise.nc": ("damaged",),
        "regions.nc": (),
        "spread.nc": ("missing",),
        "flow.nc": ("damaged",),
        "summary.csv": (),
        "budget.csv": (),
        "transients.csv": (),
        "lineage.csv": (),
        "next.csv": (),
        "findings.csv": (),
    }


def test_bad_sessions_say_their_line_and_block_the_comparison(place):
    edit(place / "one" / "session.toml", "0.89", "1.3")
    found = explained(place)
    assert found["one"].problem == f"{place}/one/session.toml: film.transmittance is 1.3, must lie in (0, 1]"
    assert found["comparison"].problem == (
        "comparison is blocked, must have the reference one and another session complete"
    )
    assert found["two"].to_make == ()


def test_a_bad_workflow_is_an_error(place):
    edit(place / "workflow.toml", "quiet_s", "quiet")
    with pytest.raises(InputError, match=r"baseline\.quiet is an unknown key, did you mean quiet_s\?"):
        explained(place)


def test_where_sessions_and_results_lie_does_not_count(place, tmp_path):
    shutil.copytree(place, tmp_path / "elsewhere")
    (tmp_path / "elsewhere" / "one" / "frames.tif").rename(tmp_path / "elsewhere" / "one" / "film.tif")
    edit(tmp_path / "elsewhere" / "one" / "session.toml", "frames.tif", "film.tif")
    assert named(explained(tmp_path / "elsewhere")) == set()


def test_how_a_number_is_written_does_not_count(place):
    edit(place / "one" / "session.toml", "power_W = 18", "power_W = 18.0")
    assert named(explained(place)) == set()


def test_results_carry_what_they_were_made_from_without_paths(place):
    for name in ("one/registration.nc", "one/rise.nc", "two/flow.nc", "comparison.nc"):
        note = json.loads(results.read_origin(place / "results" / name)["made_from"])
        assert note["stages"]
        text = json.dumps(note)
        assert not any(word in text for word in (str(place), "frames.tif", "ambient.csv", "session.toml", "Small"))
    note = json.loads(results.read_origin(place / "results" / "one" / "flow.nc")["made_from"])
    assert set(note["inputs"]) == {"frames", "ambient.log"}
    assert note["stages"]["baseline"]["settings"] == {"quiet_s": 3}
    assert note["description"]["film"]["transmittance"] == 0.89


def test_a_setting_that_comes_from_another_table_is_refused_there(place):
    with (place / "workflow.toml").open("a") as file:
        file.write("[board]\nanalysis_s = 2.0\n")
    with pytest.raises(InputError, match=r"board\.analysis_s is given, must be left out: it comes from \[cadence\]"):
        explained(place)


def command(place: Path) -> Result:
    return CliRunner().invoke(app, ["explain", str(place / "workflow.toml"), "--no-pages"])


def test_the_command_says_it_in_lines(place):
    done = command(place)
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout == "one: up to date\ntwo: up to date\ncomparison: up to date\nNothing would be made.\n"
    edit(place / "workflow.toml", "quiet_s = 3.0", "quiet_s = 4.5")
    shutil.rmtree(place / "results" / "one")
    assert command(place).stdout.splitlines() == [
        "one: all 11 files would be made, for none is there",
        "two: 10 of 11 files would be made",
        "  registration.nc   up to date",
        "  rise.nc           baseline.quiet_s 3 → 4.5",
        "  regions.nc        depends on rise.nc",
        "  flow.nc           depends on rise.nc",
        "  spread.nc         depends on rise.nc",
        "  summary.csv       depends on spread.nc",
        "  budget.csv        depends on spread.nc",
        "  transients.csv    depends on spread.nc",
        "  lineage.csv       depends on spread.nc",
        "  next.csv          depends on spread.nc",
        "  findings.csv      depends on spread.nc",
        "comparison: 4 of 4 files would be made",
        "  comparison.nc     one: session changed; two: session changed",
        "  comparison.csv    depends on comparison.nc",
        "  differences.csv   depends on comparison.nc",
        "  next.csv          depends on comparison.nc",
        "25 files would be made.",
    ]


def test_the_command_ends_with_0_for_a_bad_session_and_with_2_for_a_bad_workflow(place):
    edit(place / "two" / "session.toml", "0.89", "1.3")
    done = command(place)
    assert done.exit_code == 0
    assert (
        f"two: cannot be done: {place}/two/session.toml: film.transmittance is 1.3, must lie in (0, 1]" in done.stdout
    )
    edit(place / "workflow.toml", "quiet_s", "quiet")
    done = command(place)
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr.startswith("heatwake: ")
    assert done.stderr.count("\n") == 1


def test_changes_of_equal_content_are_none():
    content = {"inputs": {"frames": "a"}, "description": {"film": None}, "stages": {"flow": {"version": 1}}}
    assert changes(content, content) == []


@pytest.mark.parametrize("note", [{}, {"inputs": 3, "description": [1], "stages": None}])
def test_damaged_notes_still_get_words(note):
    found = changes(note, {"inputs": {"frames": "a"}, "description": {}, "stages": {"flow": {"version": 1}}})
    assert found == ["frames: new", "stage flow: new"]


# One property over all of it: what is named is what a run then makes anew.
def added(folder: Path) -> None:
    write_spot(folder / "three", seed=3, stated=OUT)
    edit(folder / "workflow.toml", '["one", "two"]', '["one", "two", "three"]')


def other_frames(folder: Path) -> None:
    tifffile.imwrite(folder / "two" / "frames.tif", small_frames(seed=7), photometric="minisblack")


def append(file: str, text: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        with (folder / file).open("a") as stream:
            stream.write(text)

    return change


def replace(file: str, old: str, new: str) -> Callable[[Path], None]:
    return lambda folder: edit(folder / file, old, new)


def without(file: str) -> Callable[[Path], None]:
    return lambda folder: (folder / "results" / file).unlink()


def cut(file: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        path = folder / "results" / file
        if path.is_file():
            path.write_bytes(path.read_bytes()[:3000])

    return change


CHANGES: dict[str, Callable[[Path], None]] = {
    "registration missing": without("one/registration.nc"),
    "rise missing": without("two/rise.nc"),
    "table missing": without("one/summary.csv"),
    "budget missing": without("one/budget.csv"),
    "notes missing": without("two/.made.json"),
    "comparison missing": without("comparison.nc"),
    "comparison's table missing": without("comparison.csv"),
    "differences missing": without("differences.csv"),
    "regions damaged": cut("two/regions.nc"),
    "comparison damaged": cut("comparison.nc"),
    "quiet time": replace("workflow.toml", "quiet_s = 3.0", "quiet_s = 4.0"),
    "temperature": append("workflow.toml", "[temperature]\nambient_uncertainty_K = 0.3\n"),
    "comparison's own": append("workflow.toml", "[comparison]\nplacement_px = 0.6\n"),
    "reference": replace("workflow.toml", 'reference = "one"', 'reference = "two"'),
    "workflow's title": replace("workflow.toml", "Small", "Smaller"),
    "session's title": replace("two/session.toml", "Small board", "Smaller board"),
    "transmittance": replace("one/session.toml", "0.89", "0.9"),
    "conditions": replace("two/session.toml", '"out"', '"in"'),
    "frames": other_frames,
    "new session": added,
}


def check_agreement(folder: Path, *, pages: bool = False) -> None:
    found = named(explained(folder, pages=pages))
    before = standing(folder / "results")
    run(folder / "workflow.toml", pages=pages)
    after = standing(folder / "results")
    assert found == {file for file, what in after.items() if before.get(file) != what}
    assert named(explained(folder, pages=pages)) == set()


@pytest.mark.parametrize(
    "name", [name for name in CHANGES if "missing" in name or "damaged" in name or "title" in name]
)
def test_what_is_named_is_what_a_run_makes(place, name):
    CHANGES[name](place)
    check_agreement(place)


SHUFFLED = [str(name) for name in np.random.default_rng(3).permutation(sorted(CHANGES))]


@pytest.mark.parametrize("names", [SHUFFLED[start::3] for start in range(3)], ids=" & ".join)
def test_what_is_named_is_what_a_run_makes_of_several_changes(place, names):
    for name in sorted(names, key=list(CHANGES).index):
        CHANGES[name](place)
    check_agreement(place)


@pytest.fixture
def quick_pages(monkeypatch):
    """Pages without content, for which files are written is all that counts here."""
    monkeypatch.setattr(outputs, "session_page", lambda *_, **__: "a page")
    monkeypatch.setattr(outputs, "comparison_page", lambda *_, **__: "a page")
    monkeypatch.setattr("heatwake.run.sessions.write_movie", lambda path, *_, **__: results.write_text(path, "a movie"))


@pytest.mark.usefixtures("quick_pages")
def test_pages_are_named_as_a_run_makes_them(place):
    check_agreement(place, pages=True)  # from tables alone to pages too
    (place / "results" / "one" / "airflow.mp4").unlink()
    reasons = explained(place, pages=True)["one"].reasons
    assert reasons["airflow.mp4"] == ("missing",)
    assert reasons["report.html"] == ("made together with airflow.mp4",)
    edit(place / "two" / "session.toml", "Small board", "Another")
    assert explained(place, pages=True)["two"].reasons["report.html"] == ('title "Small board" → "Another"',)
    check_agreement(place, pages=True)
    with (place / "two" / "session.toml").open("a") as file:
        file.write('[report]\noperator = "N. N."\n')  # stands on the comparison's page as well
    reasons = explained(place, pages=True)["comparison"].reasons
    assert reasons["comparison.html"] == ("report: new",)
    check_agreement(place, pages=True)


def test_a_later_stage_makes_what_is_named(place, monkeypatch):
    raise_version(monkeypatch, "baseline")
    check_agreement(place)
