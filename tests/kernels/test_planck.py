"""In-band radiance against handbook tables, closed forms and astropy."""

import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.modeling.models import BlackBody
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

import heatwake
from heatwake.kernels.planck import (
    STEFAN_BOLTZMANN,
    BandTable,
    band_radiance,
    band_slope,
    blackbody_fraction,
    response_radiance,
    response_slope,
    spectral_radiance,
)

LWIR = BandTable.for_band(7.5, 14.0)
BANDS = [(7.5, 14.0), (8.0, 14.0), (7.5, 13.0), (3.0, 5.0)]
BUMPS = ([7.0, 7.4, 8.0, 8.6, 9.3, 10.0, 12.0, 13.2, 15.0], [0.0, 0.3, 0.85, 0.7, 1.0, 0.93, 0.8, 0.5, 0.0])

# Kutz (ed.), Mechanical Engineers' Handbook, vol. 4, table 16, p. 183: wavelength times temperature [um K], fraction.
HANDBOOK = [
    (1000, "0.0003207"),
    (1400, "0.007789"),
    (2000, "0.06673"),
    (2200, "0.1009"),
    (2400, "0.1402"),
    (3000, "0.2732"),
    (3400, "0.3617"),
    (4000, "0.4809"),
    (4500, "0.5643"),
    (5000, "0.6337"),
    (6000, "0.7378"),
    (7000, "0.8081"),
    (8000, "0.8562"),
    (10000, "0.9142"),
    (12000, "0.9451"),
    (15000, "0.9689"),
    (20000, "0.9856"),
    (50000, "0.9989"),
]


@pytest.mark.parametrize(("product", "printed"), HANDBOOK)
def test_fraction_is_the_handbooks(product, printed):
    # to within one in the last printed digit once rounded: the handbook stands on an older c2, 14388 um K
    digits = len(printed.split(".")[1])
    rounded = round(float(blackbody_fraction(product)), digits)
    assert abs(rounded - float(printed)) < 1.01 * 10.0**-digits


def test_a_quarter_of_the_power_lies_below_the_peak():
    # Wien's constant 2897.771955 um K, CODATA 2018; the fraction there is 0.2501 in textbooks (from memory)
    assert float(blackbody_fraction(2897.771955)) == pytest.approx(0.2501, abs=5e-5)


def test_the_two_series_meet():
    # z = 0.5 is where they change over; a jump would show against the slope, which is 1e-5 of the value over this step
    product = 1.438776877e4 / np.array([0.5 + 1e-6, 0.5 - 1e-6])
    below, above = blackbody_fraction(product)
    assert 0 < above - below < 1e-6


def test_the_whole_spectrum_is_stefan_boltzmann():
    kelvin = np.array([0.0, 25.0, 100.0]) + 273.15
    whole = band_radiance(kelvin - 273.15, low=0.05, high=1e6)
    # what lies beyond 1 m of wavelength is below 1e-9
    assert whole == pytest.approx(STEFAN_BOLTZMANN * kelvin**4 / np.pi, rel=1e-8)


@pytest.mark.parametrize(("low", "high"), BANDS)
@pytest.mark.parametrize("temperature", [-20.0, 25.0, 73.75, 150.0])
def test_band_radiance_is_astropys_integral(low, high, temperature):
    law = BlackBody((temperature + 273.15) * u.K, scale=1 * u.W / (u.m**2 * u.um * u.sr))
    nodes, weights = np.polynomial.legendre.leggauss(60)  # smooth: 60 points integrate it to rounding
    wavelengths = low + (high - low) * (nodes + 1) / 2
    integral = (high - low) / 2 * float(weights @ law(wavelengths * u.um).value)
    # limited by the rounding of the constants, 1e-9
    assert float(band_radiance(temperature, low=low, high=high)) == pytest.approx(integral, rel=1e-8)


def test_spectral_radiance_is_astropys():
    wavelengths = np.linspace(2.0, 20.0, 37)
    for temperature in (-40.0, 25.0, 73.75, 400.0):
        law = BlackBody((temperature + 273.15) * u.K, scale=1 * u.W / (u.m**2 * u.um * u.sr))
        expected = law(wavelengths * u.um).value
        assert spectral_radiance(wavelengths, temperature=temperature) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize(("temperature", "peak"), [(25.0, 9.719), (74.0, 8.347)])
def test_the_spectrum_peaks_where_wien_says(temperature, peak):
    # Wien's constant 2897.771955 um K, CODATA 2018; the peaks to their printed digits
    wavelengths = np.linspace(peak - 0.01, peak + 0.01, 20001)  # 1 nm on either side of 10 nm
    found = wavelengths[np.argmax(spectral_radiance(wavelengths, temperature=temperature))]
    assert found == pytest.approx(2897.771955 / (temperature + 273.15), abs=2e-5)  # flat there: rounding moves it
    assert found == pytest.approx(peak, abs=6e-4)


