"""The camera's level as a cold board tells it."""

import numpy as np
import pytest
import xarray as xr

from heatwake.kernels.planck import BandTable
from heatwake.stages.zeroed_level import level_of
from stages.paired_sessions import AMBIENT, COLD, SHAPE, session

TABLE = BandTable.for_band(7.5, 14.0)


def read_too_high(by: float) -> xr.Dataset:
    """Return a session whose camera read the board too high by so much before power-on [K]."""
    more = by * float(TABLE.slope(AMBIENT)) / 0.89  # board radiance has the film's transmittance taken off
    return session(np.random.default_rng(1)).assign(cold_radiance=(("y", "x"), np.full(SHAPE, COLD + more)))


@pytest.mark.parametrize("planted", [-0.7, 0.0, 1.5])
def test_what_the_camera_read_too_high_is_found(planted):
    level, _ = level_of(read_too_high(planted))
    assert level == pytest.approx(planted, abs=1e-3)  # of a table's slope


def test_what_is_left_grows_with_the_temperature():
    one = read_too_high(0.5)
    _, left = level_of(one)
    assert list(np.argsort(left)) == list(np.argsort(one["steady_rise"]))
    cold = one.assign(temperature=xr.full_like(one["temperature"], AMBIENT))
    assert level_of(cold)[1] == pytest.approx(0.0, abs=1e-3)  # on a cold board zeroing leaves nothing
    # a film that all of comes through, a black surface: 1 - L'(23.5 degC) / L'(T)
    clear = {name: ((), value) for name, value in {"transmittance": 1.0, "film_reflectance": 0.0}.items()}
    black = one.assign(emissivity=(("y", "x"), np.ones(SHAPE)), film_absorptance=((), 0.0), **clear)
    hot = AMBIENT + float(one["rise_mean"].sel(region="Q2")[-1])
    assert level_of(black)[1][1] == pytest.approx(1 - float(TABLE.slope(AMBIENT) / TABLE.slope(hot)), abs=0.005)


def test_without_a_cold_board_it_is_not_known():
    one = session(np.random.default_rng(1))
    for lacking in (
        one.drop_vars("cold_radiance"),
        one.assign(cold_ambient=((), np.nan)),
        one.drop_vars("cold_ambient"),
    ):
        level, left = level_of(lacking)
        assert np.isnan(level)
        assert np.isnan(left).all()
        assert left.shape == one["region"].shape
