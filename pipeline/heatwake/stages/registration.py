"""Which frames are sound, and how far each frame's picture has moved from the first.

An even sample of pictures makes the reference, where the heated board shows its print best. One reading of the frames,
block by block, finds repeats, aligns each frame to the reference and looks for things in the way; steps common to all
pixels are told from the aligned pictures' levels. Poses are reported from the first usable frame, on which the session
file gives the board's corners.
"""

from collections import deque
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import NonNegativeFloat, PositiveFloat

from heatwake.errors import InputError
from heatwake.kernels.alignment import compose, invert, resample
from heatwake.kernels.changing_reference import ChangingReference, times_to_picture
from heatwake.kernels.frame_quality import (
    TREND_FRAMES,
    carried_on,
    closely_explained,
    common_steps,
    departure,
    explained,
    gaps,
    is_repeat,
    obstructed_places,
    thumbnail,
    widened,
)
from heatwake.kernels.frame_reduction import FrameReducer, shrink_factor
from heatwake.kernels.moving import centred_medians, nearest
from heatwake.kernels.pose_track import picture_reach, settle_poses
from heatwake.kernels.reference_picture import Reference, build_reference, contrast_of, edges_of, locate
from heatwake.schema.settings import Settings
from heatwake.schema.variables import REASON, label, require
from heatwake.stages.bin_means import BinMeans
from heatwake.stages.block_motion import WANTED, BlockWork, look_at_frames, measure_block, small_picture
from heatwake.stages.frame_blocks import FrameBlock, frame_blocks, reducer_for, some_frames
from heatwake.stages.stage import Stage
from heatwake.workers import in_order

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

PLACES: Final = 8  # along the longer side, to judge steps common to all pixels
CELLS: Final = 64  # along the longer side, to look for things in the way
SAMPLE: Final = 32  # pictures for the reference
WINDOW_FRAMES: Final = 6  # frames each side that tell what's in the way, at least
WINDOW_SAMPLE: Final = 15  # and at most so many of those within the time allowed
POOL_S: Final = 0.5  # [s] frames so near in time are judged by the same others
LEAST_SIDE: Final = 0.25  # of the time allowed that the frames after must reach to be judged by
TREND_WINDOW: Final = 18  # latest sound frames that tell a trend where there are none after
LONGEST_RUN: Final = 240  # covered frames in a row that are looked at again
LEAST_COVER: Final = 0.25  # of a cell in the way, from which it is left out
MARGIN: Final = 2  # cells round what is in the way that are left out with it: its rim, its shadow, its warmth
LOST: Final = 0.5  # a frame whose quality is less than this share of its neighbours' isn't registered
NEIGHBOURS: Final = 10
SMALL: Final = ("picture_row", "picture_column")


class RegistrationSettings(Settings):
    """When a frame counts as remarkable, and when the camera as still."""

    good_quality: NonNegativeFloat = 0.4  # correlation below which other ways of aligning are tried
    still_px: PositiveFloat = 0.2  # [px rms] poses that scatter less are one: the camera stood still
    bump_px: PositiveFloat = 0.3  # [px rms] a sudden lasting movement of at least this starts another pose
    moved_px: PositiveFloat = 0.5  # [px rms] movement from which a frame is flagged
    least_step: PositiveFloat = 0.1  # [K] smallest step common to all pixels that is corrected
    obstruction_departure: PositiveFloat = 1.0  # [K] a place that differs by more from before and after is covered
    obstruction_share: PositiveFloat = 0.005  # of the picture in the way, from which it is left out of a frame
    masked_share: NonNegativeFloat = 0.4  # of the picture left out, with a margin, above which the whole frame is
    uncertain_px: PositiveFloat = 0.4  # [px rms] a moving camera's frame whose pose is known less well is left out
    poor_quality: NonNegativeFloat = 0.3  # correlation below which a pose is not known
    obstruction_s: PositiveFloat = 40.0  # [s] how far before and after is looked; twice what a hand may stay
    gap_factor: PositiveFloat = 2.5  # an interval this much longer than its neighbours is a gap


