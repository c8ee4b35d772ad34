"""Whatever a session, a workflow or a side file says: it is read, or one line tells what is wrong with it."""

import copy
import io
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
import pytest
import tifffile
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from conftest import small_frames
from heatwake.errors import HeatwakeError
from heatwake.run.workflows import read_workflow, session_folders
from heatwake.store.frames import open_recording
from heatwake.store.session import open_description, open_session
from heatwake.store.tables import read_ambient, read_calibration, read_parts, read_times

MANY = settings(
    max_examples=300,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.generate, Phase.shrink],
)
FEW = settings(MANY, max_examples=80)

SESSION: dict[str, Any] = {
    "title": "Small",
    "frames": {
        "source": "frames.tif",
        "unit": "degC",
        "scale": 0.01,
        "offset": -100.0,
        "masked": 0,
        "interval_s": 1.0,
        "start": datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC),
    },
    "camera": {
        "band_um": [7.5, 14.0],
        "emissivity_setting": 1.0,
        "reflected_setting_degC": 20.0,
        "netd_mK": 50.0,
        "accuracy_K": 2.0,
        "accuracy_percent": 2.0,
    },
    "film": {"bare": "frames.tif", "covered": "frames.tif", "reflectance": 0.08, "temperature_degC": 30.0},
    "ambient": {"log": "ambient.csv"},
    "surface": {"emissivity": 0.93, "reflected_degC": 23.0},
    "board": {
        "width_mm": 60.0,
        "height_mm": 40.0,
        "corners_px": [[1.0, 1.0], [38.0, 1.0], [38.0, 28.0], [1.0, 28.0]],
        "thickness_mm": 1.6,
        "conductivity_W_mK": 20.0,
        "channel_mm": 25.0,
        "parts": "parts.csv",
    },
    "regions": [{"name": "Q9", "x_mm": 30.0, "y_mm": 20.0, "width_mm": 8.0, "height_mm": 8.0, "limit_degC": 90.0}],
    "openings": [{"name": "fan", "kind": "fan", "from_mm": [60.0, 10.0], "to_mm": [60.0, 30.0]}],
    "events": [{"elapsed_s": 4.0, "label": "power on"}],
    "conditions": {"power_W": 18.0, "max_ambient_degC": 45.0, "fan": "out"},
}
WORKFLOW: dict[str, Any] = {
    "title": "Small",
    "sessions": ["one"],
    "results": "results",
    "reference": "one",
    "cadence": {"analysis_s": 1.0},
    "film": {"transmittance_uncertainty": 0.01},
    "baseline": {"quiet_s": 10.0},
    "regions": {"least_rise_K": 0.5, "steady_K": 0.5, "steady_share": 0.02},
    "flow": {"board_floor": 20.0},
    "comparison": {"placement_px": 0.5},
}
SIDE_FILES = {
    "times.csv": "time\n" + "".join(f"{row}.0\n" for row in range(12)),
    "ambient.csv": "elapsed_s,ambient_degC\n0,23.0\n6,23.1\n12,23.2\n",
    "parts.csv": "name,x_mm,y_mm,width_mm,height_mm,emissivity,limit_degC\nQ1,22,16,8,8,0.9,90\nQ2,40,20,,,,\n",
    "calibration.csv": "count,blackbody_degC\n1000,0\n30000,100\n60000,200\n",
}

ODD_TEXT = st.sampled_from(
    [
        *(
            "",
            " ",
            ".",
            "..",
            "/",
            "//",
            "~",
            "\0",
            "a\0b",
            "../one",
            "../../../../etc/passwd",
            "/etc/passwd",
            "/dev/null",
        ),
        *("session.toml", "folder", "nothing.tif", "nothing/*.tif", "*", "**", "[", "[!", "?", "{}", "con", "a" * 300),
        *(
            "a/" * 3000,
            "é",
            "温度",
            "\u202e",
            "\ud7ff",
            "\U0001f525",
            "\n",
            "a\nb",
            "\x1b[31m",
            "\x7f",
            "%s",
            "{0}",
            "nan",
        ),
        *("<script>", "frames.tif ", "\\frames.tif", "file:///etc/passwd", "http://localhost/x.tif", "-1", "1e400"),
    ]
)
ODD_NUMBER = st.sampled_from(
    [
        *(0, -0.0, 1, -1, 2, 0.5, 1e-320, 1e-30, 1e30, 1e300, -1e300, 1.8e308, 273.15, -273.15, -300.0, 65535, 65536),
        *(float("nan"), float("inf"), float("-inf"), 2**31, 2**63 - 1, 2**63, 2**64, -(2**63) - 1, 10**30, 10**400),
    ]
)
FIRST, LAST = map(datetime.fromisoformat, ("0001-01-01T00:00:00", "9999-12-31T23:59:59"))  # of no time zone
ODD_TIME = st.sampled_from(
    [date.min, date.max, time.max, FIRST, LAST, FIRST.replace(tzinfo=UTC), LAST.replace(tzinfo=UTC, year=2262)]
)
ODD = st.recursive(
    st.one_of(ODD_TEXT, ODD_NUMBER, ODD_TIME, st.booleans(), st.integers(), st.floats(), st.text(max_size=8)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=5), st.dictionaries(st.one_of(ODD_TEXT, st.text(max_size=5)), inner, max_size=3)
    ),
    max_leaves=8,
)


