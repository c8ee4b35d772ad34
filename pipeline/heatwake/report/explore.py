"""The part of a page that a person looks around in: maps to probe, places to pin, a recording to play.

What draws in the browser is imported here and nowhere else: it takes seconds, and runs without pages do without it.
"""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import matplotlib as mpl
import numpy as np
import xarray as xr
from bokeh.document import Document
from bokeh.embed.util import standalone_docs_json
from bokeh.models import (
    ColorBar,
    ColumnDataSource,
    FixedTicker,
    LinearColorMapper,
    Range1d,
    Span,
    WheelZoomTool,
)
from bokeh.plotting import figure
from bokeh.resources import Resources
from markupsafe import Markup

from heatwake.report import figure_style as style
from heatwake.report.board_figure import region_boxes
from heatwake.report.curves_figure import events
from heatwake.report.maps import extent, length_unit
from heatwake.report.recording_sample import CELLS, MISSING, STEP, RecordingSample, packed, sample_recording

MOST_SESSIONS: Final = 4  # side by side
_PINS: Final = 3  # to begin with
_TOOLS: Final = "pan,wheel_zoom,box_zoom,reset"
_LABEL: Final[dict[str, Any]] = {
    **{"text_color": style.ON_MAP, "text_font_style": "bold", "text_font_size": "11px"},
    **{"background_fill_color": style.ON_MAP_SHADE, "background_fill_alpha": 0.75, "padding": 2, "border_radius": 3},
}
_INK: Final = "#1d2733"  # until the page's own colours are taken over


@dataclass(frozen=True)
class Explorer:
    """What a page needs to be looked around in.

    Attributes
    ----------
    names : list of str
        Of the sessions shown, a map each.
    every : int
        Of so many pixels in a row and in a column one is shown.
    times : int
        Maps of the recording that are shown.
    data : Markup
        JSON for the page's script.
    scripts : tuple of str
        What draws; without markup.
    """

    names: list[str]
    every: int
    times: int
    data: Markup
    scripts: tuple[str, ...]


def explorer(sessions: Mapping[str, xr.Dataset]) -> Explorer | None:
    """Return the explorer of sessions on one scale, linked in pan, zoom and time; None where there is no map.

    One session counts its time from the first frame, several from power-on where all know it. Only the first
    ``MOST_SESSIONS`` are shown.
    """
    names = [name for name in sessions if sessions[name].sizes["time"]][:MOST_SESSIONS]
    if not names:
        return None
    since_power_on = len(names) > 1 and all(np.isfinite(_power_on(sessions[name])) for name in names)
    samples = [
        sample_recording(
            sessions[name],
            name=name,
            cells=CELLS // len(names),
            zero=_power_on(sessions[name]) if since_power_on else 0.0,
        )
        for name in names
    ]
    first = sessions[names[0]]
    end = _end(samples)
    models = _models(first, samples, end=end)
    content = {
        "sessions": [_packed(sample) for sample in samples],
        "step": STEP,
        "missing": MISSING,
        "unit": length_unit(first),
        "clock": "since power-on" if since_power_on else "since the first frame",
        "parts": [[name, *box] for name, box in region_boxes(first)],
        "pins": _first_pins(first, samples[0]),
        **_embedded(models),
    }
    drawing = tuple(Resources(mode="inline", components=["bokeh"]).js_raw)
    data = json.dumps(content, separators=(",", ":")).replace("<", "\\u003c")
    # Angle brackets are gone: nothing in it can end the element that it stands in.
    return Explorer(names, samples[0].every, max(len(s.clock) for s in samples), Markup(data), drawing)  # noqa: S704


def _power_on(results: xr.Dataset) -> float:
    return float(results["power_on"]) if "power_on" in results else np.nan


def _end(samples: list[RecordingSample]) -> float:
    """Return the end of the colours: what all but one pixel in two thousand stay below at the end."""
    last = [sample.rise[-1].astype(float) * STEP for sample in samples]
    known = np.concatenate([values[values > MISSING * STEP] for values in last])
    return max(1.0, float(np.quantile(known, 0.9995))) if known.size else 1.0


