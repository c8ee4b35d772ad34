"""A film's transmittance place by place: even, sagging, creased, doubled and lit films of known map."""

import numpy as np
import pytest
from scipy import ndimage

from heatwake.kernels.transmittance import PairFit, pair_transmittance
from heatwake.kernels.transmittance_map import (
    CHANGED,
    CREASE,
    LAMP,
    LITTLE_CONTRAST,
    NOT_SEEN,
    TRUSTED,
    map_transmittance,
)
from kernels.film_scene import NOISE, cover


def mapped(scene, **options):
    fit = pair_transmittance(scene.bare, scene.covered, noise=NOISE)
    return map_transmittance(scene.bare, scene.covered, fit, noise=NOISE, **options)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("film", [{}, {"sag": 0.015}, {"changed": 0.005}], ids=["even", "sag", "parts changed"])
def test_trusted_places_are_within_a_hundredth(seed, film):
    scene = cover(seed, crease=0.09, lamp=6.0, **film)
    made = mapped(scene)
    trusted = made.flags == TRUSTED
    off_creases = trusted & ~ndimage.binary_dilation(scene.folded, iterations=2)
    assert trusted.mean() > 0.2
    assert rms((made.transmittance - scene.transmittance)[off_creases]) < 0.01


def test_a_sagging_film_is_told_from_an_even_one():
    scene = cover(3, sag=0.015)
    made = mapped(scene)
    trusted = made.flags == TRUSTED
    spread = np.corrcoef(made.transmittance[trusted], scene.transmittance[trusted])[0, 1]
    assert spread > 0.9
    even = mapped(cover(3))
    assert np.std(made.transmittance[trusted]) > 3 * np.std(even.transmittance[even.flags == TRUSTED])


def test_the_uncertainty_covers_the_error():
    scores = []
    for seed in range(6):
        scene = cover(seed, changed=0.005)
        made = mapped(scene)
        error = (made.transmittance - scene.transmittance) / made.uncertainty
        scores.append(rms(error[made.flags == TRUSTED]))
    # neighbours err alike, so that a scene counts as few scores; understated by a half would be 2
    assert 0.2 < np.mean(scores) < 1.3


@pytest.mark.parametrize("seed", range(3))
def test_a_crease_is_found_where_there_is_contrast(seed):
    scene = cover(seed, crease=0.09)
    made = mapped(scene)
    hot = scene.bare > np.quantile(scene.bare, 0.5)
    beside = ndimage.binary_dilation(scene.folded, iterations=4)
    assert (made.flags == CREASE)[scene.folded & hot].mean() > 0.8
    assert (made.flags == CREASE)[~beside].mean() < 0.005
    assert (made.flags == TRUSTED)[scene.folded].mean() < 0.1


def test_a_second_layer_is_found_and_measured():
    scene = cover(5, double=True)
    made = mapped(scene)
    found = scene.folded & (made.flags == CREASE)
    inside = ndimage.binary_erosion(scene.folded, iterations=3)
    assert found[inside & (scene.bare > np.quantile(scene.bare, 0.5))].mean() > 0.8
    # the trusted uncertainty of a place; at the rim both layers are smoothed together
    assert np.median(made.transmittance[found & inside]) == pytest.approx(0.80, abs=0.015)


@pytest.mark.parametrize("seed", range(3))
def test_a_mirrored_lamp_is_no_crease(seed):
    scene = cover(seed, lamp=6.0)
    made = mapped(scene)
    beside = ndimage.binary_dilation(scene.lit, iterations=6)
    assert (made.flags == LAMP)[scene.lit].mean() > 0.9
    assert (made.flags == LAMP)[~beside].mean() < 0.005
    assert not (made.flags == CREASE)[scene.lit].any()


def test_what_went_cold_has_changed():
    scene = cover(2)
    scene.covered[20:40, 20:40] -= 15.0
    made = mapped(scene)
    assert np.isin(made.flags[22:38, 22:38], [CHANGED, CREASE]).all()
    assert (made.flags == CHANGED)[22:38, 22:38].mean() > 0.3
    assert not (made.flags == TRUSTED)[22:38, 22:38].any()


def test_a_cold_corner_has_too_little_contrast():
    scene = cover(2)
    made = mapped(scene)
    coldest = scene.bare < np.quantile(scene.bare, 0.1)
    assert (made.flags == LITTLE_CONTRAST)[coldest].mean() > 0.9


def test_masked_pixels_are_not_seen_and_leave_their_neighbours_alone():
    scene = cover(1)
    whole = mapped(scene)
    scene.bare[40:44, 50:60] = np.nan
    scene.covered[10, 10] = np.nan
    made = mapped(scene)
    hole = np.zeros(scene.bare.shape, dtype=bool)
    hole[40:44, 50:60] = hole[10, 10] = True
    assert (made.flags[hole] == NOT_SEEN).all()
    both = (made.flags == TRUSTED) & (whole.flags == TRUSTED) & ~hole
    assert rms((made.transmittance - whole.transmittance)[both]) < 0.002


def test_no_line_no_map():
    nothing = PairFit(np.nan, np.nan, np.nan, 0, 0.0, np.nan)
    picture = np.full((8, 9), 60.0)
    made = map_transmittance(picture, picture, nothing, noise=NOISE)
    assert np.isnan(made.transmittance).all()
    assert (made.flags == NOT_SEEN).all()