def toml(value: Any) -> str:
    """Return a value as TOML in one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        plain = (c if c.isprintable() and c not in '"\\' else f"\\U{ord(c):08x}" for c in value)
        return '"' + "".join(plain) + '"'
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(str(key))} = {toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    return hex(value) if isinstance(value, int) and abs(value) > 10**100 and value > 0 else repr(value)


def document(content: dict[str, Any]) -> str:
    return "".join(f"{toml(key)} = {toml(value)}\n" for key, value in content.items())


def places(content: Any, place: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield every place in nested tables and lists."""
    rows = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    for key, inner in rows:
        yield (*place, key)
        yield from places(inner, (*place, key))


def put(content: Any, place: tuple[Any, ...], value: Any) -> None:
    """Put a value there, or take what is there away; a place that an earlier change took away is left alone."""
    try:
        for key in place[:-1]:
            content = content[key]
        if value is ...:
            del content[place[-1]]
        elif isinstance(content, dict | list):
            content[place[-1]] = value
    except (KeyError, IndexError, TypeError):
        return


def changed(base: dict[str, Any]) -> st.SearchStrategy[str]:
    """Return documents with up to three values changed, taken away or added."""
    there = list(places(base))
    tables = [place for place in there if isinstance(at(base, place), dict)]
    added = st.builds(lambda place, key: (*place, key), st.sampled_from([(), *tables]), ODD_TEXT)
    value = st.one_of(ODD_NUMBER, ODD_TEXT, ODD, st.just(...))

    def write(changes: list[tuple[tuple[Any, ...], Any]]) -> str:
        content = copy.deepcopy(base)
        for place, new in changes:
            put(content, place, new)
        return document(content)

    return st.lists(st.tuples(st.one_of(st.sampled_from(there), added), value), min_size=1, max_size=3).map(write)


def at(content: Any, place: tuple[Any, ...]) -> Any:
    for key in place:
        content = content[key]
    return content


def mutated(text: str | bytes) -> st.SearchStrategy[bytes]:
    """Return a file's bytes with up to four stretches replaced, doubled or dropped."""
    whole = text.encode() if isinstance(text, str) else text
    odd = st.one_of(
        st.binary(max_size=6),
        st.sampled_from(
            [
                *(
                    b"\0",
                    b"\xff",
                    b"\xef\xbb\xbf",
                    b"\r",
                    b"\n",
                    b'"',
                    b"'",
                    b'"""',
                    b"[",
                    b"[[",
                    b"]",
                    b"{",
                    b"=",
                    b",",
                    b";",
                ),
                *(
                    b"#",
                    b"nan",
                    b"-",
                    b"1e999",
                    b"9" * 5000,
                    b"[" * 3000,
                    b"{a=" * 2000,
                    b"a." * 3000,
                    b"\xc3\xa9",
                    b"inf",
                ),
            ]
        ),
    )
    stretch = st.tuples(st.integers(0, len(whole)), st.integers(0, 12), odd, st.sampled_from(["put", "twice", "cut"]))

    def write(changes: list[tuple[int, int, bytes, str]]) -> bytes:
        content = whole
        for start, length, new, kind in changes:
            middle = {"put": new, "twice": content[start : start + 4 * length] * 2, "cut": b""}[kind]
            content = content[:start] + middle + content[start + length :]
        return content

    return st.lists(stretch, min_size=1, max_size=4).map(write)


def is_read_or_told_in_one_line(read: Callable[[], object]) -> bool:
    """Run it; anything but success or one line fails the test."""
    try:
        read()
    except HeatwakeError as error:
        line = str(error)
        assert line
        assert line.isprintable(), f"not one printable line: {line!r}"
        assert len(line) < 2000, f"too long: {line[:200]}"
        return False
    return True


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """A session with everything that a session file may name, and a folder where a file is expected."""
    place = tmp_path_factory.mktemp("fuzz") / "one"
    (place / "folder").mkdir(parents=True)
    tifffile.imwrite(place / "frames.tif", small_frames(), photometric="minisblack")
    for name, text in SIDE_FILES.items():
        (place / name).write_text(text)
    return place


def read_session(folder: Path) -> None:
    opened = open_session(folder)
    open_description(folder)
    assert opened.dataset.sizes["frame"] == 12 or opened.description.frames.source != "frames.tif"


def test_the_documents_that_are_changed_are_right(folder):
    (folder / "session.toml").write_text(document(SESSION))
    (folder.parent / "workflow.toml").write_text(document(WORKFLOW))
    assert is_read_or_told_in_one_line(lambda: read_session(folder))
    assert is_read_or_told_in_one_line(lambda: open_workflow(folder.parent / "workflow.toml"))
    assert is_read_or_told_in_one_line(lambda: read_times(folder / "times.csv", key="frames.timestamps"))


