"""A bounded look at a recording: some of its frames, aligned with each other, whatever its length."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.alignment import compose, invert, normalise_contrast, resample
from heatwake.kernels.onset import find_onset
from heatwake.kernels.pixel_faults import NONE, SATURATED, FaultLimits, find_faults
from heatwake.kernels.pixel_repair import plan_repair
from heatwake.kernels.pose_search import Alignment, Target, align
from heatwake.stages.baseline import power_on_event
from heatwake.stages.frame_blocks import FrameBlock, some_frames
from heatwake.workers import in_order

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

EVEN: Final = 56  # frames spread evenly over the recording's time
AFTER: Final = 24  # after power-on and each other event, ever less often: each a sixth later than the one before
COLD: Final = 16  # before power-on
BURST: Final = 12  # that follow each other: round events, and once in the heat
EVENTS: Final = 4  # round which there is a burst
LATE: Final = 0.6  # of the recording, where the burst in the heat lies
MOST_VALUES: Final = 50_000_000  # pixels in memory, float32; larger pictures get fewer frames
LONGEST_PX: Final = 320  # of a picture that is aligned: larger ones are halved first
LEAST_QUALITY: Final = 0.55  # of an alignment that counts: a sensor's own pattern reaches 0.4
LIKE: Final = 0.85  # below it, an aligned picture becomes what earlier ones are aligned to
LEAST_SHARE: Final = 0.5
REFERENCE: Final = 5  # late frames that make the reference
QUIET_S: Final = 10.0  # at the start, to tell power-on where nobody noted it
HOTTEST: Final = 0.99  # quantile that stands for hot parts


@dataclass(frozen=True, eq=False)
class Look:
    """Some frames of a recording, in order of time.

    Attributes
    ----------
    numbers : (n,) array of int
        Of the frames.
    elapsed : (n,) array
        [s]
    even : (n,) array of bool
        Which are spread evenly; the others are of bursts and of the cold board.
    pictures : (n, rows, columns) float32 array
        As the camera wrote them, faulty pixels mended [degC]; NaN without a reading, clipped readings as they are.
    poses : (n, 3) array
        Where the content of the first is on each: right, down [px], turned [deg]; NaN where not aligned.
    ambient : (n,) array
        Logged [degC]; NaN where there is none.
    power_on : float
        [s]; NaN where it is not in the recording.
    below, above : float
        Readings from here on are bounds [degC]; NaN where the range's ends are not reached.
    """

    numbers: npt.NDArray[np.intp]
    elapsed: Array
    even: Mask
    pictures: Array
    poses: Array
    ambient: Array
    power_on: float
    below: float
    above: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.pictures.shape[1], self.pictures.shape[2]

    @cached_property
    def cold(self) -> Mask:
        """Which frames show the board before power-on."""
        return np.asarray(self.elapsed < self.power_on)  # nothing is before NaN

    @cached_property
    def aligned(self) -> Mask:
        """Which frames' content is placed."""
        return np.asarray(np.isfinite(self.poses).all(axis=1))

    @cached_property
    def travel(self) -> float:
        """By how much the content moves at most [px]."""
        poses = self.poses[self.aligned]
        return float(np.ptp(poses[:, :2], axis=0).max()) if len(poses) else 0.0

    def on_reference(self, index: int) -> Array:
        """Return a picture brought onto the reference's grid; NaN beyond it."""
        pose = np.where(np.isfinite(self.poses[index]), self.poses[index], 0.0)
        if np.abs(pose).max() < 0.02:  # px, degree: resampling would only blur it
            return np.asarray(self.pictures[index])
        return resample(self.pictures[index], pose)

    def mean(self, chosen: Mask | npt.NDArray[np.intp], *, aligned: bool = True) -> Array:
        """Return the mean of chosen pictures [degC], on the reference's grid or as the sensor saw them."""
        numbers = np.flatnonzero(chosen) if np.asarray(chosen).dtype == bool else np.asarray(chosen)
        total = np.zeros(self.shape)
        for number in numbers:
            total += self.on_reference(int(number)) if aligned else self.pictures[number]
        return np.asarray(total / max(len(numbers), 1))

    @cached_property
    def late(self) -> npt.NDArray[np.intp]:
        """The last few of the even frames."""
        return np.asarray(np.flatnonzero(self.even)[-REFERENCE:])


def take_look(session: xr.Dataset) -> Look:
    """Read some frames of a session as read, and align them.

    Up to 56 frames evenly over the time, up to 16 of the cold board, after each of up to four events 24 that follow at
    first closely and then ever less so, and bursts of 12 round events and in the heat. Memory does not grow with the
    recording.

    Parameters
    ----------
    session : Dataset
        As read: frames, ``elapsed``, ``frame_ambient``, events.
    """
    elapsed = session["elapsed"].to_numpy()
    numbers, even = _chosen(session, elapsed)
    pictures = _pictures(session, numbers)
    faults = find_faults(_without_empty(pictures[even]), limits=FaultLimits())
    _mend(pictures, faults.flags)
    event = power_on_event(session)
    power_on = event if np.isfinite(event) else _seen_power_on(pictures, elapsed[numbers])
    return Look(
        numbers=numbers,
        elapsed=elapsed[numbers],
        even=even,
        pictures=pictures,
        poses=_poses(pictures, even),
        ambient=session["frame_ambient"].to_numpy()[numbers],
        power_on=power_on,
        below=faults.below,
        above=faults.above,
    )


