"""A session file to fill in, with what the recording itself tells filled in already."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.errors import HeatwakeError, InputError
from heatwake.store import results
from heatwake.store.frame_times import own_times_of
from heatwake.store.frames import Facts, Recording, recording_facts
from heatwake.store.tables import read_times

SIDE_FILES: Final = {"ambient": "ambient.csv", "parts": "parts.csv", "thermocouples": "thermocouples.csv"}
EVEN: Final = 1e-3  # of the usual interval that intervals may differ by
PLAUSIBLE: Final = (-30.0, 400.0)  # [degC] of a board in a room
ROOM: Final = (5.0, 45.0)  # [degC] between which most of a picture lies
# How cameras and programs store temperatures in whole numbers (common practice, no source).
SCALES: Final = ((0.01, -100.0), (0.01, -273.15), (0.1, -273.15), (0.04, -273.15), (0.1, 0.0), (0.01, 0.0))
CHECK: Final = "CHECK"


@dataclass(frozen=True)
class NewSession:
    """What was written, and what is left to do."""

    path: Path
    to_do: tuple[str, ...]


def new_session(frames: Path, *, output: Path | None = None) -> NewSession:
    """Write a commented ``session.toml`` for a recording.

    Parameters
    ----------
    frames : Path
        A file, a folder of frames, or a Zarr folder.
    output : Path, optional
        The session file; by default ``session.toml`` in the folder of the frames.

    Raises
    ------
    InputError
        There are no frames, or there is a session file already.
    """
    facts = recording_facts(frames)
    target = output or facts.folder / "session.toml"
    if target.exists():
        raise InputError(str(target), "there already", "must be removed first, or name another with --output")
    text = _text(facts, home=target.absolute().parent)
    results.write_text(target, text)
    return NewSession(target, tuple(line.split("#", 1)[1].strip() for line in text.splitlines() if CHECK in line))


def _text(facts: Facts, *, home: Path) -> str:
    source = _relative(facts.folder / facts.source, home)
    blocks = [
        f"title = {_quoted(f'{home.name}: what was recorded')}  # {CHECK} title: one line for tables and pages\n",
        _frames_table(facts, source=source),
        _palette_table(facts),
        _CAMERA,
        _film_table(facts, home=home),
        _ambient_table(facts, home=home),
        _SURFACE,
        _board_table(facts, home=home),
        _REST,
    ]
    return "\n".join(block for block in blocks if block)


def _relative(path: Path, home: Path) -> str:
    """Return a path as a session file in ``home`` names it."""
    if path.absolute().is_relative_to(home):
        return path.absolute().relative_to(home).as_posix()
    if path.absolute().is_relative_to(home.parent):
        return "../" + path.absolute().relative_to(home.parent).as_posix()
    return path.absolute().as_posix()


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _frames_table(facts: Facts, *, source: str) -> str:
    shape = f"{facts.frames} frames of {facts.columns}x{facts.rows}" if facts.frames else "frames"
    lines = ["[frames]", f"source = {_quoted(source)}  # {shape}, {facts.kind}"]
    if facts.variables:
        others = f"; others: {', '.join(facts.variables[1:])}" if len(facts.variables) > 1 else ""
        mark = f" {CHECK} variable" if others else ""
        lines.append(f"variable = {_quoted(facts.variables[0])}  #{mark or ' the only stack of frames'}{others}")
    lines += _unit_lines(facts)
    lines += _time_lines(facts)
    lines.append("# start = 2026-03-04T09:30:00Z  # clock time of the first frame, for logs in clock time")
    return "\n".join(lines) + "\n"


def _unit_lines(facts: Facts) -> list[str]:
    """Return what a stored value means, as far as the values themselves speak for it."""
    if facts.is_colour:
        return ['unit = "degC"  # read off the colour bar, see [palette]']
    recording = facts.recording
    if recording is None:
        return [f'unit = "degC"  # {CHECK} unit: "degC", "K" or "counts"']
    values = _some_values(recording)
    if not values.size:
        return [f'unit = "degC"  # {CHECK} unit: no reading was found in the first, middle and last frame']
    span = f"stored values run from {values.min():g} to {values.max():g}"
    if recording.unit:
        return [f'unit = "{recording.unit}"  # as the file itself says; {span}']
    return _float_unit(values, span) if recording.dtype.kind == "f" else _integer_scale(values, span)


def _float_unit(values: npt.NDArray[Any], span: str) -> list[str]:
    unit = "K" if _fits(values - 273.15) and not _fits(values) else "degC"
    return [f'unit = "{unit}"  # {CHECK} unit: {span}; "degC", "K" or "counts"']


def _integer_scale(values: npt.NDArray[Any], span: str) -> list[str]:
    fit = [(scale, offset) for scale, offset in SCALES if _fits(values * scale + offset)]
    if not fit:
        hint = f'{CHECK} unit: {span}: no usual scale fits; for counts give calibration = "counts.csv"'
        return [f'unit = "degC"  # {hint}', "scale = 1.0", "offset = 0.0  # temperature = value * scale + offset"]
    scale, offset = fit[0]
    low, high = (float(end) * scale + offset for end in (values.min(), values.max()))
    others = "".join(f"; or {one:g} and {two:g}" for one, two in fit[1:])
    return [
        f'unit = "degC"  # temperature = value * scale + offset; {span}',
        f"scale = {scale}  # {CHECK} scale and offset: with these it is {low:.1f} to {high:.1f} °C{others}",
        f"offset = {offset}",
    ]


def _some_values(recording: Recording) -> npt.NDArray[Any]:
    last = recording.shape[0] - 1
    frames = np.concatenate([recording.read(n, n + 1) for n in sorted({0, last // 2, last})])
    values: npt.NDArray[Any] = frames[np.isfinite(frames) & ((frames != 0) | (frames.dtype.kind == "f"))]
    return values


def _fits(degrees: npt.NDArray[Any]) -> bool:
    low, middle, high = np.quantile(degrees, (0.001, 0.5, 0.999))
    return bool(PLAUSIBLE[0] <= low and high <= PLAUSIBLE[1] and ROOM[0] <= middle <= PLAUSIBLE[1] and low <= ROOM[1])


def _time_lines(facts: Facts) -> list[str]:
    """Return how the times are known: by a file beside, by the recording itself, or not yet."""
    times = facts.folder / "times.csv"
    if times.is_file():
        try:
            seconds, _ = read_times(times, key="times.csv")
        except HeatwakeError as error:
            return [f"interval_s = 1.0  # {CHECK} times: {error}"]
        mark = "" if len(seconds) == facts.frames else f" {CHECK} times: {len(seconds)} rows for {facts.frames} frames"
        return [f'timestamps = "times.csv"  #{mark or " a row a frame"}']
    try:
        own = own_times_of(facts.times) if facts.times is not None else None
    except InputError as error:
        return [f"interval_s = 1.0  # {CHECK} interval: {error.where} is {error.found}"]
    if own is None or len(own) < 2:
        return [f'interval_s = 1.0  # {CHECK} interval between frames; or timestamps = "times.csv", a column time']
    steps = np.diff(own)
    usual = float(np.median(steps))
    if np.ptp(steps) > EVEN * usual:
        return [f'# times are the recording\'s own, over {own[-1]:g} s; or interval_s = …, or timestamps = "times.csv"']
    video = " (of a time lapse it is not)" if facts.is_video else ""
    return [f"interval_s = {usual:.6g}  # {CHECK} interval: as the recording itself says{video}"]


def _palette_table(facts: Facts) -> str:
    if not facts.is_colour:
        return ""
    right, bottom = facts.columns, facts.rows
    return (
        "[palette]\n"
        f"bar_px = [{right - 20}, 10, {right - 10}, {bottom - 10}]"
        f"  # {CHECK} bar_px: [x0, y0, x1, y1] around the colour bar, without its frame\n"
        f'hot_end = "top"  # {CHECK} hot_end: "top", "bottom", "left" or "right"\n'
        f"limits = [20.0, 100.0]  # {CHECK} limits: the scale's printed ends in °C; where they change a file\n"
        '#                       "limits.csv" with columns elapsed_s, low_degC, high_degC, held until the next row\n'
        f"image_px = [0, 0, {right - 30}, {bottom}]  # {CHECK} image_px: the part of the picture that is the scene\n"
    )


def _film_table(facts: Facts, *, home: Path) -> str:
    found = {
        name: path
        for name in ("bare", "covered")
        for path in sorted(facts.folder.glob(f"{name}.*"))
        if path.is_file() and path.name != facts.source
    }
    if len(found) == 2:
        pair = "\n".join(f"{name} = {_quoted(_relative(path, home))}" for name, path in found.items())
        return f"[film]\n{pair}  # the same hot scene without the film and with it\nreflectance = 0.05\n"
    return (
        "# [film]                     # leave it out for a recording with no film\n"
        "# transmittance = 0.90       # or bare = … and covered = …: the same hot scene without the film and with it\n"
        "# reflectance = 0.05\n"
    )


def _ambient_table(facts: Facts, *, home: Path) -> str:
    if (log := facts.folder / SIDE_FILES["ambient"]).is_file():
        return f"[ambient]\nlog = {_quoted(_relative(log, home))}  # columns time or elapsed_s, and ambient_degC\n"
    return (
        "# [ambient]\n"
        '# degC = 23.5                # the air that enters; or log = "ambient.csv": time or elapsed_s, ambient_degC\n'
    )


def _board_table(facts: Facts, *, home: Path) -> str:
    lines = [
        "[board]",
        "# width_mm = 160.0",
        "# height_mm = 100.0",
        "# corners_px = [[22, 18], [301, 20], [300, 195], [21, 193]]  # `heatwake corners` proposes them",
        "# mm_per_px = 0.55           # instead, for a view square to the board",
    ]
    if (parts := facts.folder / SIDE_FILES["parts"]).is_file():
        lines.append(f"parts = {_quoted(_relative(parts, home))}  # placement file: name, x_mm, y_mm, …")
    else:
        lines.append('# parts = "parts.csv"        # placement file: name, x_mm, y_mm, width_mm, height_mm, …')
    return "\n".join(lines) + "\n"


_CAMERA: Final = f"""[camera]
band_um = [7.5, 14.0]        # {CHECK} camera: these are usual, its data sheet says what is true
emissivity_setting = 1.0     # what the camera assumed when it wrote temperatures
reflected_setting_degC = 20.0
netd_mK = 50
accuracy_K = 2.0
accuracy_percent = 2.0
"""
_SURFACE: Final = f"""[surface]
emissivity = 0.95            # {CHECK} emissivity of most of the board; `heatwake surfaces` lists some
"""
_REST: Final = """# [[regions]]                # a part to measure that is in no placement file
# name = "Q1"
# x_mm = 40.0                # its centre; x to the right, y up, from the board's lower-left corner
# y_mm = 70.0
# width_mm = 10.0
# height_mm = 10.0
# limit_degC = 110.0

# [[openings]]
# name = "rear fan"
# kind = "fan"               # "fan" or "vent"
# from_mm = [0, 30]
# to_mm = [0, 70]

# [[events]]
# elapsed_s = 10.0
# label = "power on"

# [conditions]               # free factors that a comparison groups by
# fan = "out"
# power_W = 18.0
# max_ambient_degC = 45.0
"""
