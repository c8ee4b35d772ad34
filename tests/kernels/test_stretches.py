"""Stretches between events, against switched networks: matrix exponentials that the estimator does not know."""

import numpy as np
import pytest
from scipy.linalg import expm

from heatwake.kernels.settling import turns_back
from heatwake.kernels.stretches import Stretch, fit_step, level_before, split
from heatwake.kernels.transient import fit_settling

SIGMA = 0.05


class Network:
    """A part on a board, each losing heat to the air: two heat capacities and three conductances."""

    def __init__(self, random):
        self.slow, ratio = random.uniform(100, 400), random.uniform(4, 12)
        self.capacity = np.array([1.0, ratio * random.uniform(1, 3)])
        self.between = ratio / self.slow
        self.loss = self.capacity[1] / self.slow * np.array([0.05, 1.0])
        self.power = random.uniform(20, 50) * self.loss[1]

    def matrix(self, flow):
        inner = self.between * np.array([[1.0, -1.0], [-1.0, 1.0]]) + np.diag(self.loss * flow)
        return -inner / self.capacity[:, None]

    def end(self, flow, power):
        return -np.linalg.solve(self.matrix(flow), [power / self.capacity[0], 0.0])

    def course(self, time, *, start, flow, power):
        """Rise (time, node) from a start, and where it ends."""
        end = self.end(flow, power)
        return end + expm(self.matrix(flow) * np.asarray(time)[:, None, None]) @ (start - end), end


CHANGES = {  # flow, power, both as factors
    "load off": (1.0, 0.0),
    "load up": (1.0, 1.5),
    "fan up": (1.8, 1.0),
    "vent covered": (0.6, 1.0),
}


def switched(seed, change, *, before=3.0, after=4.0, noise=SIGMA):
    """Return time, readings of the part, when it was switched, its level before and where it ends."""
    random = np.random.default_rng(seed)
    network = Network(random)
    flow, factor = CHANGES[change]
    slow = network.slow / min(flow, 1.0)
    at, end = before * network.slow, before * network.slow + after * slow
    time = np.linspace(0, end, 200)[1:]
    first, _ = network.course(time[time <= at], start=np.zeros(2), flow=1.0, power=network.power)
    reached, _ = network.course([at], start=np.zeros(2), flow=1.0, power=network.power)
    second, final = network.course(time[time > at] - at, start=reached[0], flow=flow, power=network.power * factor)
    values = np.vstack([first, second])[:, 0] + random.normal(0, noise, len(time))
    return time, values, at, reached[0, 0], final[0]


@pytest.mark.parametrize("change", list(CHANGES))
def test_a_part_goes_from_its_level_to_the_next_up_or_down(change):
    # Four of the slowest time constants are seen: the rest is e^-4 of the step at most.
    held, errors, seen = 0, [], 0
    for seed in range(10):
        time, values, at, level, final = switched(seed, change)
        found = fit_step(values, elapsed=time, stretch=Stretch(at, time[-1], change), since=0.0)
        held += abs(found.final - final) < 1.96 * found.uncertainty
        errors.append(abs(found.final - final) / abs(final - level))
        seen += np.sign(found.final - found.remaining - level) == np.sign(final - level)
    assert held >= 8  # of 10 intervals of 95 %, 8 or more hold by chance in 99 % of cases
    assert np.median(errors) < 0.01
    assert seen == 10


def test_what_was_still_to_come_goes_on():
    # Power-on is seen for one time constant only, then the fan is turned up: the part falls, and the board still rises.
    held = 0
    for seed in range(10):
        time, values, at, _, final = switched(seed, "fan up", before=1.0)
        found = fit_step(values, elapsed=time, stretch=Stretch(at, time[-1], "fan up"), since=0.0)
        held += abs(found.final - final) < 1.96 * found.uncertainty
    assert held >= 8


