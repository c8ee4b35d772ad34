import numpy as np
import pytest
import xarray as xr

from heatwake.errors import DataModelError
from heatwake.schema.variables import VARIABLES, label, require

MAP = xr.Dataset(
    {"temperature_rise": (("time", "y", "x"), np.zeros((1, 2, 2))), "drift_x": (("region", "time"), [[1.0]])},
    coords={"x": ("x", [0.5, 1.5], {"units": "mm"})},
)


def test_labels_give_units_and_leave_the_input_alone():
    labelled = label(MAP)
    assert labelled["temperature_rise"].attrs["units"] == "K"
    assert "units" not in MAP["temperature_rise"].attrs


def test_lengths_are_pixels_where_there_is_no_scale():
    unscaled = MAP.assign_coords(x=("x", [0.5, 1.5], {"units": "pixel"}))
    assert label(unscaled)["drift_x"].attrs["units"] == "pixel"


def test_flags_follow_the_cf_conventions():
    # CF 1.11, section 3.5: flag_values beside blank-separated flag_meanings, one word each.
    for variable in VARIABLES.values():
        attributes = variable.attributes
        if variable.flags:
            assert len(attributes["flag_values"]) == len(str(attributes["flag_meanings"]).split())


def test_every_unit_is_one_that_cf_tools_read():
    # UDUNITS names and symbols that CF refers to; "1" for the dimensionless.
    known = {
        "",
        "1",
        "K",
        "K W-1",
        "degC",
        "mK",
        "percent",
        "um",
        "m",
        "mm",
        "mm2",
        "mm s-1",
        "mm2 s-1",
        "mm-1",
        "mm-2",
        "s",
        "W",
        "degree",
        "pixel",
    }
    assert {v.units for v in VARIABLES.values()} <= known | {"W m-2 sr-1", "W m-1 K-1"}


def test_a_missing_variable_is_named():
    with pytest.raises(DataModelError, match="radiance is missing"):
        require(MAP, ["radiance"])


def test_wrong_dimensions_are_named():
    with pytest.raises(DataModelError, match="has dimensions"):
        require(MAP.assign(ambient=("x", [1.0, 2.0])), ["ambient"])
