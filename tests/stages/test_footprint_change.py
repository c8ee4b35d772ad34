"""How footprints changed between two sessions."""

import numpy as np
import pytest
import xarray as xr

from heatwake.stages.region_differences import footprint_change

REGIONS = np.array(["Q1", "Q2"], dtype=object)
STEPS = 8  # of which the last two are the end


def footprints(area, *, axis=0, orientation=(10.0, 10.0), noise=0.0):
    series = np.broadcast_to(np.array(area)[:, None], (2, STEPS)) + noise * np.where(np.arange(STEPS) % 2, 1, -1)
    full = np.ones((2, STEPS))
    dims = ("region", "time")
    values = {
        "spread_area": series,
        "spread_area_uncertainty": 3.0 * full,
        "spread_orientation": np.array(orientation)[:, None] * full,
        "spread_orientation_uncertainty": 5.0 * full,
        "decay_downstream": 12.0 * full,
        "decay_downstream_uncertainty": 1.0 * full,
        "decay_upstream": 7.0 * full,
        "decay_upstream_uncertainty": 1.0 * full,
        "decay_axis": np.full((2, STEPS), axis, dtype=np.int8),
    }
    made = {name: (dims, one) for name, one in values.items()}
    return xr.Dataset(made, coords={"region": REGIONS})


def test_an_area_s_change_has_both_stated_uncertainties_and_the_scatter():
    made = footprint_change(footprints([110.0, 50.0], noise=1.0), footprints([100.0, 50.0]), REGIONS)
    assert made["spread_area_difference"][1] == pytest.approx([10.0, 0.0])
    # two readings one off on either side: a mean good to 1; stated 3 and 3
    assert made["spread_area_difference_uncertainty"][1] == pytest.approx([np.sqrt(19.0)] * 2)


def test_an_axis_turns_by_less_than_a_quarter():
    made = footprint_change(
        footprints([1, 1], orientation=(85, 20)), footprints([1, 1], orientation=(-85, 10)), REGIONS
    )
    assert made["spread_orientation_change"][1] == pytest.approx([-10.0, 10.0])
    assert made["spread_orientation_change_uncertainty"][1] == pytest.approx([np.hypot(5, 5)] * 2)


def test_tails_along_the_flow_are_not_compared_with_tails_along_the_long_axis():
    same = footprint_change(footprints([1, 1]), footprints([1, 1]), REGIONS)
    assert same["decay_upstream_difference"][1] == pytest.approx([0.0, 0.0])
    other = footprint_change(footprints([1, 1]), footprints([1, 1], axis=1), REGIONS)
    for name in ("decay_downstream_difference", "decay_upstream_difference_uncertainty"):
        assert np.isnan(other[name][1]).all()


def test_a_session_without_footprints_has_no_changes():
    assert all(np.isnan(values).all() for _, values in footprint_change(None, footprints([1, 1]), REGIONS).values())
