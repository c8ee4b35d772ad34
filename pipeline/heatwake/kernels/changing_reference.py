"""A reference that changes along a recording: the board's print as it looks while the board warms.

A picture of a warm board shows another contrast than one of a cold board, and what differs pulls an alignment aside,
by tenths of a pixel just after power-on. So each frame is aligned to what the board looked like around its own time,
and the mean pictures of those times, nearly free of noise, are brought on each other by an alignment that gives little
weight to places that changed; those that changed most take no part at their time.
"""

from dataclasses import dataclass, field
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from heatwake.kernels.alignment import compose, resample
from heatwake.kernels.frame_quality import thumbnail
from heatwake.kernels.moving import median_where_seen
from heatwake.kernels.pose_search import Alignment, Target, align
from heatwake.kernels.reference_picture import Reference, contrast_of, edges_of, levelled, locate

Array = npt.NDArray[Any]

MOST_TIMES: Final = 10
FRAMES_A_TIME: Final = 12  # averaged
LEAST_FRAMES: Final = 3  # that must go together for a picture of their time
CHANGE_SHARE: Final = 0.75  # of what divides a recording is change, the rest time
SPREAD: Final = 0.8  # of a time's share of the recording that its frames are taken from
BLENDS: Final = 4  # steps from one time's picture to the next one's
CELLS: Final = 16  # along the longer side, to judge how much the picture changes
FITTING: Final = 0.5  # of the best quality that a frame needs to take part
CAUTION: Final = 10.0  # times the noise in a time's mean counts against it when it is blended with the anchor
PATTERN: Final = 0.25  # power of the pattern that stays with the sensor to that of a frame's noise
ALIKE: Final = 0.3  # correlation with the anchor from which a time's frames are aligned by it
DRAWN: Final = 0.1  # [px] that another look draws a pose aside, typically
CHANGED: Final = 1.4  # times the usual misfit, rms, from which a place looks otherwise
AROUND: Final = 11  # [px] over which that is judged
UNKNOWN: Final = np.float32(np.nan)
POOR: Final = 0.3  # correlation of two times' edges below which they aren't brought on each other


@dataclass(frozen=True)
class ChangingReference:
    """What one board looks like at several times, brought on each other.

    Attributes
    ----------
    frames : (k,) array
        Frame number that each picture stands for, rising.
    contrasts, edges : (k, rows, columns) float32 arrays
        Contrast-normalised pictures and sizes of their gradient; NaN where not seen.
    drawn : (k, 3) array
        Poses to which pictures of these times are drawn; see :class:`Reference`.
    """

    frames: Array
    contrasts: Array
    edges: Array
    drawn: Array
    _made: dict[tuple[int, int], Reference] = field(default_factory=dict, compare=False, repr=False)

    def at(self, frame: int) -> Reference:
        """Return what a frame is to be aligned to: a blend of the pictures of the times around it."""
        before = int(np.clip(np.searchsorted(self.frames, frame, side="right") - 1, 0, len(self.frames) - 1))
        step = 0
        if before + 1 < len(self.frames) and frame > self.frames[before]:
            here, there = self.frames[before : before + 2]
            step = round(BLENDS * float((frame - here) / (there - here)))
        key = (before, step)
        if key not in self._made:
            share = np.float32(step / BLENDS)
            ends = [one[before : before + 2] for one in (self.contrasts, self.edges, self.drawn)]
            contrast, edges, drawn = (one[0] if step == 0 else (1 - share) * one[0] + share * one[1] for one in ends)
            self._made[key] = Reference.of_contrasts(contrast, edges, drawn)
        return self._made[key]

    def between(self, start: int, stop: int) -> "ChangingReference":
        """Return what the frames from ``start`` to ``stop - 1`` need of it."""
        first = max(0, int(np.searchsorted(self.frames, start, side="right")) - 1)
        last = int(np.searchsorted(self.frames, stop - 1, side="left")) + 1
        last = min(max(last, first + 1), len(self.frames))
        some = slice(first, last)
        return ChangingReference(self.frames[some], self.contrasts[some], self.edges[some], self.drawn[some])


