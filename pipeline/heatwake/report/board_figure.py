"""Pictures of the board: rise, parts, openings, where heat is carried, how far it spreads."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse, Polygon
from matplotlib.ticker import MaxNLocator

from heatwake.report import figure_style as style
from heatwake.report.flow_reading import arrow_field, board_direction, opening_roles
from heatwake.report.maps import extent, final_rise, highest, length_unit
from heatwake.schema.variables import OPENING_KIND

Array = npt.NDArray[np.float64]

FOOTPRINT: Final = (
    *("spread_major", "spread_minor", "spread_orientation", "spread_area"),
    *("drift_x", "drift_y", "spread_cut"),
)
BESIDE: Final = (  # what may go with it
    *("spread_major_uncertainty", "spread_area_uncertainty", "drift_uncertainty", "spread_status", "decay_axis"),
    *("decay_downstream", "decay_downstream_uncertainty", "decay_upstream", "decay_upstream_uncertainty"),
)
_ROOM, _NARROW_ROOM = 0.13, 0.21  # of the board's longer side, beside it for the openings
_ARROWS: Final = 15  # along the longer side
_ROLE_COLOURS: Final = {"inlet": style.INLET, "outlet": style.OUTLET, "undecided": style.UNDECIDED}


def rise_figure(results: xr.Dataset, flow: xr.Dataset | None, *, width: float = 9.0) -> Figure:
    """Return the final rise with parts, footprints, openings and arrows; no arrow where no direction can be told."""
    rise = final_rise(results)
    figure, axes = _board_axes(results, width=width)
    picture = draw_map(axes, results, rise, limits=(0.0, highest(rise)), colours=style.RISE_COLOURS)
    style.colour_bar(figure, axes, picture, label="rise over ambient, K", below=width < 6)
    draw_arrows(axes, results, flow)
    outline_footprints(axes, results)
    draw_parts(axes, results, names=True, small=width < 6)
    draw_openings(axes, results, flow, small=width < 6)
    return figure


def spread_figure(results: xr.Dataset, *, width: float = 9.0) -> Figure:
    """Return the footprints of the rise (one standard deviation) and how far they are drawn from their sources."""
    rise = final_rise(results)
    figure, axes = _board_axes(results, width=width, openings=False)
    draw_map(axes, results, rise, limits=(0.0, highest(rise)), colours=style.RISE_COLOURS)
    draw_parts(axes, results, names=False, small=width < 6)
    draw_footprints(axes, results, small=width < 6)
    return figure


def settling_figure(results: xr.Dataset, *, width: float = 9.0) -> Figure:
    """Return the time constant of each place; grey where none is told: no rise, or seen for too short a while."""
    constants = results["rise_time_constant"].transpose("y", "x").to_numpy().astype(float)
    figure, axes = _board_axes(results, width=width, openings=False)
    top = highest(np.nanquantile(constants, [0.9]))  # what hardly rises has long ones by chance
    picture = draw_map(axes, results, constants, limits=(0.0, top), colours=style.RISE_COLOURS)
    style.colour_bar(figure, axes, picture, label="time constant, s", below=width < 6)
    draw_parts(axes, results, names=True, small=width < 6)
    return figure


def has_settling_map(results: xr.Dataset) -> bool:
    """Tell whether the time constant of any place is known."""
    return "rise_time_constant" in results and bool(np.isfinite(results["rise_time_constant"]).any())


def draw_map(axes: Axes, dataset: xr.Dataset, values: Array, *, limits: tuple[float, float], colours: str) -> Any:
    """Draw one map on board axes; what was not seen is grey."""
    palette = mpl.colormaps[colours].with_extremes(bad=style.NOT_SEEN)
    return axes.imshow(
        np.ma.masked_invalid(values),
        extent=extent(dataset),
        origin="upper",
        norm=Normalize(*limits),
        cmap=palette,
        interpolation="bilinear",
        zorder=1,
    )


def draw_parts(axes: Axes, results: xr.Dataset, *, names: bool, small: bool = False) -> None:
    """Outline each region, and name it."""
    boxes = region_boxes(results)
    x, y, wide, high = np.array([box for _, box in boxes], dtype=float).reshape(-1, 4).T
    right, up = np.array([-0.5, 0.5, 0.5, -0.5]), np.array([-0.5, -0.5, 0.5, 0.5])
    corners = np.stack([x[:, None] + wide[:, None] * right, y[:, None] + high[:, None] * up], axis=-1)
    for colour, line, alpha in ((style.ON_MAP_SHADE, 2.6, 0.45), (style.ON_MAP, 1.1, 0.95)):
        look: dict[str, Any] = {"facecolor": "none", "edgecolor": colour, "linewidth": line, "alpha": alpha}
        axes.add_collection(PolyCollection(list(corners), zorder=4, **look), autolim=False)
    for name, (middle, centre, _, tall) in boxes if names else ():
        label_on_map(axes, middle, centre + tall / 2, name, small=small)


def label_on_map(axes: Axes, x: float, y: float, text: str, *, small: bool = False) -> None:
    """Write a name that can be read on any colour of a map."""
    box = {"boxstyle": "round,pad=0.22", "facecolor": style.ON_MAP_SHADE, "alpha": 0.78, "linewidth": 0}
    style.plain_text(
        axes,
        x,
        y,
        text,
        color=style.ON_MAP,
        fontsize=8.0 if small else 9.0,
        fontweight="bold",
        horizontalalignment="center",
        verticalalignment="center",
        bbox=box,
        zorder=7,
        clip_on=False,
    )


def region_boxes(results: xr.Dataset) -> list[tuple[str, tuple[float, float, float, float]]]:
    """Return each region's name with centre and size; those without a place are left out."""
    if "region" not in results.dims or "region_x" not in results:
        return []
    columns = [results[f"region_{key}"].to_numpy().astype(float) for key in ("x", "y", "width", "height")]
    names = [str(name) for name in results["region"].to_numpy()]
    rows = zip(names, zip(*columns, strict=True), strict=True)
    return [(name, box) for name, box in rows if np.isfinite(box).all()]


