"""Colour video: each pixel's place on the colour bar that is in the picture."""

from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from heatwake.errors import InputError
from heatwake.kernels.colour_scale import ColourScale, ScaleReader, learn_scale, to_lab
from heatwake.schema.session import Palette
from heatwake.store.frames.colour_codes import Native, colours_of
from heatwake.store.frames.recording import Array, OwnTimes, Recording
from heatwake.store.frames.video import CODES, Box, native_colours, read_video

SAMPLES: Final = 9  # frames from which the bar and what stands over the scene are learnt
ACROSS: Final = 0.5  # of the bar's width, in its middle: beside it are frame and ticks
STEADY: Final = 6.0  # distance in colour that a bar may change by in a recording
TOLERANCE: Final = 4.0  # distance from the palette above which a pixel is no reading
SUBSAMPLED: Final = 8.0  # the same where colours are stored for two by two pixels: they run into each other at edges
WIDEST: Final = 12.0  # the same of the noisiest recording
STRANGE: Final = 20.0  # distance from where on a pixel's neighbours are no readings either: letters have soft edges
SPREADS: Final = 5.0  # of the usual distances above their median, above these
# What compression errs beside the noise across the palette, measured at H.264's rate factors 18 to 28 on seven palettes
# and checked on eight others: of 100 readings 97 and more lie within twice the error.
COMPRESSED: Final = 0.5  # distance in colour that it errs along the palette at least: a grey one shows none across
SMEARED: Final = 0.5  # [px] of smear, at an edge, where colours are stored for two by two pixels
SMOOTHED: Final = 0.0  # [px] where each pixel has its own colour
NEAR: Final = 3  # [px]
AT_END: Final = 0.04  # of the scale
STANDS_OUT: Final = 0.25  # of the scale, from what is around
AROUND: Final = 21  # [px]
PLAIN: Final = Native("rgb24", 0, 0)  # red, green and blue in a number as they are
LEAST_SAMPLES: Final = 3  # frames that tell what stands still


@dataclass(frozen=True, eq=False)
class Sieve:
    """What makes readings of a picture's pixels.

    Attributes
    ----------
    scene : tuple of int
        The part of the picture.
    scale : ColourScale
    native : Native
        How the video codes colours.
    tolerance : float
        Distance from the palette above which a pixel is no reading.
    reach : int
        How far letters spoil what is around them [px].
    still : array of bytes
        One bit a pixel of the scene: whether it never is a reading.
    """

    scene: Box
    scale: ColourScale
    native: Native
    tolerance: float
    reach: int
    still: npt.NDArray[np.uint8]


def open_colour(
    path: Path,
    palette: Palette,
    *,
    index: npt.NDArray[np.int64],
    shape: tuple[int, int],
    times: OwnTimes,
    subsampled: bool,
    key: str,
) -> Recording:
    """Open colour video as places on its scale, 0 at the cold end and 1 at the hot end; NaN where there is no reading.

    Raises
    ------
    InputError
        The bar is none to read temperatures by; says why.
    """
    rows, columns = shape
    whole: Box = (0, 0, columns, rows)
    bar = _box(palette.bar_px, shape, key="palette.bar_px")
    scene = whole if palette.image_px is None else _box(palette.image_px, shape, key="palette.image_px")
    picked = index[np.unique(np.linspace(0, len(index) - 1, SAMPLES).round().astype(int))]
    native = native_colours(path, key)
    codes = read_video(path, key, CODES, whole, picked)
    pictures = colours_of(codes.reshape(-1), native).reshape(*codes.shape, 3)
    strip = _strip(_cut(pictures, bar), hot_end=palette.hot_end)
    scale = learn_scale(strip)
    if isinstance(scale, str):
        raise InputError("palette.bar_px", scale, "must be the box of a whole colour bar, from end to end")
    scenes = _cut(pictures, scene)
    tolerance, noise = _usual_distance(scenes, scale, least=SUBSAMPLED if subsampled else TOLERANCE)
    reach = 2 if subsampled else 1
    still = _still_graphics(scenes, scale, reach=reach) | _bar_in(scene, bar, reach=reach)
    sieve = Sieve(scene, scale, native, tolerance, reach, np.packbits(still))
    end = (0.5 + scale.cut) / len(strip)  # how well the scale's ends are known
    noise = max(noise, COMPRESSED) if subsampled else noise
    error = float(np.sqrt((1 / scale.levels) ** 2 / 12 + end**2 / 3 + (noise * scale.slowness) ** 2))
    distance, gradient = _place_by_place(scenes, scale)
    smear = (SMEARED if subsampled else SMOOTHED) * gradient
    size = (scene[3] - scene[1], scene[2] - scene[0])
    return Recording(
        (len(index), *size),
        np.dtype(np.float32),
        partial(_read, path, key, sieve),
        index,
        (path,),
        times=times,
        scale_error=error,
        scale_errors=np.hypot(error, smear).astype(np.float32),
        scale_distance=distance,
    )


