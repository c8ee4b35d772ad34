"""Straight edges of a picture: where it changes most across a line, found by votes and by fits."""

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

Array = npt.NDArray[Any]

SMOOTH: Final = 1.2  # [px] standard deviation of the filter before slopes are taken
NOISE_QUANTILE: Final = 0.2  # of the slopes' sizes, which is noise where much of a picture is level
RAYLEIGH: Final = 0.668  # that quantile of a Rayleigh distribution
STANDS_OUT: Final = 5.0  # times the noise, from where a slope is an edge
VOTES_DEG: Final = 6  # an edge votes for lines turned by as much
LINES: Final = 48  # looked at, those with most votes
NEAR: Final = 2.0  # [px] an edge belongs to a line
ALONG_DEG: Final = 12.0  # and turned from it by no more
GAP: Final = 2  # [px] without an edge that do not break a line


@dataclass(frozen=True)
class Edges:
    """Pixels where a picture changes more than beside them.

    Attributes
    ----------
    places : (n, 2) array
        Column and row [px], between pixels.
    normals : (n, 2) array
        Unit vectors the picture changes along.
    """

    places: Array
    normals: Array


@dataclass(frozen=True)
class Line:
    """A straight line: a point (2,), a unit direction (2,), and how many of its pixels, from its point, are edges."""

    point: Array
    direction: Array
    first: int
    covered: Array  # cumulated, one value a pixel from `first` on
    inside: Array  # likewise, pixels that lie in the picture

    @property
    def normal(self) -> Array:
        """Unit vector across it."""
        return np.array([-self.direction[1], self.direction[0]])

    def counts(self, start: Array, stop: Array) -> tuple[Array, Array]:
        """Return pixels that are edges, and pixels that lie in the picture, between places along it [px]."""
        low, high = np.minimum(start, stop) - self.first, np.maximum(start, stop) - self.first
        steps = np.arange(len(self.covered))
        edges = np.interp(high, steps, self.covered) - np.interp(low, steps, self.covered)
        return edges, np.interp(high, steps, self.inside) - np.interp(low, steps, self.inside)


def find_edges(picture: Array) -> Edges:
    """Return a picture's edges; masked pixels are NaN and have none beside them."""
    seen = np.isfinite(picture)
    if not seen.any():
        return Edges(np.zeros((0, 2)), np.zeros((0, 2)))
    filled = np.where(seen, picture - np.median(picture[seen]), 0).astype(np.float32)
    smooth = cv2.GaussianBlur(filled, (0, 0), SMOOTH, borderType=cv2.BORDER_REPLICATE)
    across, down = (cv2.Scharr(smooth, cv2.CV_32F, *axis, scale=1 / 32) for axis in ((1, 0), (0, 1)))
    size = np.hypot(across, down)
    sound = cv2.erode(seen.astype(np.uint8), np.ones((7, 7), np.uint8), borderValue=0) > 0
    if not sound.any():
        return Edges(np.zeros((0, 2)), np.zeros((0, 2)))
    noise = float(np.quantile(size[sound], NOISE_QUANTILE)) / RAYLEIGH
    rows, columns = np.nonzero(sound & (size > max(STANDS_OUT * noise, 1e-6)))
    if not rows.size:
        return Edges(np.zeros((0, 2)), np.zeros((0, 2)))
    here = size[rows, columns]
    normals = np.stack([across[rows, columns], down[rows, columns]], axis=1) / here[:, None]
    places = np.stack([columns, rows], axis=1).astype(np.float64)
    ahead, behind = (map_coordinates(size, (places + side * normals)[:, ::-1].T, order=1) for side in (1, -1))
    top = (here >= ahead) & (here > behind)
    bend = np.minimum(ahead - 2 * here + behind, -1e-12)
    offset = np.clip((behind - ahead) / (2 * bend), -0.5, 0.5)
    return Edges((places + offset[:, None] * normals)[top], normals[top].astype(np.float64))


