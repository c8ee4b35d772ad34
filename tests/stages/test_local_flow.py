"""The local drift of a session: windows over time, and the reasons."""

from functools import cache

import numpy as np
import pytest
import xarray as xr

from heatwake.kernels.local_drift import Form, Reason
from heatwake.schema.variables import FLOW_REASON, LOCAL_FORM, VARIABLES
from heatwake.stages.flow import FlowSettings, estimate_flow
from heatwake.stages.local_flow import LOCAL_MADE, local_estimate, local_windows
from kernels import age_integral

TIMES = np.arange(0.5, 76.0)


@cache
def maps(angle=40.0, speed=0.3):
    drift = speed * np.cos(np.radians(angle)), speed * np.sin(np.radians(angle))
    clean = 7.0 * age_integral.rise(TIMES, sources=[(32.0, 38.0, 30.0), (58.0, 28.0, 20.0)], drift=drift)
    return clean + np.random.default_rng(0).normal(0.0, 0.017, clean.shape)


def session(*, speed=0.3, power_on=0.0, pixel=0.5):
    rise = maps(speed=speed)
    rows, columns = rise.shape[1:]
    clock = np.datetime64("2026-03-04T09:30:00", "ns") + (TIMES * 1e9).astype("timedelta64[ns]")
    made = xr.Dataset(
        {"temperature_rise": (("time", "y", "x"), rise.astype(np.float32)), "power_on": power_on},
        coords={
            "time": clock,
            "elapsed": ("time", TIMES),
            "y": pixel * (np.arange(rows)[::-1] + 0.5),
            "x": pixel * (np.arange(columns) + 0.5),
        },
    )
    for axis in ("x", "y"):
        made[axis].attrs["units"] = "pixel"
    return made


@pytest.fixture(scope="module")
def windows():
    return local_windows(session(), [20.0, 40.0, np.inf], final=30.0)


def test_flags_are_those_of_the_kernel():
    assert len(FLOW_REASON) == len(Reason)
    assert len(LOCAL_FORM) == len(Form)


def test_windows_while_it_warms_up_tell_the_drift_in_the_map_s_lengths(windows):
    early = windows.isel(time=0)
    told = (early["local_reason"] == Reason.TOLD).values
    assert told.mean() > 0.4
    assert np.median(np.abs(early["local_flow_direction"].values[told] - 40.0)) < 3.0
    # u / a = 0.3 / 4 a pixel, of which two are a length
    assert np.median(np.hypot(early["local_drift_x"], early["local_drift_y"]).values[told]) == pytest.approx(
        0.15, rel=0.05
    )
    assert np.median(early["local_peclet"].values[told]) == pytest.approx(1.5, rel=0.1)
    assert (early["local_drift_xx"].values[told] > 0.0).all()


def test_where_nothing_is_told_there_is_no_number_but_a_reason(windows):
    dumb = windows["local_reason"] != Reason.TOLD
    silent = windows["local_form"] == Form.NONE
    assert silent.any()
    assert (dumb | ~silent).all()
    assert np.isnan(windows["local_flow_direction"].where(silent)).all()


def test_everything_made_is_in_the_data_model(windows):
    for name in LOCAL_MADE:
        assert windows[name].dims == VARIABLES[name].dims


def test_a_window_s_places_lie_on_the_map(windows):
    assert windows["local_x"].values[:2] == pytest.approx([1.25, 3.25])
    assert (np.diff(windows["local_y"]) < 0.0).all()


def test_no_drift_is_the_reason_over_the_board():
    found = estimate_flow(session(speed=0.0), FlowSettings())
    assert not (found["flow_status"] < 2).any()
    assert int(found["board_flow_reason"][1]) == Reason.NO_DRIFT
    assert found["flow_reason"].attrs["flag_meanings"].split()[Reason.NO_DRIFT] == "no_drift"


def test_a_window_that_is_too_short_says_so():
    found = local_windows(session().isel(time=slice(0, 12)), [np.inf], final=10.0)
    assert (found["local_reason"] == Reason.TOO_SHORT).all()


@pytest.mark.parametrize("cut", [{"x": slice(0, 30)}, {"time": slice(0, 0)}, {"time": slice(0, 1)}])
def test_next_to_nothing_is_told_of_next_to_nothing(cut):
    found = local_windows(session().isel(cut), [20.0], final=10.0)
    assert (found["local_reason"] == Reason.TOO_SHORT).all()
    assert local_estimate(session().isel(cut), transient=120.0) is None


def test_without_power_on_nothing_is_told():
    found = local_windows(session(power_on=np.nan), [np.inf], final=60.0)
    assert (found["local_reason"] == Reason.TOO_SHORT).all()


def test_the_whole_warming_up_is_told_on_every_pixel():
    found = local_estimate(session(), transient=120.0)
    assert found.adequate
    assert found.identifiable.mean() > 0.5
    assert np.median(np.abs(found.direction[found.identifiable] - 40.0)) < 1.0
    # a drift of 0.3 px/s
    assert np.nanmedian(found.speed[found.identifiable]) == pytest.approx(0.15, rel=0.03)
