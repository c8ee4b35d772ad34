"""The command as a user meets it."""

import io
import json
import math
import re
import subprocess
import sys

import pytest
import tifffile
from rich.console import Console
from typer.testing import CliRunner

from conftest import small_frames
from heatwake import cli
from heatwake.run import Progress


def heatwake(*arguments, cwd=None):
    command = [sys.executable, "-m", "heatwake", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=cwd)


def in_this_process(*arguments):
    """The command without its start, which others test."""
    done = CliRunner().invoke(cli.app, [*map(str, arguments)])
    assert isinstance(done.exception, SystemExit)  # nothing that it did not mean to raise
    return done


def done_well(*arguments):
    """The command in this process, where nothing goes wrong."""
    done = CliRunner().invoke(cli.app, [*map(str, arguments)])
    assert (done.exception, done.exit_code, done.stderr) == (None, 0, "")
    return done.stdout


@pytest.fixture
def workflow(tmp_path):
    def write(text):
        path = tmp_path / "workflow.toml"
        path.write_text(text)
        return path

    return write


GOOD = 'title = "Small"\nsessions = ["one"]\nresults = "results"\n'


def test_help_names_the_command_with_an_example():
    done = heatwake("run", "--help")
    assert done.returncode == 0
    assert "Example: heatwake run workflows/fan_direction.toml" in done.stdout


def test_a_run_prints_a_table_and_nothing_else_off_a_terminal(write_session, workflow):
    write_session(
        '[ambient]\ndegC = 23.0\n[[regions]]\nname = "Q1"\nx_mm = 22\ny_mm = 16\nwidth_mm = 8\nheight_mm = 8\n'
    )
    done = heatwake("run", "--no-pages", workflow(GOOD))
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "Q1" in done.stdout
    assert "\x1b[" not in done.stdout
    assert "not attempted" in done.stdout or "not identifiable" in done.stdout


def test_json_is_one_object_with_what_the_tables_hold(write_session, workflow):
    write_session(
        '[ambient]\ndegC = 23.0\n[[regions]]\nname = "Q1"\nx_mm = 22\ny_mm = 16\nwidth_mm = 8\nheight_mm = 8\n'
    )
    told = json.loads(
        done_well("run", "--json", "--no-pages", workflow(GOOD)), parse_constant=pytest.fail
    )  # NaN is no JSON
    assert (told["exit_code"], told["comparison"]) == (0, [])
    assert [(one["name"], one["state"]) for one in told["outcomes"]] == [("one", "done")]
    part = next(part for part in told["sessions"]["one"]["parts"] if part["region"] == "Q1")
    table = (workflow("").parent / "results" / "one" / "summary.csv").read_text().splitlines()
    row = dict(zip(table[0].split(","), next(line for line in table if line.startswith("Q1")).split(","), strict=True))
    assert part["rise_K"] == pytest.approx(float(row["rise_K"]), abs=0.01)
    assert part["limit_degC"] is None
    assert told["sessions"]["one"]["heat_carried"]["from_this_recording"]["degrees"] is None


def test_json_of_the_smaller_commands(write_session, workflow):
    write_session("[ambient]\ndegC = 23.0\n")
    explained = json.loads(done_well("explain", "--json", "--no-pages", workflow(GOOD)))
    assert [one["name"] for one in explained] == ["one"]
    assert explained[0]["why"]["rise.nc"] == ["missing"]
    kinds = {kind["name"]: kind for kind in json.loads(done_well("surfaces", "--json"))}
    assert kinds["solder mask"]["low"] < kinds["solder mask"]["emissivity"] < kinds["solder mask"]["high"]


@pytest.mark.parametrize("command", ["run", "surfaces", "corners", "watch", "explain"])
def test_every_command_has_an_example(command):
    assert "Example: " in done_well(command, "--help")


def test_completion_knows_commands_and_options():
    asked = {"_HEATWAKE_COMPLETE": "complete_bash", "COMP_WORDS": "heatwake ex", "COMP_CWORD": "1"}
    done = CliRunner().invoke(cli.app, [], prog_name="heatwake", env=asked)
    assert done.stdout.split() == ["explain"]


@pytest.mark.parametrize(("environment", "coloured"), [({}, True), ({"NO_COLOR": "1"}, False)])
def test_colours_are_for_terminals_that_want_them(monkeypatch, environment, coloured):
    monkeypatch.delenv("NO_COLOR", raising=False)
    for name, value in ({"TERM": "xterm-256color"} | environment).items():
        monkeypatch.setenv(name, value)
    screen = io.StringIO()
    Console(file=screen, force_terminal=True).print("wrong", style="red")
    assert ("\x1b[31m" in screen.getvalue()) is coloured


