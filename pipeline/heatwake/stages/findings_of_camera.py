"""What a recording shows of the camera: range, steps, drift, sharpness, a visible picture drawn in."""

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.signs_of_camera import drawn_edges, edge_spread
from heatwake.kernels.spot_size import share_of_part
from heatwake.kernels.surroundings import beside_board, level_drift, sector_of
from heatwake.schema.findings import KINDS, Course, Finding, Scene, Severity
from heatwake.stages.case import STEP_K, Case

Array = npt.NDArray[Any]

CLIPPED_SHARE: Final = 2e-4  # of a picture, from where it is worth a word
COARSE_STEP_K: Final = 0.15  # between neighbouring readings
WORSE_STEP_K: Final = 0.5
DRAWN_SHARE: Final = 0.02  # of the pixels beside an edge that no lens makes; sound recordings have up to 0.004
DRAWN_K: Final = 0.45
SOFT_PX: Final = 1.5  # standard deviation of the spot; good lenses have 0.5 to 0.9
LEAST_EDGE_K: Final = 2.0
NOT_RESOLVED_PX: Final = 4.0  # across a part; below it readings are far too low (Budzier and Gerlach, 2021)
SIGMAS_IN_WIDTH: Final = 2.355  # full width at half maximum of a normal distribution
DRIFT_K: Final = 0.35
CLEAR: Final = 3.0  # standard uncertainties
MARGIN_PX: Final = 5.0
LOG_SHARE: Final = 0.5  # of a drift of the difference, that the picture itself must make to be the camera's
AT_START: Final = 0.35  # of the time: a drift of which so much is over by then began with the recording


def severity(effect: float) -> Severity:
    """Return how bad an effect is that shifts readings [K]."""
    return "note" if effect < 0.3 else "doubtful" if effect < 3.0 else "wrong"


def clipping(case: Case) -> Iterator[Finding]:
    """Readings that pile up at an end of the range."""
    look = case.look
    for end, word, beyond in (
        (look.above, "above", look.pictures >= look.above),
        (look.below, "below", look.pictures <= look.below),
    ):
        shares = beyond.mean(axis=(1, 2))
        if not np.isfinite(end) or shares.max() < CLIPPED_SHARE:
            continue
        worst, seen = int(np.argmax(shares)), np.flatnonzero(shares > 0)
        rows, columns = np.nonzero(beyond[worst])
        place = float(np.median(columns)), float(np.median(rows))
        yield Finding(
            "clipping",
            "wrong",
            f"Up to {shares.max():.2%} of a frame reads {end:.1f} °C, where the range ends: what is {word} it is not "
            "seen.",
            np.nan,
            KINDS["clipping"],
            frames=tuple(look.numbers[seen[:8]].tolist()),
            elapsed_s=tuple(look.elapsed[seen[:8]].tolist()),
            places_px=(place,),
            places_mm=case.on_board(*place),
            evidence=Scene(np.asarray(look.pictures[worst]), lines=(_box(columns, rows),)),
        )


def _box(columns: Array, rows: Array) -> Array:
    left, right, top, bottom = columns.min() - 1, columns.max() + 1, rows.min() - 1, rows.max() + 1
    return np.array([(left, top), (right, top), (right, bottom), (left, bottom), (left, top)], dtype=float)


def coarse_readings(case: Case) -> Iterator[Finding]:
    """Few levels: a colour video, or eight bits."""
    step = case.reading_step
    if step < COARSE_STEP_K:
        return
    levels = len(np.unique(case.look.pictures[case.look.late[-1]]))
    yield Finding(
        "few levels",
        "doubtful" if step >= WORSE_STEP_K else "note",
        f"Readings come in steps of {step:.2f} K ({levels} levels in a frame): they are no radiometric data.",
        step / np.sqrt(12),
        KINDS["few levels"],
        frames=(int(case.look.numbers[case.look.late[-1]]),),
        evidence=Scene(np.asarray(case.look.pictures[case.look.late[-1]])),
    )


