"""What a camera that is wrong by a constant leaves on a zeroed rise: against an integral of Planck's law."""

import numpy as np
import pytest
from scipy import constants
from scipy.integrate import quad

from heatwake.kernels.camera_level import level_left
from heatwake.kernels.planck import BandTable

TABLE = BandTable.for_band(7.5, 14.0)


def planck(celsius: float) -> float:
    """Radiance of a blackbody between 7.5 and 14 um [W m-2 sr-1], by Planck's law with the constants of CODATA."""

    def spectral(wavelength: float) -> float:
        exponent = constants.h * constants.c / (wavelength * constants.k * (celsius + 273.15))
        return 2 * constants.h * constants.c**2 / wavelength**5 / np.expm1(exponent)

    return quad(spectral, 7.5e-6, 14e-6)[0]


@pytest.mark.parametrize(("emissivity", "clear"), [(1.0, 1.0), (0.94, 0.89), (0.45, 0.89)])
def test_a_constant_error_in_degrees_is_left_in_part(emissivity, clear):
    # camera one kelvin too high throughout; what it read of the cold board is taken off its radiance
    cold, hot = 23.0, 61.0
    radiance = clear * (emissivity * planck(hot) + (1 - emissivity) * planck(cold)) + (1 - clear) * planck(cold)
    reading = float(TABLE.temperature(radiance))
    zeroed = planck(reading + 1.0) - (planck(cold + 1.0) - planck(cold))
    surface = (zeroed - (1 - clear) * planck(cold)) / clear
    found = float(TABLE.temperature((surface - (1 - emissivity) * planck(cold)) / emissivity)) - hot
    left = level_left(hot, reading=reading, zero=cold, table=TABLE, seen=emissivity * clear)
    assert float(left) == pytest.approx(found, abs=0.01)  # [K]: of first order, the second is some 0.005


def test_nothing_is_left_where_nothing_is_warm():
    assert float(level_left(23.0, reading=23.0, zero=23.0, table=TABLE, seen=0.8)) == pytest.approx(0.0, abs=1e-9)
