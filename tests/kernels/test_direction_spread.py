"""Uncertainty of a direction, beyond what a fit knows."""

import numpy as np
import pytest

from heatwake.kernels.direction_spread import (
    ROLE_EVIDENCE,
    UNIFORM,
    Calibration,
    board_spread,
    place_spread,
    role_probability,
    turn_spread,
)

KNOWN = Calibration(board=10.0, part=10.0, stray=0.2)


def test_slow_air_is_turned_by_stray_air_as_a_sum_of_velocities_is():
    # Drawn at random: a velocity of 1 and a stray one of 0.1 (rms along each axis) turn by 0.1 rad rms.
    rng = np.random.default_rng(0)
    sums = np.array([1.0, 0.0]) + rng.normal(0.0, 0.1, (20000, 2))
    drawn = np.degrees(np.sqrt(np.mean(np.arctan2(sums[:, 1], sums[:, 0]) ** 2)))
    found = place_spread(np.zeros(1), np.ones(1), Calibration(board=0.0, part=0.0, stray=0.1))
    assert found[0] == pytest.approx(drawn, rel=0.03)


def test_still_places_say_nothing_and_never_more_than_nothing():
    spread = place_spread(np.array([3.0, 500.0]), np.array([0.0, 5.0]), KNOWN)
    assert spread == pytest.approx(UNIFORM)
    # The standard deviation of an angle spread evenly from -180 to 180.
    assert pytest.approx(180.0 / np.sqrt(3.0), abs=0.1) == UNIFORM


def test_what_two_directions_share_does_not_count_in_their_turn():
    # Drawn: an error of 12 degrees that both have, 4 of each one's own, and a turn of 30 told 30 % too large or small.
    rng = np.random.default_rng(3)
    shared, own = rng.normal(0.0, 12.0, 20000), rng.normal(0.0, 4.0, (2, 20000))
    size = 30.0 * (1 + rng.normal(0.0, 0.3, 20000))
    drawn = np.std((shared + own[0] + size) - (shared + own[1]))
    apart = np.array(np.hypot(*[np.hypot(12.0, 4.0)] * 2))
    found = turn_spread(np.array(np.sqrt(2) * 4.0), np.array(30.0), most=apart, least=0.0, share=0.3)
    assert found == pytest.approx(drawn, rel=0.03)
    assert found < 0.7 * apart
    # of a large turn no more than of two that have nothing in common
    assert turn_spread(np.array(4.0), np.array(170.0), most=apart, least=0.0, share=0.3) == pytest.approx(apart)


def test_uncertainty_grows_with_the_fit_s_own_and_with_slowness():
    fitted = place_spread(np.array([0.0, 10.0, 30.0]), np.ones(3), KNOWN)
    slower = place_spread(np.zeros(3), np.array([2.0, 1.0, 0.5]), KNOWN)
    assert (np.diff(fitted) > 0).all()
    assert (np.diff(slower) > 0).all()
    assert board_spread(np.array([0.0, 10.0]), KNOWN) == pytest.approx([10.0, np.sqrt(200.0)])


def test_a_role_needs_evidence_against_the_other_way_and_against_still_air():
    assert role_probability(0.0, 500.0, enough=30.0) == pytest.approx(0.5)
    assert role_probability(-40.0, 500.0, enough=30.0) == pytest.approx(0.5)
    assert role_probability(500.0, -20.0, enough=30.0) == pytest.approx(0.5, abs=1e-3)
    assert role_probability(500.0, 500.0, enough=30.0) == pytest.approx(1.0)
    # The odds are a factor of e for each 11 of evidence: logistic function, by its definition.
    assert role_probability(2 * ROLE_EVIDENCE, 500.0, enough=30.0) == pytest.approx(np.exp(2) / (1 + np.exp(2)))
    likelier = [role_probability(value, 100.0, enough=30.0) for value in (5.0, 10.0, 20.0, 40.0)]
    assert (np.diff(likelier) > 0).all()
