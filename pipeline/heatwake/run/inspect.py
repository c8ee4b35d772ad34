"""A session looked through before it is run: what is there, wrong or doubtful, and what a run would take."""

import re
import shutil
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.errors import InputError
from heatwake.kernels.board_view import BoardView
from heatwake.kernels.frame_quality import gaps, is_repeat
from heatwake.report.contact_sheet import contact_sheet_png
from heatwake.report.finding_figure import findings_sheet_png
from heatwake.run.expected import QUIET_S, expected_uncertainty
from heatwake.schema.findings import Finding
from heatwake.schema.session import Session
from heatwake.stages.baseline import power_on_event
from heatwake.stages.board_place import board_view, require_plausible
from heatwake.stages.examination import examine
from heatwake.stages.frame_blocks import some_frames
from heatwake.stages.registration import RegistrationSettings
from heatwake.stages.small_parts import pixels_per_length
from heatwake.store import results
from heatwake.store.session import OpenSession, open_session

Array = npt.NDArray[Any]

SAMPLE: Final = 32  # frames that are read, each with the one after it
SHEET: Final = 12
COLDEST, HOTTEST = -60.0, 1000.0  # [degC] what a camera of boards reads lies between
SMALL_PX: Final = 3.0  # across a part: fewer read it too cold (common practice, no source)
END_SHARE: Final = 1e-3  # of a frame's pixels at one end of the range that are no accident
FROZEN: Final = 0.02  # of the frames
# What a run takes, from measurements on two cores: see Speed in README.md.
SECONDS_PER_PIXEL: Final = 30e-9  # and frame
SECONDS_PER_MAP_PIXEL: Final = 90e-6  # its final rise and time constant
SECONDS_AT_ALL: Final = 10.0
BYTES_PER_MAP_PIXEL: Final = 12  # and step
BYTES_AT_ALL: Final = 3 * 2**20
STEP_S: Final = 1.0


@dataclass(frozen=True)
class PartSize:
    """A part, and how many pixels of the recording lie across its width and height; NaN where its size is not given."""

    name: str
    across_x: float
    across_y: float


@dataclass(frozen=True)
class Inspection:
    """What was found.

    Attributes
    ----------
    session, title : str
    wrong, doubtful : list of str
        Sentences; a session with something wrong cannot be run.
    frames, rows, columns : int
    span_s, interval_s, longest_gap_s : float
        [s]; the usual interval, and the longest that is much longer than its neighbours, 0 without one.
    gaps : int
    clock : str
        When it began, empty where that is not known.
    lowest, median, highest : float
        Indicated temperature [degC] in the frames that were looked at.
    masked_share, saturated_share, frozen_share : float
        Of pixels without a reading, at an end of the range, and of frames that repeat the one before.
    uncertainty_K, uncertainty_at_degC : float
        Expected standard uncertainty of a rise, and the temperature it is for.
    parts : list of PartSize
    disk_bytes, free_bytes : int
    seconds : float
        That a run will take here, about.
    sheet : str
        The picture that was written.
    findings : list of Finding
        What the recording shows, the worst first.
    findings_sheet : str
        Their pictures; empty without any.
    untold : list of str
        What could not be looked for.
    """

    session: str
    title: str = ""
    wrong: list[str] = field(default_factory=list)
    doubtful: list[str] = field(default_factory=list)
    frames: int = 0
    rows: int = 0
    columns: int = 0
    span_s: float = 0.0
    interval_s: float = 0.0
    gaps: int = 0
    longest_gap_s: float = 0.0
    clock: str = ""
    looked_at: int = 0
    lowest: float = np.nan
    median: float = np.nan
    highest: float = np.nan
    masked_share: float = 0.0
    saturated_share: float = 0.0
    frozen_share: float = 0.0
    uncertainty_K: float = np.nan
    uncertainty_at_degC: float = np.nan
    parts: list[PartSize] = field(default_factory=list)
    disk_bytes: int = 0
    free_bytes: int = 0
    seconds: float = 0.0
    sheet: str = ""
    findings: list[Finding] = field(default_factory=list)
    findings_sheet: str = ""
    untold: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """Return it as plain values, None for what is not known."""
        plain = {key: _plain(value) for key, value in asdict(replace(self, findings=[])).items()}
        return plain | {"findings": [one.as_json() for one in self.findings]}


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return {key: _plain(one) for key, one in value.items()} if isinstance(value, dict) else value