def _packed(sample: RecordingSample) -> dict[str, Any]:
    return {
        "name": sample.name,
        "x": _rounded(sample.x),
        "y": _rounded(sample.y),
        "clock": _rounded(sample.clock),
        "ambient": [None if not np.isfinite(value) else round(float(value), 3) for value in sample.ambient],
        "rise": packed(sample.rise),
        "uncertainty": None if sample.uncertainty is None else packed(sample.uncertainty),
    }


def _rounded(values: Any) -> list[float]:
    return [round(float(value), 4) for value in values]


def _first_pins(results: xr.Dataset, sample: RecordingSample) -> list[list[float]]:
    """Return the hottest pixels of the hottest parts at the end; of the whole map where no part is known."""
    last = np.where(sample.rise[-1] == MISSING, -np.inf, sample.rise[-1].astype(float))
    found = []
    for _, (x, y, wide, high) in region_boxes(results):
        columns = np.flatnonzero(np.abs(sample.x - x) <= wide / 2)
        rows = np.flatnonzero(np.abs(sample.y - y) <= high / 2)
        if not rows.size or not columns.size:
            continue
        inside = last[np.ix_(rows, columns)]
        row, column = np.unravel_index(int(np.argmax(inside)), inside.shape)
        found.append((float(inside[row, column]), int(rows[row]), int(columns[column])))
    if not found:
        row, column = np.unravel_index(int(np.argmax(last)), last.shape)
        found = [(float(last[row, column]), int(row), int(column))]
    hottest = sorted(found, key=lambda one: -one[0])[:_PINS]
    return [[float(sample.x[column]), float(sample.y[row])] for _, row, column in hottest]


def _models(results: xr.Dataset, samples: list[RecordingSample], *, end: float) -> dict[str, Any]:
    left, right, bottom, top = extent(results)
    ranges = Range1d(left, right, name="x-range"), Range1d(bottom, top, name="y-range")
    palette = [mpl.colors.to_hex(colour) for colour in mpl.colormaps[style.RISE_COLOURS](np.linspace(0, 1, 256))]
    mapper = LinearColorMapper(palette=palette, low=0.0, high=end, nan_color=style.NOT_SEEN, name="colours")
    pins = ColumnDataSource({"x": [], "y": [], "colour": [], "label": []}, name="pins")
    models: dict[str, Any] = {}
    for number, sample in enumerate(samples):
        models[f"explore-map-{number}"] = _map(results, sample, ranges=ranges, mapper=mapper, pins=pins, number=number)
    single = results if len(samples) == 1 else None
    models["explore-curves"] = _curves(single, end=float(max(sample.clock[-1] for sample in samples)))
    return models


def _map(
    results: xr.Dataset,
    sample: RecordingSample,
    *,
    ranges: tuple[Range1d, Range1d],
    mapper: LinearColorMapper,
    pins: ColumnDataSource,
    number: int,
) -> Any:
    plot = _plot(x_range=ranges[0], y_range=ranges[1], name=f"map-{number}")
    left, right, bottom, top = extent(results)
    blank = {
        "image": [np.full((1, 1), np.nan, np.float32)],
        "x": [left],
        "y": [bottom],
    }  # until the page's script fills it
    shown = ColumnDataSource(blank | {"dw": [right - left], "dh": [top - bottom]}, name=f"image-{number}")
    plot.image("image", "x", "y", "dw", "dh", color_mapper=mapper, source=shown)
    unit = length_unit(results)
    plot.xaxis.axis_label, plot.yaxis.axis_label = f"x, {unit}", f"y, {unit}"
    _draw_parts(plot, results)
    marks: dict[str, Any] = {"source": pins, "fill_color": "colour", "line_color": style.ON_MAP}
    plot.scatter("x", "y", size=13, line_width=2, **marks)
    plot.text("x", "y", "label", source=pins, x_offset=10, y_offset=-6, **_LABEL)
    cursor = ColumnDataSource({"x": [], "y": []}, name=f"cursor-{number}")
    for colour, line in ((style.ON_MAP_SHADE, 4.0), (style.ON_MAP, 1.8)):  # an open ring: what is read stays in view
        plot.scatter("x", "y", source=cursor, size=17, fill_color=None, line_color=colour, line_width=line)
    bar = ColorBar(color_mapper=mapper, height=9, padding=4, title="rise over ambient, K", name=f"bar-{number}")
    bar.background_fill_color = bar.bar_line_color = None
    bar.title_text_font_style, bar.title_text_font_size = "normal", "12px"
    bar.major_tick_line_color = None
    plot.add_layout(bar, "below")
    return plot