def register(session: xr.Dataset, settings: RegistrationSettings) -> xr.Dataset:
    """Add each frame's pose, its soundness and the steps of the camera's offset.

    Parameters
    ----------
    session : Dataset
        With ``indicated_temperature`` (frame, row, column) [degC], NaN where masked, and the coordinate ``elapsed``.
        With ``bin`` (frame), the number of each frame's analysis step, the same reading of the frames also sums them.
    settings : RegistrationSettings

    Returns
    -------
    Dataset
        With ``shift_x``, ``shift_y`` [px], ``rotation`` [deg] from the first usable frame, ``pose_uncertainty`` [px],
        ``quality``, ``usable``, ``reason``, ``offset_step`` and ``offset_step_uncertainty`` [K], all (frame). Where a
        picture shows nothing to measure movement by, the nearest frames' pose is held and the quality says so.
        ``frame_mask`` (masked, cell_row, cell_column) says what is left out of the frames ``masked_frame`` (masked),
        which are used without it. ``still_picture`` (picture_row, picture_column) is what the first usable frame would
        show if it were heated and free of noise [K about its level]. The frames stay lazy. Given bins, also
        ``mean_radiance`` (bin, row, column), lazily, of the frames that ``summed`` (frame) marks.

    Raises
    ------
    InputError
        A frame has no finite value.
    DataModelError
        The frames aren't there.
    """
    require(session, STAGE.needs)
    elapsed = np.asarray(session["elapsed"].values, dtype=np.float64)
    if session.sizes["frame"] == 0:
        nothing = np.zeros(0)
        made = _add(session, poses=np.zeros((0, 3)), quality=nothing, usable=nothing, reason=nothing, steps=nothing)
        empty: dict[str, Any] = dict.fromkeys(("pose_uncertainty", "offset_step_uncertainty"), ("frame", nothing))
        empty["still_picture"] = (SMALL, np.zeros((0, 0), dtype=np.float32))
        return label(made.assign(empty | _masks({}, back=np.zeros(3), shape=(1, 1))))
    motion, sums, picture = _follow(session, settings, elapsed=elapsed)
    shape = (session.sizes["row"], session.sizes["column"])
    made = _conclude(session, settings, motion=motion, picture=picture, shape=shape)
    if sums is None:
        return made
    return label(
        made.assign(mean_radiance=(("bin_number", "row", "column"), sums.means()), summed=("frame", motion.summed))
    )


@dataclass
class _Motion:
    """What the frames show, one after the other."""

    poses: Array
    quality: Array
    frozen: Mask
    uncertainty: Array  # [px rms over the picture] of the pose
    obstructed: dict[int, Mask]  # what of a frame is in the way, in cells of the picture brought back
    summed: npt.NDArray[np.int8]
    levels: Array  # (frame, place) of the picture brought back

    @classmethod
    def empty(cls, count: int, places: int) -> "_Motion":
        return cls(
            poses=np.zeros((count, 3)),
            quality=np.zeros(count),
            frozen=np.zeros(count, dtype=np.bool_),
            uncertainty=np.full(count, np.inf),
            obstructed={},
            summed=np.zeros(count, dtype=np.int8),
            levels=np.full((count, places), np.nan, dtype=np.float32),
        )


