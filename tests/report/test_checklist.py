"""The items of a test report: what is stated stands there, what is not is seen to be missing."""

import tomllib

import pytest
import xarray as xr

from heatwake.errors import InputError
from heatwake.report.checklist import report_items
from heatwake.report.page import session_page
from heatwake.schema.report import Report
from heatwake.schema.session import Session
from heatwake.schema.validate import validate

STATED = """
number = "2026-117"
item = "24 V battery charger"
revision = "C"
serial = "0042"
laboratory = "Thermal laboratory"
place = "room 3"
operator = "N. N."
camera = { name = "640 x 512 pixels, 8 to 14 um", serial = "17", calibrated = 2026-02-03, due = 2027-02-03 }
instruments = [{ name = "power meter", calibrated = 2025-11-20 }, { name = "thermometer" }]
lens = "25 mm"
distance_mm = 450
deviations = ["lid replaced by film", "one run only"]
"""


def stated(text: str) -> Report:
    return validate(Report, tomllib.loads(text), file="session.toml")


def test_what_is_stated_stands_in_its_item(charger: xr.Dataset) -> None:
    items = dict(report_items(charger, criterion="c", stated=stated(STATED)))
    assert items["Report number"] == "2026-117"
    assert items["Item: identity, revision, serial number"] == "24 V battery charger, revision C, serial number 0042"
    assert items["Laboratory, place, customer"] == "Thermal laboratory, room 3"
    camera = "640 x 512 pixels, 8 to 14 um, serial number 17, calibrated 2026-02-03, due 2027-02-03"
    assert items["Camera: type, serial number, calibration"] == camera
    assert items["Instrument: power meter"] == "calibrated 2025-11-20"
    assert items["Instrument: thermometer"] == "calibration date not given"
    assert items["Lens and distance"] == "25 mm, at 450 mm"
    assert items["Deviations from the method"] == "lid replaced by film; one run only"


def test_what_is_not_stated_is_missing_and_what_was_measured_is_not(charger: xr.Dataset) -> None:
    nothing, something = (dict(report_items(charger, criterion="c", stated=one)) for one in (None, stated(STATED)))
    missing = {name for name, value in nothing.items() if value is None}
    assert {"Authorised by", "Repeats", "Operator and qualification", "Lens and distance"} <= missing
    assert {name for name, value in something.items() if value is None} < missing
    asked = ("Question that the test is to answer", "Method", "Dates: item received, report issued")
    assert {*asked, "Surroundings: humidity, draught"} <= missing
    measured = ("Ambient during the test", "Film: transmittance and how it was found", "Power", "Decision rule")
    assert all(nothing[name] == something[name] is not None for name in measured)


def test_question_dates_and_surroundings_stand_in_their_items(charger: xr.Dataset) -> None:
    told = stated(
        'question = "Which way is the fan to blow?"\nmethod = "TI-7"\nsurroundings = "40 % RH"\nissued = 2026-03-02'
    )
    items = dict(report_items(charger, criterion="c", stated=told))
    assert items["Question that the test is to answer"] == "Which way is the fan to blow?"
    assert items["Dates: item received, report issued"] == "issued 2026-03-02"
    assert (items["Method"], items["Surroundings: humidity, draught"]) == ("TI-7", "40 % RH")


def test_frames_that_were_left_out_are_counted_by_reason(charger: xr.Dataset) -> None:
    used = charger["usable"].to_numpy() == 1
    told = dict(report_items(charger, criterion="c"))["Readings left out, and why"]
    assert told is not None
    assert told.startswith(f"of {used.size} frames: ")
    assert sum(int(part.split()[-1]) for part in told.split(": ")[1].split(", ")) == (~used).sum()
    everything = charger.assign(usable=xr.ones_like(charger["usable"]))
    assert dict(report_items(everything, criterion="c"))["Readings left out, and why"] == f"none of {used.size} frames"


def test_page_shows_what_is_stated_as_text(charger: xr.Dataset) -> None:
    bare = charger.drop_dims(["region", "frame", "spread_time"])
    told = stated('operator = "<b>N. N.</b>"')
    page = session_page(bare, flow=None, title="a", settings={}, provenance={}, stated=told, explore=False)
    assert "&lt;b&gt;N. N.&lt;/b&gt;" in page


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[report]\nopertor = 'a'\n", "report.opertor is an unknown key, did you mean operator?"),
        ("[report]\nitem = ''\n", "report.item is '', must not be empty: leave it out"),
        ("[report]\ndeviations = ['a', '']\n", "report.deviations[2] is '', must not be empty"),
        ("[report]\ndistance_mm = 0\n", "report.distance_mm is 0, must be more than 0"),
        (
            "[report]\ncamera = { name = 'a', calibrated = 'May' }\n",
            "report.camera.calibrated is 'May', must be a valid date",
        ),
        (
            "[report]\ncamera = { name = 'a', calibrated = 2026-02-01, due = 2025-02-01 }\n",
            "report.camera.due is 2025-02-01, must be later than calibrated, 2026-02-01",
        ),
        (
            "[[report.instruments]]\nname = 'a'\n[[report.instruments]]\nname = 'a'\n",
            "report.instruments is 'a' given twice, must differ in name or serial",
        ),
        ('[report]\nitem = "a\\nb"\n', "report.item is 'a\\nb', must be one printable line"),
    ],
)
def test_what_is_wrong_gets_one_line(text: str, line: str) -> None:
    content = tomllib.loads('title = "a"\n[frames]\nsource = "a.tif"\n' + text)
    with pytest.raises(InputError) as refused:
        validate(Session, content, file="session.toml")
    assert line in str(refused.value)