def times_to_picture(pictures: list[Array], at: npt.NDArray[np.intp], *, count: int) -> list[npt.NDArray[np.intp]]:
    """Return the frames to average for each of some times, closer together where the picture changes faster.

    Parameters
    ----------
    pictures : list of (rows, columns) arrays
        An even sample of the recording.
    at : (n,) array of int
        Their frame numbers, rising.
    count : int
        Frames of the recording.

    Returns
    -------
    list of arrays of int
        Frame numbers, rising within each and from each to the next; empty where the recording is too short to tell.
    """
    wanted = min(MOST_TIMES, count // (2 * LEAST_FRAMES))
    if wanted < 2 or len(at) < 2:
        return []
    cells = np.array([thumbnail(levelled(one), longest=CELLS) for one in pictures])
    steps = np.sqrt(np.nanmean(np.diff(cells, axis=0) ** 2, axis=(1, 2)))
    changed, passed = np.cumsum(steps, dtype=np.float64), at[1:] - at[0]
    share = CHANGE_SHARE * changed / max(float(changed[-1]), 1e-9) + (1 - CHANGE_SHARE) * passed / passed[-1]
    along = np.concatenate([[0.0], share])
    found: list[npt.NDArray[np.intp]] = []
    for number in range(wanted):
        first, last = np.interp((number + 0.5 + np.array([-0.5, 0.5]) * SPREAD) / wanted, along, at)
        some = np.unique(np.linspace(first, last, FRAMES_A_TIME).round().astype(np.intp))
        some = some[(some > found[-1][-1]) if found else slice(None)]
        if len(some) >= LEAST_FRAMES:
            found.append(some)
    return found


@dataclass(frozen=True)
class Look:
    """What the board looks like at one time.

    Attributes
    ----------
    contrast, edges : (rows, columns) float32 arrays
        Contrast-normalised, in the anchor's coordinates.
    poses : (n, 3) array
        Of the frames that it was made of, from the anchor.
    drawn : (3,) array
        Pose to which a picture of this time that has not moved is drawn.
    """

    contrast: Array
    edges: Array
    poses: Array
    drawn: Array


def look_at_a_time(frames: list[Array], anchor: Reference, *, guess: Array) -> Look | None:
    """Return what the board looks like in some frames, brought on the anchor.

    The noise that is left in their mean would draw an alignment, for the noisiest places are the steepest; so the mean
    is blended with the anchor, the more the less two halves of the frames agree.

    Parameters
    ----------
    frames : list of (rows, columns) arrays
        Of nearly one time; masked pixels are NaN.
    anchor : Reference
        What all times are brought on.
    guess : (3,) array
        Pose of the middle frame, roughly.

    Returns
    -------
    Look or None
        None where they do not go together or the anchor is not found again.
    """
    contrasts, frames = [contrast_of(one) for one in frames], [levelled(one) for one in frames]
    found = [align(one, anchor.contrast, guess=guess) for one in contrasts]
    alike = float(np.median([one.quality for one in found])) >= ALIKE
    if not alike:
        found = _on_each_other(contrasts, frames)
    poses, quality = np.array([one.pose for one in found]), np.array([one.quality for one in found])
    fits = (quality > 0) & (quality >= FITTING * np.median(quality))
    if np.count_nonzero(fits) < LEAST_FRAMES:
        return None
    chosen = np.flatnonzero(fits)
    link = _link(_mean_picture(frames, poses, chosen), anchor, guess=np.zeros(3))
    if link is None:
        return None
    moved, agreement = link
    if alike:  # by the anchor the frames lie right but for their look: how noise moves the mean must not be believed
        moved = moved * DRAWN**2 / (DRAWN**2 + anchor.edges.uncertainty(agreement) ** 2)
    poses = compose(poses, moved)
    whole, *halves = (_mean_picture(frames, poses, some) for some in (chosen, chosen[::2], chosen[1::2]))
    contrast, edges = (
        _with_anchor(prepared(whole), halves=[prepared(one) for one in halves], count=len(chosen), anchor=target)
        for prepared, target in ((contrast_of, anchor.contrast), (edges_of, anchor.edges))
    )
    changed = _changed(contrast_of(whole), anchor.contrast)
    contrast, edges = (np.where(changed, UNKNOWN, one) for one in (contrast, edges))
    drawn = Target.of(np.nan_to_num(contrast), np.isfinite(contrast)).drawn_to(contrast_of(whole))
    return Look(contrast, edges, poses, drawn)


def _changed(picture: Array, anchor: Target) -> npt.NDArray[np.bool_]:
    """Mark places that do not look as the anchor does, more than places usually do.

    A crease of the film that has slid, a reflection, an edge that heat runs along: they must not steer a pose.
    """
    seen = np.isfinite(picture) & anchor.known
    if not seen.any():
        return np.zeros(picture.shape, dtype=np.bool_)
    own, wanted = np.where(seen, picture, 0), np.where(seen, anchor.picture, 0)
    gain = np.float32((own * wanted).sum() / max(float((wanted**2).sum()), 1e-9))
    misfit = cv2.blur((own - gain * wanted) ** 2, (AROUND, AROUND))
    return np.asarray(misfit > CHANGED**2 * np.median(misfit[seen]))


def _with_anchor(picture: Array, *, halves: list[Array], count: int, anchor: Target) -> Array:
    """Blend a prepared picture with the anchor by how much of it is noise, or a pattern that stays with the sensor.

    A pattern is the same in all frames and cannot be told from the scene where the camera hardly moves; it holds an
    alignment fast. It is taken to be a share of a frame's noise, as is usual (common practice, no source).
    """
    seen = np.isfinite(picture) & np.isfinite(halves[0]) & np.isfinite(halves[1]) & anchor.known
    if not seen.any():
        return picture
    own, first, second, wanted = (one[seen] for one in (picture, *halves, anchor.picture))
    agreement = max(float(np.corrcoef(first, second)[0, 1]), 1e-3)
    noise = (count / 2) * (1 - agreement) / agreement  # of one frame, as a share of the signal's power
    weight = np.float32(1 / (1 + CAUTION * noise * (1 / count + PATTERN)))
    gain = np.float32((own @ wanted) / max(float(wanted @ wanted), 1e-9))
    blend = weight * picture + (1 - weight) * gain * anchor.picture
    return np.where(anchor.known, blend, UNKNOWN).astype(np.float32)


def _on_each_other(contrasts: list[Array], frames: list[Array]) -> list[Alignment]:
    """Return where the frames show what the middle one shows, then what all of them show together."""
    middle = contrasts[len(contrasts) // 2]
    own = Target.of(np.nan_to_num(middle), np.isfinite(middle))
    found = [align(one, own) for one in contrasts]
    quality = np.array([one.quality for one in found])
    fits = quality >= FITTING * np.sort(quality)[-min(LEAST_FRAMES, len(quality))]  # a frame fits itself best of all
    own = Reference.of(_mean_picture(frames, np.array([one.pose for one in found]), np.flatnonzero(fits))).contrast
    return [align(one, own, guess=first.pose) for one, first in zip(contrasts, found, strict=True)]


def _link(picture: Array, anchor: Reference, *, guess: Array) -> tuple[Array, float] | None:
    """Return the pose of the anchor's content on another time's picture, and the correlation of their edges."""
    rough = locate(picture, anchor, guess=guess, good=FITTING)
    edges = edges_of(picture)
    starts = [one.pose for one in (rough, align(edges, anchor.edges, guess=guess)) if one.quality > 0]
    found = [one for one in (anchor.edges.find_robustly(edges, start=start) for start in starts) if one is not None]
    best = max(found, key=lambda one: one[1], default=None)
    return None if best is None or best[1] < POOR else best


def _mean_picture(frames: list[Array], poses: Array, chosen: npt.NDArray[np.intp]) -> Array:
    return median_where_seen(np.stack([resample(frames[one], poses[one]) for one in chosen]))