def _chosen(session: xr.Dataset, elapsed: Array) -> tuple[npt.NDArray[np.intp], Mask]:
    """Return the frames to look at, and which of them are spread evenly."""
    count = len(elapsed)
    values = session.sizes["row"] * session.sizes["column"]
    share = min(1.0, MOST_VALUES / max(values * (EVEN + COLD + AFTER + 2 * BURST), 1))
    even = _at(elapsed, np.linspace(elapsed[0], elapsed[-1], max(int(EVEN * share), 8))) if count else np.zeros(0, int)
    some = [even]
    power_on = power_on_event(session)
    before = np.flatnonzero(elapsed < power_on)
    if len(before):
        some.append(before[np.unique(np.linspace(0, len(before) - 1, max(int(COLD * share), 4)).round().astype(int))])
    events = session["event_elapsed"].to_numpy() if "event" in session else np.zeros(0)
    events = events[(events >= elapsed[0]) & (events <= elapsed[-1])][:EVENTS] if count else events
    late = elapsed[0] + LATE * (elapsed[-1] - elapsed[0]) if count else 0.0
    half = max(int(BURST * share), 4) // 2
    ends = [*events[1:].tolist(), *elapsed[-1:].tolist()][: len(events)]
    for at, end in zip(events.tolist(), ends, strict=True):
        since = np.geomspace(1.0, max(end - at, 2.0), max(int(AFTER * share), 8))
        some.append(_at(elapsed, at + since))
    for at in (*events.tolist(), late):
        first = int(np.searchsorted(elapsed, at)) - half
        some.append(np.arange(max(first, 0), min(first + 2 * half, count)))
    numbers = np.unique(np.concatenate(some)).astype(np.intp)
    return numbers, np.isin(numbers, even)


def _at(elapsed: Array, times: Array) -> npt.NDArray[np.intp]:
    """Return the frames nearest to some times, each once."""
    after = np.clip(np.searchsorted(elapsed, times), 1, max(len(elapsed) - 1, 1))
    nearer = np.abs(elapsed[after - 1] - times) <= np.abs(elapsed[np.minimum(after, len(elapsed) - 1)] - times)
    return np.asarray(np.unique(np.where(nearer, after - 1, np.minimum(after, len(elapsed) - 1))))


def _pictures(session: xr.Dataset, numbers: npt.NDArray[np.intp]) -> Array:
    levels = session["level_temperature"].to_numpy().astype(np.float32) if "stored_level" in session else None
    pictures = np.empty((len(numbers), session.sizes["row"], session.sizes["column"]), dtype=np.float32)
    tasks = ((some_frames(session, int(one), int(one) + 1), levels) for one in numbers)
    for index, picture in enumerate(in_order(_temperatures, tasks)):
        pictures[index] = picture
    return pictures


def _temperatures(block: FrameBlock, levels: Array | None) -> Array:
    frame = block.read()[0]
    return np.asarray(frame if levels is None else levels[frame], dtype=np.float32)


def _without_empty(pictures: Array) -> Array:
    return np.asarray(pictures[np.isfinite(pictures).any(axis=(1, 2))])


def _mend(pictures: Array, flags: npt.NDArray[np.int8]) -> None:
    """Repair faulty pixels in place, where they are few."""
    faulty = (flags > NONE) & (flags < SATURATED)
    if not faulty.any() or np.count_nonzero(faulty) > 0.005 * flags.size:
        return
    repair = plan_repair(np.where(faulty, flags, NONE).astype(np.int8))
    for index in range(len(pictures)):
        pictures[index] = repair.apply(pictures[index : index + 1])[0]


def _seen_power_on(pictures: Array, elapsed: Array) -> float:
    contrast = np.array([_hot_contrast(picture) for picture in pictures])
    return find_onset(contrast, elapsed=elapsed, quiet_s=QUIET_S) if len(elapsed) else np.nan


def _hot_contrast(picture: Array) -> float:
    seen = picture[np.isfinite(picture)]
    return float(np.quantile(seen, HOTTEST) - np.median(seen)) if seen.size else np.nan


def _poses(pictures: Array, even: Mask) -> Array:
    """Return each frame's pose against the first, found from the last back: contrast that comes late is lost early.

    Frames that cannot be placed, such as those of a cold board without structure, lie as the nearest one that can.
    """
    poses = np.full((len(pictures), 3), np.nan)
    if not len(pictures):
        return poses
    factor = -(-max(pictures.shape[1:]) // LONGEST_PX)
    contrast = normalise_contrast(_shrunk(pictures[int(np.flatnonzero(even)[-1])], factor))
    target = Target.of(contrast, np.isfinite(contrast))
    at: Array = np.zeros(3)
    guess: Array = np.zeros(3)
    for index in range(len(pictures) - 1, -1, -1):
        contrast = normalise_contrast(_shrunk(pictures[index], factor))
        found = _found(contrast, target, compose(guess, invert(at)))
        if found is None:
            continue
        poses[index] = guess = compose(found.pose, at)
        if found.quality < LIKE:  # what was just placed looks more like what came before it
            target, at = Target.of(contrast, np.isfinite(contrast)), guess
    known = np.flatnonzero(np.isfinite(poses[:, 0]))
    for lost in np.flatnonzero(~np.isfinite(poses[:, 0])) if len(known) else ():
        poses[lost] = poses[known[np.argmin(np.abs(known - lost))]]
    poses[:, :2] *= factor
    return compose(poses, invert(poses[0])) if len(known) else poses


def _found(contrast: Array, target: Target, guess: Array) -> Alignment | None:
    for start in (guess, None):
        found = align(contrast, target, guess=start)
        if found.quality >= LEAST_QUALITY and found.share >= LEAST_SHARE:
            return found
    return None


def _shrunk(picture: Array, factor: int) -> Array:
    if factor == 1:
        return picture
    rows, columns = (side // factor * factor for side in picture.shape)
    size = (columns // factor, rows // factor)
    return np.asarray(cv2.resize(picture[:rows, :columns], size, interpolation=cv2.INTER_AREA))
