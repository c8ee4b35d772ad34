"""What heatwake never does, and what a session or workflow can never make it do."""

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import tifffile
from typer.testing import CliRunner

from conftest import ROOT, small_frames
from heatwake.cli import app
from heatwake.errors import InputError
from heatwake.report import outputs
from heatwake.report.page import session_page
from heatwake.run import Outcome, run_workflow
from heatwake.run.workflows import read_workflow, session_folders
from heatwake.store import tables
from heatwake.store import toml as toml_store
from heatwake.store.frames import open_recording
from heatwake.store.session import open_session
from heatwake.store.tables import read_table
from heatwake.store.toml import read_toml
from report import charger_results

PACKAGE = ROOT / "pipeline" / "heatwake"
MODULES = sorted(PACKAGE.rglob("*.py"))

# Modules that run what they are given, reach the network, or start programs.
FORBIDDEN_MODULES = {
    *("pickle", "cPickle", "_pickle", "dill", "cloudpickle", "marshal", "shelve", "joblib", "yaml", "ruamel"),
    *(
        "socket",
        "socketserver",
        "ssl",
        "http",
        "urllib",
        "urllib3",
        "requests",
        "httpx",
        "aiohttp",
        "ftplib",
        "smtplib",
    ),
    *(
        "telnetlib",
        "xmlrpc",
        "webbrowser",
        "paramiko",
        "fsspec",
        "subprocess",
        "pty",
        "ctypes",
        "cffi",
        "code",
        "runpy",
    ),
}
FORBIDDEN_NAMES = {"eval", "exec", "compile", "__import__", "breakpoint", "execfile"}
FORBIDDEN_CALLS = {
    *("os.system", "os.popen", "os.fork", "pd.read_pickle", "np.fromregex", "os.startfile", "importlib.import_module"),
    *("pd.eval", "tempfile.mktemp", "os.chmod", "os.chown"),
}
FORBIDDEN_METHODS = {"to_pickle", "read_pickle", "dump_pickle", "query", "urlopen", "urlretrieve"}


def dotted(node: ast.expr) -> str:
    if isinstance(node, ast.Attribute):
        return f"{dotted(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else ""


def imported(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Import):
        yield from (alias.name.split(".")[0] for alias in node.names)
    elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
        yield node.module.split(".")[0]


def dangers(source: str) -> list[str]:
    """Return every use in a module of what is forbidden."""
    found = []
    for node in ast.walk(ast.parse(source)):
        found += [f"{node.lineno}: import {name}" for name in imported(node) if name in FORBIDDEN_MODULES]
        if not isinstance(node, ast.Call):
            continue
        name = dotted(node.func)
        last = name.rsplit(".", 1)[-1]
        keywords = {word.arg: word.value for word in node.keywords}
        if name in FORBIDDEN_NAMES | FORBIDDEN_CALLS or last in FORBIDDEN_METHODS or name.startswith("os.spawn"):
            found.append(f"{node.lineno}: {name}()")
        if last == "load" and name.split(".")[0] in {"np", "numpy"}:
            allowed = keywords.get("allow_pickle")
            if not (isinstance(allowed, ast.Constant) and allowed.value is False):
                found.append(f"{node.lineno}: {name}() without allow_pickle=False")
        if "shell" in keywords:
            found.append(f"{node.lineno}: {name}(shell=…)")
    return found


COPIES_ITSELF = "pipeline/heatwake/store/frames/trial.py"  # the process, not a program: a library is tried in the copy


def test_no_module_runs_foreign_code_reaches_the_network_or_starts_programs():
    assert len(MODULES) > 80
    found = [f"{path.relative_to(ROOT)}:{line}" for path in MODULES for line in dangers(path.read_text())]
    assert [one for one in found if not (one.startswith(COPIES_ITSELF) and one.endswith("os.fork()"))] == []


@pytest.mark.parametrize(
    "source",
    [
        "import pickle",
        "from urllib.request import urlopen",
        "import requests.sessions",
        "x = eval('1')",
        "import os\nos.system('ls')",
        "frame.to_pickle('a')",
        "import numpy as np\nnp.load('a')",
        "import numpy as np\nnp.load('a', allow_pickle=True)",
        "run('ls', shell=True)",
    ],
)
def test_the_rule_can_fail(source):
    assert len(dangers(source)) == 1


def test_none_of_the_dependencies_is_there_to_read_yaml_or_to_talk():
    with (ROOT / "pyproject.toml").open("rb") as file:
        wanted = tomllib.load(file)["project"]["dependencies"]
    names = {re.split(r"[\[><=]", row)[0].lower() for row in wanted}
    assert names.isdisjoint({"pyyaml", "requests", "httpx", "aiohttp", "urllib3", "cloudpickle", "dill", "joblib"})


def test_arrays_of_objects_are_refused(tmp_path):
    np.save(tmp_path / "frames.npy", np.array([{"a": 1}], dtype=object), allow_pickle=True)
    with pytest.raises(InputError, match=r"frames\.npy is unreadable"):
        open_recording("frames.npy", folder=tmp_path, key="frames.source")


