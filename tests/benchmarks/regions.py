"""Hot regions found blind on items drawn at random: ``PYTHONPATH=tests python tests/benchmarks/regions.py``.

Two kinds of items. ``apart``: seven parts that do not touch, all on from power-on, and on half of the items one load
that goes and comes back. ``touching``: nine parts or so, two of them small ones that touch another, and loads that come
and go at times of their own.

A part counts where its own heat, as optics alone show it, makes it at least 1 K hotter than the board right round it:
in some look for it to be found at all, in each such look for it to be there. What is found is right where its hottest
place lies on such a part or within two millimetres of one, once a part. An identity switches where the blob that a part
shows is another region's than before, or where a region takes up another part's blob.

``--seeds 1 2 3`` for other items. scikit-image's ``blob_log`` and ``peak_local_max`` are set beside it: they search the
same looks one by one and know no identity, so that they are scored as what any of the looks shows.
"""

import argparse
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation
from skimage.feature import blob_log, peak_local_max

from heatwake.kernels.region_tracks import BACK, FADED, MERGED, NOT_YET, SEEN, History
from heatwake.stages.region_search import Looks, follow, take_looks
from heatwake.stages.regions import RegionsSettings
from switched_scenes import STEP, Switched, draw_apart, draw_switched, own_excess, seen_rise

Array = npt.NDArray[np.float64]

COUNTS = 1.0  # [K] of own excess
TRACES = 0.3  # [K] of own excess from which what is found there is not wrong
NEAR = 2.0  # [mm]
REFERENCES = ("blob_log", "peak_local_max")
KINDS = {"apart": draw_apart, "touching": draw_switched}
TOLD = range(301, 321)  # seeds told of; the search was tuned on others


@dataclass(frozen=True)
class Score:
    """What came of one item.

    Attributes
    ----------
    counted, found : int
        Parts of at least 1 K of their own, and those of them that have a region.
    regions, right : int
        Regions, and those of them that are a part's, once a part.
    switches : int
        Of identity.
    looks, there : int
        Looks in which a found part counts, and those in which its region is there.
    off, told : int
        Looks in which a found part has no excess left, and those in which its region is not there.
    warm, warm_found : int
        Parts at least 1 K above ambient at some time, by whatever heat, and those that have a region.
    """

    counted: int = 0
    found: int = 0
    regions: int = 0
    right: int = 0
    switches: int = 0
    looks: int = 0
    there: int = 0
    off: int = 0
    told: int = 0
    warm: int = 0
    warm_found: int = 0

    def __add__(self, other: "Score") -> "Score":
        """Return the sums."""
        return Score(*(getattr(self, name) + getattr(other, name) for name in self.__dataclass_fields__))


class Ground:
    """Where the parts of an item are and what each has of its own in each look."""

    def __init__(self, item: Switched, looks: Looks) -> None:
        """Take an item and the looks at it."""
        cell = item.scene.board.cell
        self.exact = item.footprints
        self.grown = [binary_dilation(one, iterations=max(round(NEAR / cell), 1)) for one in self.exact]
        elapsed = item.truth["elapsed"].to_numpy()
        self.excess = np.array([np.interp(looks.elapsed, elapsed, row) for row in own_excess(item)])
        self.counted = np.flatnonzero((self.excess >= COUNTS).any(axis=1))
        self.warm = np.flatnonzero(item.truth["part_rise_mean"].to_numpy().max(axis=1) >= COUNTS)

    def part_at(self, row: int, column: int) -> int | None:
        """Return the part on or near which a pixel lies."""
        for masks in (self.exact, self.grown):
            for number, mask in enumerate(masks):
                if mask[row, column]:
                    return number
        return None


def score(ground: Ground, history: History) -> Score:
    """Return how well the regions of a history are those of the ground."""
    region_of, right = matched(ground, ((one.best.row, one.best.column) for one in history.tracks))
    present, absent = np.isin(history.state, (SEEN, MERGED, BACK)), np.isin(history.state, (NOT_YET, FADED))
    made = Score(
        counted=len(ground.counted),
        found=sum(part in region_of for part in ground.counted),
        regions=len(history.tracks),
        right=right,
        switches=switches(ground, history),
        warm=len(ground.warm),
        warm_found=sum(part in region_of for part in ground.warm),
    )
    for part in ground.counted:
        if part in region_of:
            on, off = ground.excess[part] >= COUNTS, ground.excess[part] < TRACES
            there, told = present[region_of[part]][on], absent[region_of[part]][off]
            made += Score(looks=int(on.sum()), there=int(there.sum()), off=int(off.sum()), told=int(told.sum()))
    return made


