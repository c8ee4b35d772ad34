"""What the planned camera will see of the board."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from heatwake.kernels.camera_view import (
    MOST_TILT,
    Resolved,
    Sight,
    depth_of_field,
    half_field,
    least_tilt,
    millimetres_per_pixel,
    resolved,
)
from heatwake.planning.parts import ExpectedPart
from heatwake.schema.plan import Plan

FITS: Final = 0.96  # of half the picture that the board may take: a camera is never aimed to the pixel


@dataclass(frozen=True)
class PartView:
    """How a part will be seen.

    Attributes
    ----------
    pixels : float
        Across its smaller side.
    resolved : str
    out_of_focus : float
        By how much its top lies beyond the depth of field [mm]; 0 within it.
    """

    name: str
    pixels: float
    resolved: Resolved
    out_of_focus: float


@dataclass(frozen=True)
class PlannedView:
    """The picture.

    Attributes
    ----------
    mm_per_px : float
        In the board's middle.
    field : (float, float)
        Width and height at the board's distance [mm].
    half_fields : (float, float)
        [deg]
    filled : float
        Share of half the picture that the board takes along the tighter side.
    fits : bool
    distance_that_fits : float
        The least [mm].
    depth_of_field, depth_needed : float
        What is sharp, and from the nearest top of a part to the farthest edge of the board [mm].
    focus : float
        Distance to focus at [mm].
    tilt : float
        Planned [deg].
    tilt_stated : bool
    tilt_for_board, tilt_for_field : float
        That keeps the camera's image off the board, and out of the whole picture [deg].
    hides_camera : bool
    foreshortening, depth_spread : float
        What the tilt costs: share of the height that is left [1], and depth across the board [mm].
    """

    mm_per_px: float
    field: tuple[float, float]
    half_fields: tuple[float, float]
    filled: float
    fits: bool
    distance_that_fits: float
    depth_of_field: float
    depth_needed: float
    focus: float
    tilt: float
    tilt_stated: bool
    tilt_for_board: float
    tilt_for_field: float
    hides_camera: bool
    foreshortening: float
    depth_spread: float
    parts: tuple[PartView, ...]
    corners: tuple[tuple[float, float], ...]


def planned_view(plan: Plan, parts: Sequence[ExpectedPart]) -> PlannedView:
    """Return what the planned camera will see."""
    camera, board = plan.camera, plan.board
    lens = {"pitch": camera.pitch_um, "focal": camera.focal_mm}
    per_pixel = float(millimetres_per_pixel(camera.distance_mm, **lens))
    halves = tuple(half_field(count, distance=camera.distance_mm, **lens) for count in camera.pixels)
    to_film = camera.distance_mm - (plan.film.height_mm if plan.film else 0.0)
    board_half = math.degrees(math.atan(board.height_mm / 2 / camera.distance_mm))
    needed = [least_tilt(half, body=camera.body_mm, distance=to_film) for half in (board_half, halves[1])]
    tilt = _tilt(plan, for_board=needed[0])
    sight = sight_of(plan, tilt=tilt, distance=camera.distance_mm)
    sharp = depth_of_field(camera.distance_mm, f_number=camera.f_number, **lens)
    nearest_top, farthest = _depths(sight, parts)
    turn = math.radians(tilt)
    return PlannedView(
        mm_per_px=per_pixel,
        field=(per_pixel * camera.pixels[0], per_pixel * camera.pixels[1]),
        half_fields=(halves[0], halves[1]),
        filled=sight.filled,
        fits=sight.filled <= FITS,
        distance_that_fits=_distance_that_fits(plan, tilt=tilt),
        depth_of_field=sharp,
        depth_needed=farthest - nearest_top,
        focus=(nearest_top + farthest) / 2,
        tilt=tilt,
        tilt_stated=camera.tilt_deg is not None,
        tilt_for_board=needed[0],
        tilt_for_field=needed[1],
        hides_camera=plan.film is None or tilt >= needed[0],
        foreshortening=math.cos(turn),
        depth_spread=board.height_mm * math.sin(turn),
        parts=tuple(_part_view(part, sight, sharp=sharp, focus=(nearest_top + farthest) / 2) for part in parts),
        corners=tuple((float(column), float(row)) for column, row in sight.corners),
    )


def sight_of(plan: Plan, *, tilt: float, distance: float) -> Sight:
    """Return the view of the plan's camera from a distance [mm], tilted [deg]."""
    camera, board = plan.camera, plan.board
    return Sight(
        *camera.pixels, camera.pitch_um, camera.focal_mm, distance, tilt, board.width_mm, board.height_mm
    )  # fmt: skip


def _tilt(plan: Plan, *, for_board: float) -> float:
    """Return the tilt [deg]: as stated, none without a film, else what hides the camera, as far as tilting may go."""
    if plan.camera.tilt_deg is not None:
        return plan.camera.tilt_deg
    return float(min(math.ceil(for_board), MOST_TILT)) if plan.film is not None else 0.0


def _distance_that_fits(plan: Plan, *, tilt: float) -> float:
    """Return the least distance from which the board fits [mm], to a millimetre: it takes less the farther it is."""
    # nearer than the board is long, a tilted one reaches behind the lens
    low, high = max(2.5 * plan.camera.focal_mm, plan.board.height_mm), 1e5
    while high - low > 1.0:
        middle = math.sqrt(low * high)
        if sight_of(plan, tilt=tilt, distance=middle).filled > FITS:
            low = middle
        else:
            high = middle
    return high


def _depths(sight: Sight, parts: Sequence[ExpectedPart]) -> tuple[float, float]:
    """Return the least and the largest distance of what must be sharp [mm]: tops of parts and the board's edges."""
    tops = [float(sight.depth(part.y, above=part.tall)) for part in parts]
    edges = [float(sight.depth(y)) for y in (0.0, sight.height)]
    return min(tops + edges), max(tops + edges)


def _part_view(part: ExpectedPart, sight: Sight, *, sharp: float, focus: float) -> PartView:
    pixels = sight.across(part.x, part.y, width=part.width, height=part.height, above=part.tall)
    off = abs(float(sight.depth(part.y, above=part.tall)) - focus) - sharp / 2
    return PartView(part.name, pixels, resolved(pixels), max(off, 0.0))