@MANY
@given(text=changed(SESSION))
def test_sessions_of_odd_values(folder, text):
    (folder / "session.toml").write_text(text)
    is_read_or_told_in_one_line(lambda: read_session(folder))


@MANY
@given(content=mutated(document(SESSION)))
def test_sessions_of_damaged_bytes(folder, content):
    (folder / "session.toml").write_bytes(content)
    is_read_or_told_in_one_line(lambda: read_session(folder))


def test_corners_far_from_the_picture_are_refused(folder):
    content = copy.deepcopy(SESSION)
    content["board"]["corners_px"][2] = [1e5, 28.0]
    (folder / "session.toml").write_text(document(content))
    with pytest.raises(
        HeatwakeError, match=r"board\.corners_px is \[100000, 28\], must lie on or near the picture of 40x30"
    ):
        open_session(folder)


def open_workflow(path: Path) -> None:
    workflow, _ = read_workflow(path)
    session_folders(workflow, path)


@MANY
@given(text=changed(WORKFLOW))
def test_workflows_of_odd_values(folder, text):
    path = folder.parent / "workflow.toml"
    path.write_text(text)
    is_read_or_told_in_one_line(lambda: open_workflow(path))


@MANY
@given(content=mutated(document(WORKFLOW)))
def test_workflows_of_damaged_bytes(folder, content):
    path = folder.parent / "workflow.toml"
    path.write_bytes(content)
    is_read_or_told_in_one_line(lambda: open_workflow(path))


READERS: dict[str, Callable[[Path], object]] = {
    "times.csv": lambda path: read_times(path, key="frames.timestamps"),
    "ambient.csv": lambda path: read_ambient(path, frames_start=None),
    "parts.csv": read_parts,
    "calibration.csv": read_calibration,
}
CLOCKS = "time,ambient_degC\n2026-01-02T03:04:05Z,23.0\n2026-01-02T03:04:06.5+01:00,23.1\n2026-01-02T05:04:09,23.2\n"


@pytest.mark.parametrize("name", SIDE_FILES)
@FEW
@given(data=st.data())
def test_side_files_of_damaged_bytes(folder, name, data):
    path = folder.parent / name
    path.write_bytes(data.draw(mutated(SIDE_FILES[name])))
    is_read_or_told_in_one_line(lambda: READERS[name](path))


@FEW
@given(content=mutated(CLOCKS))
def test_clock_times_of_damaged_bytes(folder, content):
    path = folder.parent / "clock.csv"
    path.write_bytes(content)
    is_read_or_told_in_one_line(lambda: read_times(path, key="frames.timestamps"))
    start = pd.Timestamp("2026-01-02T03:00:00Z")
    is_read_or_told_in_one_line(lambda: read_ambient(path, frames_start=start))


CELL = st.one_of(
    ODD_TEXT.filter(lambda text: len(text) < 400),
    ODD_NUMBER.map(lambda number: hex(number) if abs(number) > 1e100 and isinstance(number, int) else repr(number)),
    st.text(max_size=6),
    st.sampled_from(["", "1", "2", "0x10", "1_000", "1,5", "True", "NaT", "2026-01-02", "12:30", "9" * 400, "Inf"]),
)


@pytest.mark.parametrize("name", SIDE_FILES)
@FEW
@given(data=st.data())
def test_side_files_of_odd_cells(folder, name, data):
    head, *_ = SIDE_FILES[name].splitlines()
    width = st.integers(1, head.count(",") + 2)
    rows = data.draw(st.lists(width.flatmap(lambda count: st.lists(CELL, min_size=count, max_size=count)), max_size=4))
    quoted = ('"' + cell.replace('"', '""') + '"' if data.draw(st.booleans()) else cell for row in rows for cell in row)
    cells = iter(list(quoted))
    lines = [",".join(next(cells) for _ in row) for row in rows]
    path = folder.parent / name
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8", errors="surrogatepass")
    is_read_or_told_in_one_line(lambda: READERS[name](path))


def written(suffix: str) -> bytes:
    """Return three tiny frames as a file of this kind."""
    frames = np.arange(3 * 4 * 5, dtype=np.uint16).reshape(3, 4, 5)
    buffer = io.BytesIO()
    if suffix == ".tif":
        tifffile.imwrite(buffer, frames, photometric="minisblack", compression="zlib")
    elif suffix == ".npy":
        np.save(buffer, frames)
    elif suffix == ".csv":
        np.savetxt(buffer, frames[0], fmt="%d", delimiter=",")
    else:
        buffer.write(cv2.imencode(suffix, frames[0])[1].tobytes())
    return buffer.getvalue()


def read_frames(folder: Path, suffix: str) -> None:
    recording = open_recording(f"frames{suffix}", folder=folder, key="frames.source")
    for start in range(min(3, recording.shape[0])):
        recording.read(start, start + 1)


@pytest.mark.parametrize("suffix", [".tif", ".npy", ".csv", ".png"])
@FEW
@given(data=st.data())
def test_frames_of_damaged_bytes(folder, suffix, data):
    (folder.parent / f"frames{suffix}").write_bytes(data.draw(mutated(written(suffix))))
    is_read_or_told_in_one_line(lambda: read_frames(folder.parent, suffix))