# Where files are written.
GOOD = '[frames]\nsource = "frames.tif"\nscale = 0.01\noffset = -100.0\ninterval_s = 1.0\n[ambient]\ndegC = 23.0\n'
REGION = "[[regions]]\nname = {}\nx_mm = 22\ny_mm = 16\nwidth_mm = 8\nheight_mm = 8\nlimit_degC = 60\n"


def write_session(folder: Path, *, title: str = '"Small"', more: str = "") -> Path:
    folder.mkdir(parents=True)
    tifffile.imwrite(folder / "frames.tif", small_frames(), photometric="minisblack")
    (folder / "session.toml").write_text(f"title = {title}\n{GOOD}{more}")
    return folder


def write_workflow(folder: Path, sessions: str, *, title: str = '"Small"', results: str = '"results"') -> Path:
    path = folder / "workflow.toml"
    path.write_text(f"title = {title}\nsessions = {sessions}\nresults = {results}\n")
    return path


def files_in(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir()}


def run(path: Path, *, pages: bool = False) -> list[Outcome]:
    return [event for event in run_workflow(path, workers=0, pages=pages) if isinstance(event, Outcome)]


HOSTILE = ("../../outside", "/outside", "..", "a/../../b", "~/outside", "C:\\\\outside", "; rm -rf x", "$(touch x)")


def test_titles_and_names_lead_nowhere(tmp_path):
    place = tmp_path / "in" / "place"
    regions = "".join(REGION.format(f'"{name}"') for name in HOSTILE)
    openings = "".join(
        f'[[openings]]\nname = "{name}"\nkind = "vent"\nfrom_mm = [0, 1]\nto_mm = [0, 9]\n' for name in HOSTILE
    )
    write_session(place / "one", title='"../../../outside"', more=regions + openings)
    path = write_workflow(place, '["one"]', title='"../../outside"')
    before = files_in(tmp_path)
    assert [outcome.state for outcome in run(path)] == ["done"]
    assert all(name.startswith("in/place/results/") for name in files_in(tmp_path) - before)


def test_however_a_session_is_named_its_results_stand_under_its_folders_name(tmp_path):
    place = tmp_path / "place"
    write_session(place / "one")
    (place / "link").symlink_to(place / "one")
    # Made once: under another name the next ones would find nothing and be done again.
    ways = ('["one/../../place/one"]', '["./one/."]', '["../place/o*"]', '["link"]')
    for sessions, state in zip(ways, ("done", "up to date", "up to date", "up to date"), strict=True):
        assert [outcome.state for outcome in run(write_workflow(place, sessions))] == [state], sessions
        assert (place / "results" / "one" / "rise.nc").is_file()
        assert {path.name for path in tmp_path.iterdir()} == {"place"}
        assert {path.name for path in (place / "results").iterdir() if path.is_dir()} == {"one"}


@pytest.mark.parametrize("name", ["comparison.nc", "run.json", ".lock", ".workers", "comparison"])
def test_a_session_folder_does_not_take_the_name_of_another_result(tmp_path, name):
    write_session(tmp_path / name)
    path = write_workflow(tmp_path, f'["{name}"]')
    with pytest.raises(InputError, match=f"a folder named '{re.escape(name)}', must not be hidden, nor one of"):
        session_folders(read_workflow(path)[0], path)


def test_the_root_of_the_disk_is_no_session(tmp_path):
    path = write_workflow(tmp_path, '["/"]')
    with pytest.raises(InputError, match="a folder named ''"):
        session_folders(read_workflow(path)[0], path)


@pytest.mark.parametrize("sessions", [r'["a\u0000b"]', r'["a\nb"]', r'["\u001b[31mred"]', '["' + "a" * 2000 + '"]'])
def test_session_names_that_break_paths_lines_or_terminals_are_refused(tmp_path, sessions):
    with pytest.raises(InputError, match=r"sessions is .*, must be one printable line") as caught:
        read_workflow(write_workflow(tmp_path, sessions))
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("title", [r'"a\u0000b"', r'"a\u001b]0;owned\u0007"', r'"a\u202eb"'])
def test_titles_that_would_steer_a_terminal_are_refused(tmp_path, title):
    folder = write_session(tmp_path / "one", title=title)
    with pytest.raises(InputError, match=r"title is .*, must be one printable line") as caught:
        open_session(folder)
    assert str(caught.value).isprintable()


def test_results_go_where_the_workflow_says_for_that_is_the_users_choice(tmp_path):
    write_session(tmp_path / "a" / "b" / "one")
    path = write_workflow(tmp_path / "a" / "b", '["one"]', results='"../../elsewhere"')
    assert [outcome.state for outcome in run(path)] == ["done"]
    assert (tmp_path / "elsewhere" / "one" / "rise.nc").is_file()
    assert files_in(tmp_path / "a") == {"b/one/frames.tif", "b/one/session.toml", "b/workflow.toml"}


