"""A sketch of a planned test: the board from the camera, and camera, film and parts from the side."""

import math
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle

from heatwake.planning.parts import ExpectedPart
from heatwake.planning.sheet import PlannedTest
from heatwake.report import figure_style as style
from heatwake.schema.plan import Plan

SEEN_COLOURS: Final = {
    "measured": style.SERIES[2],
    "indicative": style.SERIES[5],
    "not resolved": style.SERIES[1],
}
FAN, VENT = style.SERIES[1], style.INLET
_LENS_MM: Final = 14.0
_BESIDE: Final = 0.11  # of the board's longer side, at which sensors are drawn


def plan_figure(plan: Plan, test: PlannedTest, *, width: float = 9.0) -> Figure:
    """Return the sketch: two drawings side by side, one below the other where it is narrow."""
    small = width < 6
    figure = style.new_figure(width, width * 1.75 if small else width * 0.5)
    if small:
        above, beside = figure.subplots(2, 1, height_ratios=[1.0, 1.05])
    else:
        above, beside = figure.subplots(1, 2, width_ratios=[2.1, 1.0])
    _from_camera(above, plan, test, small=small)
    _from_side(beside, plan, test, small=small)
    return figure


def _from_camera(axes: Axes, plan: Plan, test: PlannedTest, *, small: bool) -> None:
    board = plan.board
    axes.add_patch(_box(board.width_mm / 2, board.height_mm / 2, board.width_mm, board.height_mm, edgecolor=style.INK))
    if plan.film is not None:
        sides = plan.film.sides_mm or (board.width_mm, board.height_mm)
        film = _box(board.width_mm / 2, board.height_mm / 2, *sides, edgecolor=style.SERIES[4], linestyle=(0, (4, 3)))
        axes.add_patch(film)
    seen = {one.name: one.resolved for one in test.view.parts}
    for part in test.parts:
        _draw_part(axes, part, SEEN_COLOURS[seen[part.name]], small=small)
    for opening in plan.openings:
        ends = np.array([opening.from_mm, opening.to_mm], dtype=float)
        colour = FAN if opening.kind == "fan" else VENT
        axes.plot(*ends.T, color=colour, linewidth=5, solid_capstyle="butt", zorder=4, clip_on=False)
    _field(axes, plan, test)
    _sensors(axes, plan, test, small=small)
    axes.set_aspect("equal")
    axes.set_title("From the camera", loc="left", color=style.MUTED)
    axes.margins(0.03)
    _without_frame(axes)


def _box(x: float, y: float, width: float, height: float, **look: Any) -> Rectangle:
    return Rectangle((x - width / 2, y - height / 2), width, height, **{"fill": False, "linewidth": 1.2, **look})


def _draw_part(axes: Axes, part: ExpectedPart, colour: str, *, small: bool) -> None:
    axes.add_patch(_box(part.x, part.y, part.width, part.height, edgecolor=colour, linewidth=1.4, zorder=3))
    axes.add_patch(
        _box(part.x, part.y, part.width, part.height, fill=True, facecolor=colour, alpha=0.18, linewidth=0, zorder=2)
    )
    size = 6.0 if small else 7.5
    middle: dict[str, Any] = {"horizontalalignment": "center", "verticalalignment": "center", "zorder": 5}
    name = part.name if len(part.name) <= 8 else f"{part.name[:7]}…"
    style.plain_text(axes, part.x, part.y, name, fontsize=size, color=style.INK, clip_on=True, **middle)


def _field(axes: Axes, plan: Plan, test: PlannedTest) -> None:
    """Draw what the picture covers, on the board's plane."""
    view, board = test.view, plan.board
    turn = math.radians(view.tilt)
    tangents = [math.tan(math.radians(half)) for half in view.half_fields]
    corners = []
    for right, up in ((-1, 1), (1, 1), (1, -1), (-1, -1)):
        # where a ray through the picture's corner meets the board: y' cos t = v (d + y' sin t)
        rise = up * tangents[1]
        along = rise * plan.camera.distance_mm / (math.cos(turn) - rise * math.sin(turn))
        depth = plan.camera.distance_mm + along * math.sin(turn)
        corners.append((board.width_mm / 2 + right * tangents[0] * depth, board.height_mm / 2 + along))
    axes.add_patch(Polygon(corners, fill=False, edgecolor=style.MUTED, linewidth=0.9, linestyle=(0, (1, 2)), zorder=1))
    left, bottom = corners[3]
    style.plain_text(axes, left, bottom, "picture", fontsize=8, color=style.MUTED, verticalalignment="top")


