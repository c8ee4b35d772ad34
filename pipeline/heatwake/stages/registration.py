"""Which frames are sound, and how far each frame's picture has moved from the first.

Two readings of the frames, block by block. The first finds repeats and keeps an even sample of pictures for the
reference. The second aligns each frame to the reference, where the heated board shows its print best, and looks for
things in the way; steps common to all pixels are told from the aligned pictures' levels. Poses are reported from the
first usable frame, on which the session file gives the board's corners.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import NonNegativeFloat, PositiveFloat, PositiveInt

from heatwake.errors import InputError
from heatwake.kernels.alignment import compose, invert, resample
from heatwake.kernels.frame_quality import common_steps, departure, gaps, is_repeat, obstructed_share, thumbnail
from heatwake.kernels.pose_track import picture_reach, settle_poses
from heatwake.kernels.reference_picture import build_reference, locate
from heatwake.schema.settings import Settings
from heatwake.schema.variables import REASON, label, require
from heatwake.stages.stage import Stage

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

BLOCK_FRAMES: Final = 32  # read together where the recording isn't chunked
PLACES: Final = 8  # along the longer side, to judge steps common to all pixels
CELLS: Final = 64  # along the longer side, to look for things in the way
SAMPLE: Final = 16  # pictures kept for the reference, twice that in passing
WINDOW_FRAMES: Final = 6  # frames each side that tell what's in the way, at least
WINDOW_SAMPLE: Final = 15  # and at most so many of those within the time allowed
LEAST_SIDE: Final = 0.25  # of the time allowed that the frames after must reach to be judged by
LOST: Final = 0.5  # a frame whose quality is less than this share of its neighbours' isn't registered
NEIGHBOURS: Final = 10


class RegistrationSettings(Settings):
    """When a frame counts as remarkable, and when the camera as still."""

    good_quality: NonNegativeFloat = 0.65  # correlation below which other ways of aligning are tried
    still_px: PositiveFloat = 0.2  # [px rms] poses that scatter less are one: the camera stood still
    bump_px: PositiveFloat = 0.3  # [px rms] a sudden lasting movement of at least this starts another pose
    moved_px: PositiveFloat = 0.5  # [px rms] movement from which a frame is flagged
    least_step: PositiveFloat = 0.1  # [K] smallest step common to all pixels that is corrected
    obstruction_departure: PositiveFloat = 1.0  # [K] a place that differs by more from before and after is covered
    obstruction_share: PositiveFloat = 0.005  # of the picture in the way, from which a frame is left out
    obstruction_s: PositiveFloat = 40.0  # [s] how far before and after is looked; twice what a hand may stay
    gap_factor: PositiveFloat = 2.5  # an interval this much longer than its neighbours is a gap
    block_frames: PositiveInt = BLOCK_FRAMES  # frames read together where the recording isn't chunked


def register(session: xr.Dataset, settings: RegistrationSettings) -> xr.Dataset:
    """Add each frame's pose, its soundness and the steps of the camera's offset.

    Parameters
    ----------
    session : Dataset
        With ``indicated_temperature`` (frame, row, column) [degC], NaN where masked, and the coordinate ``elapsed``.
    settings : RegistrationSettings

    Returns
    -------
    Dataset
        With ``shift_x``, ``shift_y`` [px], ``rotation`` [deg] from the first usable frame, ``quality``, ``usable``,
        ``reason`` and ``offset_step`` [K], all (frame). Where a picture shows nothing to measure movement by, the
        nearest frames' pose is held and the quality says so. The frames stay lazy.

    Raises
    ------
    InputError
        A frame has no finite value.
    DataModelError
        The frames aren't there.
    """
    require(session, STAGE.needs)
    frames = session["indicated_temperature"].transpose("frame", "row", "column")
    elapsed = np.asarray(session["elapsed"].values, dtype=np.float64)
    if frames.sizes["frame"] == 0:
        nothing = np.zeros(0)
        return _add(session, poses=np.zeros((0, 3)), quality=nothing, usable=nothing, reason=nothing, steps=nothing)
    survey = _survey(frames, settings)
    motion = _follow(frames, settings, elapsed=elapsed, survey=survey)
    shape = (frames.sizes["row"], frames.sizes["column"])
    return _conclude(session, settings, frozen=survey.frozen, motion=motion, shape=shape)


@dataclass
class _Survey:
    """What the first reading finds: repeats, and pictures for the reference."""

    frozen: Mask
    sample: list[Array]


@dataclass
class _Motion:
    """What the second reading finds, frame by frame."""

    poses: Array
    quality: Array
    obstructed: Mask
    levels: Array  # (frame, place) of the picture brought back

    @classmethod
    def empty(cls, count: int, places: int) -> "_Motion":
        return cls(
            poses=np.zeros((count, 3)),
            quality=np.zeros(count),
            obstructed=np.zeros(count, dtype=np.bool_),
            levels=np.full((count, places), np.nan),
        )


def _read(frames: xr.DataArray, settings: RegistrationSettings) -> Iterator[tuple[int, Array]]:
    """Yield each frame with its number, a block in memory at a time."""
    if frames.chunks is None:
        starts = range(0, frames.sizes["frame"], settings.block_frames)
        bounds = [(start, start + settings.block_frames) for start in starts]
    else:
        ends = np.cumsum(frames.chunks[0])
        bounds = [(int(end - size), int(end)) for end, size in zip(ends, frames.chunks[0], strict=True)]
    for start, end in bounds:
        for offset, frame in enumerate(frames[start:end].values):
            yield start + offset, frame


def _survey(frames: xr.DataArray, settings: RegistrationSettings) -> _Survey:
    frozen = np.zeros(frames.sizes["frame"], dtype=np.bool_)
    sample: list[Array] = []
    stride, previous, taken = 1, None, 0
    for index, frame in _read(frames, settings):
        if not np.isfinite(frame).any():
            wanted = "must hold readings; leave it out and give timestamps"
            raise InputError(f"frame {index}", "without one finite value", wanted)
        frozen[index] = previous is not None and is_repeat(frame, previous)
        previous = frame
        if frozen[index]:
            continue
        if taken % stride == 0:
            sample.append(frame.copy())
        taken += 1
        if len(sample) == 2 * SAMPLE:  # the sample is full: keep every other and go on half as densely
            del sample[1::2]
            stride *= 2
    return _Survey(frozen, sample)


def _follow(frames: xr.DataArray, settings: RegistrationSettings, *, elapsed: Array, survey: _Survey) -> _Motion:
    """Align each frame and look for things in the way."""
    count = len(elapsed)
    places = thumbnail(survey.sample[0], longest=PLACES).size
    motion = _Motion.empty(count, places)
    reference = build_reference(survey.sample)
    watch = _Watch(settings, elapsed, motion.obstructed)
    guess: Array = np.zeros(3)
    for index, frame in _read(frames, settings):
        if survey.frozen[index]:
            motion.poses[index], motion.quality[index] = motion.poses[index - 1], motion.quality[index - 1]
            continue
        found = locate(frame, reference, guess=guess, good=settings.good_quality)
        motion.poses[index], motion.quality[index] = found.pose, found.quality
        guess = found.pose if found.quality >= settings.good_quality else guess
        brought_back = resample(frame, found.pose)
        motion.levels[index] = thumbnail(brought_back, longest=PLACES).ravel()
        watch.look(index, thumbnail(brought_back, longest=CELLS))
    watch.finish()
    return motion


@dataclass
class _Watch:
    """Judges each picture by sound ones before it and those after it, so it lags by as many as it looks ahead."""

    settings: RegistrationSettings
    elapsed: Array
    obstructed: Mask
    before: deque[tuple[int, Array]] = field(default_factory=deque)
    waiting: deque[tuple[int, Array]] = field(default_factory=deque)

    def look(self, index: int, picture: Array) -> None:
        """Take a picture in, and judge those that have enough after them."""
        self.waiting.append((index, picture))
        while self._reaches(self.waiting[0][0], index):
            self._judge()

    def finish(self) -> None:
        """Judge those still waiting."""
        while self.waiting:
            self._judge()

    def _reaches(self, first: int, last: int) -> bool:
        """Whether there's as much between two frames as it takes to tell what's usual."""
        return last - first > WINDOW_FRAMES and self._time(first, last) > self.settings.obstruction_s

    def _time(self, first: int, last: int) -> float:
        return float(self.elapsed[last] - self.elapsed[first])

    def _judge(self) -> None:
        index, picture = self.waiting.popleft()
        while self.before and self._reaches(self.before[0][0], index):
            self.before.popleft()  # too long ago, also where all since was in the way: what stays is accepted
        before = [one for _, one in self.before][::-1]
        after = [one for _, one in self.waiting]
        # what's there from the start is judged by what comes after, and what stays to the end by what was before
        if len(before) < WINDOW_FRAMES <= len(after):
            before = []
        elif before and after and self._time(index, self.waiting[-1][0]) < LEAST_SIDE * self.settings.obstruction_s:
            after = []
        departures = departure(picture, before=_spread_over(before), after=_spread_over(after))
        share = obstructed_share(departures, least=self.settings.obstruction_departure)
        self.obstructed[index] = share > self.settings.obstruction_share
        if not self.obstructed[index]:
            self.before.append((index, picture))


def _spread_over(pictures: list[Array]) -> Array:
    if len(pictures) <= WINDOW_SAMPLE:
        return np.array(pictures)
    return np.array([pictures[one] for one in np.linspace(0, len(pictures) - 1, WINDOW_SAMPLE).round().astype(int)])


def _conclude(
    session: xr.Dataset,
    settings: RegistrationSettings,
    *,
    frozen: Mask,
    motion: _Motion,
    shape: tuple[int, int],
) -> xr.Dataset:
    """Settle the poses and flag the frames; the weightier reason is written over the lighter."""
    elapsed = np.asarray(session["elapsed"].values, dtype=np.float64)
    lost = _lost(motion.quality) & ~frozen
    sound = ~(frozen | motion.obstructed | lost)
    steps = _offset_steps(motion.levels, elapsed, sound=sound, least=settings.least_step)
    poses = settle_poses(
        motion.poses, motion.quality, sound=sound, shape=shape, still=settings.still_px, bump=settings.bump_px
    )
    first = poses[int(np.argmax(sound))]
    poses = np.where((poses == first).all(axis=1)[:, None], 0.0, compose(poses, invert(first)))  # no rounding errors
    reason = np.full(len(steps), REASON.index("none"), dtype=np.int8)
    reason[picture_reach(poses, shape=shape) > settings.moved_px] = REASON.index("moved")
    reason[gaps(elapsed, factor=settings.gap_factor)] = REASON.index("missing")
    reason[np.diff(steps, prepend=0.0) != 0] = REASON.index("offset jump")
    reason[lost] = REASON.index("moved")
    reason[motion.obstructed] = REASON.index("obstructed")
    reason[frozen] = REASON.index("frozen")
    return _add(session, poses=poses, quality=motion.quality, usable=sound, reason=reason, steps=steps)


def _offset_steps(levels: Array, elapsed: Array, *, sound: Mask, least: float) -> Array:
    """Return the steps so far [K]; a frame that isn't sound has those of the sound one before it."""
    steps = np.zeros(len(elapsed))
    steps[sound] = common_steps(levels[sound], elapsed[sound], least=least)
    return np.cumsum(steps)


def _lost(quality: Array) -> Mask:
    """Frames that don't fit the reference though those around them do."""
    around = np.array([np.median(quality[max(0, k - NEIGHBOURS) : k + NEIGHBOURS + 1]) for k in range(len(quality))])
    return np.asarray(quality < LOST * around)


def _add(
    session: xr.Dataset,
    *,
    poses: Array,
    quality: npt.NDArray[Any],
    usable: npt.NDArray[Any],
    reason: npt.NDArray[Any],
    steps: Array,
) -> xr.Dataset:
    values = {
        "shift_x": poses[:, 0],
        "shift_y": poses[:, 1],
        "rotation": poses[:, 2],
        "quality": quality,
        "usable": usable.astype(np.int8),
        "reason": reason.astype(np.int8),
        "offset_step": steps,
    }
    return label(session.assign({name: ("frame", value) for name, value in values.items()}))


STAGE: Final = Stage(
    name="registration",
    settings=RegistrationSettings,
    apply=register,
    needs=("indicated_temperature",),
    makes=("shift_x", "shift_y", "rotation", "quality", "usable", "reason", "offset_step"),
    version=2,
)
