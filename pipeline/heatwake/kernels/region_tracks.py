"""Hot regions through time: the same place on the board is the same region, whatever became of it meanwhile.

Looks are rise maps spread over a recording. Each is searched for blobs, and so is what changed since a look shortly
before: a load that comes or goes shows there alone and sharp, before its heat has spread, even where it touches a
hotter neighbour. Blobs of one place make one track; blobs of one look are given to tracks all at once (linear sum
assignment).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from heatwake.kernels.hot_blobs import Blob, ScaleSpace, find_blobs
from heatwake.kernels.load_steps import LoadStep

Array = npt.NDArray[Any]

NOT_YET, SEEN, MERGED, FADED, BACK, HIDDEN = range(6)
NONE: Final = -1

LAG: Final = 2  # looks over which a change is searched: each shows in two
TAIL: Final = 3  # looks over which heat that spreads is told from a load that comes beside it
SAME_ONSET: Final = 0.6  # [radii of the narrower] two onsets farther apart are two places
SAME_PLACE: Final = 0.5  # [radii] a blob farther from a place is not the place's own
LEAST_GATE: Final = 2.5  # [px]
KEPT: Final = 0.25  # of the contrast that a region must have to be found: with less it has faded
SUPPORT: Final = 2  # looks that must show a region, unless the last one does
AROUND: Final = 1.3  # [radii of the wider] what has no onset and lies so near a place is the place's heat
ALIKE: Final = 1.5  # of one width that another may be for both to be one region
CLEAR: Final = 1.6  # of the least contrast that an onset must reach
STRONG: Final = 3.0  # of the least contrast, from which one onset is enough
SLOW: Final = 3.0  # of the least contrast that what has no onset must reach
NARROW: Final = 0.75  # of a part's width that a corner of it has at most
FAR: Final = 1e6
RADIUS: Final = 2**0.5  # [widths] of a disc that a width suits


@dataclass
class Track:
    """One place.

    Attributes
    ----------
    best : Blob
        That shows it best.
    seen : dict
        Its blob in each look that shows it by itself.
    turns : dict
        Looks in which its load came (+1) or went (-1).
    contrast : dict
        What stands at its place in each look [K].
    peak : float
        Highest contrast of its onsets, over the least that a region must have.
    whole : bool
        Whether its edges have been seen on all sides.
    """

    best: Blob
    seen: dict[int, Blob] = field(default_factory=dict)
    turns: dict[int, int] = field(default_factory=dict)
    contrast: dict[int, float] = field(default_factory=dict)
    peak: float = 0.0
    whole: bool = False


@dataclass(frozen=True)
class Onset:
    """A blob of what changed at a look: +1 where it became hotter, -1 where cooler."""

    look: int
    sign: int
    blob: Blob
    last: int  # look that still shows it
    peak: float  # contrast while it shows, over the least at its look
    sharp: bool = False  # seen right as its load came or went: nothing else is in it
    whole: bool = False  # its edges seen on all sides


@dataclass(frozen=True)
class History:
    """What became of each region.

    Attributes
    ----------
    tracks : list of Track
        The regions, highest contrast first.
    state : (region, look) int8 array
        0 not yet seen, 1 seen, 2 merged, 3 faded, 4 back, 5 hidden.
    partner : (region, look) int16 array
        The region that it is merged into; -1 for none.
    """

    tracks: list[Track]
    state: Array
    partner: Array


def follow_regions(looks: Array, *, least: Array, share: float, sharp: Sequence[Onset] = ()) -> History:
    """Return the regions of a recording and their states.

    A region is there in a look that shows it as a blob of its own, and from its onset until its load has gone or
    nothing stands at its place any more; then it has faded. There without a blob of its own it is merged into the
    neighbour whose blob takes its place.

    Parameters
    ----------
    looks : (look, ny, nx) array
        Rise maps in the order of time [K]; NaN where masked.
    least : (look,) array
        Contrast that a region must have [K].
    share : float
        The same, as a share of the rise where it lies.
    sharp : sequence of Onset
        Onsets that are known better than the looks can tell; of what these show the looks tell no other place.
    """
    onsets = [one for one in find_onsets(looks, least=least, share=share) if not _known_better(one, sharp)]
    tracks = _places([*sharp, *onsets], last=len(looks) - 1)
    tracks = [one for one in tracks if not _spans(one, tracks)]
    loose: list[Track] = []
    for number, look in enumerate(looks):
        space = ScaleSpace(look)
        blobs = find_blobs(space, least=least[number], share=share)
        left = _assign(tracks, blobs, number)
        left = [one for one in left if not _explained(one, tracks)]
        loose += [Track(blob, {number: blob}) for blob in _assign(loose, left, number)]
        for track in tracks:
            track.contrast[number] = space.at(track.best.row, track.best.column, width=track.best.width)
    tracks = [one for one in tracks if _borne_out(one, last=len(looks) - 1) and not _is_corner(one, tracks)]
    tracks += [one for one in loose if _lasting(one, last=len(looks) - 1, least=least)]
    tracks.sort(key=lambda track: -track.best.contrast)
    return History(tracks, *_states(tracks, looks, least=least))


def find_onsets(looks: Array, *, least: Array, share: float) -> list[Onset]:
    """Return where and when loads came and went; parameters as in :func:`follow_regions`."""
    found: list[Onset] = []
    for sign in (1, -1):
        before: list[list[Blob]] = []
        open_: list[Onset] = []
        for number, look in enumerate(looks):
            change = sign * (look - looks[max(number - LAG, 0)] if number else look)
            blobs = find_blobs(ScaleSpace(change), least=least[number], share=share)
            still = [_prolonged(one, blobs, number, least=least[number]) for one in open_]
            found += [one for one, kept in zip(open_, still, strict=True) if kept is None]
            open_ = [one for one in still if one is not None]
            earlier = [one for row in before[-TAIL:] for one in row]
            lasts = number if number else LAG - 1  # what is hot from the beginning comes once
            open_ += [
                Onset(number, sign, one, lasts, one.contrast / least[number])
                for one in blobs
                if not any(_near(one, other.blob, SAME_ONSET) for other in open_) and not _is_tail(one, earlier)
            ]
            before.append(blobs)
        found += open_
    return found


def sharp_onsets(steps: Iterable[LoadStep], *, elapsed: Array, look_elapsed: Array, least: Array) -> list[Onset]:
    """Return the onsets of load steps: ``elapsed`` of the maps that they were found in, of the looks [s]."""
    found = []
    for step in steps:
        look = min(int(np.searchsorted(look_elapsed, elapsed[step.base], side="right")), len(look_elapsed) - 1)
        blob = replace(step.blob, contrast=step.contrast)
        peak = step.contrast / float(least[look])
        found.append(Onset(look, step.sign, blob, look + SUPPORT, peak, sharp=True, whole=step.whole))
    return found


def _known_better(onset: Onset, sharp: Iterable[Onset]) -> bool:
    return any(
        one.blob.covers(onset.blob.row, onset.blob.column)
        or onset.blob.covers(one.blob.row, one.blob.column)
        or _near(one.blob, onset.blob, 1.0)
        for one in sharp
    )


def _prolonged(onset: Onset, blobs: Sequence[Blob], number: int, *, least: float) -> Onset | None:
    near = [one for one in blobs if _near(onset.blob, one, 1.0)]
    if not near:
        return None
    same = [one.contrast / least for one in near if _near(onset.blob, one, SAME_ONSET)]
    return replace(onset, last=number, peak=max([onset.peak, *same]))


def _is_tail(blob: Blob, earlier: Iterable[Blob]) -> bool:
    return any(one.contrast >= blob.contrast and _distance(one, blob) <= RADIUS * one.width for one in earlier)


def _distance(first: Blob, second: Blob) -> float:
    return float(np.hypot(first.row - second.row, first.column - second.column))


def _near(first: Blob, second: Blob, share: float) -> bool:
    return _distance(first, second) <= max(share * RADIUS * min(first.width, second.width), LEAST_GATE)


def _lasts(onset: Onset) -> bool:
    return onset.last - onset.look + 1 >= SUPPORT


def _recurs(onset: Onset, onsets: Iterable[Onset]) -> bool:
    """Tell whether a load comes or goes at the same place at another time too."""
    return any(
        one is not onset and one.look != onset.look and _near(one.blob, onset.blob, SAME_ONSET) for one in onsets
    )


def _places(onsets: list[Onset], *, last: int) -> list[Track]:
    """Return a track for each place of the onsets, the strongest first."""
    tracks: list[Track] = []
    for one in sorted(onsets, key=lambda onset: (not onset.sharp, -onset.blob.contrast)):
        if one.peak < CLEAR or not (one.look >= last or _lasts(one) or _recurs(one, onsets)):
            continue
        near = [track for track in tracks if _near(track.best, one.blob, SAME_ONSET)]
        track = min(near, key=lambda track: _distance(track.best, one.blob), default=None)
        if track is None:
            track = Track(one.blob)
            tracks.append(track)
        track.peak = max(track.peak, one.peak)
        track.whole |= one.whole
        track.turns[one.look] = one.sign
    return _rejoined(tracks, looks=last + 1)


def _rejoined(tracks: list[Track], *, looks: int) -> list[Track]:
    """Return the tracks, those of one part taken together: a load that comes back beside a hot one seems moved."""
    kept: list[Track] = []
    for track in tracks:
        same = next((one for one in kept if _is_same(one, track, looks=looks)), None)
        if same is None:
            kept.append(track)
        else:
            if track.whole and not same.whole:
                same.best = track.best
            same.turns |= track.turns
            same.peak = max(same.peak, track.peak)
            same.whole |= track.whole
    return kept


def _is_same(first: Track, second: Track, *, looks: int) -> bool:
    """Tell whether two tracks are one part.

    They are as large, lie within one another and are never on together; or one lies within the edges of the other.
    """
    if first.whole != second.whole:
        edged, loose = (first, second) if first.whole else (second, first)
        if edged.best.covers(loose.best.row, loose.best.column):
            return True
    return _alike(first.best, second.best) and not _on(first, looks) & _on(second, looks)


def _alike(first: Blob, second: Blob) -> bool:
    alike = max(first.width, second.width) <= ALIKE * min(first.width, second.width)
    return alike and first.covers(second.row, second.column) and second.covers(first.row, first.column)


def _on(track: Track, looks: int) -> set[int]:
    """Return the looks between a load's coming and its going."""
    on, found = track.turns[min(track.turns)] < 0, set()
    for number in range(looks):
        on = track.turns.get(number, 1 if on else -1) > 0
        found |= {number} if on else set()
    return found