def _sensors(axes: Axes, plan: Plan, test: PlannedTest, *, small: bool) -> None:
    """Draw sensors beside the board with how far out they belong: to scale they would leave no room for it."""
    width, height = plan.board.width_mm, plan.board.height_mm
    middle, room = np.array([width / 2, height / 2]), _BESIDE * max(width, height)
    placed = [one for one in test.airflow.sensors if math.isfinite(one.x)]
    size = 7.5 if small else 8.5
    words: dict[str, Any] = {"horizontalalignment": "center", "verticalalignment": "center", "zorder": 7}
    for number, sensor in enumerate(placed, start=1):
        place = np.array([sensor.x, sensor.y])
        edge = np.clip(place, 0.0, [width, height])
        out = (place - edge) / max(float(np.hypot(*(place - edge))), 1e-9)
        at = edge + out * room
        look: dict[str, Any] = {"markeredgecolor": style.INK, "markeredgewidth": 1.1, "zorder": 6}
        axes.plot(*at, "o", markersize=12 if small else 14, color=style.PAPER, **look)
        style.plain_text(axes, at[0], at[1], str(number), fontsize=size, color=style.INK, **words)
        far = f"{np.hypot(*(place - edge)):.0f} mm"
        below = at + (np.array([0.0, -0.55 * room]) if abs(out[0]) > abs(out[1]) else np.array([0.9 * room, 0.0]))
        style.plain_text(axes, below[0], below[1], far, fontsize=size, color=style.MUTED, **words)
    axes.update_datalim([middle - middle - room * 1.35, 2 * middle + room * 1.35])


def _from_side(axes: Axes, plan: Plan, test: PlannedTest, *, small: bool) -> None:
    """Draw heights over the board's y, to scale: parts, film, camera, the film's normal through it."""
    board, view = plan.board, test.view
    axes.plot([0, board.height_mm], [0, 0], color=style.INK, linewidth=2.5, solid_capstyle="butt")
    seen = {one.name: one.resolved for one in view.parts}
    for part in test.parts:
        colour = SEEN_COLOURS[seen[part.name]]
        bar = _box(part.y, part.tall / 2, part.height, part.tall, fill=True, facecolor=colour, alpha=0.3, linewidth=0)
        axes.add_patch(bar)
    if plan.film is not None:
        half = (plan.film.sides_mm or (0, board.height_mm))[1] / 2
        ends = [board.height_mm / 2 - half, board.height_mm / 2 + half]
        axes.plot(ends, [plan.film.height_mm] * 2, color=style.SERIES[4], linewidth=1.4, linestyle=(0, (4, 3)))
    turn = math.radians(view.tilt)
    middle = np.array([board.height_mm / 2, 0.0])
    toward = np.array([math.sin(turn), -math.cos(turn)])
    lens = middle - toward * plan.camera.distance_mm
    _draw_camera(axes, lens, toward, body=plan.camera.body_mm)
    for half, look in ((0.0, "-"), (view.half_fields[1], ":"), (-view.half_fields[1], ":")):
        angle = turn + math.radians(half)
        reach = lens[1] / math.cos(angle)
        ray = np.array([lens, lens + reach * np.array([math.sin(angle), -math.cos(angle)])])
        axes.plot(*ray.T, color=style.MUTED, linewidth=0.9, linestyle=look, zorder=1)
    axes.plot([lens[0]] * 2, [0, lens[1]], color=style.SERIES[3], linewidth=0.9, linestyle=(0, (5, 3)), zorder=1)
    _side_words(axes, plan, test, lens, small=small)
    axes.set_aspect("equal")
    axes.set_title("From the right, to scale", loc="left", color=style.MUTED)
    axes.margins(0.05)
    _without_frame(axes)


def _draw_camera(axes: Axes, lens: Any, toward: Any, *, body: float) -> None:
    across = np.array([-toward[1], toward[0]])
    depth = 1.1 * body
    corners = [lens + across * body / 2 * one - toward * far for one, far in ((-1, 0), (1, 0), (1, depth), (-1, depth))]
    axes.add_patch(Polygon(corners, facecolor=style.LINE, edgecolor=style.INK, linewidth=1.1, zorder=4))
    front = np.array([lens + across * _LENS_MM, lens - across * _LENS_MM])
    axes.plot(*front.T, color=style.INK, linewidth=3, zorder=5)


def _side_words(axes: Axes, plan: Plan, test: PlannedTest, lens: Any, *, small: bool) -> None:
    size = 7.5 if small else 8.5
    view, distance = test.view, plan.camera.distance_mm
    x = max(lens[0], plan.board.height_mm / 2) + 0.13 * distance
    words = [(0.62 * lens[1], f"{distance:g} mm,\n{view.tilt:g}° off square", style.MUTED)]
    if plan.film is not None:
        words.append((0.36 * lens[1], "pink: where the\ncamera sees itself\nin the film", style.SERIES[3]))
        words.append((plan.film.height_mm, f"film {plan.film.height_mm:g} mm\nabove the board", style.SERIES[4]))
    for y, text, colour in words:
        style.plain_text(axes, x, float(y), text, fontsize=size, color=colour, verticalalignment="center")


def _without_frame(axes: Axes) -> None:
    axes.set_xticks([])
    axes.set_yticks([])
    for side in axes.spines.values():
        side.set_visible(False)