def inspect_session(folder: Path, *, output: Path | None = None) -> Inspection:
    """Look a session through, and write a contact sheet of it, and of what was found.

    Some two hundred frames are read. What makes a run impossible stands under ``wrong``; then only what can
    still be read is told.

    Parameters
    ----------
    folder : Path
        The session's.
    output : Path, optional
        Of the contact sheet (PNG); by default ``NAME-frames.png`` in the current folder. The pictures of findings go
        beside it, as ``NAME-findings.png``.
    """
    name = folder.resolve().name
    wrong: list[str] = []
    session = _opened(folder, wrong)
    if session is None:
        return Inspection(name, wrong=wrong)
    try:
        return _inspect(session, folder, wrong=wrong, output=output or Path(f"{name}-frames.png"))
    except InputError as error:  # a frame that cannot be read
        return Inspection(name, title=session.description.title, wrong=[*wrong, str(error)])


def _opened(folder: Path, wrong: list[str]) -> OpenSession | None:
    """Return the session, without its corners where they are what is wrong; None where it cannot be opened."""
    try:
        return open_session(folder)
    except InputError as error:
        wrong.append(str(error))
    try:
        return open_session(folder, with_corners=False)
    except InputError as error:
        if str(error) not in wrong:
            wrong.append(str(error))
        return None


def _inspect(session: OpenSession, folder: Path, *, wrong: list[str], output: Path) -> Inspection:
    dataset, description = session.dataset, session.description
    count = dataset.sizes["frame"]
    elapsed = dataset["elapsed"].to_numpy()
    chosen = np.unique(np.linspace(0, count - 1, SAMPLE).round().astype(int))
    look = _look(dataset, chosen)
    intervals, after_gap = np.diff(elapsed), gaps(elapsed, factor=RegistrationSettings().gap_factor)
    values = look.pictures[np.isfinite(look.pictures)]
    lowest, median, highest = (
        (float(np.min(values)), float(np.median(values)), float(np.max(values))) if values.size else (np.nan,) * 3
    )
    steps = min(count, int((elapsed[-1] + 1) / STEP_S) + 1)
    rise = expected_uncertainty(dataset, look.pictures, elapsed=elapsed, step=STEP_S)
    shown = chosen[np.unique(np.linspace(0, len(chosen) - 1, SHEET).round().astype(int))]
    found = Inspection(
        session.name,
        title=description.title,
        wrong=wrong,
        frames=count,
        rows=dataset.sizes["row"],
        columns=dataset.sizes["column"],
        span_s=float(elapsed[-1]),
        interval_s=float(np.median(intervals)) if len(intervals) else 0.0,
        gaps=int(after_gap.sum()),
        longest_gap_s=float(intervals[after_gap[1:]].max()) if after_gap.any() else 0.0,
        clock=f"{dataset['time'].to_numpy()[0]:}Z"[:19] + "Z" if dataset["time"].attrs.get("comment") == "UTC" else "",
        looked_at=len(chosen),
        lowest=lowest,
        median=median,
        highest=highest,
        masked_share=1 - values.size / max(look.pictures.size, 1),
        saturated_share=_saturated(look.pictures, dataset),
        frozen_share=look.frozen,
        uncertainty_K=rise[0],
        uncertainty_at_degC=rise[1],
        parts=_part_sizes(dataset),
        disk_bytes=int(BYTES_AT_ALL + BYTES_PER_MAP_PIXEL * steps * _map_pixels(dataset)),
        free_bytes=shutil.disk_usage(folder.resolve()).free,
        seconds=SECONDS_AT_ALL
        + SECONDS_PER_MAP_PIXEL * _map_pixels(dataset)
        + count * (look.read_s + SECONDS_PER_PIXEL * dataset.sizes["row"] * dataset.sizes["column"]),
        sheet=str(output),
    )
    examined = examine(dataset)
    found.findings.extend(examined.findings)
    found.untold.extend(examined.untold)
    found.doubtful.extend(_doubts(found, dataset, description, folder=folder))
    pictures = look.pictures[np.searchsorted(chosen, shown)]
    sheet = contact_sheet_png(
        pictures, elapsed[shown], numbers=shown, outline=_outline(dataset), title=f"{session.name}: {description.title}"
    )
    results.write_bytes(output, sheet)
    if not any(one.evidence is not None for one in found.findings):
        return found
    beside = output.with_name(f"{output.stem.removesuffix('-frames')}-findings.png")
    results.write_bytes(beside, findings_sheet_png(found.findings, title=f"{session.name}: {description.title}"))
    return replace(found, findings_sheet=str(beside))