def _follow(
    session: xr.Dataset, settings: RegistrationSettings, *, elapsed: Array
) -> tuple[_Motion, BinMeans | None, Array]:
    """Read all frames once: align each, look for things in the way, and sum them by bins."""
    reducer = reducer_for(session)
    picture, reference, guesses = _reference(session, reducer, settings)
    bins = session["bin"].to_numpy() if "bin" in session else None
    blocks = frame_blocks(session)

    def work(block: FrameBlock) -> BlockWork:
        near = reference.between(block.start, block.stop)
        return BlockWork(reducer, near, settings.good_quality, CELLS, PLACES)

    tasks = ((block, work(block), guesses[block.start : block.stop], _part(bins, block)) for block in blocks)
    sums = None if bins is None else BinMeans((session.sizes["row"], session.sizes["column"]))
    motion, watch, last = None, None, None
    for block, found in zip(blocks, in_order(measure_block, tasks), strict=True):
        if motion is None or watch is None:
            motion = _Motion.empty(len(elapsed), found.levels.shape[1])
            watch = _Watch(settings, elapsed, motion.obstructed)
        here = slice(block.start, block.stop)
        motion.summed[here] = ~found.frozen
        found.frozen[0] = last is not None and is_repeat(found.first, last)
        last = found.last
        motion.poses[here], motion.quality[here] = found.poses, found.quality
        motion.uncertainty[here] = found.uncertainty
        motion.frozen[here], motion.levels[here] = found.frozen, found.levels
        for index in range(block.start, block.stop):
            if not motion.frozen[index]:
                watch.look(index, found.cells[index - block.start])
        if sums is not None:
            sums.add(found.sums)
    if motion is None or watch is None:
        raise RuntimeError("a recording without blocks")
    watch.finish()
    for index in np.flatnonzero(motion.frozen).tolist():
        motion.poses[index], motion.quality[index] = motion.poses[index - 1], motion.quality[index - 1]
        motion.uncertainty[index] = motion.uncertainty[index - 1]
        motion.levels[index] = np.nan
    return motion, sums, picture


def _part(bins: npt.NDArray[Any] | None, block: FrameBlock) -> npt.NDArray[Any] | None:
    return None if bins is None else bins[block.start : block.stop]


