"""A board's outline proposed from a picture: four straight edges that enclose it, and its corners between pixels."""

from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Final, Literal

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates, spline_filter

from heatwake.kernels.board_view import BoardView, Marks
from heatwake.kernels.edge_lines import NOISE_QUANTILE, STANDS_OUT, Line, find_edges, find_lines
from heatwake.kernels.geometry import is_convex
from heatwake.kernels.plausibility import FOCAL_LENGTHS, WARPED, shape_mismatch

Array = npt.NDArray[Any]
Confidence = Literal["high", "fair", "low"]

SEARCH_PIXELS: Final = 120_000  # of the picture that is searched; corners are refined on the whole
PARALLEL_DEG: Final = 40.0  # opposite sides of a rectangle in perspective differ by less
CROSSING_DEG: Final = 40.0  # sides that meet differ by more
LEAST_SIDE: Final = 0.15  # of the picture's shorter side
LEAST_AREA: Final = 0.08  # of the picture
LEAST_COVERED: Final = 0.35  # of each side an edge, for a proposal
COVERED: Final = (0.85, 0.6)  # of the worst side for high and fair confidence
MARGIN: Final = 0.1  # of score over another outline, for high confidence
RIVAL: Final = 0.04  # of the longer side: corners further apart are another outline
SHAPE: Final = 0.12  # mismatch of the shape that costs as much as a gap
KEPT: Final = 400  # outlines whose shape is looked at
REACH: Final = 4.0  # [px] beside a side where its edge is sought
ROUNDS: Final = 3
BLUR: Final = 1.0  # [px] standard deviation: an edge sharper than that seems to lie on whole pixels
BESIDE: Final = 2.0  # [px] along a side over which its profile is averaged
FLOOR: Final = 0.15  # [px] what edges that bend, shade or carry solder shift a corner by


@dataclass(frozen=True)
class Outline:
    """A proposal for a board's corners.

    Attributes
    ----------
    corners : (4, 2) array
        Column and row [px]: top-left, top-right, bottom-right, bottom-left.
    uncertainty : (4,) array
        Standard uncertainty of each, along an axis [px].
    covered : (4,) array
        Share of each side, from the top one clockwise, along which an edge is seen.
    mismatch : float
        By how much its shape is off the board's; NaN where its size is not known.
    turned : bool
        The board lies across: its width runs down the picture.
    confidence : str
    """

    corners: Array
    uncertainty: Array
    covered: Array
    mismatch: float
    turned: bool
    confidence: Confidence


def find_outline(picture: Array, *, size: tuple[float, float] | None = None) -> Outline | None:
    """Return the outline that straight edges of a picture bear out best; None where none is.

    Parameters
    ----------
    picture : (rows, columns) array
        NaN where masked; of an ideal lens.
    size : (float, float), optional
        Width and height of the board [mm].
    """
    factor = max(1, round(np.sqrt(picture.size / SEARCH_PIXELS)))
    small = _shrunk(picture, factor)
    lines = find_lines(find_edges(small), shape=(small.shape[0], small.shape[1]))
    found = _ranked(lines, shape=(small.shape[0], small.shape[1]), size=size)
    if not found:
        return None
    score, best = found[0]
    if best.covered.min() < LEAST_COVERED:
        return None
    apart = RIVAL * max(small.shape)
    rival = next((one for one, other in found if _apart(best, other) > apart), 0.0)
    corners, uncertainty = refine_corners(picture, best.corners * factor + (factor - 1) / 2)
    return replace(
        best,
        corners=corners,
        uncertainty=uncertainty,
        confidence=_confidence(best, lead=score - rival, spread=uncertainty),
    )