def draw_openings(axes: Axes, results: xr.Dataset, flow: xr.Dataset | None, *, small: bool = False) -> None:
    """Mark fans and vents beside the board: blue arrows inwards for an inlet, orange ones outwards for an outlet."""
    if "opening" not in results.dims:
        return
    left, right, bottom, top = extent(results)
    middle = np.array([(left + right) / 2, (bottom + top) / 2])
    room = (_NARROW_ROOM if small else _ROOM) * max(right - left, top - bottom)
    for number, name in enumerate(results["opening"].to_numpy()):
        ends = _ends(results, number)
        role = opening_roles(flow, str(name))
        kind = OPENING_KIND[int(results["opening_kind"][number])]
        outward = _outward(ends, middle)
        _draw_opening(axes, ends, outward, room=room, role=role)
        text = f"{name}\n{role if role != 'undecided' else 'role undecided'}"
        text = text if kind in str(name).lower() else f"{kind} {text}"
        _opening_label(axes, ends.mean(axis=0) + outward * room * 0.66, outward, text, role=role, small=small)


def _ends(results: xr.Dataset, number: int) -> Array:
    rows = [[float(results[f"opening_{end}_{axis}"][number]) for axis in ("x", "y")] for end in ("from", "to")]
    return np.array(rows)


def _outward(ends: Array, middle: Array) -> Array:
    along = ends[1] - ends[0]
    normal = np.array([along[1], -along[0]]) / max(float(np.hypot(*along)), 1e-9)
    return normal if normal @ (ends.mean(axis=0) - middle) >= 0 else -normal


def _draw_opening(axes: Axes, ends: Array, outward: Array, *, room: float, role: str) -> None:
    colour = _ROLE_COLOURS[role]
    place = ends + outward * room * 0.1
    axes.plot(*place.T, color=colour, linewidth=5, solid_capstyle="butt", zorder=3, clip_on=False)
    if role == "undecided":
        return
    near, far = outward * room * 0.18, outward * room * 0.56
    for share in (0.2, 0.5, 0.8):
        start = ends[0] + share * (ends[1] - ends[0])
        tail, head = (start + far, start + near) if role == "inlet" else (start + near, start + far)
        _draw_way(axes, tail, head, colour=colour)


def _draw_way(axes: Axes, tail: Array, head: Array, *, colour: str) -> None:
    """Draw a line with a point at its head: what matplotlib draws as an arrow takes ten times as long."""
    along = head - tail
    across = np.array([-along[1], along[0]])
    base = head - 0.42 * along
    axes.plot(*np.array([tail, base]).T, color=colour, linewidth=1.6, solid_capstyle="butt", zorder=3, clip_on=False)
    point = np.array([head, base + 0.2 * across, base - 0.2 * across])
    axes.add_artist(Polygon(point, facecolor=colour, linewidth=0, zorder=3, clip_on=False))


