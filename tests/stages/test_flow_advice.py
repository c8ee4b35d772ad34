"""What to record next."""

import json

import numpy as np
import pytest
import xarray as xr

from heatwake.stages.flow_advice import further_recording


def session(*, fan=None, openings=True, power_on=5.0):
    made = xr.Dataset({"power_on": power_on}, attrs={"conditions": json.dumps({"fan": fan} if fan else {})})
    return made.assign_coords(opening=["fan", "vent"]) if openings else made


def flow(status, **notes):
    return xr.Dataset({"board_flow_status": ("time", np.array([status], dtype=np.int8))}, attrs=notes)


def test_a_direction_that_is_told_needs_nothing_more():
    assert further_recording(session(fan="in"), flow(0)) == ""


@pytest.mark.parametrize("status", [1, 2, 3])
def test_a_running_fan_is_stopped_or_turned_round(status):
    said = further_recording(session(fan="in"), flow(status))
    assert "fan off, or turned round" in said
    assert "equal power" in said


def test_a_standing_fan_is_started():
    assert "with it running" in further_recording(session(fan="off"), flow(2))


def test_without_conditions_they_are_asked_for():
    assert "conditions" in further_recording(session(), flow(2))


def test_without_openings_they_come_first():
    assert further_recording(session(openings=False), flow(1)).startswith("Declare")


def test_without_power_on_the_warming_up_is_asked_for():
    assert further_recording(session(fan="in", power_on=np.nan), flow(2)).startswith("Record from before power-on")


def test_a_cold_board_needs_power():
    assert "more power" in further_recording(session(fan="in"), flow(2, flow_outcome="no contrast on the board"))