def _borne_out(track: Track, *, last: int) -> bool:
    """Tell whether more than one weak onset speaks for a place: another one, its own blobs, or that it ends with it."""
    return (
        track.whole
        or track.peak >= STRONG
        or len(track.turns) > 1
        or len(track.seen) >= 2 * SUPPORT
        or last - LAG < max(track.turns)
    )


def _is_corner(track: Track, tracks: Iterable[Track]) -> bool:
    """Tell whether a place that no look shows by itself lies by a wider one and came and went with it alone."""
    return (
        not track.whole
        and not track.seen
        and any(
            track.best.width <= NARROW * one.best.width
            and track.turns.items() <= one.turns.items()
            and _distance(track.best, one.best) <= AROUND * RADIUS * one.best.width
            for one in tracks
        )
    )


def _lasting(track: Track, *, last: int, least: Array) -> bool:
    strength = max(blob.contrast / least[number] for number, blob in track.seen.items())
    return strength >= SLOW and (len(track.seen) >= 2 * SUPPORT or last in track.seen)


def _spans(track: Track, tracks: Iterable[Track]) -> bool:
    """Tell whether a place is but what several narrower ones look like once their heat has run together."""
    narrower = [one for one in tracks if one.best.width < track.best.width]
    return sum(track.best.covers(one.best.row, one.best.column) for one in narrower) >= 2