def integral_of(temperature, samples, response):
    """Return the weighted radiance by adaptive quadrature, piece by piece."""
    return sum(
        quad(
            lambda wavelength: (
                float(spectral_radiance(wavelength, temperature=temperature)) * np.interp(wavelength, samples, response)
            ),
            *piece,
            epsabs=0,
            epsrel=1e-11,
        )[0]
        for piece in pairwise(samples)
    )


@pytest.mark.parametrize("band", ["7.5-14", "8-14", "3-5", "bumps"])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_tables_are_direct_integration_within_a_millikelvin(band, dtype):
    samples, response = BUMPS if band == "bumps" else ([float(end) for end in band.split("-")], [1.0, 1.0])
    table = BandTable.for_response(samples, response) if band == "bumps" else BandTable.for_band(*samples)
    true = np.linspace(-40.0, 400.0, 23).astype(dtype)
    exact = np.array([integral_of(float(one), samples, response) for one in true])
    assert np.abs(table.temperature(exact.astype(dtype)) - true).max() < 5e-4
    assert (np.abs(table.radiance(true) - exact) / table.slope(true)).max() < 5e-4


def test_a_response_is_integrated_to_ten_digits():
    for temperature in (-40.0, 25.0, 400.0):
        exact = integral_of(temperature, *BUMPS)
        made = response_radiance(temperature, wavelengths=BUMPS[0], response=BUMPS[1])
        assert float(made) == pytest.approx(exact, rel=1e-10)


def test_a_flat_response_is_a_flat_band():
    temperature = np.linspace(-90, 690, 27)
    for low, high in BANDS:
        view = {"wavelengths": [low, (low + high) / 2, high], "response": [1.0, 1.0, 1.0]}
        # two ways to integrate, and two sets of rounded constants
        assert response_radiance(temperature, **view) == pytest.approx(
            band_radiance(temperature, low=low, high=high), rel=1e-8
        )
        assert response_slope(temperature, **view) == pytest.approx(
            band_slope(temperature, low=low, high=high), rel=1e-8
        )


def test_a_response_of_many_samples_is_integrated_as_well():
    fine = np.linspace(BUMPS[0][0], BUMPS[0][-1], 3201)  # each of the few samples is one of these
    dense = {"wavelengths": fine, "response": np.interp(fine, *BUMPS)}
    few = {"wavelengths": BUMPS[0], "response": BUMPS[1]}
    for temperature in (-40.0, 25.0, 400.0):
        assert float(response_radiance(temperature, **dense)) == pytest.approx(
            float(response_radiance(temperature, **few)), rel=1e-9
        )


def test_only_the_shape_of_a_response_counts():
    samples, response = np.array(BUMPS)
    assert BandTable.for_response(samples, 37.0 * response) is BandTable.for_response(samples, response)
    table = BandTable.for_response([6, 6.5, 7.0, 9.0, 12.0, 13.0, 14.0], [0, 0, 0, 2.0, 1.0, 0, 0])
    assert (table.low, table.high) == (7.0, 13.0)


@pytest.mark.parametrize(
    ("samples", "response", "why"),
    [
        ([8.0], [1.0], "must be two or more of each"),
        ([8.0, 9.0], [1.0], "must be two or more of each"),
        ([8.0, 8.0], [1.0, 1.0], "must be positive and rising"),
        ([9.0, 8.0], [1.0, 1.0], "must be positive and rising"),
        ([0.0, 8.0], [1.0, 1.0], "must be positive and rising"),
        ([8.0, np.nan], [1.0, 1.0], "must be positive and rising"),
        ([8.0, 9.0], [1.0, -0.1], "must be finite, 0 or more"),
        ([8.0, 9.0], [1.0, np.inf], "must be finite, 0 or more"),
        ([8.0, 9.0], [0.0, 0.0], "not 0 throughout"),
    ],
)
def test_a_response_that_is_none_is_refused(samples, response, why):
    with pytest.raises(ValueError, match=why):
        BandTable.for_response(samples, response)


@given(st.lists(st.tuples(st.floats(0.1, 1.5), st.floats(0, 1)), min_size=2, max_size=8), st.floats(-40, 400))
def test_any_response_leads_forth_and_back(steps, temperature):
    samples = 6.0 + np.cumsum([step for step, _ in steps])
    response = np.array([value for _, value in steps]) + 0.01
    table = BandTable.for_response(samples, response)
    assert float(table.temperature(table.radiance(temperature))) == pytest.approx(temperature, abs=1e-3)


@pytest.mark.parametrize(
    ("temperature", "radiance", "slope"),
    # in-band values worked out independently with numpy and astropy 8.0.2
    [(25, 57.60954, 0.911875), (40, 72.29413, 1.046574), (73.75, 112.826675, 1.356055), (100, 151.58111, 1.596032)],
)
def test_radiance_and_slope_of_the_usual_band(temperature, radiance, slope):
    assert float(LWIR.radiance(temperature)) == pytest.approx(radiance, rel=1e-6)
    assert float(LWIR.slope(temperature)) == pytest.approx(slope, rel=2e-6)


