"""What a recording shows of the film and of things mirrored."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from heatwake.errors import InputError
from heatwake.kernels.signs_of_camera import stretched
from heatwake.kernels.signs_of_film import Crease, find_crease, loss_along
from heatwake.kernels.signs_of_reflection import round_image, uneven_patches
from heatwake.kernels.unexplained import Jumps, jumps, left_over, without_motion
from heatwake.schema.findings import KINDS, Finding, Scene
from heatwake.stages.case import LEAST_LOOKS, Case
from heatwake.stages.film import FilmSettings, find_film
from heatwake.stages.findings_of_camera import COARSE_STEP_K, range_jump, severity

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

UNEVEN_K: Final = 0.3  # of a cold board
ROUND_K: Final = 0.25
ROUND_SHARE: Final = 0.88  # of a cold board's unevenness
CREASE_K: Final = 0.3  # lost at the warmest place along a line
EARLY: Final = 4  # even frames that show the board while it heats ...
EARLY_RISE: Final = 8.0  # [K] ... when it has warmed by so much
BLUNTER: Final = 1.5  # times the share that is lost later on
JUMP_K: Final = 0.3  # beyond what an error of the picture's place may bring
CLEAR_CELLS: Final = 2  # that jump together
LEAST_CELLS: Final = 5  # round them that jump by half as much or more
MOST_SHARE: Final = 0.3  # of the board: more is no touch
AT_ONCE: Final = 0.5  # of a jump, within two looks
DOME_K: Final = 0.2  # across the board; of 80 sound recordings the smooth remains of none span more
HALF: Final = 0.5  # of a jump's squares, beyond its sharpest patch: then it is wide
DOME_SHARE: Final = 0.75  # of a jump's pattern that is a smooth dome
HEAT_SHARE: Final = 0.1  # of what a change of fan or load brings: as much may seem to jump when it begins
CONTRAST_SHARE: Final = 0.7  # of it that goes with the contrast: another measuring range; bulges have up to 0.2
ORDER: Final = 4  # of a polynomial that is smooth over the board
MOST_JUMPS: Final = 3
LEAST_GAIN: Final = 0.05  # of what heat leaves over, that a jump must explain
LOUD_K: Final = 0.36
LOUD_CELLS: Final = 2
LOUD_LOOKS: Final = 6  # that show what no heat does
LOUD_SHARE: Final = 0.08  # of the looks
GOOD_FILM: Final = 0.89  # transmittance of one layer of thin polyethylene
SINGLE_LAYER: Final = (0.82, 0.92)  # 8 to 50 um of polyethylene; n 1.52 without loss passes no more


def layers(case: Case) -> Iterator[Finding]:
    """A film that passes too much or too little to be one layer of thin polyethylene."""
    try:
        found = find_film(case.session, FilmSettings())
    except InputError as error:
        yield Finding(
            "film layers", "wrong", f"The film cannot be corrected for: {error}.", np.nan, KINDS["film layers"]
        )
        return
    clear = float(np.asarray(found.film.transmittance))
    if not bool(case.session["film_present"]) or (not found.doubt and SINGLE_LAYER[0] <= clear <= SINGLE_LAYER[1]):
        return
    low = "less than one layer of thin polyethylene: PVC, or two layers" if clear < SINGLE_LAYER[0] else "doubtful"
    yield Finding(
        "film layers",
        "doubtful",
        f"The film's transmittance is {clear:.3f} ({found.comment}), {low}.",
        abs(GOOD_FILM - clear) * case.hottest,
        KINDS["film layers"],
    )


def creases(case: Case) -> Iterator[Finding]:
    """A fold of the film: a dark line over warm places."""
    if not bool(case.session["film_present"]) or case.reading_step > COARSE_STEP_K:  # steps of readings are lines too
        return
    outlines = [corners for _, corners in case.part_corners() if np.isfinite(corners).all()]
    found = find_crease(case.rise, case.inside, outlines=outlines)
    if found is None or found.effect < CREASE_K or _grows_blunter(case, found):
        return
    middle = (found.start[0] + found.end[0]) / 2, (found.start[1] + found.end[1]) / 2
    yield Finding(
        "film crease",
        severity(max(found.effect, 0.3)),
        f"A dark line, {found.loss:.1%} of the rise lost along it, runs over parts and board alike: a fold of the "
        "film.",
        found.effect,
        KINDS["film crease"],
        frames=tuple(case.look.numbers[case.look.late].tolist()),
        places_px=(found.start, found.end),
        places_mm=(*case.on_board(*found.start), *case.on_board(*found.end)) if np.isfinite(middle).all() else (),
        evidence=Scene(case.rise, lines=(np.array([found.start, found.end]),), label="rise, K"),
    )


def _grows_blunter(case: Case, found: Crease) -> bool:
    """Tell whether a dark line lost clearly more of the rise while the board was heating: then heat drew it."""
    if not len(case.cold):
        return False
    cold = case.look.mean(case.cold)
    heating = np.flatnonzero(case.look.even & (case.look.elapsed > case.look.power_on))[: -len(case.look.late)]
    for first in range(0, len(heating) - EARLY + 1, EARLY):
        early = case.look.mean(heating[first : first + EARLY]) - cold
        if np.nanmedian(early[case.inside]) > EARLY_RISE:
            shares = [loss_along(rise, case.inside, found) for rise in (early, case.rise)]
            return bool(shares[0] > BLUNTER * shares[1])
    return False


@dataclass(frozen=True, eq=False)
class Seen:
    """A jump that was told from heat: what it looks like, at which look, by how much each cell."""

    kind: str
    look: int
    sizes: Array
    gained: float


def jumps_seen(case: Case) -> tuple[list[Seen], Array]:
    """Return the jumps of a recording, and what is left over of its cells with them taken off."""
    levels, basis, used = case.explained
    found: list[Seen] = []
    while levels.shape[1] and len(found) < MOST_JUMPS:
        fitted = jumps(levels, case.look.elapsed, basis=basis, used=used)
        best = _first(case, fitted)
        if best is None:
            break
        found.append(best)
        after = (np.arange(len(levels)) >= best.look).astype(float)[:, None]
        basis = np.concatenate([basis, after], axis=1)
    left = left_over(levels, basis, used=used) if levels.shape[1] else levels
    return found, without_motion(left, case.cells.slopes) if levels.shape[1] else left


def _first(case: Case, fitted: Jumps) -> Seen | None:
    """Return the jump that explains most of those that are one; most looks gain too little to be asked."""
    for index in np.argsort(-fitted.gained):
        if fitted.gained[index] <= LEAST_GAIN:
            return None
        seen = _judged(case, int(index), fitted.sizes, fitted.at_once, float(fitted.gained[index]))
        if seen is not None:
            return seen
    return None


def _judged(case: Case, index: int, sizes: Array, at_once: Array, gained: float) -> Seen | None:
    """Return what a jump at a look is; None where there is none."""
    size, once = sizes[index], at_once[index]
    tolerance = max(JUMP_K, 1.3 * case.reading_step) + case.cells.tolerance[index]
    at_once_too = once * np.sign(size) > AT_ONCE * np.abs(size)
    clear = (np.abs(size) > tolerance) & at_once_too
    fit, explained = _smooth(case, size)
    span = float(np.quantile(fit, 0.95) - np.quantile(fit, 0.05))
    near = at_once[max(index - 1, 0) : index + 2]
    pace = max(float(_slope(size, one)) for one in near)
    heat = HEAT_SHARE * case.moved_by_heat(index)
    broad = span > float(np.quantile(heat, 0.95)) and pace > AT_ONCE
    if abs(_with_contrast(case, index, size)) > 0 and span > 2 * DOME_K and broad:
        return Seen("range jump", index, size, gained)
    smooth = explained > DOME_SHARE or (explained > HALF and _beyond(case, size, clear)[1] > HALF)
    if smooth and span > max(DOME_K, 1.3 * case.reading_step) and broad:
        return Seen("film bulge", index, size, gained)
    kept, wide = _beyond(case, size, (np.abs(size) > tolerance / 2) & at_once_too)
    if not (kept & (np.abs(size) > heat)).any():
        return None
    enough = (kept & clear).sum() >= CLEAR_CELLS and LEAST_CELLS <= kept.sum() < MOST_SHARE * len(size)
    if enough and wide <= HALF:
        return Seen("film touches a part", index, np.where(kept, size, 0.0), gained)
    return None


def _beyond(case: Case, size: Array, marked: Mask) -> tuple[Mask, float]:
    """Return the largest patch of marked cells, and the share of a jump's squares beyond it."""
    kept = _largest(case.cells.on_grid(marked.astype(np.uint8), fill=0))[case.cells.mask]
    return kept, float((size[~kept] ** 2).sum() / max(float((size**2).sum()), 1e-9))


