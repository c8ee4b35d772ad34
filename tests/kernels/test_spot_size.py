"""Small parts: pixels, shares and the bias they cost."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage

from heatwake.kernels.planck import BandTable
from heatwake.kernels.spot_size import mixed_temperature, share_of_part, size_of, spot_bias
from kernels.planck_integral import Band

TABLE = BandTable.for_band(7.5, 14.0)


def test_half_a_pixel_reads_the_mean_of_radiances():
    # 100 and 40 degC, 7.5 to 14 um: 73.09 degC, not 70; the integral here is another than the table's
    band = Band()
    independent = float(band.temperature(0.5 * (band.radiance(100.0) + band.radiance(40.0))))
    assert independent == pytest.approx(73.09, abs=5e-3)
    assert float(mixed_temperature(100.0, 40.0, share=0.5, table=TABLE)) == pytest.approx(independent, abs=1e-3)


@pytest.mark.parametrize(
    ("pixels", "word"),
    [(10.0, "measured"), (9.99, "small"), (3.0, "small"), (2.99, "too small"), (np.nan, "too small")],
)
def test_ten_pixels_are_wanted_and_three_are_the_least(pixels, word):
    assert size_of(pixels) == word


@pytest.mark.parametrize(("across", "down"), [(3, 3), (4, 7), (10, 6)])
def test_share_is_that_of_a_blurred_rectangle(across, down):
    """A picture of ones is blurred pixel by pixel, forty samples a pixel, and looked at at its middle pixels."""
    fine, spot = 40, 2.0
    picture = np.zeros((20 * fine, 20 * fine))
    middle = 10 * fine
    half = across * fine // 2, down * fine // 2
    picture[middle - half[1] : middle + half[1], middle - half[0] : middle + half[0]] = 1
    blurred = ndimage.gaussian_filter(picture, spot * fine / 2.354820, truncate=6)
    at = middle + np.array([-1, 0, 1]) * fine
    seen = (
        0.25 * sum(blurred[np.ix_(at - i, at - j)] for i in (0, 1) for j in (0, 1)).mean()
    )  # samples beside the place
    shares = [share_of_part([-1, 0, 1], half_width=size / 2, spot=spot) for size in (across, down)]
    assert shares[0] * shares[1] == pytest.approx(seen, abs=2e-4)


def test_small_parts_read_much_too_low_and_ten_pixels_do_not():
    """Below 4 x 4 px readings are much too low; 10 x 10 px with the middle 3 x 3 are right (two papers of 2021)."""

    def bias(pixels):
        share = share_of_part([-1, 0, 1], half_width=pixels / 2, spot=2.0) ** 2
        read = mixed_temperature(90.0, 40.0, share=share, table=TABLE)
        return float(spot_bias(read, 40.0, share=share, table=TABLE))

    assert bias(3) > 10
    assert 5 > bias(5) > 1
    assert bias(10) < 0.01


def test_without_a_spot_a_part_is_seen_alone():
    assert share_of_part([-1.0, 0.0, 1.9], half_width=2.0, spot=0.0) == 1
    assert share_of_part([2.0], half_width=2.0, spot=0.0) == 0.5


def test_what_is_hardly_the_part_has_no_bias_told():
    assert np.isnan(spot_bias(41.0, 40.0, share=0.04, table=TABLE))


@given(st.floats(25, 150), st.floats(20, 60), st.floats(0.2, 1.0))
def test_bias_is_what_the_mixing_took(part, around, share):
    read = mixed_temperature(part, around, share=share, table=TABLE)
    # table and inverse are good to 0.1 mK, which the mixing magnifies
    assert float(read + spot_bias(read, around, share=share, table=TABLE)) == pytest.approx(part, abs=1e-3 / share)
    assert (read - part) * np.sign(part - around) <= 1e-4


@given(st.floats(1, 30), st.floats(0.5, 4))
def test_share_grows_with_the_part_and_falls_with_the_spot(size, spot):
    share = share_of_part([0.0], half_width=size / 2, spot=spot)
    assert 0 < share <= 1
    assert share_of_part([0.0], half_width=size / 2 + 1, spot=spot) >= share
    assert share_of_part([0.0], half_width=size / 2, spot=spot + 1) <= share