def _assign(tracks: list[Track], blobs: Sequence[Blob], number: int) -> list[Blob]:
    """Give each blob of a look to the track of its place; return those that are of no track's place."""
    cost = np.array([[_cost(track.best, blob) for blob in blobs] for track in tracks]).reshape(len(tracks), len(blobs))
    taken = set()
    for row, column in zip(*linear_sum_assignment(np.where(cost <= 1, cost, FAR)), strict=True):
        if cost[row, column] <= 1:
            tracks[row].seen[number] = blobs[column]
            taken.add(column)
    return [one for index, one in enumerate(blobs) if index not in taken]


def _cost(place: Blob, blob: Blob) -> float:
    return _distance(place, blob) / max(SAME_PLACE * RADIUS * place.width, LEAST_GATE)


def _explained(blob: Blob, tracks: Iterable[Track]) -> bool:
    return any(
        blob.covers(t.best.row, t.best.column)
        or _distance(blob, t.best) <= AROUND * RADIUS * max(blob.width, t.best.width)
        for t in tracks
    )


def _states(tracks: list[Track], looks: Array, *, least: Array) -> tuple[Array, Array]:
    """Return state and partner (region, look); see :class:`History`."""
    places = [(track.best.row, track.best.column) for track in tracks]
    shape = len(tracks), len(looks)
    hidden = np.array([~np.isfinite(looks[:, row, column]) for row, column in places], dtype=bool).reshape(shape)
    there = np.array([_presence(one, least) for one in tracks], dtype=bool).reshape(shape)
    own = np.array([[number in one.seen for number in range(len(looks))] for one in tracks], dtype=bool).reshape(shape)
    state = np.array([story(*rows) for rows in zip(there, own, hidden, strict=True)], dtype=np.int8)
    state = state.reshape(shape)
    partner = np.full(state.shape, NONE, dtype=np.int16)
    for index, number in zip(*np.nonzero(state == MERGED), strict=True):
        partner[index, number] = _host(tracks, index, number)
    for index, number in zip(*np.nonzero(np.isin(state, (SEEN, BACK))), strict=True):
        if number and state[index, number - 1] in (NOT_YET, MERGED, FADED):
            partner[index, number] = _host(tracks, index, number - 1)
    return state, partner


