"""Transmittance from a pair: known slopes, what must not matter, and whether the uncertainty covers."""

import numpy as np
import pytest
from scipy import ndimage

from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import Film, camera_radiance, leaving_radiance
from heatwake.kernels.transmittance import (
    FRESNEL_CEILING,
    SINGLE_LAYER_LEAST,
    move_picture,
    pair_transmittance,
    picture_shift,
)

TABLE = BandTable.for_band(7.5, 14.0)
FILM = Film(0.889, 0.085)
NOISE = 0.05 * 0.957 / np.sqrt(20)  # 50 mK at 30 degC, mean of 20 frames [W m-2 sr-1]


def warm_scene(rng, *, shape=(96, 128), parts=7, changed=0.0):
    """Temperatures [degC] of rectangular parts with halos, before and after each changed by a share of its rise."""
    before = np.full(shape, 24.0)
    after = before.copy()
    for _ in range(parts):
        row, column = (rng.uniform(0.15, 0.85, 2) * shape).astype(int)
        part = np.zeros(shape)
        part[row - 6 : row + 6, column - 8 : column + 8] = rng.uniform(10, 50)
        rise = 0.7 * ndimage.gaussian_filter(part, 1.0) + 0.6 * ndimage.gaussian_filter(part, 8.0)
        before += rise
        after += rise * (1 + changed * rng.standard_normal())
    return before, after


def pair(rng, *, film=FILM, film_temperature=26.0, changed=0.0, shift=(0.0, 0.0), pattern=0.0, offset=0.0, mottle=0.03):
    """Bare and covered mean radiance at the camera of one scene of mottled emissivity."""
    before, after = warm_scene(rng, changed=changed)
    emissivity = 0.93 + mottle * np.sign(ndimage.gaussian_filter(rng.standard_normal(before.shape), 5))
    bare, leaving = (
        leaving_radiance(temperature, table=TABLE, emissivity=emissivity, reflected=24.0)
        for temperature in (before, after)
    )
    covered = camera_radiance(leaving, table=TABLE, film=film, film_temperature=film_temperature, camera_side=24.0)
    covered = ndimage.shift(covered, shift, order=3, mode="nearest") if any(shift) else covered
    fixed = pattern * rng.standard_normal(bare.shape)
    noisy = [picture + fixed + NOISE * rng.standard_normal(bare.shape) for picture in (bare, covered)]
    return noisy[0], noisy[1] + offset


def test_slope_and_intercept_of_three_radiances():
    # radiances of a worked example: slope 0.9, intercept 0.1 L(30 degC) = 6.228
    rng = np.random.default_rng(0)
    bare = np.kron(np.array([[62.28013, 83.21500, 107.80617]]), np.ones((30, 30)))
    covered = np.kron(np.array([[62.28013, 81.12156, 103.25356]]), np.ones((30, 30)))
    fit = pair_transmittance(bare, covered + 1e-4 * rng.standard_normal(bare.shape), noise=1e-4)
    assert fit.transmittance == pytest.approx(0.9, abs=1e-5)
    assert fit.intercept == pytest.approx(0.1 * float(TABLE.radiance(30.0)), abs=1e-3)


def test_two_references_in_degrees_would_be_wrong():
    # 40 and 80 degC seen as 39.0392 and 75.7531 through tau 0.9: plain degrees give 0.9178
    bare = np.kron(np.array([[40.0, 80.0]]), np.ones((30, 30)))
    covered = np.kron(np.array([[39.0392, 75.7531]]), np.ones((30, 30)))
    fit = pair_transmittance(TABLE.radiance(bare), TABLE.radiance(covered), noise=1e-3)
    assert fit.transmittance == pytest.approx(0.9000, abs=1e-4)
    assert pair_transmittance(bare, covered, noise=1e-3).transmittance == pytest.approx(0.9178, abs=1e-4)


@pytest.mark.parametrize(
    ("bare", "drop", "room", "published"),
    # a part's reading falls by 4 to 5 K under cling film (common practice, no source); film and room at one temperature
    [(73.5, 4, 24.5, 0.904), (73.5, 5, 25, 0.879), (73.75, 4.5, 25, 0.891), (74, 4, 22, 0.908), (74, 5, 25, 0.880)],
)
def test_a_drop_of_4_to_5_kelvin_is_one_layer_of_polyethylene(bare, drop, room, published):
    pictures = [np.kron(np.array([[room, hot]]), np.ones((30, 30))) for hot in (bare, bare - drop)]
    fit = pair_transmittance(*(TABLE.radiance(picture) for picture in pictures), noise=1e-3)
    assert fit.transmittance == pytest.approx(published, abs=6e-4)  # half of the last digit
    assert 0.874 <= fit.transmittance <= 0.908 + 6e-4
    assert SINGLE_LAYER_LEAST < fit.transmittance < FRESNEL_CEILING