@dataclass(frozen=True, eq=False)
class _Look:
    pictures: Array
    frozen: float
    read_s: float


def _look(dataset: xr.Dataset, chosen: npt.NDArray[np.int64]) -> _Look:
    """Return the chosen frames [degC], how many frames repeat the one before, and what reading one takes."""
    count = dataset.sizes["frame"]
    levels = dataset["level_temperature"].to_numpy() if "stored_level" in dataset else None
    pictures, repeats, pairs = [], 0, 0
    begun = time.perf_counter()
    read = 0
    for number in chosen.tolist():
        pair = some_frames(dataset, number, min(number + 2, count)).read()
        read += len(pair)
        if len(pair) == 2:
            pairs += 1
            repeats += is_repeat(pair[1], pair[0])
        pictures.append((pair[0] if levels is None else levels[pair[0]]).astype(np.float32))
    seconds = (time.perf_counter() - begun) / max(read, 1)
    shape = (0, dataset.sizes["row"], dataset.sizes["column"])
    return _Look(np.stack(pictures) if pictures else np.zeros(shape, np.float32), repeats / max(pairs, 1), seconds)


def _saturated(pictures: Array, dataset: xr.Dataset) -> float:
    """Return the largest share of a frame's pixels that stand at one end of all that was read."""
    if not np.isfinite(pictures).any():
        return 0.0
    ends = np.nanmin(pictures), np.nanmax(pictures)
    if ends[0] == ends[1]:
        return 1.0
    share = max(float(np.mean(picture == end)) for picture in pictures for end in ends)
    least = max(END_SHARE, 10 / (dataset.sizes["row"] * dataset.sizes["column"]))
    return share if share > least else 0.0


def _part_sizes(dataset: xr.Dataset) -> list[PartSize]:
    if "part" not in dataset:
        return []
    sizes = []
    for number, name in enumerate(dataset["part"].to_numpy().tolist()):
        x, y, width, height = (float(dataset[f"part_{key}"][number]) for key in ("x", "y", "width", "height"))
        scale = pixels_per_length(dataset, x, y)
        sizes.append(PartSize(str(name), round(width * scale[0], 1), round(height * scale[1], 1)))
    return sizes


def _outline(dataset: xr.Dataset) -> Array | None:
    if "corner_column" not in dataset:
        return None
    return np.stack([dataset["corner_column"].to_numpy(), dataset["corner_row"].to_numpy()], axis=1)


def _map_pixels(dataset: xr.Dataset) -> float:
    """Return about how many pixels the board's map has: those that the board takes in the picture."""
    corners = _outline(dataset)
    if corners is None:
        return float(dataset.sizes["row"] * dataset.sizes["column"])
    x, y = corners.T
    return 0.5 * abs(float(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))))


