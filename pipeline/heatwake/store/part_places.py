"""Placement files as they come: headings by trade words, units, turned parts, and where their origin is."""

import csv
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatwake.errors import InputError, shorten
from heatwake.schema.session import Board
from heatwake.schema.settings import LONG

Floats = npt.NDArray[np.float64]

SNIFFED: Final = 2**16  # bytes that must hold the headings
MILLIMETRES: Final = {
    **dict.fromkeys(("mm", "millimeter", "millimeters", "millimetre", "millimetres"), 1.0),
    **dict.fromkeys(("mil", "mils", "thou"), 0.0254),
    **dict.fromkeys(("inch", "inches", "in", '"'), 25.4),
    **dict.fromkeys(("um", "micron", "microns"), 0.001),
    "cm": 10.0,
}
HEADINGS: Final = {
    "name": (
        "name",
        "designator",
        "refdes",
        "referencedesignator",
        "ref",
        "reference",
        "partname",
        "part",
        "component",
    ),
    "x": (
        *("x", "midx", "centrex", "centerx", "posx", "positionx", "xpos", "xposition", "locationx", "xlocation"),
        *("xcentre", "xcenter", "xcoordinate", "xcoord", "coordx", "coordinatex", "partx", "symx"),
    ),
    "rotation": ("rotation", "rot", "angle", "orientation", "theta", "turn"),
    "length": ("length", "bodylength", "packagelength", "partlength", "sizex", "xsize"),
    "width": ("width", "bodywidth", "packagewidth", "partwidth"),
    "height": ("height", "partheight", "sizey", "ysize"),
    "size": ("size", "packagesize", "bodysize", "dimensions", "bodydimensions"),
    "side": ("side", "layer", "boardside", "mountside", "tb"),
    "emissivity": ("emissivity",),
    "emissivity_uncertainty": ("emissivityuncertainty",),
    "limit": ("limit", "maxtemperature", "maximumtemperature", "limittemperature", "tmax"),
}
"""Trade words for each column, the most telling first; case and punctuation do not count."""
ALIASES: Final = {**HEADINGS, "y": tuple(word.replace("x", "y") for word in HEADINGS["x"])}
NEEDED: Final = {"name": "name", "x": "x_mm", "y": "y_mm"}
LENGTHS: Final = ("x", "y", "length", "width", "height", "size")
_SEPARATORS: Final = (";", "\t", ",", r"\s+")
_SUFFIX: Final = re.compile(r"(millimet(?:er|re)s?|mm|mils?|thou|inch(?:es)?|in|um|microns?|cm|degrees|degc|deg)$")
_UNIT_LINE: Final = re.compile(r"\bunits?\b[^a-z]*(?:used)?[^a-z]*([a-z]+)", re.IGNORECASE)
_LENGTH: Final = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z]+|\")?")
_SIDES: Final = {
    **dict.fromkeys(("t", "top", "toplayer", "front", "fcu", "f"), "top"),
    **dict.fromkeys(("b", "bottom", "bottomlayer", "bot", "back", "bcu"), "bottom"),
}
QUARTER: Final = 0.5  # [deg] that a part may be off a quarter turn


@dataclass(frozen=True)
class Layout:
    """How a placement file is written.

    Attributes
    ----------
    separator : str
        As pandas takes it.
    skip : int
        Lines up to and with the headings.
    headings : tuple of str
    columns : dict of str to str
        Heading of each column that is known.
    unit : str
        Of lengths without one of their own.
    """

    separator: str
    skip: int
    headings: tuple[str, ...]
    columns: dict[str, str]
    unit: str

    def unit_of(self, column: str) -> str:
        """Return the unit that a column's heading names, else the file's."""
        match = _SUFFIX.search(_compact(self.columns[column]))
        named = match.group(1) if match else ""
        return named if named in MILLIMETRES else self.unit