def find_lines(edges: Edges, *, shape: tuple[int, int]) -> list[Line]:
    """Return the straight lines that most edges lie on, in a picture of (rows, columns)."""
    found: list[Line] = []
    for angle, distance in _peaks(edges, shape=shape):
        normal = np.array([np.cos(angle), np.sin(angle)])
        fitted = _fit(edges, normal * distance, normal)
        if fitted is not None and not any(_is_one(fitted, other) for other in found):
            found.append(_covered(edges, *fitted, shape=shape))
    return found


def _peaks(edges: Edges, *, shape: tuple[int, int]) -> list[tuple[float, float]]:
    """Return angle of the normal and distance from the origin of the lines with most votes (Hough's way)."""
    if not len(edges.places):
        return []
    reach = int(np.ceil(np.hypot(*shape))) + 2
    degrees = np.degrees(np.arctan2(edges.normals[:, 1], edges.normals[:, 0])).round().astype(int) % 180
    turned = (degrees[:, None] + np.arange(-VOTES_DEG, VOTES_DEG + 1)) % 180
    angles = np.radians(turned)
    distance = edges.places[:, :1] * np.cos(angles) + edges.places[:, 1:] * np.sin(angles)
    votes = np.zeros((180, 2 * reach + 1), dtype=np.float32)
    np.add.at(votes, (turned, (distance + reach).round().astype(int)), 1)
    # a normal turned by half a turn is the same line on the other side
    around = np.concatenate([votes[-8:, ::-1], votes, votes[:8, ::-1]])
    smooth = cv2.GaussianBlur(around, (5, 5), 1.0)
    highest = cv2.dilate(smooth, np.ones((5, 9), np.uint8))[8:-8]
    smooth = smooth[8:-8]
    rows, columns = np.nonzero((smooth == highest) & (smooth > 0))
    order = np.argsort(-smooth[rows, columns])[: 2 * LINES]
    return [(float(np.radians(rows[one])), float(columns[one] - reach)) for one in order][:LINES]


def _fit(edges: Edges, point: Array, normal: Array) -> tuple[Array, Array] | None:
    """Return a point on the line and its normal, fitted to the edges near a guess; None where there are too few."""
    for reach in (2 * NEAR, NEAR, NEAR):
        near = _on_line(edges, point, normal, reach=reach)
        if np.count_nonzero(near) < 8:
            return None
        places = edges.places[near]
        point = places.mean(axis=0)
        _, _, axes = np.linalg.svd(places - point, full_matrices=False)
        if abs(axes[1] @ normal) < 0.9:  # a clump, no line
            return None
        normal = axes[1]
    return point, normal


def _on_line(edges: Edges, point: Array, normal: Array, *, reach: float) -> npt.NDArray[np.bool_]:
    along = np.abs(edges.normals @ normal) > np.cos(np.radians(ALONG_DEG))
    return np.asarray(along & (np.abs((edges.places - point) @ normal) < reach))


def _is_one(fitted: tuple[Array, Array], other: Line) -> bool:
    point, normal = fitted
    return bool(abs(normal @ other.direction) < 0.02 and abs((point - other.point) @ other.normal) < 1.5)


def _covered(edges: Edges, point: Array, normal: Array, *, shape: tuple[int, int]) -> Line:
    direction = np.array([normal[1], -normal[0]])
    near = _on_line(edges, point, normal, reach=NEAR)
    reach = int(np.ceil(np.hypot(*shape))) * 2
    covered = np.zeros(2 * reach + 1, dtype=np.uint8)
    covered[((edges.places[near] - point) @ direction).round().astype(int) + reach] = 1
    covered = cv2.morphologyEx(covered[None], cv2.MORPH_CLOSE, np.ones((1, 2 * GAP + 1), np.uint8))[0]
    places = point + (np.arange(2 * reach + 1) - reach)[:, None] * direction
    limits = np.array([shape[1] - 1, shape[0] - 1])
    inside = ((places >= 3) & (places <= limits - 3)).all(axis=1)
    return Line(point, direction, -reach, np.cumsum(covered, dtype=float), np.cumsum(inside, dtype=float))