def _slope(size: Array, once: Array) -> float:
    centred = size - size.mean()
    return float(once @ centred / max(float(centred @ centred), 1e-9))


def _smooth(case: Case, size: Array) -> tuple[Array, float]:
    """Return the polynomial of fourth order through a pattern over the board, and the share of variance it explains."""
    row, column = (one / max(float(np.max(one)), 1.0) * 2 - 1 for one in np.nonzero(case.cells.mask))
    base = np.stack([row**i * column**j for i in range(ORDER + 1) for j in range(ORDER + 1 - i)], axis=1)
    fit = base @ np.linalg.lstsq(base, size, rcond=None)[0]
    total = float(((size - size.mean()) ** 2).sum())
    return fit, 1 - float(((size - fit) ** 2).sum()) / max(total, 1e-9)


def _with_contrast(case: Case, index: int, size: Array) -> float:
    """Return the ratio less 1 by which a jump stretches all contrasts; 0 where it does not.

    Told by the jump, or from the cells as they are: what an error of place would bring looks like contrast as well.
    """
    used = np.flatnonzero(case.explained[2])
    levels, k = case.cells.levels[used].astype(np.float64), int(np.searchsorted(used, index))
    centred = levels[max(k - 1, 0)] - levels[max(k - 1, 0)].mean()
    ratio = _slope(centred, size)
    if np.std(centred) < 1.0 or ratio <= -1.0:
        return 0.0
    left = float(((size - size.mean() - ratio * centred) ** 2).sum())
    if left < (1 - CONTRAST_SHARE) * float(((size - size.mean()) ** 2).sum()):
        return ratio
    gains = np.zeros(len(used))
    gains[k] = np.log1p(ratio)
    return ratio if stretched(levels, case.look.elapsed[used], gains=gains)[k] else 0.0