def drawn_in(case: Case) -> Iterator[Finding]:
    """A visible picture drawn into the thermal one."""
    late = case.look.late
    least = max(DRAWN_K, 2.5 * case.reading_step)
    found = [drawn_edges(case.look.pictures[one], least=least) for one in late]
    if not found or np.median([one.share for one in found]) < DRAWN_SHARE:
        return
    worst = found[-1]
    yield Finding(
        "visible overlay",
        "wrong",
        f"{worst.share:.0%} of the pixels stand beside edges sharper than any lens makes, of {worst.height:.1f} K: a "
        "visible picture is drawn in.",
        worst.height,
        KINDS["visible overlay"],
        frames=tuple(case.look.numbers[late].tolist()),
        evidence=Scene(np.asarray(case.look.pictures[late[-1]])),
    )


def blurred(case: Case) -> Iterator[Finding]:
    """A picture out of focus, by the board's outline."""
    spread = outline_spread(case)
    if not spread > SOFT_PX:
        return
    sizes = [(name, _smaller_side(corners)) for name, corners in case.part_corners()]
    sizes = [one for one in sizes if one[1] >= NOT_RESOLVED_PX]
    name, size = min(sizes, key=lambda one: one[1]) if sizes else ("a part of ten pixels", 10.0)
    loss = 1 - share_of_part([0.0], half_width=size / 2, spot=SIGMAS_IN_WIDTH * spread)
    corners = case.corners_on(int(case.look.late[-1]))
    yield Finding(
        "out of focus",
        severity(max(loss * case.hottest, 0.3)),
        f"The board's edge is blurred over {spread:.1f} px (standard deviation; a focused lens makes 0.5 to 0.9): a "
        f"hot part as small as {name} ({size:.0f} px) reads up to {loss:.0%} of its contrast low.",
        loss * case.hottest,
        KINDS["out of focus"],
        frames=(int(case.look.numbers[case.look.late[-1]]),),
        evidence=Scene(
            np.asarray(case.look.pictures[case.look.late[-1]]),
            lines=() if corners is None else (np.vstack([corners, corners[:1]]),),
        ),
    )


def outline_spread(case: Case) -> float:
    """Return the blur of the board's outline [px], NaN where it does not tell."""
    found = []
    for index in case.look.late[-1:]:
        corners = case.corners_on(int(index))
        if corners is not None:
            found.append(edge_spread(case.look.pictures[index], corners, least=LEAST_EDGE_K))
    known = np.array(found)[np.isfinite(found)] if found else np.zeros(0)
    return float(np.median(known)) if known.size else np.nan


def _smaller_side(corners: Array) -> float:
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    return float(min(sides[::2].mean(), sides[1::2].mean()))


def steps(case: Case) -> Iterator[Finding]:
    """Steps common to all pixels: the camera's shutter."""
    numbers, sizes = _shutter(case)
    if not len(numbers):
        return
    elapsed = case.session["elapsed"].to_numpy()
    told = ", ".join(f"{size:+.2f} K at {elapsed[one]:.0f} s" for one, size in zip(numbers[:4], sizes[:4], strict=True))
    course = case.look.elapsed, np.cumsum(case.cells.steps)
    if case.offsets is not None:
        course = elapsed, case.offsets
    yield Finding(
        "offset steps",
        "note" if np.abs(sizes).max() < 3 else "doubtful",
        f"All pixels step alike {_count(case, len(numbers))}: {told}. That is the camera's shutter, no heat; a run "
        "takes such steps off.",
        float(np.abs(sizes).max()),
        KINDS["offset steps"],
        frames=tuple(numbers.tolist()),
        elapsed_s=tuple(elapsed[numbers].tolist()),
        evidence=Course(course[0], (("common to all pixels", course[1]),), "offset of the camera, K"),
    )


def _shutter(case: Case) -> tuple[npt.NDArray[np.intp], Array]:
    """Return frames and sizes [K] of the camera's steps: of all frames where a run told them, else of those seen."""
    if case.offsets is None:
        at = np.flatnonzero(case.cells.steps)
        return case.look.numbers[at], case.cells.steps[at]
    jumps = np.diff(case.offsets, prepend=case.offsets[:1])
    at = np.flatnonzero(np.abs(jumps) >= STEP_K)
    return at, jumps[at]


def _count(case: Case, steps: int) -> str:
    """Return how often, "at least" where not every frame was looked at."""
    times = f"{steps} time{'s' if steps > 1 else ''}"
    seen, frames = len(case.look.numbers), case.session.sizes["frame"]
    every = seen == frames or case.offsets is not None
    return times if every else f"at least {times} (in {seen} of {frames} frames)"


