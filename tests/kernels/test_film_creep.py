"""A film that warms after it was laid on, told from parts that warm, from drift and from noise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from heatwake.kernels.film_creep import common_change, film_creep, first_jump
from heatwake.kernels.planck import BandTable

TABLE = BandTable.for_band(7.5, 14.0)
ELAPSED = np.arange(0, 60.5, 0.5)
POLYETHYLENE, PVC = (0.891, 0.024), (0.733, 0.197)  # transmittance, absorptance of 10 um


def watched(rng, film, *, warms=15.0, parts=0.0, drift=0.0, elapsed=ELAPSED, time_constant=1.06, noise=0.01):
    """Radiance of 500 places [W m-2 sr-1] under a film of 25 degC that warms [K] within seconds.

    ``parts``: share by which every place's rise grows within minutes; ``drift``: of the camera [W m-2 sr-1 in 60 s].
    """
    transmittance, absorptance = film
    rise = np.concatenate([rng.uniform(0, 8, 350), rng.uniform(10, 50, 150)])
    grown = rise * (1 + parts * (1 - np.exp(-elapsed[:, None] / 150.0)))
    own = absorptance * TABLE.radiance(25.0 + warms * (1 - np.exp(-elapsed / time_constant)))
    seen = transmittance * TABLE.radiance(25.0 + grown) + own[:, None] + drift * elapsed[:, None] / 60
    return seen + noise * rng.standard_normal(seen.shape)


@pytest.mark.parametrize(
    ("film", "published"),
    # film 25 to 40 degC, at a part of 69 degC: 0.27 K for polyethylene, 2.2 K for PVC (computed, cross-checked)
    [(POLYETHYLENE, 0.27), (PVC, 2.2)],
    ids=["polyethylene", "PVC"],
)
def test_the_creep_is_that_of_the_films_own_radiance(film, published):
    creep = film_creep(watched(np.random.default_rng(1), film), ELAPSED)
    own = film[1] * float(TABLE.radiance(40.0) - TABLE.radiance(25.0))
    assert creep.rise == pytest.approx(own, rel=0.015, abs=0.01)  # radiance bends over temperature: no pure exponential
    assert creep.rise / float(TABLE.slope(69.2)) == pytest.approx(published, abs=0.04)
    assert creep.uncertainty < 0.02


@pytest.mark.parametrize("parts", [-0.3, 0.1, 0.3])
def test_parts_that_warm_or_cool_over_minutes_do_not_creep(parts):
    for seed in range(4):
        rng = np.random.default_rng(seed)
        assert abs(film_creep(watched(rng, POLYETHYLENE, warms=0.0, parts=parts), ELAPSED).rise) < 0.15


def test_a_drifting_camera_does_not_creep():
    creep = film_creep(watched(np.random.default_rng(2), POLYETHYLENE, warms=0.0, drift=2.0), ELAPSED)
    assert abs(creep.rise) < 0.02


def test_a_warming_film_is_seen_beside_warming_parts():
    creep = film_creep(watched(np.random.default_rng(3), PVC, parts=0.2, drift=0.5), ELAPSED)
    assert creep.rise == pytest.approx(PVC[1] * float(TABLE.radiance(40.0) - TABLE.radiance(25.0)), rel=0.06)


def test_a_part_that_is_switched_on_does_not_creep():
    levels = watched(np.random.default_rng(4), POLYETHYLENE, warms=0.0)
    levels[:, 400:] += 8 * (1 - np.exp(-ELAPSED / 5.0))[:, None]  # a fifth of the picture, within seconds
    assert abs(film_creep(levels, ELAPSED).rise) < 0.15


@pytest.mark.parametrize("frames", [0, 1, 3, 7])
def test_too_few_frames_tell_nothing(frames):
    levels = watched(np.random.default_rng(5), PVC)[:frames]
    assert np.isnan(film_creep(levels, ELAPSED[:frames]).rise)


def test_a_recording_of_one_second_tells_nothing():
    elapsed = np.arange(20) * 0.05
    assert np.isnan(film_creep(watched(np.random.default_rng(6), PVC, elapsed=elapsed), elapsed).rise)


@pytest.mark.parametrize("at", [5, 40])
def test_a_shutter_event_is_a_jump_and_a_warming_film_is_none(at):
    warming = TABLE.temperature(watched(np.random.default_rng(7), PVC))
    assert first_jump(warming, ELAPSED, least=0.1) == len(ELAPSED)
    jumped = watched(np.random.default_rng(7), POLYETHYLENE)
    jumped[at:] += 0.4
    assert first_jump(TABLE.temperature(jumped), ELAPSED, least=0.1) == at


@settings(max_examples=30, deadline=None)
@given(st.floats(-5, 5), st.integers(0, 50))
def test_the_common_change_follows_what_is_added_everywhere(offset, seed):
    rng = np.random.default_rng(seed)
    levels = 60 + np.tile(rng.uniform(0, 50, 40), (9, 1))
    levels[4] += offset
    change = common_change(levels)
    assert change[4] - change[0] == pytest.approx(offset, abs=1e-6)