def _doubts(found: Inspection, dataset: xr.Dataset, description: Session, *, folder: Path) -> list[str]:
    """Return what should be looked at before a run."""
    told = {one.kind for one in found.findings}
    sentences = [*_doubts_of_values(found, told), *_doubts_of_times(found, dataset), *_doubts_of_film(description)]
    sentences += _doubts_of_parts(found, dataset, told)
    if description.ambient is None:
        sentences.append("no [ambient]: the air's temperature is taken from the cold board, as good as the camera is")
    view: BoardView | None = board_view(dataset)
    if view is None and not np.isfinite(float(dataset["board_scale"])):
        sentences.append("no corners_px or mm_per_px in [board]: all lengths are in pixels (see heatwake corners)")
    try:
        require_plausible(dataset, shape=(found.rows, found.columns), warn=False)
    except InputError as error:
        sentences.append(str(error))
    if found.disk_bytes > found.free_bytes:
        sentences.append(
            f"a run writes about {found.disk_bytes / 1e9:.1f} GB, {found.free_bytes / 1e9:.1f} GB are free"
        )
    return sentences


def _doubts_of_values(found: Inspection, told: set[str]) -> Iterator[str]:
    if not np.isfinite(found.lowest):
        yield "no reading in any frame that was looked at: check frames.masked, unit, scale and offset"
        return
    if found.lowest == found.highest:
        yield f"every reading that was looked at is {found.lowest:.1f} °C: saturated, or no scene was recorded"
    if found.lowest < COLDEST or found.highest > HOTTEST:
        seen = f"{found.lowest:.0f} to {found.highest:.0f} °C"
        yield f"readings from {seen}, outside {COLDEST:.0f} to {HOTTEST:.0f}: check frames.unit, scale and offset"
    if found.saturated_share > 0 and found.lowest < found.highest and "clipping" not in told:
        yield f"up to {found.saturated_share:.1%} of a frame reads one end of the range: these are bounds, no readings"
    if found.frozen_share > FROZEN:
        yield f"about {found.frozen_share:.0%} of the frames repeat the one before: they will be left out"


def _doubts_of_times(found: Inspection, dataset: xr.Dataset) -> Iterator[str]:
    if found.gaps:
        times = "one gap" if found.gaps == 1 else f"{found.gaps} gaps"
        yield f"{times} in time, the longest {found.longest_gap_s:g} s where {found.interval_s:g} s is usual"
    if "event" not in dataset:
        return
    for label, elapsed in zip(dataset["event"].to_numpy(), dataset["event_elapsed"].to_numpy(), strict=True):
        if not 0 <= elapsed <= found.span_s:
            yield f"event {str(label)!r} at {elapsed:g} s lies outside the recording of {found.span_s:g} s"
    power_on = power_on_event(dataset)
    if 0 <= power_on < QUIET_S:
        yield f"power on at {power_on:g} s: {QUIET_S:g} s of the cold board before it would zero each pixel"


def _doubts_of_film(description: Session) -> Iterator[str]:
    labels = [event.label for event in description.events]
    told = [text for text in (*labels, description.title) if re.search(r"\bfilm\b", text, re.IGNORECASE)]
    off = [text for text in told if re.search(r"\b(no|without|off|removed?|bare)\b", text, re.IGNORECASE)]
    on = [text for text in told if text not in off]
    if description.film is None and on:
        yield f"no [film] though {on[0]!r} speaks of a film: without it temperatures are read too low"
    if description.film is not None and off and not on:
        yield f"a [film] is given though {off[0]!r} says otherwise"


def _doubts_of_parts(found: Inspection, dataset: xr.Dataset, told: set[str]) -> Iterator[str]:
    small = [one for one in found.parts if min(one.across_x, one.across_y) < SMALL_PX]
    if small and "part too small" not in told:
        names = ", ".join(f"{one.name} ({min(one.across_x, one.across_y):.1f} px)" for one in small[:5])
        yield f"{len(small)} parts less than {SMALL_PX:g} px across read too cold: {names}"
    if "part_off" in dataset:
        count = dataset.sizes["part_off"]
        yield f"{count} parts of the placement file are off the board: check parts_unit, parts_origin"
