"""Drift of the camera's offset, told from what lies beside the board."""

import numpy as np
import pytest
import xarray as xr

from heatwake.schema.variables import VARIABLES
from heatwake.stages.offset_drift import STAGE, DriftSettings, drift_sentence, measure_drift

SHAPE, COUNT = (50, 70), 60
CORNERS = np.array([[20, 12], [50, 12], [50, 38], [20, 38.0]])
AMBIENT = np.linspace(23.0, 23.5, COUNT)


def session_of(drift, *, ambient=AMBIENT, corners=CORNERS, steps=None):
    rng = np.random.default_rng(1)
    steps = np.zeros(COUNT) if steps is None else steps
    frames = (AMBIENT + drift + steps)[:, None, None] + 0.05 * rng.standard_normal((COUNT, *SHAPE))
    frames[:, 12:39, 20:51] += np.linspace(0, 20, COUNT)[:, None, None]
    zero, dims = np.zeros(COUNT), ("frame", "row", "column")
    made = xr.Dataset(
        {"indicated_temperature": (dims, frames.astype(np.float32)), "frame_ambient": ("frame", ambient)},
        coords={"elapsed": ("frame", np.arange(COUNT) * 2.0)},
    )
    values = {"shift_x": zero, "shift_y": zero, "rotation": zero, "usable": zero + 1, "offset_step": steps}
    made = made.assign({name: ("frame", value) for name, value in values.items()})
    if corners is not None:
        made = made.assign(corner_column=("corner", corners[:, 0]), corner_row=("corner", corners[:, 1]))
    return made


def test_a_drift_is_told_and_not_taken_off(caplog):
    drift = np.linspace(0, 1.2, COUNT)
    session = session_of(drift, steps=np.where(np.arange(COUNT) < 30, 0.0, 0.3))
    before = session.copy(deep=True)
    made = measure_drift(session, DriftSettings())
    xr.testing.assert_identical(session, before)
    # a sample of 32, the first three of them the start
    np.testing.assert_allclose(made["offset_drift"], drift - drift[:5].mean(), atol=0.08)
    assert caplog.messages == [drift_sentence(made)]
    assert caplog.messages[0].startswith(
        "beside the board the reading moved by +1.1 ± 0.0 K against the logged ambient"
    )
    np.testing.assert_array_equal(made["indicated_temperature"], session["indicated_temperature"])
    for name in STAGE.makes:
        assert made[name].dims == VARIABLES[name].dims
        assert made[name].attrs["units"] == "K"


def test_a_steady_camera_has_no_drift(caplog):
    made = measure_drift(session_of(np.zeros(COUNT)), DriftSettings())
    assert np.abs(made["offset_drift"]).max() < 0.03
    assert caplog.messages == []
    assert drift_sentence(made) == ""


@pytest.mark.parametrize(
    "changes",
    [
        {"corners": None},
        {"ambient": np.full(COUNT, 23.0)},
        {"ambient": np.full(COUNT, np.nan)},
        {"corners": np.array([[-5, -5], [75, -5], [75, 55], [-5, 55.0]])},
    ],
    ids=["no corners", "a number", "no ambient", "nothing beside"],
)
def test_what_cannot_be_told_is_nan(changes, caplog):
    made = measure_drift(session_of(np.linspace(0, 2, COUNT), **changes), DriftSettings())
    assert np.isnan(made["offset_drift"]).all()
    assert np.isnan(made["offset_drift_uncertainty"]).all()
    assert caplog.messages == []


def test_no_frames_tell_nothing():
    made = measure_drift(session_of(np.zeros(COUNT)).isel(frame=slice(0)), DriftSettings())
    assert made["offset_drift"].shape == (0,)
