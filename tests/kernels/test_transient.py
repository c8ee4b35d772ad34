"""Settling against closed forms."""

import numpy as np
import pytest

from heatwake.kernels.transient import fit_settling

TIME = np.arange(0.0, 600.0, 2.0)


def rise(*terms, onset=10.0, time=TIME, noise=0.0, seed=1):
    clean = sum(a * (1 - np.exp(-np.maximum(time - onset, 0) / tau)) for a, tau in terms)
    return clean + np.random.default_rng(seed).normal(0, noise, len(time)) if noise else clean


def test_one_exponential_is_found_exactly():
    found = fit_settling(rise((30.0, 80.0)), elapsed=TIME, onset=10.0)
    assert (found.final, found.time_constant) == pytest.approx((30.0, 80.0), rel=1e-4)


def test_the_worked_three_point_example_continues_to_80_degrees():
    # Three-point extrapolation of temperature-rise tests (IEC 60076-2, from memory; recomputed): T_inf 80, T0 25,
    # tau 600 s gives 46.6408, 59.7666 and 67.7278 degC at 300 s steps. A fit through such a record ends at 80.
    time = np.arange(0.0, 901.0, 50.0)
    series = 55.0 * (1 - np.exp(-time / 600.0))
    assert series[[6, 12, 18]] + 25 == pytest.approx([46.6408, 59.7666, 67.7278], abs=1e-4)
    found = fit_settling(series, elapsed=time, onset=0.0)
    assert found.final + 25 == pytest.approx(80.0, abs=0.01)


def test_step_response_percentages():
    # 63.212 % after one time constant, 98.168 % after four (any textbook of first-order systems): read off the record
    # and off the fit.
    found = fit_settling(rise((10.0, 100.0), onset=0.0), elapsed=TIME, onset=0.0)
    assert pytest.approx(rise((10.0, 100.0), onset=0.0)[50], rel=1e-4) == 10 * 0.63212
    assert found.remaining == pytest.approx(10 * np.exp(-585 / 100.0), rel=0.05)


def test_two_time_constants_are_told_from_one():
    found = fit_settling(rise((21.0, 40.0), (9.0, 200.0), noise=0.02), elapsed=TIME, onset=10.0)
    assert found.terms == 2
    assert found.final == pytest.approx(30.0, abs=3 * found.uncertainty)
    assert found.uncertainty < 0.6


def test_noise_never_asks_for_a_term_as_slow_as_its_bound():
    # A second term that noise alone asks for has no end within reach: the final value would be known to 100 K.
    found = [fit_settling(rise((26.0, 65.0), noise=0.05, seed=seed), elapsed=TIME, onset=10.0) for seed in range(60)]
    assert max(one.uncertainty for one in found) < 0.1
    assert np.std([one.final for one in found]) == pytest.approx(np.mean([one.uncertainty for one in found]), rel=0.4)


def test_a_forecast_carries_more_uncertainty_than_a_settled_record():
    short = TIME < 130
    early = fit_settling(rise((30.0, 80.0), noise=0.02)[short], elapsed=TIME[short], onset=10.0)
    late = fit_settling(rise((30.0, 80.0), noise=0.02), elapsed=TIME, onset=10.0)
    assert early.uncertainty > 5 * late.uncertainty
    assert early.final == pytest.approx(30.0, abs=2 * early.uncertainty)


def test_a_window_shorter_than_a_time_constant_is_refused():
    # Readings half a time constant apart gain noise tenfold: 10.4 (three-point formula), so no forecast is given.
    short = TIME < 50
    assert np.isnan(fit_settling(rise((30.0, 300.0), noise=0.02)[short], elapsed=TIME[short], onset=10.0).final)


@pytest.mark.parametrize("series", [np.full(300, np.nan), np.zeros(300)], ids=["no reading", "no rise"])
def test_nothing_to_fit_is_nan(series):
    assert np.isnan(fit_settling(series, elapsed=TIME, onset=10.0).final)


def test_double_the_power_doubles_the_rise():
    once = fit_settling(rise((15.0, 60.0)), elapsed=TIME, onset=10.0)
    twice = fit_settling(2 * rise((15.0, 60.0)), elapsed=TIME, onset=10.0)
    assert twice.final == pytest.approx(2 * once.final, rel=1e-6)


def test_intervals_hold_over_many_noise_draws():
    # One exponential, eight time constants: a 95 % interval misses 5 % of draws; 60 leave 0 to 8 misses (binomial).
    misses = 0
    for seed in range(60):
        found = fit_settling(rise((30.0, 70.0), noise=0.1, seed=seed), elapsed=TIME, onset=10.0)
        misses += abs(found.final - 30.0) > 1.96 * found.uncertainty
    assert misses <= 8
