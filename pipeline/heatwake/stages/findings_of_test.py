"""What a recording shows of the test itself: ambient, length, and parts too small for the picture."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.settling import Settling
from heatwake.kernels.spot_size import share_of_part
from heatwake.kernels.transient import fit_rise, fit_settling
from heatwake.schema.findings import KINDS, Course, Finding, Scene
from heatwake.stages.case import Case
from heatwake.stages.findings_of_camera import LOG_SHARE, NOT_RESOLVED_PX, beside, outline_spread, severity

Array = npt.NDArray[Any]

USUAL_SPOT_PX: Final = 2.0  # full width at half maximum
SIGMAS_IN_WIDTH: Final = 2.355
LOG_K: Final = 0.4  # by which the log moves away from what lies beside the board
ALONE_K: Final = 1.0  # the same where nothing lies beside it, and it must go with the board
LIKE_BOARD: Final = 0.95  # correlation with the board's mean
COLD_K: Final = 1.5  # beyond the camera's accuracy, between log and cold board
HOT_PLACES: Final = 2
REMAINS_K: Final = 0.5
REMAINS_SHARE: Final = 0.02  # of the rise
LEAST_RISE_K: Final = 3.0
LEAST_READINGS: Final = 8  # since power-on or a change


def small_parts(case: Case) -> Iterator[Finding]:
    """Parts on which too few pixels lie, by the placement file."""
    sizes = [(name, corners, _sides(corners)) for name, corners in case.part_corners()]
    small = sorted((one for one in sizes if one[2].min() < NOT_RESOLVED_PX), key=lambda one: float(one[2].min()))
    if not small:
        return
    blur = outline_spread(case)
    spot = SIGMAS_IN_WIDTH * float(np.hypot(blur, 0.29)) if np.isfinite(blur) else USUAL_SPOT_PX
    _, _, sides = small[0]
    share = float(np.prod([share_of_part([0.0], half_width=side / 2, spot=spot) for side in sides]))
    names = ", ".join(f"{name} ({sides.min():.1f} px)" for name, _, sides in small[:5])
    yield Finding(
        "part too small",
        "doubtful",
        f"{len(small)} part{'s' if len(small) > 1 else ''} less than {NOT_RESOLVED_PX:g} px across: {names}. Of what a "
        f"pixel sees on the smallest, {share:.0%} is the part: its contrast reads {1 - share:.0%} too low.",
        (1 - share) * case.hottest,
        KINDS["part too small"],
        places_px=tuple((float(x), float(y)) for x, y in (corners.mean(axis=0) for _, corners, _ in small[:6])),
        places_mm=tuple(
            place for _, corners, _ in small[:6] for place in case.on_board(*corners.mean(axis=0).tolist())
        ),
        evidence=Scene(case.hot_picture, lines=tuple(np.vstack([c, c[:1]]) for _, c, _ in small[:6])),
    )


def _sides(corners: Array) -> Array:
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    return np.array([sides[::2].mean(), sides[1::2].mean()])


def ambient_sensor(case: Case) -> Iterator[Finding]:
    """A log of the ambient that goes with the board's heat."""
    look = case.look
    known = np.isfinite(look.ambient)
    if not known.all() or np.ptp(look.ambient) == 0:
        return
    against, alone, spread, even = beside(case)
    moved = look.ambient - look.ambient[0]
    if len(even):
        largest = int(np.argmax(np.abs(against)))
        size = -float(against[largest])
        least = max(LOG_K, 3 * float(spread[largest]), 1.3 * case.reading_step)
        if abs(size) < least or abs(alone[largest]) >= LOG_SHARE * abs(size):
            return
    else:
        size = float(moved[np.argmax(np.abs(moved))])
        if abs(size) < ALONE_K or not case.cells.levels.shape[1]:
            return
        if np.corrcoef(case.cells.levels.mean(axis=1), look.ambient)[0, 1] < LIKE_BOARD:
            return
    curves = (("logged ambient", moved),) + (
        (("beside the board", np.interp(look.elapsed, look.elapsed[even], alone)),) if len(even) else ()
    )
    yield Finding(
        "ambient sensor",
        severity(max(abs(size), 0.3)),
        f"The logged ambient moves by {size:+.2f} K while what lies beside the board does not: the sensor stands in "
        "the item's own warm air, in the sun or in a draught. Every rise is off by as much.",
        abs(size),
        KINDS["ambient sensor"],
        elapsed_s=(float(look.elapsed[0]), float(look.elapsed[-1])),
        evidence=Course(look.elapsed, curves, "moved by, K"),
    )