def _box(given: tuple[float, float, float, float], shape: tuple[int, int], *, key: str) -> Box:
    left, top, right, bottom = (round(edge) for edge in given)
    if not (0 <= left < right <= shape[1] and 0 <= top < bottom <= shape[0]):
        wanted = f"must be [x0, y0, x1, y1] within the picture of {shape[1]}x{shape[0]} pixels"
        raise InputError(key, f"[{', '.join(f'{edge:g}' for edge in given)}]", wanted)
    return left, top, right, bottom


def _cut(pictures: Array, box: Box) -> Array:
    left, top, right, bottom = box
    return pictures[:, top:bottom, left:right]


def _strip(bars: Array, *, hot_end: str) -> Array:
    """Return colours along the bar (n, 3) from cold to hot: medians across it and over time.

    Raises
    ------
    InputError
        The bar changes.
    """
    upright = bars if hot_end in {"top", "bottom"} else bars.transpose(0, 2, 1, 3)
    width = upright.shape[2]
    margin = int(width * (1 - ACROSS) / 2)
    inner = upright[:, :, margin : width - margin].astype(np.float64)
    each = np.median(inner, axis=2)
    usual = np.median(each, axis=0)
    change = max(float(np.median(np.linalg.norm(to_lab(one) - to_lab(usual), axis=1))) for one in each)
    if change > STEADY:
        found = f"of colours that change in the recording (by {change:.0f} in L*a*b*)"
        raise InputError("palette.bar_px", found, "must hold one palette: split the recording where it changes")
    strip = inner.mean(axis=(0, 2)) if width - 2 * margin > 2 else usual
    strip = np.where(abs(strip - usual) > 3, usual, strip)  # the mean tells more, unless ticks or letters are in it
    return strip[::-1] if hot_end in {"top", "left"} else strip