def test_a_result_that_is_a_link_is_replaced_not_followed(tmp_path):
    write_session(tmp_path / "one")
    (tmp_path / "results" / "one").mkdir(parents=True)
    (tmp_path / "precious.csv").write_text("mine")
    (tmp_path / "results" / "one" / "summary.csv").symlink_to(tmp_path / "precious.csv")
    run(write_workflow(tmp_path, '["one"]'))
    assert (tmp_path / "precious.csv").read_text() == "mine"
    assert "region" in (tmp_path / "results" / "one" / "summary.csv").read_text()


# What people look at.
SCRIPT = '<script>alert("x")</script>'


def test_pages_escape_titles_and_part_names():
    session = charger_results.session().isel(region=[1, 2])
    session = session.assign_coords(region=[SCRIPT, "</style><img src=x onerror=alert(1)>"])
    flow = charger_results.flow(session)
    page = session_page(
        session, flow=flow, title=f"</title>{SCRIPT}", settings={"a": SCRIPT}, provenance={SCRIPT: SCRIPT}
    )
    assert SCRIPT not in page
    assert "<img" not in re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)
    assert "&lt;script&gt;" in page
    assert page.count("</title>") == 1 + page.count("<title id")  # the page's own, and one of each figure


def test_comparison_pages_escape_titles_and_names():
    first = charger_results.session().isel(region=[1, 2])
    second = charger_results.session(direction=180.0, factor=1.12).isel(region=[1, 2])
    made = charger_results.compared(first, second)
    made = made.assign_coords(region=[SCRIPT, "b"])
    named = [one.assign_coords(region=[SCRIPT, "b"]) for one in (first, second)]
    sessions = dict(zip(("fan_out", "fan_in"), named, strict=True))
    page = outputs.comparison_page(made, sessions, {}, title=f"</title>{SCRIPT}")
    assert SCRIPT not in page
    assert "&lt;script&gt;" in page


def test_the_terminal_shows_names_as_they_are(tmp_path):
    write_session(tmp_path / "one", title='"[red]hot[/blue] [/]"', more=REGION.format('"[bold]Q1[/]"'))
    options = ["--no-pages", "--workers", "0"]
    done = CliRunner(env={"COLUMNS": "200"}).invoke(app, ["run", str(write_workflow(tmp_path, '["one"]')), *options])
    assert done.exit_code == 0, done.output
    assert "[red]hot[/blue] [/]" in done.stdout
    assert "[bold]Q1[/]" in done.stdout


# Files that would eat memory or time.
@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a = " + "[" * 5000 + "]" * 5000, "is nested too deeply, must be plain tables"),
        ("a = " + "{a=" * 3000 + "1" + "}" * 3000, "is nested too deeply, must be plain tables"),
        ("a = " + "9" * 5000, "is not TOML"),
        ("a = 0x" + "f" * 5000, None),  # TOML allows it; what it is given to does not
    ],
)
def test_toml_bombs_get_a_line(tmp_path, text, line):
    (tmp_path / "a.toml").write_text(text)
    if line is None:
        (tmp_path / "session.toml").write_text(f"title = 'x'\n{text}\n[frames]\nsource = 'a'\nscale = 0x{'f' * 5000}\n")
        with pytest.raises(InputError, match="is an unknown key"):
            open_session(tmp_path)
        return
    with pytest.raises(InputError, match=line):
        read_toml(tmp_path / "a.toml")


def test_files_without_end_and_files_that_are_too_large_get_a_line(tmp_path, monkeypatch):
    (tmp_path / "endless.toml").symlink_to("/dev/zero")
    with pytest.raises(InputError, match="is no file, must be a TOML file"):
        read_toml(tmp_path / "endless.toml")
    with pytest.raises(InputError, match="is no file, must be a CSV file"):
        read_table(Path("/dev/zero"), key="board.parts", columns=())
    monkeypatch.setattr(toml_store, "MOST_BYTES", 2**20)
    (tmp_path / "large.toml").write_text("# " + "a" * 2**20)
    with pytest.raises(InputError, match="is larger than 1 MiB, must be a TOML file of some lines"):
        read_toml(tmp_path / "large.toml")
    monkeypatch.setattr(tables, "MOST_BYTES", 2**20)
    (tmp_path / "large.csv").write_text("name\n" + "a\n" * 2**19)
    with pytest.raises(InputError, match="is larger than 1 MiB, must be a table of single values"):
        read_table(tmp_path / "large.csv", key="board.parts", columns=("name",))


def test_archives_are_not_unpacked_by_their_name(tmp_path):
    import gzip

    with gzip.open(tmp_path / "parts.csv.gz", "wt") as file:
        file.write("name,x_mm,y_mm\nQ1,1,1\n")
    with pytest.raises(InputError, match="not a CSV table"):
        read_table(tmp_path / "parts.csv.gz", key="board.parts", columns=("name",))