def _reference(
    session: xr.Dataset, reducer: FrameReducer, settings: RegistrationSettings
) -> tuple[Array, ChangingReference, Array]:
    """Return the heated board's picture, what to align to, and for each frame the pose of the nearest sampled one."""
    count = session.sizes["frame"]
    chosen = np.unique(np.linspace(0, count - 1, SAMPLE).round().astype(int))
    pictures = in_order(small_picture, ((some_frames(session, int(one), int(one) + 1), reducer) for one in chosen))
    seen = [(one, picture) for one, picture in zip(chosen, pictures, strict=True) if np.isfinite(picture).any()]
    if not seen:
        raise InputError("frame 0", "without one finite value", WANTED)
    picture = build_reference([one for _, one in seen])
    anchor = Reference.of(picture)
    found = [locate(one, anchor, guess=np.zeros(3), good=settings.good_quality) for _, one in seen]
    at, poses = np.array([one for one, _ in seen]), np.array([one.pose for one in found])
    times = times_to_picture([one for _, one in seen], at, count=count)
    guesses = (poses[nearest(at, some[len(some) // 2])] for some in times)
    tasks = (
        ([some_frames(session, int(one), int(one) + 1) for one in some], reducer, anchor, guess)
        for some, guess in zip(times, guesses, strict=True)
    )
    looks = zip(times, in_order(look_at_frames, tasks), strict=True)
    good = [(some, look) for some, look in looks if look is not None]
    if not good:
        same = ChangingReference(np.zeros(1), contrast_of(picture)[None], edges_of(picture)[None], np.zeros((1, 3)))
        return picture, same, poses[nearest(at, np.arange(count))]
    changing = ChangingReference(
        np.array([some.mean() for some, _ in good]),
        contrasts=np.stack([look.contrast for _, look in good]),
        edges=np.stack([look.edges for _, look in good]),
        drawn=np.stack([look.drawn for _, look in good]),
    )
    at, first = np.unique(np.concatenate([*(some for some, _ in good), at]), return_index=True)
    poses = np.concatenate([*(look.poses for _, look in good), poses])[first]
    return picture, changing, poses[nearest(at, np.arange(count))]


@dataclass
class _Watch:
    """Judges each picture by sound ones before it and those after it, so it lags by as many as it looks ahead."""

    settings: RegistrationSettings
    elapsed: Array
    obstructed: dict[int, Mask]
    before: deque[tuple[int, Array]] = field(default_factory=deque)
    waiting: deque[tuple[int, Array]] = field(default_factory=deque)
    usual: tuple[int, Array, Array] | None = None  # pool, and lowest and highest that's usual in it
    run: list[tuple[int, Array]] = field(default_factory=list)  # covered frames in a row, the latest

    def look(self, index: int, picture: Array) -> None:
        """Take a picture in, and judge those that have enough after them."""
        self.waiting.append((index, picture))
        while self._reaches(self.waiting[0][0], index):
            self._judge()

    def finish(self) -> None:
        """Judge those still waiting."""
        while self.waiting:
            self._judge()
        self._look_again()

    def _reaches(self, first: int, last: int) -> bool:
        """Whether there's as much between two frames as it takes to tell what's usual."""
        return last - first > WINDOW_FRAMES and self._time(first, last) > self.settings.obstruction_s

    @property
    def _near(self) -> float:
        """[s] within which frames tell what goes on."""
        return LEAST_SIDE * self.settings.obstruction_s

    def _time(self, first: int, last: int) -> float:
        return float(self.elapsed[last] - self.elapsed[first])

    def _judge(self) -> None:
        index, picture = self.waiting.popleft()
        low, high = self._trend(index) or self._of_pool(index, picture)
        places = obstructed_places(departure(picture, low, high), least=self.settings.obstruction_departure)
        if places.mean() > self.settings.obstruction_share:
            if self.run and self.before and self.before[-1][0] > self.run[-1][0]:
                self._look_again()
            self.obstructed[index] = widened(places, by=MARGIN)
            self.run = [*self.run[-LONGEST_RUN:], (index, picture)]
            return
        self.before.append((index, picture))
        if self.run and len(self.before) >= WINDOW_FRAMES and self.before[-WINDOW_FRAMES][0] > self.run[-1][0]:
            self._look_again()

    def _look_again(self) -> None:
        """Judge covered frames by the sound ones just before and after: a warming part was as warm as a hand once."""
        if not self.run:
            return
        first, last = self.run[0][0], self.run[-1][0]
        before = [one for index, one in self.before if index < first][::-1][:WINDOW_FRAMES]
        after = [one for index, one in self.before if index > last][:WINDOW_FRAMES]
        for index, picture in self.run:
            low, high = closely_explained(np.array(before), np.array(after), shape=picture.shape)
            places = obstructed_places(departure(picture, low, high), least=self.settings.obstruction_departure)
            self.obstructed[index] |= widened(places, by=MARGIN)
        self.run = []

    def _ends_soon(self, index: int) -> bool:
        """Whether the frames after are too few to judge by: what stays to the end is judged by what was before."""
        return not self.waiting or self._time(index, self.waiting[-1][0]) < self._near

    def _trend(self, index: int) -> tuple[Array, Array] | None:
        """What the frames just before tell, where there's little after; None where they lie too far apart."""
        if len(self.before) < WINDOW_FRAMES or not self._ends_soon(index):
            return None
        latest = [self.before[-1 - k] for k in range(min(len(self.before), TREND_WINDOW))]
        ago = np.array([self._time(one, index) for one, _ in latest])
        return carried_on(np.array([one for _, one in latest]), ago) if ago[TREND_FRAMES - 1] < self._near else None

    def _of_pool(self, index: int, picture: Array) -> tuple[Array, Array]:
        pool = int(self.elapsed[index] // POOL_S)
        if self.usual is None or self.usual[0] != pool:
            self.usual = (pool, *self._usual(index, picture))
        return self.usual[1:]

    def _usual(self, index: int, picture: Array) -> tuple[Array, Array]:
        while self.before and self._reaches(self.before[0][0], index):
            self.before.popleft()  # too long ago, also where all since was in the way: what stays is accepted
        before = [one for _, one in self.before][::-1]
        after = [one for _, one in self.waiting]
        if len(before) < WINDOW_FRAMES <= len(after):  # what's there from the start is judged by what comes after
            before = []
        elif before and self._ends_soon(index):
            after = []
        return explained(_spread_over(before), _spread_over(after), shape=picture.shape)


def _spread_over(pictures: list[Array]) -> Array:
    if len(pictures) <= WINDOW_SAMPLE:
        return np.array(pictures)
    return np.array([pictures[one] for one in np.linspace(0, len(pictures) - 1, WINDOW_SAMPLE).round().astype(int)])


def _conclude(
    session: xr.Dataset,
    settings: RegistrationSettings,
    *,
    motion: _Motion,
    picture: Array,
    shape: tuple[int, int],
) -> xr.Dataset:
    """Settle the poses and flag the frames; the weightier reason is written over the lighter."""
    elapsed = np.asarray(session["elapsed"].values, dtype=np.float64)
    frozen, reached = motion.frozen, np.zeros(len(elapsed), dtype=np.bool_)
    reached[list(motion.obstructed)] = True
    covered = np.zeros_like(reached)
    covered[[one for one, mask in motion.obstructed.items() if mask.mean() > settings.masked_share]] = True
    lost = _lost(motion.quality) & ~frozen
    sound = ~(frozen | reached | lost)
    steps, spread = _offset_steps(motion.levels, elapsed, sound=sound, least=settings.least_step)
    known = (motion.quality >= settings.poor_quality) & (motion.uncertainty <= settings.uncertain_px)
    track = settle_poses(
        motion.poses,
        np.where(known, motion.uncertainty, np.inf),
        sound=~(frozen | covered | lost),
        shape=shape,
        still=settings.still_px,
        bump=settings.bump_px,
    )
    lost |= ~known & ~track.still & ~frozen
    usable = ~(frozen | covered | lost)
    first = track.poses[int(np.argmax(usable))]
    poses = compose(track.poses, invert(first))
    poses[(track.poses == first).all(axis=1)] = 0.0  # no rounding errors
    reason = np.full(len(steps), REASON.index("none"), dtype=np.int8)
    reason[picture_reach(poses, shape=shape) > settings.moved_px] = REASON.index("moved")
    reason[gaps(elapsed, factor=settings.gap_factor)] = REASON.index("missing")
    reason[np.diff(steps, prepend=0.0) != 0] = REASON.index("offset jump")
    reason[lost] = REASON.index("moved")
    reason[reached] = REASON.index("obstructed")
    reason[frozen] = REASON.index("frozen")
    made = _add(session, poses=poses, quality=motion.quality, usable=usable, reason=reason, steps=steps)
    small = invert(first) / (shrink_factor(shape), shrink_factor(shape), 1)
    masks = _masks(
        {one: mask for one, mask in motion.obstructed.items() if usable[one]}, back=small, shape=picture.shape
    )
    return label(
        made.assign(
            still_picture=(SMALL, resample(picture, small)),
            pose_uncertainty=("frame", track.uncertainty),
            offset_step_uncertainty=("frame", spread),
            **masks,
        )
    )


def _masks(obstructed: dict[int, Mask], *, back: Array, shape: tuple[int, ...]) -> dict[str, Any]:
    """Return what is left out of frames that are used otherwise, as the first usable frame sees it."""
    numbers = sorted(obstructed)
    cells = thumbnail(np.zeros(shape, dtype=np.float32), longest=CELLS).shape
    back = back / (shape[1] / cells[1], shape[0] / cells[0], 1)
    moved = [resample(obstructed[one].astype(np.float32), back, fill=0.0) > LEAST_COVER for one in numbers]
    return {
        "masked_frame": ("masked", np.array(numbers, dtype=np.int32)),
        "frame_mask": (("masked", "cell_row", "cell_column"), np.array(moved, dtype=np.int8).reshape(-1, *cells)),
    }


def _offset_steps(levels: Array, elapsed: Array, *, sound: Mask, least: float) -> tuple[Array, Array]:
    """Return the steps so far and the uncertainty of their sum [K].

    A frame that isn't sound has those of the sound one before it.
    """
    steps, variances = np.zeros(len(elapsed)), np.zeros(len(elapsed))
    found = common_steps(levels[sound], elapsed[sound], least=least)
    steps[sound], variances[sound] = found.sizes, np.square(found.uncertainties)
    return np.cumsum(steps), np.sqrt(np.cumsum(variances))


def _lost(quality: Array) -> Mask:
    """Frames that don't fit the reference though those around them do."""
    return np.asarray(quality < LOST * centred_medians(quality, NEIGHBOURS))


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
    needs=("indicated_temperature", "band_low", "band_high"),
    makes=(
        *("shift_x", "shift_y", "rotation", "quality", "usable", "reason", "offset_step", "still_picture"),
        *("pose_uncertainty", "offset_step_uncertainty", "masked_frame", "frame_mask"),
    ),
    version=6,
)