def _largest(marked: Array) -> Mask:
    count, labels, statistics, _ = cv2.connectedComponentsWithStats(marked.astype(np.uint8), connectivity=8)
    if count < 2:
        return np.zeros(marked.shape, dtype=bool)
    return np.asarray(labels == 1 + int(np.argmax(statistics[1:, cv2.CC_STAT_AREA])))


def moving_and_jumping(case: Case) -> Iterator[Finding]:
    """Reflections that move, a film that bulges or comes to lie on a part, a range that jumps."""
    if not case.cells.levels.shape[1] or case.explained[2].sum() < LEAST_LOOKS:
        return
    seen, left = jumps_seen(case)
    moving = _moving(case, left)
    if moving is not None:
        yield moving
        return
    told: set[str] = set()
    for one in seen:
        if one.kind == "range jump" and not case.cells.gains.any():
            yield range_jump(case, one.look, 1 + _with_contrast(case, one.look, one.sizes))
        elif bool(case.session["film_present"]) and one.kind not in told and not _beside_range_jump(case, seen, one):
            yield _film_finding(case, one)
        told.add(one.kind)


def _beside_range_jump(case: Case, seen: list[Seen], one: Seen) -> bool:
    others = [other.look for other in seen if other.kind == "range jump"] + np.flatnonzero(case.cells.gains).tolist()
    return one.kind == "range jump" or any(abs(other - one.look) <= 2 for other in others)