def _opening_label(axes: Axes, place: Array, outward: Array, text: str, *, role: str, small: bool) -> None:
    sideways = abs(outward[0]) > abs(outward[1])
    style.plain_text(
        axes,
        float(place[0]),
        float(place[1]),
        text,
        color=_ROLE_COLOURS[role],
        fontsize=8.0 if small else 9.0,
        rotation=90 if sideways else 0,
        horizontalalignment="center" if not sideways else ("right" if outward[0] < 0 else "left"),
        verticalalignment="center" if sideways else ("bottom" if outward[1] > 0 else "top"),
        linespacing=1.15,
        zorder=5,
    )


def draw_arrows(
    axes: Axes, results: xr.Dataset, flow: xr.Dataset | None, *, dark: bool = False, most: int = _ARROWS
) -> None:
    """Draw where heat is carried: arrows that fade with falling confidence, none where it cannot be told.

    They are white with a shade; ``dark`` the other way round, for maps whose middle is white. ``most`` stand along the
    longer side.
    """
    degrees, confidence = arrow_field(flow, board_direction(flow).window)
    if flow is None or not np.isfinite(degrees).any():
        return
    rows, columns = _arrow_places(flow, degrees, most=most)
    x, y = flow["x"].to_numpy()[columns], flow["y"].to_numpy()[rows]
    angle, alpha = np.radians(degrees[rows, columns]), 0.25 + 0.75 * confidence[rows, columns]
    left, right, bottom, top = extent(results)
    length = 0.7 * max(right - left, top - bottom) / most
    steps = np.cos(angle) * length, np.sin(angle) * length
    shape: dict[str, Any] = {"angles": "xy", "scale_units": "xy", "scale": 1.0, "pivot": "mid", "zorder": 5}
    shape |= {"headwidth": 4.6, "headlength": 4.8, "headaxislength": 4.2, "width": 0.0036, "linewidth": 0.5}
    face, edge = (mpl.colors.to_rgb(colour) for colour in (style.ON_MAP, style.ON_MAP_SHADE)[:: -1 if dark else 1])
    edges = [(*edge, 0.7 * a) for a in alpha]
    axes.quiver(x, y, *steps, facecolor=[(*face, a) for a in alpha], edgecolor=edges, **shape)