def test_a_terminal_sees_a_line_a_session_with_rate_and_time_left():
    screen = Console(file=io.StringIO(), force_terminal=True, width=140)
    clock = iter(math.floor(second / 2) for second in range(10_000))
    with cli._progress(screen, quiet=False) as progress:
        progress.disable = False
        progress.get_time = lambda: float(next(clock))
        lines = {}
        for done in range(8):
            for name in ("one", "two"):
                cli._show_step(progress, lines, Progress(name, "rise.nc", done, 40))
        text = screen_text(progress)
        assert len(text) == 2
        assert all(
            f"{name}: rise.nc" in line and "7/40" in line for name, line in zip(("one", "two"), text, strict=True)
        )
        assert all(re.search(r"\d\.\d/s", line) for line in text)
        assert all(len(re.findall(r"\d:\d\d:\d\d", line)) == 2 for line in text)  # so far, and left
        cli._show_step(progress, lines, Progress("one", "flow.nc", 0, 1))
        assert "one: flow.nc" in screen_text(progress)[0]


def screen_text(progress):
    screen = Console(file=io.StringIO(), width=140)
    screen.print(progress.make_tasks_table(progress.tasks))
    return screen.file.getvalue().splitlines()


def test_quiet_is_quiet(write_session, workflow):
    write_session("[ambient]\ndegC = 23.0\n")
    done = heatwake("run", "--quiet", "--no-pages", workflow(GOOD))
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("title = ", "is not TOML"),
        (GOOD + "[basline]\nquiet_s = 3\n", "basline is an unknown key, did you mean baseline?"),
        (GOOD + "[baseline]\nquiet = 3\n", "baseline.quiet is an unknown key, did you mean quiet_s?"),
        (GOOD + "[cadence]\nanalysis_s = -1\n", "cadence.analysis_s is -1, must be more than 0"),
        (GOOD + 'reference = "two"\n', "reference is 'two', must be one of one"),
        (GOOD + '[movie]\nbeside = "two"\n', "movie.beside is 'two', must be left out: there is one session only"),
        (GOOD + "[movie]\nduration_s = 0\n", "movie.duration_s is 0, must be 1.0 or more"),
        ('title = "a"\nsessions = []\nresults = "r"\n', "sessions is []"),
        ('title = "a"\nsessions = ["none/*"]\nresults = "r"\n', "without a match"),
        ('title = "a"\nsessions = ["gone"]\nresults = "r"\n', "session.toml is missing, must be a TOML file"),
    ],
)
def test_a_wrong_workflow_gets_one_line_and_exit_code_2(workflow, text, line):
    done = in_this_process("run", workflow(text))
    assert done.exit_code == 2
    assert line in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_missing_workflow_gets_one_line_and_exit_code_2(tmp_path):
    done = heatwake("run", tmp_path / "gone.toml")
    assert done.returncode == 2
    assert done.stderr.strip().endswith("gone.toml is missing, must be a TOML file")
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_bad_session_alone_is_exit_code_2_in_one_line(write_session, workflow):
    write_session("[film]\ntransmittance = 1.3\n")
    done = in_this_process("run", workflow(GOOD))
    assert done.exit_code == 2
    assert "session.toml: film.transmittance is 1.3, must lie in (0, 1]" in done.stderr
    assert "Traceback" not in done.stderr


def damage_truncated(folder):
    whole = (folder / "frames.tif").read_bytes()
    (folder / "frames.tif").write_bytes(whole[: len(whole) // 2])


def damage_sizes(folder):
    with tifffile.TiffWriter(folder / "frames.tif") as writer:
        for frame in (small_frames()[0], small_frames()[1][:20]):
            writer.write(frame, contiguous=False)


def damage_times(folder):
    text = (folder / "session.toml").read_text()
    (folder / "session.toml").write_text(text.replace("interval_s = 1.0", 'timestamps = "times.csv"'))
    (folder / "times.csv").write_text("time\n0\n1\n0.5\n" + "".join(f"{second}\n" for second in range(3, 12)))


@pytest.mark.parametrize(
    ("damage", "line"),
    [
        (damage_truncated, "cut short or damaged"),
        (damage_sizes, "frame 1 is 40x20 pixels, must be 40x30 like the first frame"),
        (damage_times, "row 3 is 0.5 after 1.0, must be later than the row before"),
    ],
)
def test_damaged_recordings_get_one_line_and_exit_code_2(write_session, workflow, damage, line):
    damage(write_session())
    done = in_this_process("run", "--quiet", "--no-pages", workflow(GOOD))
    assert done.exit_code == 2
    assert line in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