def matched(ground: Ground, places: Iterable[tuple[int, int]]) -> tuple[dict[int, int], int]:
    """Return the region of each part, and how many regions are right."""
    region_of: dict[int, int] = {}
    for region, (row, column) in enumerate(places):
        part = ground.part_at(row, column)
        if part is not None and ground.excess[part].max() >= TRACES and part not in region_of:
            region_of[part] = region
    return region_of, len(region_of)


def switches(ground: Ground, history: History) -> int:
    """Return how often a part's blob changes regions or a region's blob changes parts."""
    last_region: dict[int, int] = {}
    last_part: dict[int, int] = {}
    count = 0
    for look in range(history.state.shape[1]):
        for region, track in enumerate(history.tracks):
            blob = track.seen.get(look)
            part = None if blob is None else ground.part_at(blob.row, blob.column)
            if part is None:
                continue
            count += last_region.get(part, region) != region
            count += last_part.get(region, part) != part
            last_region[part], last_part[region] = region, part
    return count


def score_reference(ground: Ground, looks: Looks, *, name: str, least: Array) -> Score:
    """Return the same of scikit-image's detectors: parts that any look shows, and places that are no part's."""
    found: set[int] = set()
    wrong, places = 0, 0
    for number, look in enumerate(looks.maps):
        if name == "blob_log":
            scaled = np.clip(look, 0, None).astype(np.float64)
            at = blob_log(scaled, min_sigma=2, max_sigma=12, num_sigma=5, threshold=least[number] / 1.36, overlap=0.3)
        else:
            at = peak_local_max(look, min_distance=4, threshold_abs=3 * least[number], exclude_border=True)
        hit = set()
        for row, column in at[:, :2].astype(int):
            part = ground.part_at(row, column)
            places += 1
            if part is None or ground.excess[part].max() < TRACES or part in hit:
                wrong += 1
            else:
                hit.add(part)
        found |= hit
    return Score(
        counted=len(ground.counted),
        found=sum(part in found for part in ground.counted),
        regions=places,
        right=places - wrong,
        warm=len(ground.warm),
        warm_found=sum(part in found for part in ground.warm),
    )


def look_at(seed: int, *, kind: str = "touching", step: float = STEP) -> tuple[Switched, Looks, Array]:
    """Return an item, the looks at it, and the least contrast of each [K]; maps are ``step`` [s] apart."""
    item = KINDS[kind](seed, step=step)
    looks = take_looks(seen_rise(item, seed=seed))
    settings = RegionsSettings()
    least = np.maximum(settings.least_rise_K, settings.least_share * looks.maps.max(axis=(1, 2)))
    return item, looks, least


def rows(seeds: Iterable[int], *, kind: str, references: Iterable[str] = REFERENCES) -> dict[str, Score]:
    """Return the sums over items of each way, and tell of each item as it is done."""
    totals = {name: Score() for name in ("regions", *references)}
    for seed in seeds:
        start = time.perf_counter()
        item, looks, least = look_at(seed, kind=kind)
        ground, middle = Ground(item, looks), time.perf_counter()
        own = score(ground, follow(looks, least=least))
        took = time.perf_counter() - middle
        totals["regions"] += own
        for name in references:
            totals[name] += score_reference(ground, looks, name=name, least=least)
        sys.stdout.write(
            f"item {seed}: {own.found}/{own.counted} parts, {own.right}/{own.regions} regions, "
            f"{own.switches} switches; {took:.1f} s ({middle - start:.0f} s to make it)\n"
        )
        sys.stdout.flush()
    return totals


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="+")
    parser.add_argument("--kind", choices=KINDS, nargs="+", default=list(KINDS))
    parser.add_argument("--alone", action="store_true", help="without the reference detectors, which take longest")
    given = parser.parse_args()
    for kind in given.kind:
        seeds = given.seeds or TOLD
        totals = rows(seeds, kind=kind, references=() if given.alone else REFERENCES)
        sys.stdout.write(f"{kind}\n" + "".join(f"  {_told(name, one)}\n" for name, one in totals.items()))


def _told(name: str, one: Score) -> str:
    told = f"{name:15s} recall {one.found / max(one.counted, 1):.3f} of {one.counted} parts, "
    told += f"precision {one.right / max(one.regions, 1):.3f} of {one.regions}, "
    told += f"warm by any heat {one.warm_found}/{one.warm}"
    if one.looks:
        told += f", switches {one.switches}, there {one.there / one.looks:.3f} of {one.looks} looks, "
        told += f"told gone {one.told / max(one.off, 1):.3f} of {one.off}"
    return told


if __name__ == "__main__":
    main()
