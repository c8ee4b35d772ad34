"""The local drift against exact solutions of the transport equation."""

import numpy as np
import pytest
from scipy.special import k0

from heatwake.kernels.transport import disagreement, heating_transport, off_source_transport
from kernels.age_integral import rise

TIMES = np.arange(1.0, 76.0)
SOURCES = [(32.0, 38.0, 30.0), (58.0, 28.0, 20.0)]
PLACES = [(25, 32), (35, 58), (30, 45), (18, 32)]  # (row, column): at both sources, between them, beside one


def towards(angle, speed=0.3):
    return speed * np.cos(np.radians(angle)), speed * np.sin(np.radians(angle))


@pytest.fixture(scope="module")
def frames():
    return rise(TIMES, sources=SOURCES, drift=towards(70.0))


def at(field, values):
    return np.array([values[place] for place in PLACES])


def test_age_integral_is_the_continuous_point_source():
    # Far from a narrow source and late, the moving-source solution q/(2 pi a) exp(u x/2a) K0(k r) of Carslaw and
    # Jaeger, section 10.7: q=10, a=4, b=0.01, u=0.2. The source's own width (0.5) changes it by u s^2/... < 0.2 %.
    late = rise([900.0], sources=[(40, 30, 10.0)], drift=(0.2, 0.0), width=0.5, shape=(61, 81))[0]
    rate = np.sqrt(0.2**2 / 64 + 0.01 / 4)
    for step in (10, -10):
        exact = 10 / (8 * np.pi) * np.exp(0.2 * step / 8) * k0(rate * 10)
        assert late[30, 40 + step] == pytest.approx(exact, rel=2e-3)


def test_direction_speed_and_diffusivity_are_exact_at_static_sources_and_between(frames):
    # No noise: what is left is the quadrature of the test functions over maps 2 s apart.
    found = heating_transport(frames, elapsed=TIMES, spacing=1.0)
    assert at(found, found.direction) == pytest.approx(70.0, abs=0.2)
    assert at(found, found.diffusivity) == pytest.approx(4.0, rel=0.01)
    assert at(found, np.hypot(*found.drift) * found.diffusivity) == pytest.approx(0.3, rel=0.01)
    # Pe = |u| sqrt(a/b) / a = 0.3 * 20 / 4
    assert at(found, found.peclet) == pytest.approx(1.5, rel=0.05)
    assert at(found, found.identifiable).all()


def test_lengths_come_in_the_unit_of_the_spacing(frames):
    fine = heating_transport(frames, elapsed=TIMES, spacing=0.5)
    assert at(fine, fine.diffusivity) == pytest.approx(1.0, rel=0.01)
    assert at(fine, np.hypot(*fine.drift)) == pytest.approx(0.3 / 4.0 / 0.5, rel=0.01)


def test_camera_noise_turns_the_direction_by_a_few_degrees_and_the_interval_says_so(frames):
    # 50 mK a frame at 9 Hz is 17 mK a map of 1 s; sources of some 14 K here.
    noisy = 7.0 * frames + np.random.default_rng(4).normal(0.0, 0.017, frames.shape)
    found = heating_transport(noisy, elapsed=TIMES, spacing=1.0)
    apart = np.abs(found.direction - 70.0)[found.identifiable]
    assert np.median(apart) < 2.0
    assert np.mean(apart < 1.96 * found.direction_uncertainty[found.identifiable]) >= 0.9


def test_an_offset_common_to_all_pixels_changes_nothing(frames):
    jumps = np.cumsum(np.random.default_rng(0).normal(0.0, 0.3, len(TIMES)))
    one = heating_transport(frames, elapsed=TIMES, spacing=1.0)
    two = heating_transport(frames + jumps[:, None, None], elapsed=TIMES, spacing=1.0)
    assert at(two, two.direction) == pytest.approx(at(one, one.direction), abs=1e-3)


def test_the_scene_turned_by_a_quarter_turns_the_direction_by_90_degrees(frames):
    one = heating_transport(frames, elapsed=TIMES, spacing=1.0)
    two = heating_transport(np.rot90(frames, axes=(1, 2)), elapsed=TIMES, spacing=1.0)
    turned = np.rot90(one.direction)
    inner = np.rot90(one.identifiable) & two.identifiable
    assert inner.mean() > 0.5
    assert (two.direction - turned - 90.0 + 180.0)[inner] % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)


def test_off_source_form_agrees_where_the_equation_holds(frames):
    heated = frames[2] > 0.05 * frames[2].max()
    outside = off_source_transport(frames, elapsed=TIMES, spacing=1.0, sources=heated)
    heating = heating_transport(frames, elapsed=TIMES, spacing=1.0)
    assert np.median(np.abs(outside.direction - 70.0)[outside.identifiable]) < 1.0
    assert disagreement(heating, outside) < 0.25


def test_emissivity_that_grows_as_an_exponential_shifts_the_drift_by_twice_its_rate(frames):
    # theta = eps T with eps = exp(g x) obeys the same equation with u_x + 2 a g, exactly.
    slope = 0.002
    found = heating_transport(frames * np.exp(slope * np.arange(90)), elapsed=TIMES, spacing=1.0)
    east = at(found, found.drift[0] * found.diffusivity)
    assert east == pytest.approx(towards(70.0)[0] + 2 * 4.0 * slope, abs=0.002)


def test_no_drift_is_not_identifiable():
    still = rise(TIMES, sources=SOURCES, drift=(0.0, 0.0))
    noisy = 7.0 * still + np.random.default_rng(1).normal(0.0, 0.017, still.shape)
    found = heating_transport(noisy, elapsed=TIMES, spacing=1.0)
    assert found.identifiable.mean() < 0.02  # Wald's test at 0.1 %, and the floor on the Peclet number


def test_unseen_pixels_are_left_out(frames):
    holed = frames.copy()
    holed[:, :, 70:] = np.nan
    found = heating_transport(holed, elapsed=TIMES, spacing=1.0)
    assert at(found, found.direction) == pytest.approx(70.0, abs=0.3)


def test_nothing_seen_gives_nothing(frames):
    found = heating_transport(np.full_like(frames, np.nan), elapsed=TIMES, spacing=1.0)
    assert not found.identifiable.any()
    assert np.isnan(found.direction).all()


def test_too_few_maps_are_refused(frames):
    with pytest.raises(ValueError, match="too few"):
        heating_transport(frames[:6], elapsed=TIMES[:6], spacing=1.0)
