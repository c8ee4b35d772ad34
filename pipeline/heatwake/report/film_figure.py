"""The picture of the film: what it passes place by place, and where not to trust it."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from heatwake.report import figure_style as style
from heatwake.schema.variables import FILM_TRUST

Array = npt.NDArray[Any]

_COLOURS: Final = {
    "too little contrast": style.LINE,
    "crease or more than one layer": style.SERIES[1],
    "lamp mirrored": style.SERIES[3],
    "scene changed": style.SERIES[7],
    "not seen": style.NOT_SEEN,
}
_LEAST_RANGE: Final = 0.02  # of the scale: an even film looks even


def has_film_map(results: xr.Dataset) -> bool:
    """Tell whether there is a place where a pair's transmittance is trusted."""
    return "pair_trust" in results and bool((results["pair_trust"] == FILM_TRUST.index("trusted")).any())


def film_figure(results: xr.Dataset, *, width: float = 9.0) -> Figure:
    """Return the transmittance over the camera's picture, coloured over where it is not to be trusted."""
    values = results["pair_transmittance"].transpose("row", "column").to_numpy().astype(float)
    flags = results["pair_trust"].transpose("row", "column").to_numpy().astype(int)
    trusted = np.isfinite(values) & (flags == FILM_TRUST.index("trusted"))
    low, high = _limits(values[trusted])
    rows, columns = values.shape
    figure = style.new_figure(width, width * rows / columns * (0.62 if width >= 6 else 0.95) + 0.9)
    axes = figure.add_subplot()
    shown = np.where(trusted, values, np.nan)
    picture = axes.imshow(shown, cmap=style.RISE_COLOURS, vmin=low, vmax=high, interpolation="nearest")
    axes.imshow(_paint(flags), interpolation="nearest")
    axes.set_xlabel("column of the camera's picture")
    axes.set_ylabel("row")
    style.colour_bar(figure, axes, picture, label="transmittance", below=width < 6)
    found = [name for name in _COLOURS if (flags == FILM_TRUST.index(name)).any()]
    if found:
        handles = [Patch(facecolor=_COLOURS[name], label=name) for name in found]
        columns_of_legend = len(found) if width >= 6 else 2
        figure.legend(handles=handles, loc="outside upper center", ncols=columns_of_legend, frameon=False)
    return figure


def _limits(values: Array) -> tuple[float, float]:
    low, high = np.quantile(values, [0.01, 0.99])
    spare = max(0.0, _LEAST_RANGE - (high - low)) / 2
    return float(low - spare), float(high + spare)


def _paint(flags: Array) -> Array:
    """Return the colours (row, column, 4) of places that are not trusted; transparent elsewhere."""
    painted = np.zeros((*flags.shape, 4))
    for name, colour in _COLOURS.items():
        painted[flags == FILM_TRUST.index(name)] = to_rgba(colour)
    return painted
