"""Temperatures from colours: a palette learnt from a picture of its own scale, and places on it of other colours.

Colours are compared in CIE L*a*b* (CIE 1976, D65, of sRGB after IEC 61966-2-1): distances are about as large as they
look.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.interpolate import NearestNDInterpolator
from scipy.spatial import cKDTree
from skimage.color import rgb2lab

Array = npt.NDArray[Any]

LEAST_PIXELS: Final = 32  # along a bar: shorter ones tell fewer steps than are worth reading
LEAST_LEVELS: Final = 16
LEAST_LENGTH: Final = 30.0  # of the palette's curve; black to white is 100
SAME: Final = 0.05  # distances up to which colours count as one
BREAK: Final = 20.0  # a step from pixel to pixel of which no smooth palette has one
FOLD: Final = 0.08  # of the scale: places that lie farther apart must differ in colour
APART: Final = 10.0  # by so much: some times a difference that is just noticed, 2.3 (Mahy et al. 1994)
CLIPPED: Final = 0.04  # of the bar in one colour at an end
FINE: Final = 8  # places between two colours of the bar
FAR: Final = 25.5  # distances are kept up to here, in a byte


@dataclass(frozen=True, eq=False)
class ColourScale:
    """A palette's curve.

    Attributes
    ----------
    colours : (n, 3) array
        L*, a*, b* from the cold end to the hot end.
    places : (n,) array
        Where on the scale each is, from 0 to 1.
    levels : int
        Steps that the bar tells apart.
    cut : int
        Pixels at the bar's ends that were left out for a frame or background.
    """

    colours: Array
    places: Array
    levels: int
    cut: int = 0

    @property
    def slowness(self) -> float:
        """Return how far on the scale a unit of colour reaches, root mean square along it."""
        steps = np.linalg.norm(np.diff(self.colours, axis=0), axis=1)
        spans = np.diff(self.places)
        return float(np.sqrt(np.average((spans / np.maximum(steps, SAME)) ** 2, weights=spans)))


def to_lab(colours: Array) -> Array:
    """Return L*, a*, b* of sRGB colours (n, 3) between 0 and 255."""
    return np.asarray(rgb2lab(np.asarray(colours, dtype=np.float64) / 255), dtype=np.float64)


def learn_scale(strip: Array) -> ColourScale | str:
    """Return the palette of a bar, or in words why it is none to read temperatures by.

    Parameters
    ----------
    strip : (n, 3) array
        sRGB colours along the bar, from its cold end to its hot end, between 0 and 255.
    """
    colours = _without_edges(to_lab(strip))
    if len(colours) < LEAST_PIXELS:
        return f"too short: {len(colours)} pixels of one palette, at least {LEAST_PIXELS} are needed"
    steps = np.linalg.norm(np.diff(colours, axis=0), axis=1)
    if steps.sum() < LEAST_LENGTH:
        return "of about one colour"
    if steps.max() > BREAK and steps.max() > 8 * np.median(steps[steps > SAME]):
        return f"broken: its colour jumps {100 * (np.argmax(steps) + 1) / len(colours):.0f} % up the scale"
    curve = _curve(colours, steps)
    return curve if isinstance(curve, str) else replace(curve, cut=len(strip) - len(colours))


def _curve(colours: Array, steps: Array) -> ColourScale | str:
    """Return the palette of a bar's colours, or why each temperature has no colour of its own."""
    scale, runs = _without_repeats(colours, steps)
    ends = runs[0], runs[-1]
    if max(ends) > max(CLIPPED * len(colours), 3 * float(np.median(runs))):
        end = "cold" if ends[0] > ends[1] else "hot"
        return f"clipped: {max(ends)} of its {len(colours)} pixels at the {end} end have one colour"
    if scale.levels < LEAST_LEVELS:
        return f"of {scale.levels} colours, at least {LEAST_LEVELS} are needed"
    if (fold := _fold(scale)) is not None:
        return f"ambiguous: it has one colour at {100 * fold[0]:.0f} % and at {100 * fold[1]:.0f} % of its length"
    return scale


