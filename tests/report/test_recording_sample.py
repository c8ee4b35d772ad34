"""A recording at reduced size: values of the maps as they are, few read at a time."""

import base64
import zlib

import numpy as np
import pytest
import xarray as xr

from heatwake.report.recording_sample import MISSING, STEP, packed, sample_recording


def test_every_value_is_one_of_the_maps(charger: xr.Dataset) -> None:
    sample = sample_recording(charger, name="one", cells=500, times=7)
    assert sample.rise.shape == (7, len(sample.y), len(sample.x))
    assert len(sample.x) * len(sample.y) <= 500
    there = (
        charger["temperature_rise"]
        .sel(x=sample.x, y=sample.y)
        .isel(time=[int(np.argmin(np.abs(charger["elapsed"].to_numpy() - at))) for at in sample.clock])
    )
    # whole hundredths: half of one is the most that rounding moves a value by
    assert np.abs(sample.rise * STEP - there.to_numpy()).max() <= STEP / 2 + 1e-5
    assert (sample.clock[0], sample.clock[-1]) == (charger["elapsed"][0], charger["elapsed"][-1])


def test_what_was_not_seen_stays_unseen(charger: xr.Dataset) -> None:
    hidden = charger["temperature_rise"].where(charger["x"] > 80)
    sample = sample_recording(charger.assign(temperature_rise=hidden), name="one", times=3)
    assert ((sample.rise == MISSING) == (sample.x <= 80)[None, None, :]).all()


def test_packing_loses_nothing() -> None:
    # differences of such values do not fit into two bytes: they wrap around, and so they must on the way back
    values = np.random.default_rng(3).integers(-32768, 32767, (5, 4, 3)).astype(np.int16)
    halves = np.frombuffer(zlib.decompress(base64.b64decode(packed(values))), np.uint8).reshape(2, -1)
    changes = (halves[0].astype(np.uint16) | halves[1].astype(np.uint16) << 8).astype(np.int16).reshape(values.shape)
    assert np.array_equal(np.cumsum(changes, axis=0, dtype=np.int16), values)


@pytest.mark.parametrize("size", [1, 2, 3])
def test_smallest_maps_can_be_looked_at(charger: xr.Dataset, size: int) -> None:
    tiny = charger.isel(x=slice(0, size), y=slice(0, 1), time=slice(0, size))
    assert sample_recording(tiny, name="one", cells=1).rise.size >= 1