def not_at_ambient(case: Case) -> Iterator[Finding]:
    """A cold board that is not as cool as the room."""
    if not len(case.cold) or not np.isfinite(case.look.ambient[case.cold]).all():
        return
    inside = case.look.mean(case.cold, aligned=False)[case.inside]
    if not np.isfinite(inside).any():
        return
    off = float(np.nanmedian(inside)) - float(case.look.ambient[case.cold].mean())
    accuracy = float(case.session["accuracy"])
    if abs(off) < (2.0 if np.isnan(accuracy) else accuracy) + COLD_K:
        return
    yield Finding(
        "not at ambient",
        "doubtful",
        f"Before power-on the board reads {off:+.1f} K from the logged ambient, more than the camera's accuracy "
        "explains: it had not cooled down, or the sensor is in the wrong place.",
        abs(off),
        KINDS["not at ambient"],
        frames=tuple(case.look.numbers[case.cold].tolist()),
    )


def unsettled(case: Case) -> Iterator[Finding]:
    """A recording that ends before the board has settled."""
    look, cells = case.look, case.cells
    begins = max([case.start, *(at for at in case.changes if _lasts(at, look.elapsed))])
    since = look.elapsed > begins
    if np.isnan(look.power_on) or not cells.levels.shape[1] or since.sum() < LEAST_READINGS:
        return
    levels, _, used = case.explained
    chosen = since & used
    before = (look.elapsed <= case.start) & used
    start = levels[before].mean(axis=0) if before.any() else levels[chosen][0]
    rise = levels - start
    hot = _hot_places(cells.on_grid(rise[np.flatnonzero(used)[-3:]].mean(axis=0), fill=0.0))
    worst: tuple[float, float, Settling, int] | None = None
    for row, column in hot:
        place = int(np.count_nonzero(cells.mask.ravel()[: row * cells.mask.shape[1] + column]))
        values = rise[chosen, place]
        if values[-1] < LEAST_RISE_K:
            continue
        if begins == case.start:
            settling = fit_settling(values, elapsed=look.elapsed[chosen], onset=begins)
        else:
            settling = _since_change(values, look.elapsed[chosen] - begins)
        left = _remaining(settling, values, look.elapsed[chosen])
        if worst is None or left > worst[0]:
            worst = (left, float(values[-1]), settling, place)
    if worst is None or worst[0] < max(REMAINS_K, REMAINS_SHARE * worst[1]):
        return
    left, last, settling, place = worst
    told = (
        f"about {left:.1f} K are still to come"
        if np.isfinite(settling.final)
        else f"more than {left:.1f} K are still to come"
    )
    yield Finding(
        "unsettled end",
        severity(max(left, 0.3)),
        f"The recording ends before the board has settled: of a hot place that has risen {last:.1f} K {told}.",
        left,
        KINDS["unsettled end"],
        frames=(int(look.numbers[-1]),),
        elapsed_s=(float(look.elapsed[-1]),),
        evidence=Course(look.elapsed[chosen], (("a hot place", rise[chosen, place]),), "rise, K"),
    )


def _lasts(at: float, elapsed: Array) -> bool:
    """Return whether enough readings follow a change to tell where it leads."""
    return bool(np.count_nonzero(elapsed > at) >= LEAST_READINGS)


def _since_change(values: Array, since: Array) -> Settling:
    """Fit what readings do after a change, upwards or downwards, from a level that nobody knows."""
    way = 1.0 if values[-3:].mean() > values[:3].mean() else -1.0
    settling = fit_rise(since, way * (values - values[0]), free=1.0, signed=True)
    return replace(settling, final=values[0] + way * settling.final, remaining=way * settling.remaining)


def _remaining(settling: Settling, values: Array, elapsed: Array) -> float:
    """Return what is still to come [K]; where no fit tells, what the last third of the time brought."""
    if np.isfinite(settling.remaining):
        return float(settling.remaining)
    third = elapsed[-1] - np.ptp(elapsed) / 3
    return float(values[-3:].mean() - np.interp(third, elapsed, values))


def _hot_places(rise: Array) -> list[tuple[int, int]]:
    """Return row and column of the hottest places that do not touch."""
    left, found = rise.copy(), []
    for _ in range(HOT_PLACES):
        row, column = np.unravel_index(int(np.argmax(left)), left.shape)
        if left[row, column] < LEAST_RISE_K:
            break
        found.append((int(row), int(column)))
        left[max(row - 3, 0) : row + 4, max(column - 3, 0) : column + 4] = 0.0
    return found