def _arrow_places(flow: xr.Dataset, degrees: Array, *, most: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return rows and columns of the cells that carry an arrow: spread evenly, only where a direction is told."""
    left, right, bottom, top = extent(flow)
    step = max(right - left, top - bottom) / most
    across, down = max(1, round((right - left) / step)), max(1, round((top - bottom) / step))
    columns = np.unique(((np.arange(across) + 0.5) / across * degrees.shape[1]).astype(int))
    rows = np.unique(((np.arange(down) + 0.5) / down * degrees.shape[0]).astype(int))
    grid_rows, grid_columns = np.meshgrid(rows, columns, indexing="ij")
    told = np.isfinite(degrees[grid_rows, grid_columns])
    return grid_rows[told], grid_columns[told]


def draw_footprints(axes: Axes, results: xr.Dataset, *, small: bool = False) -> None:
    """Draw each region's last known footprint as an ellipse, and a line from its source to its centroid."""
    for name, (x, y, _, high), row in footprints(results):
        centre = (x + row["drift_x"], y + row["drift_y"])
        cut = row["spread_cut"] == 1
        casing = () if cut else ((style.ON_MAP_SHADE, 3.0),)
        for colour, line in (*casing, (style.ON_MAP, 1.0 if cut else 1.5)):
            _ellipse(axes, centre, row, colour=colour, line=line)
            if is_drawn_aside(row):
                ends = [x, centre[0]], [y, centre[1]]
                axes.plot(*ends, color=colour, linewidth=line, alpha=0.7 if cut else 1.0, zorder=5)
        axes.plot(x, y, "o", markersize=4, color=style.ON_MAP, markeredgecolor=style.ON_MAP_SHADE, zorder=6)
        label_on_map(axes, x, y + high / 2, name, small=small)


def outline_footprints(axes: Axes, results: xr.Dataset) -> None:
    """Draw the footprints thinly, to lie among other marks."""
    for _, (x, y, _, _), row in footprints(results):
        _ellipse(axes, (x + row["drift_x"], y + row["drift_y"]), row, colour=style.ON_MAP, line=0.9)


def _ellipse(axes: Axes, centre: tuple[float, float], row: Mapping[str, float], *, colour: str, line: float) -> None:
    cut = row["spread_cut"] == 1
    shape = Ellipse(
        centre,
        2 * row["spread_major"],
        2 * row["spread_minor"],
        angle=float(np.nan_to_num(row["spread_orientation"])),  # a round one has none
        fill=False,
        edgecolor=colour,
        linewidth=line,
        linestyle=(0, (4, 3)) if cut else "-",
        alpha=0.7 if cut else 1.0,
        zorder=5,
    )
    axes.add_artist(shape)  # a patch would be asked for its limits, which are the board's


def footprints(results: xr.Dataset) -> list[tuple[str, tuple[float, float, float, float], dict[str, float]]]:
    """Return each region whose footprint is known: name, box, and the last values of spread and drift."""
    if any(key not in results for key in FOOTPRINT):
        return []
    keys = [*FOOTPRINT, *(key for key in BESIDE if key in results)]
    values_of = {key: results[key].transpose("region", ...).to_numpy().astype(float) for key in keys}
    numbers = {str(name): number for number, name in enumerate(results["region"].to_numpy())}
    found = []
    for name, box in region_boxes(results):
        series = {key: values[numbers[name]] for key, values in values_of.items()}
        known = np.flatnonzero(np.isfinite(series["spread_major"]) & np.isfinite(series["drift_x"]))
        if known.size:
            found.append((name, box, {key: float(values[known[-1]]) for key, values in series.items()}))
    return found


def is_drawn_aside(row: Mapping[str, float]) -> bool:
    """Tell whether a footprint's centre is off its part's by more than twice the uncertainty, where that is known.

    >>> is_drawn_aside({"drift_x": 3.0, "drift_y": 4.0, "drift_uncertainty": 2.6})
    False
    """
    return float(np.hypot(row["drift_x"], row["drift_y"])) > 2 * row.get("drift_uncertainty", 0.0)


def _board_axes(results: xr.Dataset, *, width: float, openings: bool = True) -> tuple[Figure, Axes]:
    left, right, bottom, top = extent(results)
    room = board_room(results, small=width < 6) if openings else (0.0, 0.0, 0.0, 0.0)
    shape = (top - bottom + room[2] + room[3]) / (right - left + room[0] + room[1])
    figure = style.new_figure(width, width * shape * (0.95 if width < 6 else 0.86) + (1.1 if width < 6 else 0.5))
    axes = figure.add_subplot()
    prepare_board_axes(axes, results, room=room)
    if width < 6 and openings:
        axes.set_yticks([])  # the openings' names need the place
        axes.set_ylabel("")
    return figure, axes


def board_room(results: xr.Dataset, *, small: bool = False) -> tuple[float, float, float, float]:
    """Return the room beside the board's left, right, bottom and top edge: only where an opening needs it."""
    left, right, bottom, top = extent(results)
    need = dict.fromkeys(((-1, 0), (1, 0), (0, -1), (0, 1)), 0.01)
    for number in range(results.sizes.get("opening", 0)):
        normal = _outward(_ends(results, number), np.array([(left + right) / 2, (bottom + top) / 2]))
        side = (int(np.sign(normal[0])), 0) if abs(normal[0]) > abs(normal[1]) else (0, int(np.sign(normal[1])))
        need[side] = _NARROW_ROOM if small else _ROOM
    sides = [share * max(right - left, top - bottom) for share in need.values()]
    return sides[0], sides[1], sides[2], sides[3]


def prepare_board_axes(
    axes: Axes, dataset: xr.Dataset, *, room: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
) -> None:
    """Set limits, equal scales and labels in the board's lengths; ``room`` is left, right, bottom and top."""
    left, right, bottom, top = extent(dataset)
    axes.set_xlim(left - room[0], right + room[1])
    axes.set_ylim(bottom - room[2], top + room[3])
    axes.tick_params(length=0)
    axes.set_aspect("equal")
    unit = length_unit(dataset)
    axes.set_xlabel(f"x, {unit}")
    axes.set_ylabel(f"y, {unit}")
    axes.xaxis.set_major_locator(_Within(left, right))
    axes.yaxis.set_major_locator(_Within(bottom, top))
    for side in axes.spines.values():
        side.set_visible(False)


class _Within(MaxNLocator):
    """Round ticks on the board, none in the room beside it."""

    def __init__(self, low: float, high: float) -> None:
        super().__init__(nbins=7, steps=[1, 2, 2.5, 5, 10])
        self._low, self._high = low, high

    def __call__(self) -> Sequence[float]:
        slack = 1e-6 * (self._high - self._low)
        ticks = np.asarray(self.tick_values(self._low, self._high))
        kept: Sequence[float] = ticks[(ticks >= self._low - slack) & (ticks <= self._high + slack)].tolist()
        return kept
