"""Turns between two directions against a library of circular statistics."""

import astropy.units as u
import numpy as np
import pytest
from astropy.stats import circmean, circstd, vonmisesmle
from scipy.stats import vonmises

from heatwake.schema.variables import DIRECTION_CHANGE
from heatwake.stages.flow_pair import _turn, name_turn
from heatwake.stages.region_differences import _axis_mean

DRAWS = 60_000


@pytest.mark.parametrize(("here", "there"), [(170.0, -175.0), (-20.0, 30.0), (100.0, -80.0)])
def test_a_turn_and_its_uncertainty_are_those_of_drawn_directions(here, there):
    # variances of -2 ln R add, for mean resultant lengths multiply (Mardia and Jupp 2000, section 3.5)
    rng = np.random.default_rng(7)
    spreads = (12.0, 9.0)
    drawn = [
        np.radians(middle) + vonmises.rvs(1 / np.radians(spread) ** 2, size=DRAWS, random_state=rng)
        for middle, spread in zip((here, there), spreads, strict=True)
    ]
    measured = [np.degrees(circstd(one, method="circular")) for one in drawn]
    turn, spread = _turn(
        (np.array(here), np.array(measured[0])), (np.array(there), np.array(measured[1]))
    )  # fmt: skip
    difference = (drawn[0] - drawn[1]) * u.rad
    middle = circmean(difference).to_value(u.deg)
    assert (float(turn) - middle + 180) % 360 - 180 == pytest.approx(0.0, abs=0.25)  # 15 / sqrt(60,000) = 0.06
    assert float(spread) == pytest.approx(np.degrees(circstd(difference.value, method="circular")), rel=0.01)


def test_two_standard_uncertainties_hold_95_of_100_drawn_turns():
    rng = np.random.default_rng(8)
    drawn = vonmises.rvs(1 / np.radians(14.0) ** 2, size=DRAWS, random_state=rng)
    _, kappa = vonmisesmle(drawn)
    turn, spread = _turn((np.degrees(drawn), np.degrees(kappa**-0.5)), (np.zeros(DRAWS), 0.0))
    assert np.mean(np.abs(turn) <= 2 * spread) == pytest.approx(0.9545, abs=0.005)


@pytest.mark.parametrize("degrees", [[80.0, 95.0, -88.0], [5.0, -178.0, 10.0], [45.0, 45.0, -130.0]])
def test_the_mean_of_axes_is_half_that_of_doubled_directions(degrees):
    theirs = circmean(2 * np.array(degrees) * u.deg).to_value(u.deg) / 2
    assert (_axis_mean(np.array(degrees)) - theirs + 90) % 180 - 90 == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("turn", "spread", "word"),
    [
        (165.0, 14.0, "reversed"),
        (165.0, 37.0, "reversed"),  # 91 to 239
        (165.0, 38.0, "turned"),  # 89 to 241: may be less than a right angle
        (176.0, 72.0, "turned"),
        (170.0, 86.0, "undecided"),  # -2 to 342
        (110.0, 5.0, "turned"),  # beyond a right angle, not straight back
        (60.0, 29.0, "turned"),
        (60.0, 31.0, "undecided"),
        (12.0, 3.0, "unchanged"),  # less than matters
        (3.0, 20.0, "unchanged"),
        (3.0, 22.0, "undecided"),  # -41 to 47
        (0.0, 80.0, "undecided"),
    ],
)
def test_a_turn_is_called_what_its_interval_leaves_no_doubt_of(turn, spread, word, sign):
    assert DIRECTION_CHANGE[int(name_turn(np.array(sign * turn), np.array(spread)))] == word


def test_no_turn_that_is_drawn_within_its_spread_is_called_what_it_is_not_more_than_once_in_twenty():
    # Words are about the truth: not turned at all, turned by less than a right angle, straight back. Drawn at random.
    rng = np.random.default_rng(9)
    for true, wrong in ((0.0, ("turned", "reversed")), (60.0, ("reversed",)), (180.0, ("unchanged",))):
        for spread in (10.0, 25.0, 60.0):
            drawn = (true + rng.normal(0.0, spread, 20_000) + 180.0) % 360.0 - 180.0
            words = np.array(DIRECTION_CHANGE)[name_turn(drawn, np.full(drawn.shape, spread))]
            assert np.isin(words, wrong).mean() < 0.05


def test_a_turn_that_is_not_known_is_not_identifiable():
    assert DIRECTION_CHANGE[int(name_turn(np.array(np.nan), np.array(np.nan)))] == "not identifiable"
