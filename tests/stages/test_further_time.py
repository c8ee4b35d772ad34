"""How much longer a recording would have to be."""

import numpy as np
import pytest
import xarray as xr

from heatwake.stages.further_time import foresee_longer

RISE, CONSTANT, ONSET = 40.0, 120.0, 10.0


def recording(seconds: float, *, steady: int = 0) -> xr.Dataset:
    elapsed = np.arange(0.0, seconds + 1, 2.0)
    rise = RISE * (1 - np.exp(-np.maximum(elapsed - ONSET, 0) / CONSTANT))
    rise += np.random.default_rng(3).normal(0, 0.02, rise.shape)
    return xr.Dataset(
        {
            "rise_mean": (("region", "time"), rise[np.newaxis]),
            "exponential_rise": (("region", "exponential"), [[RISE, np.nan]]),
            "exponential_time": (("region", "exponential"), [[CONSTANT, np.nan]]),
            "is_steady": ("region", np.array([steady], np.int8)),
            "power_on": ONSET,
            "final_stretch": 0,
        },
        coords={"elapsed": ("time", elapsed), "region": ["Q1"]},
    )


def test_the_wait_is_that_of_one_exponential():
    """t = tau ln(R / eps), the step response of a first-order system (any textbook)."""
    longer = foresee_longer(recording(190.0), least=0.5, share=0.0)
    assert longer is not None
    assert longer.seconds == pytest.approx(CONSTANT * np.log(RISE / 0.5) - (190.0 - ONSET), abs=2.0)
    assert longer.settles == (0,)
    assert longer.then[0] < 0.5 * longer.now[0]


def test_what_has_settled_asks_for_nothing():
    assert foresee_longer(recording(190.0, steady=1), least=0.5, share=0.0) is None


def test_what_was_not_fitted_is_not_drawn_out():
    nothing = recording(190.0)
    nothing["exponential_rise"][:] = np.nan
    assert foresee_longer(nothing, least=0.5, share=0.0) is None
