"""Air at altitude against the published atmosphere and a published table of rises."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from heatwake.kernels.altitude import density_ratio, rise_factor


@pytest.mark.parametrize(
    ("altitude", "ratio"),
    # density [kg m-3] over 1.2250 at geopotential altitudes, International Standard Atmosphere (ISO 2533), from memory
    [(0.0, 1.0), (1500.0, 0.8637), (3000.0, 0.7421), (5000.0, 0.6009), (11000.0, 0.2971)],
)
def test_density_is_that_of_the_standard_atmosphere(altitude: float, ratio: float) -> None:
    assert density_ratio(altitude) == pytest.approx(ratio, abs=3e-4)


@pytest.mark.parametrize(("altitude", "factor"), [(1500.0, 1.16), (3000.0, 1.35)])
def test_rises_grow_as_the_published_table_says(altitude: float, factor: float) -> None:
    """*Electronics Cooling*, September 1999, fan-cooled parts of high power; from memory, two decimals."""
    assert rise_factor(altitude) == pytest.approx(factor, abs=0.005)


@given(tested=st.floats(-500, 11000), altitude=st.floats(-500, 11000))
def test_a_rise_never_shrinks_and_steps_of_altitude_multiply(tested: float, altitude: float) -> None:
    factor = rise_factor(altitude, tested=tested)
    assert factor >= 1.0
    if altitude >= tested >= 0:
        assert factor * rise_factor(tested) == pytest.approx(rise_factor(altitude), rel=1e-9)


@pytest.mark.parametrize("altitude", [-501.0, 11001.0])
def test_beyond_the_formula_is_refused(altitude: float) -> None:
    with pytest.raises(ValueError, match="must lie between"):
        density_ratio(altitude)