def find_layout(path: Path, *, board: Board, where: str) -> Layout:
    """Return how a placement file is written: the first line that has headings for name, x and y decides.

    Raises
    ------
    InputError
        No line has; tells what the first one lacks.
    """
    with path.open("rb") as file:
        text = file.read(SNIFFED).decode("utf-8-sig", errors="replace")
    lines = re.split(r"\r\n|\n|\r", text)
    unit = board.parts_unit or _named_unit(lines)
    for number, line in enumerate(lines):
        for separator in _SEPARATORS:
            headings = _split(line.lstrip("#/* \t"), separator)
            columns = _known(headings, board=board, where=where)
            if all(key in columns for key in NEEDED):
                return Layout(separator, number + 1, headings, columns, unit)
    raise _no_headings(lines, board=board, where=where)


def _no_headings(lines: list[str], *, board: Board, where: str) -> InputError:
    kept = [line for line in lines if line.strip() and not line.lstrip().startswith(("#", "//", "*"))]
    if not kept:
        return InputError(where, "empty", "must have headings and at least one row")
    headings = max((_split(kept[0], separator) for separator in _SEPARATORS[:3]), key=len)
    known = _known(headings, board=board, where=where)
    lacking_key, lacking = next((key, name) for key, name in NEEDED.items() if key not in known)
    found = shorten(", ".join(headings), LONG)
    if lacking_key in board.parts_columns:
        told = repr(board.parts_columns[lacking_key])
        return InputError(f"board.parts_columns.{lacking_key}", told, f"must be a heading of {where}, found {found}")
    return InputError(f"{where}: column {lacking}", "missing", f"must be there, found {found}")


def _split(line: str, separator: str) -> tuple[str, ...]:
    if separator == r"\s+":
        return tuple(line.split())
    try:
        cells = next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    except csv.Error:  # no text at all
        return ()
    return tuple(cell.strip() for cell in cells)


def _compact(heading: str) -> str:
    return re.sub(r"[^a-z0-9]", "", heading.lower())


def _known(headings: tuple[str, ...], *, board: Board, where: str) -> dict[str, str]:
    """Return the heading of each column: as the session file maps it, else by trade words."""
    known = {}
    for key, words in ALIASES.items():
        told = board.parts_columns.get(key)
        if told is not None:
            if told in headings:
                known[key] = told
            continue
        ranked = sorted((words.index(word), heading) for heading in headings if (word := _word(heading, words)))
        if len(ranked) > 1 and ranked[0][0] == ranked[1][0] and {"x", "y"} & {key}:
            both = f"{ranked[0][1]!r} and {ranked[1][1]!r}"
            raise InputError(f"{where}: {key}", both, f"must be told apart by board.parts_columns.{key}")
        if ranked:
            known[key] = ranked[0][1]
    return known


def _word(heading: str, words: tuple[str, ...]) -> str:
    """Return which of the words a heading is, with or without a unit behind it; empty for none."""
    compact = _compact(heading)
    return next((text for text in (compact, _SUFFIX.sub("", compact)) if text in words), "")


def _named_unit(lines: list[str]) -> str:
    """Return the unit that a line above the parts names, such as ``Units: mil``; millimetres where none does."""
    for line in lines[:40]:
        match = _UNIT_LINE.search(line)
        if match and match.group(1).lower() in MILLIMETRES:
            return match.group(1).lower()
    return "mm"


def millimetres(cells: "pd.Series[Any]", *, unit: str, where: str, optional: bool) -> Floats:
    """Return lengths [mm]; a unit in the cell counts before ``unit``; empty cells are NaN where ``optional``.

    Raises
    ------
    InputError
        A cell is no length; names its row.
    """
    values = np.full(len(cells), np.nan)
    for row, cell in enumerate(cells):
        text = "" if pd.isna(cell) else str(cell).strip()
        if not text and optional:
            continue
        values[row] = _length(text, unit=unit)
        if not np.isfinite(values[row]) or abs(values[row]) > 1e12:
            found = "empty" if not text else shorten(repr(text) if isinstance(cell, str) else text, LONG)
            raise InputError(f"{where}, row {row + 1}", found, "must be a number")
    return values