def _usual_distance(scenes: Array, scale: ColourScale, *, least: float) -> tuple[float, float]:
    """Return how far from the palette a pixel may be, and the noise of colours along it."""
    distances = _reader_of(scale).read(scenes.reshape(-1, 1, 3)[:: max(1, scenes.size // 3 // 200_000)])[1]
    middle = float(np.median(distances))
    spread = 1.4826 * float(np.median(abs(distances - middle)))
    tolerance = float(np.clip(middle + SPREADS * spread, least, WIDEST))
    near = distances[distances <= tolerance]
    # of noise that is alike in all directions two of three parts are across the curve
    return tolerance, float(np.sqrt(np.mean(near**2) / 2)) if len(near) else 0.0


def _place_by_place(scenes: Array, scale: ColourScale) -> tuple[Array, Array]:
    """Return the mean distance from the palette of each place, and how steep the scene is around it [scale per pixel].

    Steepness is the root mean square over the frames of the largest within ``NEAR`` pixels: what compression smears at
    an edge it does beside it as well.
    """
    reader = _reader_of(scale)
    distance, steepness = (np.zeros(scenes.shape[1:3], dtype=np.float64) for _ in range(2))
    for scene in scenes:
        places, far = reader.read(scene)
        distance += far
        smooth = cv2.GaussianBlur(places, (0, 0), 0.8)  # steps of the bar are no edges
        slopes = [cv2.Sobel(smooth, cv2.CV_32F, *axis, scale=1 / 8) for axis in ((1, 0), (0, 1))]
        steepness += cv2.dilate(np.hypot(*slopes), np.ones((NEAR, NEAR), dtype=np.uint8)) ** 2
    count = max(len(scenes), 1)
    return (distance / count).astype(np.float32), np.sqrt(steepness / count)


def _still_graphics(scenes: Array, scale: ColourScale, *, reach: int) -> npt.NDArray[np.bool_]:
    """Return what is at an end of the scale, stands out from what is around, and never changes: letters on the scene.

    White letters are no strangers to a palette that ends in white.
    """
    reader = _reader_of(scale)
    still = np.ones(scenes.shape[1:3], dtype=bool)
    if len(scenes) < LEAST_SAMPLES:
        return ~still
    for scene in scenes:
        places, _ = reader.read(scene)
        around = cv2.medianBlur(np.round(places * 255).astype(np.uint8), AROUND).astype(np.float32) / 255
        still &= (abs(places - around) > STANDS_OUT) & ((places < AT_END) | (places > 1 - AT_END))
    return _grown(still, reach + 1)


def _bar_in(scene: Box, bar: Box, *, reach: int) -> npt.NDArray[np.bool_]:
    """Return the bar's pixels in the scene."""
    inside = np.zeros((scene[3] - scene[1], scene[2] - scene[0]), dtype=bool)
    left, right = (max(edge - scene[0], 0) for edge in (bar[0] - reach, bar[2] + reach))
    top, bottom = (max(edge - scene[1], 0) for edge in (bar[1] - reach, bar[3] + reach))
    inside[top:bottom, left:right] = True
    return inside


def _grown(mask: npt.NDArray[np.bool_], reach: int) -> npt.NDArray[np.bool_]:
    side = 2 * reach + 1
    grown = cv2.dilate(mask.astype(np.uint8), np.ones((side, side), dtype=np.uint8))
    return np.asarray(grown, dtype=np.uint8) > 0


def _reader_of(scale: ColourScale, native: Native = PLAIN) -> ScaleReader:
    return _made_reader(scale.colours.tobytes(), scale.places.tobytes(), scale.levels, native)


@lru_cache(maxsize=2)
def _made_reader(colours: bytes, places: bytes, levels: int, native: Native) -> ScaleReader:
    """Return the reader of a scale, once a process."""
    scale = ColourScale(np.frombuffer(colours).reshape(-1, 3), np.frombuffer(places), levels)
    return ScaleReader(scale, partial(colours_of, native=native))


def _read(path: Path, key: str, sieve: Sieve, index: npt.NDArray[np.int64]) -> Array:
    codes = read_video(path, key, CODES, sieve.scene, index)
    reader = _reader_of(sieve.scale, sieve.native)
    masked = np.unpackbits(sieve.still, count=codes[0].size).reshape(codes.shape[1:]).astype(bool)
    frames = np.empty(codes.shape, dtype=np.float32)
    for frame, picture in zip(frames, codes, strict=True):
        places, tenths = reader.read_codes(picture)
        strange = masked | (tenths > 10 * sieve.tolerance)
        foreign = tenths > 10 * STRANGE
        if foreign.any():
            strange |= _grown(foreign, sieve.reach)
        places[strange] = np.nan
        frame[...] = places
    return frames


def limits_applied(
    recording: Recording, low: npt.NDArray[np.float64], high: npt.NDArray[np.float64], *, changing: bool
) -> Recording:
    """Return a recording of places on a scale as temperatures [degC], by the scale's ends at each frame.

    Where the ends change, a pixel at an end is no reading: what it is a bound of cannot be told later.
    """
    index = np.column_stack([np.asarray(recording.index, dtype=np.float64), low, high])
    return replace(recording, reader=partial(_in_degrees, recording.reader, changing), index=index, unit="degC")


def _in_degrees(read: Any, changing: bool, index: npt.NDArray[np.float64]) -> Array:
    places = read(index[:, :-2].astype(np.int64))
    low, high = (index[:, column, None, None].astype(np.float32) for column in (-2, -1))
    if changing:
        places[(places <= 0) | (places >= 1)] = np.nan
    return np.asarray(low + places * (high - low), dtype=np.float32)