def _presence(track: Track, least: Array) -> npt.NDArray[np.bool_]:
    """Return in which looks something stands at a place (look,); single looks without an onset do not count."""
    first = min(track.turns, default=len(least))
    on = bool(track.turns) and track.turns[first] < 0  # what goes first was there before
    there = np.zeros(len(least), dtype=bool)
    for number in range(len(least)):
        if number in track.turns:
            on = track.turns[number] > 0
        stands = on and track.contrast.get(number, -np.inf) >= KEPT * least[number]
        there[number] = stands or number in track.seen
    for number in range(1, len(least) - 1):
        alone = there[number - 1] == there[number + 1] != there[number]
        if alone and number not in track.turns and number - 1 not in track.turns:
            there[number] = there[number - 1]
    return there


def story(there: Array, own: Array, hidden: Array) -> list[int]:
    """Return one region's states in the order of the looks: when it is there, shows by itself, is hidden (look,)."""
    states: list[int] = []
    was, gone = False, False
    for present, itself, covered in zip(there, own, hidden, strict=True):
        gone |= was and not present and not covered
        was |= bool(present)
        if covered:
            states.append(HIDDEN)
        elif present:
            states.append(MERGED if not itself else BACK if gone else SEEN)
        else:
            states.append(FADED if was else NOT_YET)
    return states


def _host(tracks: list[Track], index: int, number: int) -> int:
    """Return the region whose blob takes a region's place in a look; -1 where none does."""
    place = tracks[index].best
    hosts = {
        other: _distance(track.seen[number], place) / track.seen[number].width
        for other, track in enumerate(tracks)
        if other != index and number in track.seen
    }
    nearest = min(hosts, key=lambda other: hosts[other], default=NONE)
    reach = nearest != NONE and hosts[nearest] <= 2 * RADIUS
    return nearest if reach else NONE
