"""One look for all figures, and their way into a page: inline SVG that takes the page's ink and paper."""

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final
from xml.sax.saxutils import escape

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.image import imsave
from matplotlib.text import Text

from heatwake.report.figure_layout import BELOW, BESIDE, QuickLayout

# Perceptually uniform and the same to colour-blind eyes (Nunez, Anderton and Renslow, PLOS ONE 13, 2018, e0199239).
RISE_COLOURS: Final = "cividis"
DIFFERENCE_COLOURS: Final = "RdBu_r"

INK, MUTED, LINE, PAPER = "#1d2733", "#5b6876", "#d4dae0", "#fdfdfe"  # stand-ins for the page's own colours

# After Okabe and Ito, "Color universal design", 2008; without its yellow and black, which drown in paper or night.
SERIES: Final = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#8a6fc9", "#7f8c8d")
STILL_DPI: Final = 200
MAP_DPI: Final = 96  # of maps in a figure's SVG: smooth as they are, more would not be seen
DASHES: Final = ("-", (0, (5, 1.6)))
INLET, OUTLET, UNDECIDED = "#2f86d0", "#d55e00", "#7b8794"
_FROM_PAGE: Final = {INK: "--ink", MUTED: "--muted", LINE: "--line", PAPER: "--paper", INLET: "--inlet"} | {
    colour: f"--series-{number}" for number, colour in enumerate(SERIES)
}
ON_MAP, ON_MAP_SHADE = "#ffffff", "#0b1524"
NOT_SEEN: Final = "#9aa3ad"

_STYLE: Final[Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "heatwake",
    "font.family": "DejaVu Sans",
    "font.size": 10.5,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": MUTED,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.facecolor": "none",
    "axes.titlesize": 10.5,
    "figure.facecolor": "none",
    "grid.color": LINE,
    "grid.linewidth": 0.8,
    "hatch.color": MUTED,
    "hatch.linewidth": 0.6,
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.major.size": 3,
    "ytick.major.size": 3,
}


@contextmanager
def house_style() -> Iterator[None]:
    """Draw and save figures within this."""
    with mpl.rc_context(_STYLE):
        yield


def new_figure(width: float, height: float) -> Figure:
    """Return an empty figure [inch] that fits its parts into itself."""
    figure = Figure(figsize=(width, height), layout=QuickLayout(), dpi=144)
    FigureCanvasAgg(figure)
    return figure


def plain_text(axes: Axes, x: float, y: float, text: str, **style: Any) -> Text:
    """Write text that came from outside: signs that could mean mathematics are shown as they are."""
    return axes.text(x, y, text, parse_math=False, **style)


def colour_bar(figure: Figure, axes: Any, picture: Any, *, label: str, below: bool) -> None:
    """Add a colour bar at the right of a figure's only axes, or below them where the figure is narrow."""
    place = figure.add_axes((0.9, 0.1, 0.02, 0.8), label=BELOW if below else BESIDE)
    bar = figure.colorbar(picture, cax=place, orientation="horizontal" if below else "vertical")
    bar.set_label(label)
    bar.outline.set_visible(False)


def svg_text(figure: Figure) -> str:
    """Return a figure as SVG from its first tag on; the same figure gives the same text."""
    buffer = io.BytesIO()
    # not by savefig, which draws a figure that fits its parts into itself twice; this lays it out and draws it once
    nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
    dots, figure.dpi = figure.dpi, MAP_DPI
    canvas: Any = FigureCanvasSVG(figure)
    canvas.print_svg(buffer, metadata=nothing)
    figure.dpi = dots
    text = buffer.getvalue().decode()
    return text[text.index("<svg") :]


@dataclass(frozen=True)
class Still:
    """A figure as files of its own, on white, to be used elsewhere.

    Attributes
    ----------
    svg : str
        As it came from ``svg_text``: text stays text.
    figure : Figure
    """

    svg: str
    figure: Figure

    def files(self, name: str) -> Iterator[tuple[str, bytes]]:
        """Yield names and contents of the SVG and of the PNG (200 dots an inch); no dates, no versions in them."""
        yield f"{name}.svg", self.svg_file()
        yield f"{name}.png", png_of(self.drawn())

    def svg_file(self) -> bytes:
        """Return the SVG as a file of its own, on white."""
        head, ground = self.svg.index(">") + 1, '<rect width="100%" height="100%" fill="#ffffff"/>'
        text = f"{self.svg[:head]}{ground}{self.svg[head:]}".replace(
            "'DejaVu Sans'", "'DejaVu Sans', Arial, sans-serif"
        )
        return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}'.encode()

    def drawn(self) -> npt.NDArray[np.uint8]:
        """Return the figure's pixels (rows, columns, 4), drawn once where ``savefig`` would draw it twice."""
        self.figure.set_layout_engine("none")  # it has found its places
        self.figure.set(dpi=STILL_DPI, facecolor="white")
        with house_style():
            canvas: Any = FigureCanvasAgg(self.figure)
            canvas.draw()
        return np.asarray(canvas.buffer_rgba())


def png_of(pixels: npt.NDArray[np.uint8]) -> bytes:
    """Return drawn pixels as a PNG file."""
    buffer = io.BytesIO()
    unsigned: Any = {"Software": None}
    quick = {"compress_level": 3}  # files a quarter larger, written sooner
    imsave(buffer, pixels, format="png", dpi=STILL_DPI, metadata=unsigned, pil_kwargs=quick)
    return buffer.getvalue()


def inline_svg(figure: Figure, *, name: str, alt: str) -> str:
    """Return a figure as SVG to stand in a page."""
    return for_page(svg_text(figure), name=name, alt=alt)


def for_page(text: str, *, name: str, alt: str) -> str:
    """Return SVG as it stands in a page: ids made unique by ``name``, colours from the page."""
    text = re.sub(r"\bid=\"([^\"]+)\"", rf'id="{name}-\1"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
    text = re.sub(r"href=\"#([^\"]+)\"", rf'href="#{name}-\1"', text)
    text = re.sub(r"<style type=\"text/css\">.*?</style>", "", text, flags=re.DOTALL)  # would style the whole page
    text = re.sub(r"'DejaVu Sans'(, [^;\"]*)?", "var(--face)", text)
    for colour, variable in _FROM_PAGE.items():
        text = text.replace(colour, f"var({variable})")
    text = text.replace("image-rendering:crisp-edges;image-rendering:pixelated", "image-rendering:auto")
    opening = re.sub(r'\b(width|height)="[^"]*pt"\s*', "", text[: text.index(">")])
    opening += f' role="img" aria-label="{escape(alt, {chr(34): "&quot;"})}"'
    return opening + text[text.index(">") :]