def test_no_lossless_film_beats_the_ceiling():
    # Fresnel, both faces, incoherent: (1 - R)/(1 + R); n of polyethylene 1.52, Smith and Loewenstein, Appl. Opt. 14
    # (1975) 1335; textbook formula
    reflectance = ((1.52 - 1) / (1.52 + 1)) ** 2
    assert (1 - reflectance) / (1 + reflectance) == pytest.approx(0.918, abs=5e-4)
    assert (1 - reflectance) / (1 + reflectance) < FRESNEL_CEILING


@pytest.mark.parametrize(
    "nuisance",
    [{}, {"film_temperature": 45.0}, {"offset": 2.0}, {"pattern": 0.15}, {"mottle": 0.08}],
    ids=lambda nuisance: next(iter(nuisance), "nothing"),
)
def test_film_temperature_offset_pattern_and_emissivity_do_not_matter(nuisance):
    bare, covered = pair(np.random.default_rng(4), **nuisance)
    fit = pair_transmittance(bare, covered, noise=NOISE)
    # noise of 1e4 pixels over a lever of 20 W m-2 sr-1 leaves some 2e-4
    assert fit.transmittance == pytest.approx(FILM.transmittance, abs=8e-4)
    assert 0.002 <= fit.uncertainty < 0.004


def test_a_part_that_went_cold_is_left_out():
    bare, covered = pair(np.random.default_rng(6))
    spoilt = covered.copy()
    spoilt[20:45, 30:60] -= 6.0
    fit = pair_transmittance(bare, spoilt, noise=NOISE)
    assert fit.transmittance == pytest.approx(FILM.transmittance, abs=2 * fit.uncertainty)
    assert fit.pixels < pair_transmittance(bare, covered, noise=NOISE).pixels - 500


def test_the_uncertainty_covers_parts_that_changed():
    """Each part's rise changed by 1 %: over 20 scenes the errors are what the uncertainties say."""
    scores = []
    for seed in range(20):
        bare, covered = pair(np.random.default_rng(seed), changed=0.01, pattern=0.05)
        fit = pair_transmittance(bare, covered, noise=NOISE)
        scores.append((fit.transmittance - FILM.transmittance) / fit.uncertainty)
    # 20 normal scores have a root mean square of 1 +- 0.16; blocks that hold a few parts underrate by up to a half
    assert 0.3 < np.sqrt(np.mean(np.square(scores))) < 1.6


def test_a_covered_picture_that_moved_is_brought_back():
    bare, covered = pair(np.random.default_rng(9), shift=(1.3, -2.6))
    shift = picture_shift(bare, covered)
    assert shift == pytest.approx((-1.3, 2.6), abs=0.1)
    fit = pair_transmittance(bare, move_picture(covered, shift), noise=NOISE)
    assert fit.transmittance == pytest.approx(FILM.transmittance, abs=2 * fit.uncertainty)


def test_masked_pixels_hinder_neither_shift_nor_fit():
    bare, covered = pair(np.random.default_rng(9), shift=(2.0, 0.0))
    bare[10:14, :] = np.nan
    covered[50, 60:70] = np.nan
    shift = picture_shift(bare, covered)
    assert shift == pytest.approx((-2.0, 0.0), abs=0.15)
    moved = move_picture(covered, shift)
    assert np.isnan(moved[48, 60:70]).all()
    fit = pair_transmittance(bare, moved, noise=NOISE)
    assert fit.transmittance == pytest.approx(FILM.transmittance, abs=2 * fit.uncertainty)


def test_a_shift_and_its_opposite_bring_the_picture_back():
    picture = warm_scene(np.random.default_rng(1))[0]
    moved = move_picture(move_picture(picture, (2.0, -3.0)), (-2.0, 3.0))
    inside = (slice(8, -8), slice(8, -8))
    assert moved[inside] == pytest.approx(picture[inside], abs=1e-6)
    assert np.isnan(moved[-1]).all()


@pytest.mark.parametrize("seen", [0, 30])
def test_too_few_pixels_give_no_number(seen):
    bare, covered = (np.full((20, 20), np.nan) for _ in range(2))
    bare.flat[:seen] = covered.flat[:seen] = 60.0
    fit = pair_transmittance(bare, covered)
    assert np.isnan(fit.transmittance)
    assert np.isnan(fit.uncertainty)
    assert fit.pixels == 0