def _length(text: str, *, unit: str) -> float:
    match = _LENGTH.fullmatch(re.sub(r"^([+-]?\d+),(\d+)", r"\1.\2", text))
    if match is None:
        return float("nan")
    factor = MILLIMETRES.get((match.group(2) or unit).lower(), float("nan"))
    return float(match.group(1)) * factor


def two_lengths(cells: "pd.Series[Any]", *, unit: str, where: str) -> tuple[Floats, Floats]:
    """Return both lengths [mm] of cells such as ``3.2 x 1.6 mm``; NaN where empty.

    Raises
    ------
    InputError
        A cell is no pair of lengths.
    """
    pairs = np.full((2, len(cells)), np.nan)
    for row, cell in enumerate(cells):
        if pd.isna(cell) or not str(cell).strip():
            continue
        sides = re.split(r"\s*[xX×*]\s*", str(cell).strip())
        tail = re.search(r"([A-Za-z]+)$", sides[-1])
        pairs[:, row] = [_length(side, unit=tail.group(1) if tail else unit) for side in sides[:2]] if sides[1:] else 0
        if len(sides) < 2 or not np.isfinite(pairs[:, row]).all():
            raise InputError(
                f"{where}, row {row + 1}", shorten(repr(str(cell)), LONG), "must be two lengths, as 3.2x1.6"
            )
    return pairs[0], pairs[1]


def turned(width: Floats, height: Floats, *, degrees: Floats) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Return the sizes of the upright boxes round turned parts, and which were turned by no whole quarter.

    >>> turned(np.array([4.0]), np.array([2.0]), degrees=np.array([-90.0]))[:2]
    (array([2.]), array([4.]))
    """
    angle = np.nan_to_num(degrees) % 180.0
    nearest = np.round(angle / 90.0) * 90.0
    askew = abs(angle - nearest) > QUARTER
    radians = np.deg2rad(np.where(askew, angle, nearest))
    along, across = abs(np.cos(radians)).round(12), abs(np.sin(radians)).round(12)
    # one size alone stays with its side, or goes to the other with a quarter turn
    across_part = np.where(across > 0, height * across, 0), np.where(along > 0, height * along, 0)
    along_part = np.where(along > 0, width * along, 0), np.where(across > 0, width * across, 0)
    return along_part[0] + across_part[0], along_part[1] + across_part[1], askew


def on_board(x: Floats, y: Floats, *, board: Board) -> tuple[Floats, Floats]:
    """Return places [mm] from the board's lower-left corner as the camera sees it.

    Raises
    ------
    InputError
        The board's size is needed for it and not given.
    """
    origin = board.parts_origin
    needs = {"width_mm": origin == "centre" or board.parts_mirrored, "height_mm": origin in ("centre", "upper-left")}
    for key, needed in needs.items():
        if needed and getattr(board, key) is None:
            raise InputError(f"board.{key}", "missing", "must be given with this parts_origin or parts_mirrored")
    width, height = board.width_mm or 0.0, board.height_mm or 0.0
    if origin == "centre":
        x, y = x + width / 2, y + height / 2
    elif origin == "upper-left":
        y = height - y
    elif not isinstance(origin, str):
        x, y = x + origin[0], y + origin[1]
    return (width - x if board.parts_mirrored else x), y


def of_side(cells: "pd.Series[Any]", *, board: Board, where: str) -> npt.NDArray[np.bool_]:
    """Return which rows are of the side that is seen.

    Raises
    ------
    InputError
        A side has no known name, or there are two and none is chosen.
    """
    sides = [_SIDES.get(_compact(str(cell)), "") for cell in cells]
    for row, side in enumerate(sides):
        if not side:
            raise InputError(
                f"{where}, row {row + 1}", shorten(repr(str(cells.iloc[row])), LONG), "must be top or bottom"
            )
    if board.parts_side is None and len(set(sides)) > 1:
        raise InputError("board.parts_side", f"missing, and {where} has both", 'must be "top" or "bottom"')
    wanted = board.parts_side or sides[0]
    return np.array([side == wanted for side in sides])