def _without_edges(colours: Array) -> Array:
    """Return the bar without a frame or background caught at its ends, of up to two pixels or 2 %."""
    steps = np.linalg.norm(np.diff(colours, axis=0), axis=1)
    if len(steps) < LEAST_PIXELS // 2:
        return colours
    usual = max(8 * float(np.median(steps)), 4.0)
    reach = max(2, round(0.02 * len(colours)))
    first = max((n + 1 for n in range(reach) if steps[n] > usual), default=0)
    last = max((n + 1 for n in range(reach) if steps[-1 - n] > usual), default=0)
    return colours[first : len(colours) - last]


def _without_repeats(colours: Array, steps: Array) -> tuple[ColourScale, npt.NDArray[np.int64]]:
    """Return the curve with pixels of one colour taken together, in their middle, and how many each were."""
    number = np.concatenate([[0], np.cumsum(steps > SAME)])
    count = int(number[-1]) + 1
    runs = np.bincount(number)
    places = np.bincount(number, np.arange(len(colours)) / (len(colours) - 1)) / runs
    means = np.stack([np.bincount(number, channel) / runs for channel in colours.T], axis=1)
    if count > 1:
        places[0], places[-1] = 0.0, 1.0
    return ColourScale(means, places, count), runs


def _fold(scale: ColourScale) -> tuple[float, float] | None:
    """Return two places far apart whose colours are alike; None where there are none."""
    near = cKDTree(scale.colours).query_pairs(APART, output_type="ndarray")
    if not len(near):
        return None
    apart = abs(np.diff(scale.places[near], axis=1)[:, 0])
    # a slow stretch is no fold: there the way between along the curve is short as well
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(scale.colours, axis=0), axis=1))])
    along = abs(np.diff(way[near], axis=1)[:, 0])
    folded = (apart > FOLD) & (along > 3 * APART)
    if not folded.any():
        return None
    worst = near[np.argmax(np.where(folded, apart, 0))]
    low, high = sorted(scale.places[worst])
    return float(low), float(high)


def _bytes_of(codes: Array) -> Array:
    return np.stack([codes >> 16, (codes >> 8) & 255, codes & 255], axis=1).astype(np.uint8)


class ScaleReader:
    """Finds places on a scale for 8-bit colours; each colour is sought once.

    What was found stands in a table of all colours, of which only the parts in use take memory.

    Parameters
    ----------
    scale : ColourScale
    colours_of : callable, optional
        Makes red, green and blue (n, 3) of colours that are one number each (n,); by default a byte each, red highest.
    """

    def __init__(self, scale: ColourScale, colours_of: Callable[[Array], Array] | None = None) -> None:
        self._colours_of = colours_of or _bytes_of
        fine = np.linspace(0, len(scale.places) - 1, FINE * (len(scale.places) - 1) + 1)
        known = np.arange(len(scale.places))
        self._places = np.interp(fine, known, scale.places)
        self._colours = np.stack([np.interp(fine, known, channel) for channel in scale.colours.T], axis=1)
        self._nearest = NearestNDInterpolator(self._colours, np.arange(len(fine)))
        self._found = np.zeros(2**24, dtype=np.float32)  # a place and one more; 0 was not sought yet
        self._distances = np.zeros(2**24, dtype=np.uint8)

    def read(self, picture: npt.NDArray[np.uint8]) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
        """Return places from 0 to 1, and how far the colours are from the palette, of a picture (rows, columns, 3)."""
        wide = picture.astype(np.int32)
        places, tenths = self.read_codes((wide[..., 0] << 16) | (wide[..., 1] << 8) | wide[..., 2])
        return places, (tenths / 10).astype(np.float32)

    def read_codes(self, codes: npt.NDArray[Any]) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.uint8]]:
        """Return places, and distances in tenths, of colours as one number each."""
        places = self._found.take(codes)
        if not places.all():
            self._seek(np.unique(codes[places == 0]))
            places = self._found.take(codes)
        places -= np.float32(1)
        return places, self._distances.take(codes)

    def _seek(self, codes: npt.NDArray[Any]) -> None:
        sought = to_lab(self._colours_of(codes))
        nearest = self._nearest(sought).astype(np.intp)
        distances = np.linalg.norm(sought - self._colours[nearest], axis=1)
        # distances first: another thread takes a place that is there for a colour that is known
        self._distances[codes] = np.round(np.minimum(distances, FAR) * 10)
        self._found[codes] = 1 + self._places[nearest]
