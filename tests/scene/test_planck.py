"""Radiance against a reference library and printed tables."""

import astropy.units as u
import numpy as np
import pytest
from astropy.modeling.physical_models import BlackBody

from heatwake.scene.planck import Band, band, spectral_radiance


def test_spectral_radiance_agrees_with_astropy() -> None:
    reference = BlackBody(346.9 * u.K, scale=1 * u.W / u.m**2 / u.um / u.sr)(10 * u.um).value
    # Same law, same exact constants of the SI: rounding only.
    assert spectral_radiance(10e-6, kelvin=346.9) * 1e-6 == pytest.approx(reference, rel=1e-9)


@pytest.mark.parametrize("celsius", [25.0, 73.75, 100.0])
def test_band_radiance_agrees_with_a_fine_sum_of_astropy(celsius: float) -> None:
    wavelength = np.linspace(7.5, 14.0, 4001)
    law = BlackBody((celsius + 273.15) * u.K, scale=1 * u.W / u.m**2 / u.um / u.sr)
    reference = np.trapezoid(law(wavelength * u.um).value, wavelength)
    # The trapezoid rule at 1.6 nm is right to some 1e-8.
    assert float(band().radiance(celsius)) == pytest.approx(reference, rel=1e-6)


@pytest.mark.parametrize(
    ("low_product", "high_product", "fraction"),
    [
        (2000, 4000, 0.4809 - 0.06673),
        (2200, 5000, 0.6337 - 0.1009),
        (3000, 6000, 0.7378 - 0.2732),
        (2400, 4500, 0.5643 - 0.1402),
    ],
)
def test_band_fraction_agrees_with_the_handbook(low_product: float, high_product: float, fraction: float) -> None:
    """Kutz (ed.), Mechanical Engineers' Handbook vol. 4, table 16: share of black-body power below lambda T [um K]."""
    kelvin = 400.0
    total = 5.670374419e-8 * kelvin**4 / np.pi
    inside = float(Band(low_product / kelvin, high_product / kelvin).radiance(kelvin - 273.15))
    # Both printed values are rounded in the fourth digit.
    assert inside / total == pytest.approx(fraction, abs=1.1e-4)


def test_temperature_undoes_radiance() -> None:
    celsius = np.linspace(-40, 400, 997)
    # The two cubic splines meet at the table's points; between them they part by less than a microkelvin.
    np.testing.assert_allclose(band().temperature(band().radiance(celsius)), celsius, atol=1e-6)


def test_slope_is_the_derivative() -> None:
    difference = (band().radiance(40.01) - band().radiance(39.99)) / 0.02
    assert float(band().slope(40.0)) == pytest.approx(float(difference), rel=1e-6)
