"""What a page hands to the browser to look around in."""

import json

import numpy as np
import xarray as xr

from heatwake.report.explore import MOST_SESSIONS, explorer
from heatwake.report.recording_sample import CELLS


def test_same_results_give_the_same_explorer(small: xr.Dataset) -> None:
    first, again = explorer({"one": small}), explorer({"one": small})
    assert first is not None
    assert first == again  # what numbers the library gave its models before does not matter


def test_names_that_look_like_the_librarys_numbers_stay(small: xr.Dataset) -> None:
    made = explorer({"p1001": small.assign_coords(region=np.array(["p1002", 'x", "id": "p1003'], dtype=object))})
    assert made is not None
    told = json.loads(str(made.data))
    assert [part[0] for part in told["parts"]] == ["p1002", 'x", "id": "p1003']
    assert {"p1002", 'x", "id": "p1003'} <= set(strings(told["document"]))


def test_pins_begin_on_the_hottest_pixels_of_the_hottest_parts(charger: xr.Dataset) -> None:
    made = explorer({"one": charger})
    assert made is not None
    last = charger["temperature_rise"].isel(time=-1)
    pins = [float(last.sel(x=x, y=y)) for x, y in json.loads(str(made.data))["pins"]]
    # Q1, Q2 and T1 end hottest but for T1, which is slow: then L1.
    assert pins == sorted(pins, reverse=True)
    assert pins[0] == float(last.max())


def test_sessions_share_the_room_of_a_page(small: xr.Dataset) -> None:
    made = explorer(dict.fromkeys("abcde", small))
    assert made is not None
    assert made.names == list("abcd")[:MOST_SESSIONS]
    told = json.loads(str(made.data))
    assert sum(len(one["x"]) * len(one["y"]) for one in told["sessions"]) <= CELLS
    assert told["clock"] == "since power-on"
    assert told["sessions"][0]["clock"][0] == float(small["elapsed"][0] - small["power_on"])


def test_nothing_to_look_at_without_maps(small: xr.Dataset) -> None:
    assert explorer({"one": small.isel(time=[])}) is None


def strings(value: object) -> list[str]:
    if isinstance(value, dict):
        return [text for inner in value.values() for text in strings(inner)]
    if isinstance(value, list):
        return [text for inner in value for text in strings(inner)]
    return [value] if isinstance(value, str) else []