def _film_finding(case: Case, one: Seen) -> Finding:
    look, cells = case.look, case.cells
    grid = cells.on_grid(one.sizes)
    row, column = np.unravel_index(np.nanargmax(np.abs(grid)), grid.shape)
    if one.kind != "film bulge":
        rows, columns = np.nonzero(np.nan_to_num(grid))
        place = ((columns.mean() + 0.5) * cells.side - 0.5, (rows.mean() + 0.5) * cells.side - 0.5)
    else:
        place = ((column + 0.5) * cells.side - 0.5, (row + 0.5) * cells.side - 0.5)
    size, when = float(grid[row, column]), float(look.elapsed[one.look])
    pace = f"within {max(when - float(look.elapsed[one.look - 1]), 2.0):.0f} s"
    if one.kind == "film bulge":
        smooth, _ = _smooth(case, one.sizes)
        size = float(smooth[np.argmax(np.abs(smooth))])
        words = f"At {when:.0f} s the picture changes by up to {size:+.2f} K {pace}, as a smooth dome: the film moved."
    else:
        near = _nearest_part(case, place)
        words = (
            f"At {when:.0f} s a sharp patch{near} changes by {size:+.2f} K {pace} and stays; heat would take longer: "
            "the film came to lie there or let go, or something else is seen there."
        )
    wide = cv2.resize(np.nan_to_num(grid).astype(np.float32), look.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return Finding(
        one.kind,
        severity(max(abs(size), 0.3)),
        words,
        abs(size),
        KINDS[one.kind],
        frames=(int(look.numbers[one.look]),),
        elapsed_s=(when,),
        places_px=(place,),
        places_mm=case.on_board(*place),
        evidence=Scene(wide, lines=(_ring(place, 3.0 * cells.side),), label="change at once, K"),
    )


def _nearest_part(case: Case, place: tuple[float, float]) -> str:
    parts = case.part_corners()
    if not parts:
        return ""
    distances = [float(np.hypot(*(corners.mean(axis=0) - place))) for _, corners in parts]
    return f" at {parts[int(np.argmin(distances))][0]}"


def _ring(place: tuple[float, float], radius: float) -> Array:
    angle = np.linspace(0, 2 * np.pi, 25)
    return np.stack([place[0] + radius * np.cos(angle), place[1] + radius * np.sin(angle)], axis=1)


def _moving(case: Case, left: Array) -> Finding | None:
    """Return what moves or flickers over the board, if anything does."""
    cells, look, used = case.cells, case.look, case.explained[2]
    tolerance = 1.2 * (max(JUMP_K, 1.3 * case.reading_step) + cells.tolerance)
    loud = (np.abs(left) > tolerance) & used[:, None]
    looks = np.flatnonzero([_largest(cells.on_grid(one.astype(np.uint8), fill=0)).sum() >= LOUD_CELLS for one in loud])
    if len(looks) < max(LOUD_LOOKS, LOUD_SHARE * used.sum()):
        return None
    sizes = np.where(loud, np.abs(left), 0.0)
    strongest = np.argsort(-sizes.max(axis=1))[:3]
    grids = [cells.on_grid(sizes[one], fill=0.0) for one in strongest]
    peaks = [np.unravel_index(int(np.argmax(grid)), grid.shape) for grid in grids]
    places = tuple((float((c + 0.5) * cells.side - 0.5), float((r + 0.5) * cells.side - 0.5)) for r, c in peaks)
    effect = float(np.quantile(sizes[looks].max(axis=1), 0.9))
    show = cells.on_grid(left[strongest[0]], fill=0.0)
    wide = cv2.resize(show.astype(np.float32), look.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return Finding(
        "moving reflection",
        severity(max(effect, 0.3)),
        f"In {len(looks)} of {int(used.sum())} frames looked at something of up to {effect:.1f} K moves or flickers "
        "over the board, which heat cannot: a lamp, a person or a warm thing mirrored.",
        effect,
        KINDS["moving reflection"],
        frames=tuple(look.numbers[looks[:12]].tolist()),
        elapsed_s=tuple(look.elapsed[looks[:12]].tolist()),
        places_px=places,
        places_mm=tuple(place for one in places for place in case.on_board(*one)),
        evidence=Scene(wide, lines=(_ring(places[0], 3.0 * cells.side),), label="beyond what heat can do, K"),
    )


def cold_picture(case: Case, others: list[Finding]) -> Iterator[Finding]:
    """What a cold board shows though all of it has one temperature: emissivity, and the camera's own image."""
    if not len(case.cold) or case.corners is None or {one.kind for one in others} & {"moving reflection"}:
        return
    bulges = [one.elapsed_s[0] for one in others if one.kind == "film bulge"]
    cold = case.cold[case.look.elapsed[case.cold] < min([*bulges, np.inf]) - 1.0]
    if len(cold) < 2:
        return
    picture = case.look.mean(cold, aligned=False)
    image = round_image(picture, case.inside)
    if abs(image.height) > ROUND_K and image.explained > ROUND_SHARE:
        yield Finding(
            "own reflection",
            severity(max(abs(image.height), 0.3)),
            f"A round patch of {image.height:+.2f} K lies near the middle of the cold picture, where the board is of "
            "one temperature: the camera sees itself in the film.",
            abs(image.height),
            KINDS["own reflection"],
            frames=tuple(case.look.numbers[cold].tolist()),
            places_px=((image.column, image.row),),
            places_mm=case.on_board(image.column, image.row),
            evidence=Scene(picture, lines=(_ring((image.column, image.row), image.radius),)),
        )
    if any(one.kind == "visible overlay" for one in others):
        return
    patches = uneven_patches(picture, case.inside, least=max(UNEVEN_K, 1.3 * case.reading_step))
    if len(patches.sizes):
        yield _uneven(case, picture, patches.largest, patches.centres, cold)


def _uneven(case: Case, picture: Array, largest: float, centres: Array, cold: npt.NDArray[np.intp]) -> Finding:
    places = tuple((float(column), float(row)) for column, row in centres[:6])
    zeroed = case.look.power_on - case.look.elapsed[0] >= 10.0
    more = "A run takes it off the rise, but not what it does to hot readings" if zeroed else "A run cannot take it off"
    return Finding(
        "emissivity pattern",
        severity(max(abs(largest), 0.3)),
        f"The cold, unpowered board is uneven by up to {largest:+.2f} K at {len(centres)} place"
        f"{'s' if len(centres) > 1 else ''}: that is emissivity and what it mirrors, not temperature. {more}.",
        abs(largest),
        KINDS["emissivity pattern"],
        frames=tuple(case.look.numbers[cold].tolist()),
        places_px=places,
        places_mm=tuple(place for one in places for place in case.on_board(*one)),
        evidence=Scene(picture, lines=tuple(_ring(place, 4.0) for place in places)),
    )
