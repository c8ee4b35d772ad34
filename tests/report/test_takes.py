"""What a page says of where its intervals come from."""

import numpy as np
import pytest
import xarray as xr

from heatwake.report.takes import take_words
from heatwake.schema.variables import REPEAT_SOURCE


def compared(source: str, *, freedom: float, takes: int = 0) -> xr.Dataset:
    values = {
        "repeat_constant": 0.12,
        "repeat_share": 0.004,
        "repeat_freedom": freedom,
        "repeat_source": REPEAT_SOURCE.index(source),
        "repeat_record_takes": takes,
        "steady_rise_difference_uncertainty": np.nan,
    }
    return xr.Dataset({name: ((), value) for name, value in values.items()})


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("workflow", "pooled over set-ups and parts);"),
        ("record", "of 9 takes in the laboratory's record)"),
        ("workflow and record", "of 9 takes in the laboratory's record and of those here)"),
    ],
)
def test_repeats_are_told_with_their_source_and_freedom(source, said, plain):
    made = compared(source, freedom=8, takes=9)
    words = take_words(made, made, plain, {})
    assert said in words
    assert "8 degrees of freedom" in words
    assert "stands for what else is assumed" in words


def test_few_repeats_only_widen(plain):
    made = compared("record", freedom=2, takes=3)
    assert "± is no less than that brings" in take_words(made, made, plain, {})
