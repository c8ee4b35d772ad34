"""Palettes learnt from a bar, on colour maps that the code has never seen; what is no bar is said to be none."""

import re

import matplotlib as mpl
import numpy as np
import pytest

from heatwake.kernels.colour_scale import ColourScale, ScaleReader, learn_scale, to_lab

MAPS = ("viridis", "inferno", "plasma", "gray", "jet", "turbo", "hot", "coolwarm", "rainbow", "gnuplot2", "cubehelix")


def colours(name: str, count: int = 256) -> np.ndarray:
    return (mpl.colormaps[name](np.linspace(0, 1, count))[:, :3] * 255).round()


def bar(name: str, length: int = 180) -> np.ndarray:
    return colours(name)[np.linspace(0, 255, length).round().astype(int)]


def test_lab_of_known_colours():
    """L*, a*, b* of sRGB red, green, blue under D65 as colour calculators list them (from memory), and of white."""
    known = [[53.24, 80.09, 67.20], [87.73, -86.18, 83.18], [32.30, 79.19, -107.86], [100.0, 0.0, 0.0]]
    seen = to_lab(np.array([[255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255]]))
    assert np.abs(seen - known).max() < 0.05  # tables differ in the white point's last digit


@pytest.mark.parametrize("name", MAPS)
def test_places_of_all_colours_of_a_map(name):
    scale = learn_scale(bar(name))
    assert isinstance(scale, ColourScale)
    places, distances = ScaleReader(scale).read(colours(name).astype(np.uint8)[None])
    errors = places[0] - np.linspace(0, 1, 256)
    # 180 pixels pick colours of a map of 256: half a colour off at most, 0.2 %, evenly spread: 0.11 % rms, twice that
    # where the map's own colours repeat in eight bits
    assert np.sqrt(np.mean(errors**2)) < 0.0025
    assert distances.max() < 2.5


def test_a_place_does_not_depend_on_what_was_read_before():
    scale = learn_scale(bar("turbo"))
    pictures = np.random.default_rng(2).integers(0, 256, (3, 20, 20, 3)).astype(np.uint8)
    fresh = [ScaleReader(scale).read(picture) for picture in pictures]
    reader = ScaleReader(scale)
    for picture, (places, distances) in reversed(list(zip(pictures, fresh, strict=True))):
        again = reader.read(picture)
        assert np.array_equal(again[0], places)
        assert np.array_equal(again[1], distances)


def test_colours_that_are_not_of_the_palette_are_far():
    reader = ScaleReader(learn_scale(bar("viridis")))
    strangers = np.array([[[255, 255, 255], [255, 0, 0], [0, 0, 0], [200, 0, 200]]], np.uint8)
    assert reader.read(strangers)[1].min() > 12


@pytest.mark.parametrize(
    ("strip", "line"),
    [
        (bar("viridis", 20), "too short: 20 pixels"),
        (np.full((100, 3), 90.0), "of about one colour"),
        (bar("twilight"), "ambiguous: it has one colour at 0 % and at 100 %"),
        (np.concatenate([bar("gray", 90), bar("gray", 90)[::-1]]), "ambiguous"),
        (np.concatenate([bar("inferno", 150), np.full((30, 3), 255.0)]), r"broken|clipped"),
        (
            np.concatenate([np.repeat(bar("viridis")[:1], 25, axis=0), bar("viridis")]),
            "clipped: 2. of its 205 pixels at the cold",
        ),
        (
            np.concatenate([bar("gray"), np.repeat(bar("gray")[-1:], 25, axis=0)]),
            "clipped: 2. of its 205 pixels at the hot",
        ),
        (np.concatenate([np.full((20, 3), 30.0), bar("jet")]), "broken|clipped"),
        (np.repeat(colours("viridis", 8), 20, axis=0), "of 8 colours, at least 16|broken"),
    ],
)
def test_what_is_no_whole_bar_is_said_to_be_none(strip, line):
    assert re.search(line, str(learn_scale(strip)))


def test_a_frame_of_the_bar_is_left_out():
    framed = np.concatenate([np.full((2, 3), 255.0), bar("viridis"), np.full((2, 3), 255.0)])
    scale = learn_scale(framed)
    assert np.allclose(scale.colours[[0, -1]], to_lab(bar("viridis")[[0, -1]]))
