"""Which frames are sound, and how far each frame's picture has moved from the first.

Two readings of the frames, block by block. The first finds repeats, gaps in time and steps common to all pixels, and
keeps an even sample of pictures for the reference. The second aligns each frame to the reference, where the heated
board shows its print best, and looks for things in the way. Poses are reported from the first usable frame, on which
the session file gives the board's corners.
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
from heatwake.kernels.alignment import (
    Alignment,
    align,
    compose,
    gradient_magnitude,
    invert,
    normalise_contrast,
    resample,
)
from heatwake.kernels.frame_quality import common_steps, departure, gaps, is_repeat, obstructed_share, thumbnail
from heatwake.kernels.pose_track import picture_reach, settle_poses
from heatwake.schema.settings import Settings
from heatwake.schema.variables import REASON, label, require
from heatwake.stages.stage import Stage

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

BLOCK_FRAMES: Final = 32  # read together where the recording isn't chunked
PLACES: Final = 8  # along the longer side, to judge steps common to all pixels
CELLS: Final = 64  # along the longer side, to look for things in the way
SAMPLE: Final = 16  # pictures kept for the reference, twice that in passing
LEAST_CONTRAST: Final = 0.5  # of the highest spread of temperature that a picture for the reference needs
WINDOW_FRAMES: Final = 6  # frames each side that tell what's in the way, at least
WINDOW_SAMPLE: Final = 15  # and at most so many of those within the time allowed
LOST: Final = 0.5  # a frame whose quality is less than this share of its neighbours' isn't registered
NEIGHBOURS: Final = 10
FARTHEST: Final = 0.3  # of the picture's shorter side; a larger movement is a wrong match
STEEPEST: Final = 10.0  # [deg] likewise


class RegistrationSettings(Settings):
    """When a frame counts as remarkable, and when the camera as still."""

    good_quality: NonNegativeFloat = 0.65  # correlation below which other ways of aligning are tried
    still_px: PositiveFloat = 0.2  # [px rms] poses that scatter less are one: the camera stood still
    bump_px: PositiveFloat = 0.3  # [px rms] a sudden lasting movement of at least this starts another pose
    moved_px: PositiveFloat = 0.5  # [px rms] movement from which a frame is flagged
    least_step: PositiveFloat = 0.1  # [K] smallest step common to all pixels that is corrected
    obstruction_departure: PositiveFloat = 1.0  # [K] a place that differs by more from before and after is covered
    obstruction_share: PositiveFloat = 0.005  # of the picture in the way, from which a frame is left out
    obstruction_s: PositiveFloat = 20.0  # [s] how far before and after is looked
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


@dataclass
class _Reference:
    """The board's print, by its contrast and by the size of its gradient, and where it is known."""

    contrast: Array
    edges: Array
    known: Mask

    @classmethod
    def of(cls, picture: Array) -> "_Reference":
        return cls(normalise_contrast(picture), normalise_contrast(gradient_magnitude(picture)), np.isfinite(picture))


def _build_reference(sample: list[Array]) -> _Reference:
    """Median of the aligned pictures in which the heat shows the board's print; built once more from itself."""
    spread = np.array([np.nanstd(picture) for picture in sample])
    warm = [picture for picture, width in zip(sample, spread, strict=True) if width >= LEAST_CONTRAST * spread.max()]
    reference = _Reference.of(warm[len(warm) // 2])
    for _ in range(2):
        found = [
            align(normalise_contrast(one), reference.contrast, mask=np.isfinite(one), reference_mask=reference.known)
            for one in warm
        ]
        best = float(np.median([one.quality for one in found]))
        aligned = [
            resample(picture - np.float32(np.nanmedian(picture)), one.pose)
            for picture, one in zip(warm, found, strict=True)
            if one.quality >= LOST * best
        ]
        reference = _Reference.of(_median_where_seen(np.stack(aligned)))
    return reference


def _median_where_seen(pictures: Array) -> Array:
    seen = np.isfinite(pictures).any(axis=0)
    median = np.full(pictures.shape[1:], np.nan, dtype=np.float32)
    median[seen] = np.nanmedian(pictures[:, seen], axis=0)
    return median


def _locate(frame: Array, reference: _Reference, *, guess: Array, good: float) -> Alignment:
    """Align a frame: from the guess; if that's poor from anywhere; if that's poor by the size of the gradient."""
    seen, contrast = np.isfinite(frame), normalise_contrast(frame)
    best = align(contrast, reference.contrast, guess=guess, mask=seen, reference_mask=reference.known)
    if best.quality < good:
        other = align(contrast, reference.contrast, mask=seen, reference_mask=reference.known)
        best = max(best, other, key=_plausible_quality)
    if best.quality < good:
        edges = normalise_contrast(gradient_magnitude(frame))
        other = align(edges, reference.edges, guess=best.pose, mask=seen, reference_mask=reference.known)
        best = max(best, other, key=_plausible_quality)
    if not _is_plausible(best, frame.shape):
        return Alignment.of(guess, quality=0.0, share=0.0)
    return best


def _plausible_quality(one: Alignment) -> float:
    return one.quality if abs(one.rotation) < STEEPEST else -1.0


def _is_plausible(one: Alignment, shape: tuple[int, ...]) -> bool:
    return abs(one.rotation) < STEEPEST and float(np.hypot(one.shift_x, one.shift_y)) < FARTHEST * min(shape)


def _follow(frames: xr.DataArray, settings: RegistrationSettings, *, elapsed: Array, survey: _Survey) -> _Motion:
    """Align each frame and look for things in the way."""
    count = len(elapsed)
    places = thumbnail(survey.sample[0], longest=PLACES).size
    motion = _Motion.empty(count, places)
    reference = _build_reference(survey.sample)
    watch = _Watch(settings, elapsed, motion.obstructed)
    guess: Array = np.zeros(3)
    for index, frame in _read(frames, settings):
        if survey.frozen[index]:
            motion.poses[index], motion.quality[index] = motion.poses[index - 1], motion.quality[index - 1]
            continue
        found = _locate(frame, reference, guess=guess, good=settings.good_quality)
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
        while len(self.waiting) > WINDOW_FRAMES + 1 and self._span(self.waiting) > self.settings.obstruction_s:
            self._judge()

    def finish(self) -> None:
        """Judge those still waiting."""
        while self.waiting:
            self._judge()

    def _span(self, pictures: deque[tuple[int, Array]]) -> float:
        return float(self.elapsed[pictures[-1][0]] - self.elapsed[pictures[0][0]])

    def _judge(self) -> None:
        index, picture = self.waiting.popleft()
        sides = [_spread_over([one for _, one in side]) for side in (list(self.before)[::-1], list(self.waiting))]
        departures = departure(picture, before=sides[0], after=sides[1])
        share = obstructed_share(departures, least=self.settings.obstruction_departure)
        self.obstructed[index] = share > self.settings.obstruction_share
        if self.obstructed[index]:
            return
        self.before.append((index, picture))
        while len(self.before) > WINDOW_FRAMES and self._span(self.before) > self.settings.obstruction_s:
            self.before.popleft()


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
    version=1,
)
