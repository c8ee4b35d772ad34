"""Frames of a recording side by side, in one scale, to see at a glance what was recorded."""

import io
from typing import Any, Final

import matplotlib as mpl
import numpy as np
import numpy.typing as npt

from heatwake.report import figure_style as style

Array = npt.NDArray[Any]

ACROSS: Final = 4
LIMITS: Final = (0.005, 0.998)  # quantiles of what is shown
OUTLINE: Final = "#ff5a36"
DPI: Final = 110


def contact_sheet_png(
    pictures: Array, elapsed: Array, *, numbers: Array, title: str, outline: Array | None = None
) -> bytes:
    """Return frames as one PNG, with their number and time, and the board's outline where it is known.

    Parameters
    ----------
    pictures : (n, rows, columns) array
        [degC]; NaN where there is no reading, which is shown grey.
    elapsed : (n,) array
        [s]
    numbers : (n,) array
        Of the frames, counted from 0.
    title : str
    outline : (4, 2) array, optional
        Column and row of the board's corners [px].
    """
    tiles = _Tiles(len(pictures), rows=pictures.shape[1], columns=pictures.shape[2])
    low, high = _limits(pictures)
    with style.house_style():
        figure = style.new_figure(14.0, max(2.5, 12.2 * tiles.height / tiles.width + 0.7))
        figure.set_facecolor(style.PAPER)
        figure.suptitle(title, fontsize=13, fontweight="bold", x=0.012, ha="left", parse_math=False)
        axes = figure.add_subplot()
        axes.set_axis_off()
        shown = axes.imshow(
            np.ma.masked_invalid(tiles.laid(pictures, beyond=low - 1)), cmap=_colours(), vmin=low, vmax=high
        )
        for number, (left, top) in enumerate(tiles.places()):
            text = f"frame {numbers[number]}   {elapsed[number]:.1f} s"
            style.plain_text(axes, left, top - 0.08 * tiles.margin, text, fontsize=9.5, va="bottom")
            if outline is not None:
                closed = np.vstack([outline, outline[:1]]) + np.array((left, top))
                axes.plot(*closed.T, color=OUTLINE, linewidth=0.9)
        axes.set_xlim(-0.5, tiles.width - 0.5)
        axes.set_ylim(tiles.height - 0.5, -0.5)
        style.colour_bar(figure, axes, shown, label="indicated temperature, °C", below=False)
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=DPI, metadata={"Software": None})
    return buffer.getvalue()


def _colours() -> Any:
    """Return the colours of the scale: paper for what is below it, grey for what has no reading."""
    return mpl.colormaps[style.RISE_COLOURS].with_extremes(under=style.PAPER, bad=style.NOT_SEEN)


class _Tiles:
    """Pictures in rows of four, with room for a line of text above each [px of the recording]."""

    def __init__(self, count: int, *, rows: int, columns: int) -> None:
        self._count, self._rows, self._columns = count, rows, columns
        self.margin = max(2, round(0.12 * columns))
        gap = max(1, round(0.03 * columns))
        self._step = rows + self.margin, columns + gap
        self.height = -(-count // ACROSS) * self._step[0]
        self.width = ACROSS * self._step[1] - gap

    def places(self) -> list[tuple[int, int]]:
        """Return column and row of each picture's first pixel."""
        across = [divmod(number, ACROSS) for number in range(self._count)]
        return [(right * self._step[1], down * self._step[0] + self.margin) for down, right in across]

    def laid(self, pictures: Array, *, beyond: float) -> Array:
        """Return all pictures in one; ``beyond`` stands between them."""
        sheet = np.full((self.height, self.width), beyond, dtype=np.float32)
        for picture, (left, top) in zip(pictures, self.places(), strict=True):
            sheet[top : top + self._rows, left : left + self._columns] = np.where(
                np.isfinite(picture), np.maximum(picture, beyond + 1), np.nan
            )
        return sheet


def _limits(pictures: Array) -> tuple[float, float]:
    seen = pictures[np.isfinite(pictures)]
    if not seen.size:
        return 0.0, 1.0
    low, high = np.quantile(seen, LIMITS)
    return float(low), float(max(high, low + 0.1))