def _shrunk(picture: Array, factor: int) -> Array:
    rows, columns = picture.shape[0] // factor, picture.shape[1] // factor
    cells = picture[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
    return np.asarray(cells.mean(axis=(1, 3)), dtype=np.float32)


def _apart(one: Outline, other: Outline) -> float:
    """Largest distance between the corners of two outlines, whichever is called the first [px]."""
    turns = (np.roll(other.corners, turn, axis=0) for turn in range(4))
    return min(float(np.hypot(*(one.corners - turn).T).max()) for turn in turns)


def _confidence(outline: Outline, *, lead: float, spread: Array) -> Confidence:
    worst = float(outline.covered.min())
    odd = outline.mismatch > WARPED
    if worst >= COVERED[0] and lead >= MARGIN and not odd and spread.max() < 1.0:
        return "high"
    return "fair" if worst >= COVERED[1] and not odd else "low"


def _ranked(
    lines: list[Line], *, shape: tuple[int, int], size: tuple[float, float] | None
) -> list[tuple[float, Outline]]:
    """Return outlines with their scores, the best first."""
    if len(lines) < 4:
        return []
    scores, covered, corners = _quadrilaterals(lines, shape=shape)
    order = np.argsort(-scores)[:KEPT]
    found = []
    for one in order:
        outline = _ordered(corners[one], covered[one], shape=shape, size=size)
        cost = 0.0 if np.isnan(outline.mismatch) else 0.25 * (1 - np.exp(-((outline.mismatch / SHAPE) ** 2)))
        found.append((float(scores[one]) - cost, outline))
    return sorted(found, key=lambda one: -one[0])


def _quadrilaterals(lines: list[Line], *, shape: tuple[int, int]) -> tuple[Array, Array, Array]:
    """Return scores (n,), shares covered (n, 4) and corners (n, 4, 2) of what pairs of pairs of lines enclose.

    Sides run: first line, second pair's second line, second line, second pair's first line.
    """
    along = _crossings(lines)
    directions = np.array([line.direction for line in lines])
    cosine = np.abs(directions @ directions.T)
    least = np.cos(np.radians(PARALLEL_DEG))
    pairs = np.array([pair for pair in combinations(range(len(lines)), 2) if cosine[pair] > least])
    if len(pairs) < 2:
        return np.zeros(0), np.zeros((0, 4)), np.zeros((0, 4, 2))
    edges, inside = (np.zeros((len(lines), len(pairs))) for _ in range(2))
    length = np.abs(along[:, pairs[:, 1]] - along[:, pairs[:, 0]])
    whole = np.zeros_like(edges)
    for number, line in enumerate(lines):
        edges[number], inside[number] = line.counts(along[number, pairs[:, 0]], along[number, pairs[:, 1]])
        whole[number] = line.covered[-1]
    first, second = np.triu_indices(len(pairs), k=1)
    sides = np.stack([pairs[first, 0], pairs[second, 1], pairs[first, 1], pairs[second, 0]], axis=1)
    by = np.stack([second, first, second, first], axis=1)
    crossing = np.max([cosine[sides[:, a], sides[:, b]] for a, b in ((0, 1), (1, 2), (2, 3), (3, 0))], axis=0)
    seen = inside[sides, by]
    fits = (crossing < np.cos(np.radians(CROSSING_DEG))) & (length[sides, by].min(axis=1) > LEAST_SIDE * min(shape))
    fits &= (seen > 0.5 * length[sides, by]).all(axis=1)
    sides, by = sides[fits], by[fits]
    covered = edges[sides, by] / np.maximum(inside[sides, by], 1)
    beyond = (whole[sides, by] - edges[sides, by]) / length[sides, by]
    corners = _corners(lines, sides, along)
    area = _areas(corners) / (shape[0] * shape[1])
    scores = 0.5 * covered.min(axis=1) + 0.5 * covered.mean(axis=1) - 0.15 * np.minimum(beyond, 1).mean(axis=1)
    scores += 0.15 * np.sqrt(np.minimum(area, 1.0))
    scores[(area < LEAST_AREA) | ~_is_simple(corners)] = -1.0
    return scores, covered, corners


def _crossings(lines: list[Line]) -> Array:
    """Return where along each line each other one crosses it [px]."""
    points, directions = (np.array([getattr(line, name) for line in lines]) for name in ("point", "direction"))
    normals = np.stack([-directions[:, 1], directions[:, 0]], axis=1)
    away = ((points[None] - points[:, None]) * normals[None]).sum(axis=-1)
    closing = directions @ normals.T
    return np.asarray(np.clip(away / np.where(np.abs(closing) < 1e-6, 1e-6, closing), -1e5, 1e5))


def _corners(lines: list[Line], sides: Array, along: Array) -> Array:
    points, directions = (np.array([getattr(line, name) for line in lines]) for name in ("point", "direction"))
    found = [
        points[sides[:, a]] + along[sides[:, a], sides[:, b]][:, None] * directions[sides[:, a]]
        for a, b in ((0, 3), (0, 1), (2, 1), (2, 3))
    ]
    return np.stack(found, axis=1)


def _turns(corners: Array) -> Array:
    ahead = np.roll(corners, -1, axis=1) - corners
    after = np.roll(ahead, -1, axis=1)
    return np.asarray(ahead[..., 0] * after[..., 1] - ahead[..., 1] * after[..., 0])


def _is_simple(corners: Array) -> Array:
    turns = _turns(corners)
    return np.asarray((turns > 0).all(axis=1) | (turns < 0).all(axis=1))


def _areas(corners: Array) -> Array:
    after = np.roll(corners, -1, axis=1)
    return np.asarray(np.abs((corners[..., 0] * after[..., 1] - corners[..., 1] * after[..., 0]).sum(axis=1)) / 2)


def _ordered(corners: Array, covered: Array, *, shape: tuple[int, int], size: tuple[float, float] | None) -> Outline:
    """Return an outline whose corners run clockwise from the top-left one; side ``i`` starts at corner ``i``."""
    if not is_convex(corners):
        corners, covered = corners[::-1], covered[[2, 1, 0, 3]]
    start = _top(corners)
    mismatch, turned = np.nan, False
    if size is not None:
        upright, across = (_mismatch(np.roll(corners, -start - by, axis=0), size, shape) for by in (0, 1))
        turned = across < min(WARPED, upright / 2)
        mismatch = across if turned else upright
        start = (start + 3) % 4 if turned else start
    return Outline(np.roll(corners, -start, axis=0), np.zeros(4), np.roll(covered, -start), mismatch, turned, "low")


def _top(corners: Array) -> int:
    """Return the corner from which the side leads most to the right."""
    ahead = np.roll(corners, -1, axis=0) - corners
    return int(np.argmax(ahead[:, 0] / np.hypot(*ahead.T)))


def _mismatch(corners: Array, size: tuple[float, float], shape: tuple[int, int]) -> float:
    view = BoardView.of_marks(Marks.of_corners(corners, width=size[0], height=size[1]))
    centre = (np.array(shape[::-1]) - 1) / 2
    return shape_mismatch(view.homography, centre=centre, focals=FOCAL_LENGTHS * max(shape))


def refine_corners(picture: Array, corners: Array) -> tuple[Array, Array]:
    """Return corners between pixels, and their standard uncertainty (4,) [px], from lines fitted to the sides' edges.

    Across each side, averaged along it over a few pixels, the edge lies where the picture changes most. A line is
    fitted to those places with weights that let marks and parts beside the edge count for little (Tukey's biweight).

    Parameters
    ----------
    picture : (rows, columns) array
        NaN where masked.
    corners : (4, 2) array
        Good to :data:`REACH` px.
    """
    known = np.isfinite(picture)
    filled = np.where(known, picture, np.median(picture[known])).astype(np.float32)
    smooth = spline_filter(cv2.GaussianBlur(filled, (0, 0), BLUR, borderType=cv2.BORDER_REPLICATE), order=3)
    spread = np.full(4, np.inf)
    for number in range(ROUNDS):
        reach = REACH if number == 0 else REACH / 2
        fits = [_side(smooth, known, corners[one], corners[(one + 1) % 4], reach=reach) for one in range(4)]
        joined = [_join(fits[one - 1], fits[one]) for one in range(4)]
        corners, spread = np.array([place for place, _ in joined]), np.array([wide for _, wide in joined])
    return corners, np.hypot(spread, FLOOR)


@dataclass(frozen=True)
class _Side:
    """A line ``offset + slope * s`` across, at ``s`` along from a point, with the covariance of the two."""

    point: Array
    direction: Array
    offset: float
    slope: float
    covariance: Array


def _side(smooth: Array, known: Array, start: Array, stop: Array, *, reach: float) -> _Side:
    length = float(np.hypot(*(stop - start)))
    direction = (stop - start) / length
    normal = np.array([-direction[1], direction[0]])
    middle = (start + stop) / 2
    unknown = _Side(middle, direction, 0.0, 0.0, np.diag([reach**2, (2 * reach / length) ** 2]))
    along = np.arange(-length / 2 + 3, length / 2 - 2.5)
    across = np.arange(-reach - 0.5, reach + 0.75, 0.25)
    if len(along) < 8:
        return unknown
    places = middle + along[:, None, None] * direction + across[None, :, None] * normal
    columns, rows = (places[..., axis].astype(np.float32) for axis in (0, 1))
    limits = np.array([smooth.shape[1] - 1, smooth.shape[0] - 1])
    inside = ((places >= 0) & (places <= limits)).all(axis=(1, 2))
    inside &= (cv2.remap(known.astype(np.float32), columns, rows, cv2.INTER_LINEAR) > 0.999).all(axis=1)
    if np.count_nonzero(inside) < 8:
        return unknown
    where = np.stack([places[inside, :, 1], places[inside, :, 0]])
    profiles = map_coordinates(smooth, where, order=3, mode="nearest", prefilter=False).astype(np.float32)
    profiles = _along_mean(profiles)
    steep = np.abs(np.diff(profiles, axis=1))
    places_across, heights = _tops(steep, (across[1:] + across[:-1]) / 2)
    # where the edge stands out of noise all places count alike: hot parts beside it shift it most where it is steepest
    clear = STANDS_OUT * float(np.quantile(steep, NOISE_QUANTILE))
    fitted = _robust_line(along[inside], places_across, heights**2 / (heights**2 + clear**2 + 1e-12))
    return unknown if fitted is None else _Side(middle, direction, *fitted)


def _along_mean(profiles: Array) -> Array:
    kernel = cv2.getGaussianKernel(2 * round(3 * BESIDE) + 1, BESIDE).astype(np.float32)
    return np.asarray(cv2.sepFilter2D(profiles, -1, np.ones(1, np.float32), kernel, borderType=cv2.BORDER_REFLECT))


def _tops(steep: Array, across: Array) -> tuple[Array, Array]:
    """Return where each profile is steepest, between samples, and how steep it is there."""
    top = np.clip(np.argmax(steep, axis=1), 1, steep.shape[1] - 2)
    lines = np.arange(len(steep))
    before, here, after = (steep[lines, top + by] for by in (-1, 0, 1))
    bend = np.minimum(before - 2 * here + after, -1e-12)
    offset = np.clip((before - after) / (2 * bend), -1, 1)
    return across[top] + offset * (across[1] - across[0]), here


def _robust_line(along: Array, across: Array, base: Array) -> tuple[float, float, Array] | None:
    """Return offset, slope and covariance of a line through places across, given what each counts for."""
    design = np.stack([np.ones_like(along), along], axis=1)
    weights, scale = base.copy(), 1.0
    values = np.array([np.median(across), 0.0])
    for _ in range(20):
        left = across - design @ values
        scale = max(1.4826 * float(np.median(np.abs(left))), 0.05)
        weights = base * np.clip(1 - (left / (4.685 * scale)) ** 2, 0, None) ** 2
        normal = design.T @ (weights[:, None] * design)
        if np.linalg.det(normal) < 1e-9:
            return None
        values = np.linalg.solve(normal, design.T @ (weights * across))
    left = across - design @ values
    alike = 2 * np.sqrt(np.pi) * BESIDE  # places that the mean along the side makes one
    variance = float((weights * left**2).sum() / max(weights.sum(), 1e-9))
    inverse = np.linalg.inv(normal)
    squares = design.T @ ((weights**2)[:, None] * design)
    return float(values[0]), float(values[1]), alike * variance * inverse @ squares @ inverse


def _join(before: _Side, after: _Side) -> tuple[Array, float]:
    """Return where two sides meet, and its standard uncertainty along an axis [px]."""
    directions, points, normals = [], [], []
    for side in (before, after):
        across = np.array([-side.direction[1], side.direction[0]])
        way = side.direction + side.slope * across
        directions.append(way / np.hypot(*way))
        points.append(side.point + side.offset * across)
        normals.append(np.array([-directions[-1][1], directions[-1][0]]))
    matrix = np.array(normals)
    place = np.linalg.solve(matrix, np.array([normals[0] @ points[0], normals[1] @ points[1]]))
    variances = []
    for side in (before, after):
        row = np.array([1.0, float((place - side.point) @ side.direction)])
        variances.append(float(row @ side.covariance @ row))
    back = np.linalg.inv(matrix)
    covariance = back @ np.diag(variances) @ back.T
    return place, float(np.sqrt(np.trace(covariance) / 2))