@pytest.mark.parametrize(
    ("low", "high", "radiances"),
    # in-band values worked out independently with numpy, at 25, 40, 73.75 and 100 degC
    [
        (8.0, 14.0, (53.39654, 66.61319, 102.69108, 136.77834)),
        (7.5, 13.0, (49.95073, 63.15413, 99.91999, 135.36644)),
    ],
)
def test_radiance_of_other_bands(low, high, radiances):
    assert BandTable.for_band(low, high).radiance([25, 40, 73.75, 100]) == pytest.approx(radiances, rel=1e-6)


def test_the_fourth_power_is_only_locally_right():
    # d ln L / d ln T = 4 at 91.9 degC in 7.5 to 14 um and at 79.0 degC in 8 to 14 um, worked independently
    for low, high, even in ((7.5, 14.0, 91.9), (8.0, 14.0, 79.0)):
        power = band_slope(even, low=low, high=high) * (even + 273.15) / band_radiance(even, low=low, high=high)
        assert float(power) == pytest.approx(4.0, abs=1e-3)
    assert float(LWIR.slope(25.0) * 298.15 / LWIR.radiance(25.0)) == pytest.approx(4.719, abs=1e-3)


def test_no_estimate_uses_the_law_of_the_whole_spectrum():
    package = Path(heatwake.__file__).parent
    no_camera = {"planck.py", "still_box.py"}  # the latter tells what heat a box gives off, not what a camera reads
    sources = [path for path in package.rglob("*.py") if "scene" not in path.parts and path.name not in no_camera]
    assert len(sources) > 50
    for path in sources:
        assert not re.search(r"STEFAN|5\.67\d*e-0?8|kelvin *\*\* *4|\*\* *0\.25", path.read_text()), path


@pytest.mark.parametrize(("low", "high"), BANDS)
def test_slope_is_the_derivative(low, high):
    temperature, step = np.linspace(-40, 400, 23), 1e-3
    ends = [band_radiance(temperature + sign * step, low=low, high=high) for sign in (1, -1)]
    difference = (ends[0] - ends[1]) / (2 * step)
    # a central difference of 2 mK is good to 1e-8 of rounding
    assert band_slope(temperature, low=low, high=high) == pytest.approx(difference, rel=1e-7)


@pytest.mark.parametrize(("low", "high"), BANDS)
def test_tables_err_by_less_than_a_millikelvin(low, high):
    table = BandTable.for_band(low, high)
    temperature = np.random.default_rng(3).uniform(-40, 400, 5000)
    exact = band_radiance(temperature, low=low, high=high)
    assert np.abs(table.temperature(exact) - temperature).max() < 1e-3
    assert np.abs((table.radiance(temperature) - exact) / table.slope(temperature)).max() < 1e-3
    single = temperature.astype(np.float32)
    assert np.abs(table.temperature(table.radiance(single)) - single).max() < 1e-3


def test_closed_form_of_the_trade_agrees():
    # Sakuma-Hattori equation (Planckian form) fitted to this band; the fit itself errs by up to 1.9 mK over 0..150 degC
    temperature = np.linspace(0, 150, 31)
    kelvin = temperature + 273.15
    radiance = 9189.60 / (np.exp(1.438776877e-2 / (8.77528e-6 * kelvin + 216.780e-6)) - 1)
    assert np.abs(LWIR.temperature(radiance) - temperature).max() < 2.5e-3


@given(st.floats(-40, 400))
def test_radiance_and_back_is_the_temperature(temperature):
    assert float(LWIR.temperature(LWIR.radiance(temperature))) == pytest.approx(temperature, abs=1e-3)


@given(st.floats(-40, 399), st.floats(1e-3, 1))
def test_warmer_is_brighter(temperature, step):
    assert LWIR.radiance(temperature + step) > LWIR.radiance(temperature)
    radiance = LWIR.radiance(temperature)
    assert LWIR.temperature(radiance * (1 + 1e-6 * step)) > LWIR.temperature(radiance)


def test_what_has_no_temperature_is_nan():
    radiance = [np.nan, 0.0, -1.0, np.inf, 1e-3, 1e6]
    assert np.isnan(LWIR.temperature(radiance)).all()
    assert np.isnan(LWIR.radiance([np.nan, -273.15, -101, 701, np.inf, -np.inf])).all()
    assert np.isfinite(LWIR.radiance([-100, 700])).all()


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_precision_and_shape_are_kept(dtype):
    picture = np.full((3, 4), 30, dtype=dtype)
    for made in (LWIR.radiance(picture), LWIR.slope(picture), LWIR.temperature(picture)):
        assert made.dtype == dtype
        assert made.shape == (3, 4)
    assert LWIR.radiance(30).dtype == np.float64


@pytest.mark.parametrize(("low", "high"), [(14, 7.5), (0, 14), (8, 8)])
def test_a_band_the_wrong_way_round_is_refused(low, high):
    with pytest.raises(ValueError, match="must be 0 < low < high"):
        BandTable.for_band(low, high)