def _draw_parts(plot: Any, results: xr.Dataset) -> None:
    boxes = region_boxes(results)
    x, y, wide, high = np.array([box for _, box in boxes], dtype=float).reshape(-1, 4).T
    place: dict[str, Any] = {"x": x, "y": y, "wide": wide, "high": high, "top": y + high / 2}
    place = {key: values.tolist() for key, values in place.items()} | {"name": [name for name, _ in boxes]}
    source = ColumnDataSource(place, name="parts")
    for colour, line, alpha in ((style.ON_MAP_SHADE, 2.6, 0.45), (style.ON_MAP, 1.1, 0.95)):
        box: dict[str, Any] = {"line_color": colour, "line_width": line, "line_alpha": alpha, "fill_color": None}
        plot.rect("x", "y", "wide", "high", source=source, **box)
    text: dict[str, Any] = {"text_align": "center", "text_baseline": "bottom", "y_offset": 5}
    plot.text("x", "top", "name", source=source, **text, **_LABEL)


def _curves(results: xr.Dataset | None, *, end: float) -> Any:
    plot = _plot(x_range=Range1d(0.0, end), y_range=Range1d(0.0, 1.0), name="curves")
    plot.tools, plot.toolbar_location = [], None
    lines = ColumnDataSource({"xs": [], "ys": [], "colour": [], "dash": []}, name="lines")
    plot.multi_line("xs", "ys", source=lines, line_color="colour", line_dash="dash", line_width=2)
    plot.yaxis.axis_label = "rise over ambient, K"
    plot.xaxis.ticker = FixedTicker(ticks=[])  # whole minutes and hours, as many as there is room for
    plot.ygrid.grid_line_alpha = 1.0
    plot.add_layout(Span(location=end, dimension="height", line_width=1.5, line_color=_INK, name="now"))
    marked = [] if results is None else events(results)
    for time, _ in marked:
        plot.add_layout(Span(location=time, dimension="height", line_dash=[4, 4], line_width=1, line_color=_INK))
    source = ColumnDataSource({"x": [time for time, _ in marked], "text": [text for _, text in marked]})
    place: dict[str, Any] = {"x_offset": 4, "y_offset": -3, "text_baseline": "bottom", "text_font_size": "11px"}
    plot.text("x", 0.0, "text", source=source, text_color=_INK, name="events", **place)
    return plot


def _plot(**options: Any) -> Any:
    plot = figure(tools=_TOOLS, toolbar_location="above", width=600, height=300, min_border=4, **options)
    plot.toolbar.logo = None
    plot.toolbar.active_scroll = None  # the wheel moves the page until it is asked to zoom
    plot.background_fill_color = plot.border_fill_color = plot.outline_line_color = None
    plot.xgrid.grid_line_color = None
    plot.ygrid.grid_line_alpha = 0.0
    for axis in plot.axis:
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_font_size = axis.major_label_text_font_size = "12px"
        axis.minor_tick_line_color = axis.axis_line_color = None
    for tool in plot.select(WheelZoomTool):
        tool.zoom_on_axis = False
    return plot


def _embedded(models: Mapping[str, Any]) -> dict[str, Any]:
    """Return the models for the browser, numbered anew: the same results give the same page."""
    document = Document()
    for model in models.values():
        document.add_root(model)
    made = standalone_docs_json(list(models.values()))
    text = json.dumps(next(iter(made.values())))
    numbers: dict[str, str] = {}
    text = re.sub(r'"id": "(p\d+)"', lambda found: f'"id": "{numbers.setdefault(found[1], f"m{len(numbers)}")}"', text)
    roots = {numbers[model.id]: place for place, model in models.items()}
    item = {"docid": "explorer", "roots": roots, "root_ids": list(roots)}
    return {"document": {"explorer": json.loads(text)}, "items": [item]}
