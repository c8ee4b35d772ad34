"""Items of a test report on several sessions: once what is common, and everything that is not given is said."""

import xarray as xr

from heatwake.report.checklist import report_items
from heatwake.report.shared_items import comparison_items, difference_rule, shared_items
from heatwake.schema.report import Instrument, Report
from heatwake.stages.pair import ComparisonSettings

Pair = tuple[xr.Dataset, dict[str, xr.Dataset]]


def test_what_sessions_share_is_said_once_and_the_rest_for_whom_it_holds() -> None:
    items = shared_items(
        {
            "a": [("Power", "18 W"), ("Film", "one layer"), ("Sketch", None)],
            "b": [("Power", "18 W"), ("Film", "two layers"), ("Sketch", None)],
            "c": [("Power", "18 W"), ("Film", "one layer"), ("Sketch", None), ("Probe", "K")],
        }
    )
    assert [item.name for item in items] == ["Power", "Film", "Sketch", "Probe"]
    assert items[0].values == [("18 W", [])]
    assert items[1].values == [("one layer", ["a", "c"]), ("two layers", ["b"])]
    assert items[2].values == [(None, [])]
    assert items[3].values == [(None, ["a", "b"]), ("K", ["c"])]  # what one session has the others are seen to lack


def test_a_comparison_carries_every_item_of_its_sessions_and_its_own_rule(pair: Pair) -> None:
    sessions = pair[1]
    stated = {"fan_out": Report(item="Charger", camera=Instrument(name="640 x 512"))}
    items = comparison_items(sessions, stated=stated, criterion="1 K in 1 h", settings=ComparisonSettings())
    of = {item.name: item.values for item in items}
    for session in sessions:
        assert {name for name, _ in report_items(sessions[session], criterion="")} <= set(of)
    assert of["Item: identity, revision, serial number"] == [("Charger", ["fan_out"]), (None, ["fan_in"])]
    calibration = of["Camera: type, serial number, calibration"][0][0]
    assert calibration == "640 x 512, calibration date not given"
    assert of["Sessions compared"] == [("fan_in with fan_out, the reference", [])]
    assert "only the item tested" in str(of["What the results apply to"])


def test_the_rule_names_the_rates_that_were_used() -> None:
    rule = difference_rule(ComparisonSettings(region_false_discovery_rate=0.1, false_discovery_rate=0.02))
    assert "10 % over the parts" in rule
    assert "2 % over the pixels" in rule