def test_one_time_constant_down_is_found_with_its_start_from_the_readings_before():
    # A closed form, 30 K down to 12 K with 80 s from 200 s on; readings before and after tell it together.
    time = np.arange(0.0, 500.0, 2.0)
    clean = np.where(time < 200, 30.0, 12 + 18 * np.exp(-np.maximum(time - 200, 0) / 80))
    values = clean + np.random.default_rng(1).normal(0, SIGMA, len(time))
    found = fit_step(values, elapsed=time, stretch=Stretch(200.0, 498.0, "fan on"), since=0.0)
    assert (found.final, found.time_constant) == pytest.approx((12, 80), rel=0.02)
    assert found.amplitudes == pytest.approx((-18.0,), rel=0.02)
    assert found.remaining == pytest.approx(-18 * np.exp(-290 / 80), abs=0.15)
    alone = values.copy()
    alone[time <= 200] = np.nan
    less = fit_step(alone, elapsed=time, stretch=Stretch(200.0, 498.0, "fan on"), since=0.0)
    assert less.uncertainty > found.uncertainty


def test_up_and_down_are_one_fit():
    time = np.arange(0.0, 500.0, 2.0)
    clean = np.where(time < 200, 30.0, 12 + 18 * np.exp(-np.maximum(time - 200, 0) / 80))
    values = clean + np.random.default_rng(2).normal(0, SIGMA, len(time))
    stretch = Stretch(200.0, 498.0, "fan")
    down, up = (fit_step(sign * values, elapsed=time, stretch=stretch, since=0.0) for sign in (1, -1))
    assert up.final == pytest.approx(-down.final, rel=1e-6)
    assert (up.uncertainty, up.time_constant) == pytest.approx((down.uncertainty, down.time_constant), rel=1e-6)


def test_a_level_that_an_event_does_not_change_is_read_off():
    time = np.arange(0.0, 400.0, 2.0)
    values = 20 + np.random.default_rng(3).normal(0, SIGMA, len(time))
    found = fit_step(values, elapsed=time, stretch=Stretch(200.0, 398.0, "vent covered"), since=0.0)
    assert (found.status, found.terms) == ("last reading", 0)
    assert found.final == pytest.approx(20, abs=3 * found.uncertainty)


@pytest.mark.parametrize(("length", "word"), [(6.0, "too few readings"), (60.0, "window too short")])
def test_a_stretch_that_is_too_short_says_so(length, word):
    time = np.arange(0.0, 200.0 + length, 2.0)
    clean = np.where(time < 200, 30.0, 12 + 18 * np.exp(-np.maximum(time - 200, 0) / 300))
    values = clean + np.random.default_rng(4).normal(0, 0.001, len(time))
    found = fit_step(values, elapsed=time, stretch=Stretch(200.0, time[-1], "fan on"), since=0.0)
    assert found.status == word
    assert np.isnan(found.final)


def test_events_split_from_power_on_to_the_end():
    events = [(90.0, "fan on"), (5.0, "fan off"), (60.0, "load off"), (90.0, "vent covered"), (300.0, "later")]
    found = split(events, first=10.0, end=300.0, label="power on")
    assert [(one.start, one.end, one.label) for one in found] == [
        (10.0, 60.0, "power on"),
        (60.0, 90.0, "load off"),
        (90.0, 300.0, "fan on, vent covered"),
    ]


def test_the_level_before_follows_a_trend():
    time = np.linspace(-300, 0, 200)
    values = 20 + 0.01 * time + np.random.default_rng(5).normal(0, SIGMA, 200)
    level, unsure = level_before(time, values)
    assert level == pytest.approx(20, abs=3 * unsure)
    # of a straight line at its end: 2 sigma / sqrt(n) nearly (any textbook of regression); n is 20 here
    assert unsure == pytest.approx(2 * SIGMA / np.sqrt(20), rel=0.35)


def test_readings_that_turn_back_have_no_end_to_extrapolate_to():
    # (c - b) / (b - a) below 0: no exponential passes through (three-point formula, IEC 60076-2: from memory).
    time = np.linspace(0, 600, 301)[1:]
    noise = np.random.default_rng(6).normal(0, SIGMA, 300)
    clean = 30 * -np.expm1(-time / 60)
    falls = clean - np.where(time > 400, 5 * -np.expm1(-np.maximum(time - 400, 0) / 60), 0)
    assert turns_back(falls + noise, variance=SIGMA**2)
    assert not turns_back(clean + noise, variance=SIGMA**2)
    found = fit_settling(falls + noise, elapsed=time, onset=0.0)
    assert found.status == "last reading"
    assert found.final == pytest.approx(25.3, abs=0.5)