def range_jumps(case: Case) -> Iterator[Finding]:
    """All contrasts stretched in one ratio at once: another measuring range."""
    at = np.flatnonzero(case.cells.gains)
    for one in at[:2]:
        gain = float(np.exp(case.cells.gains[one]))
        yield range_jump(case, int(one), gain)


def range_jump(case: Case, index: int, gain: float) -> Finding:
    """Return the finding of one such jump."""
    look = case.look
    effect = abs(gain - 1) * case.hottest
    return Finding(
        "range jump",
        "wrong",
        f"At {look.elapsed[index]:.0f} s all contrasts change by {gain - 1:+.1%} from one frame to the next: the "
        "camera went to another measuring range.",
        effect,
        KINDS["range jump"],
        frames=(int(look.numbers[index]),),
        elapsed_s=(float(look.elapsed[index]),),
        evidence=Course(
            look.elapsed,
            tuple(
                (name, np.quantile(look.pictures[:, case.inside], share, axis=1))
                for name, share in (("hottest", 0.995), ("middle", 0.5))
            ),
            "indicated temperature, °C",
        ),
    )


def beside(case: Case) -> tuple[Array, Array, Array, npt.NDArray[np.intp]]:
    """Return how what lies beside the board moved against the log and by itself, with its uncertainty [K], and when.

    All empty where it cannot be told: without corners, or nothing of the surroundings in view.
    """
    nothing = np.zeros(0)
    look = case.look
    even = np.flatnonzero(look.even & case.explained[2])
    if case.corners is None or len(even) < 8:
        return nothing, nothing, nothing, even[:0]
    places = np.argwhere(beside_board(case.corners, shape=look.shape, margin=MARGIN_PX + look.travel))
    if not len(places):
        return nothing, nothing, nothing, even[:0]
    centre = case.corners.mean(axis=0)
    readings = look.pictures[even][:, places[:, 0], places[:, 1]] - np.cumsum(case.cells.steps)[even][:, None]
    sectors = sector_of(places, centre=(float(centre[1]), float(centre[0])))
    logged = look.ambient[even]
    known = logged if np.isfinite(logged).all() else np.zeros(len(even))
    against, spread = level_drift(readings, known, sectors=sectors)
    if not np.isfinite(against).any():
        return nothing, nothing, nothing, even[:0]
    return against, against + known - known[0], spread, even


def drift(case: Case) -> Iterator[Finding]:
    """A drift of the offset, by what lies beside the board."""
    against, alone, spread, even = beside(case)
    if not len(even) or case.cells.gains.any():
        return
    largest = int(np.argmax(np.abs(against)))
    size = float(against[largest])
    logged = bool(np.isfinite(case.look.ambient[even]).all() and np.ptp(case.look.ambient) > 0)  # not one number
    least = max(DRIFT_K if logged else 2 * DRIFT_K, CLEAR * float(spread[largest]), 1.3 * case.reading_step)
    if abs(size) < least or (logged and abs(alone[largest]) < LOG_SHARE * abs(size)):
        return
    yield _drift(case, against, size=size, even=even, logged=logged)


def _drift(case: Case, against: Array, *, size: float, even: npt.NDArray[np.intp], logged: bool) -> Finding:
    elapsed = case.look.elapsed[even]
    early = float(np.interp(elapsed[0] + AT_START * np.ptp(elapsed), elapsed, against)) / size
    before = float(np.interp(case.look.power_on, elapsed, against)) if np.isfinite(case.look.power_on) else 0.0
    if early > 0.5 and abs(before) > 0.1 * abs(size) * (case.look.power_on - elapsed[0]) / np.ptp(elapsed):
        cause = "fastest at the start, as of a camera just switched on"
    else:
        cause = "as of a camera that the exhaust or the sun warms"
    what = "against the logged ambient" if logged else "with no log of the ambient to compare with"
    return Finding(
        "offset drift",
        severity(abs(size)),
        f"What lies beside the board moves by {size:+.2f} K {what}: the offset drifts, {cause}, or the surroundings "
        "warm.",
        abs(size),
        KINDS["offset drift"],
        elapsed_s=(float(elapsed[0]), float(elapsed[-1])),
        evidence=Course(elapsed, (("beside the board", against),), "moved by, K"),
    )
