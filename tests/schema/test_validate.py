"""Every wrong table gets one line: file, key, what it is, what it should be."""

import pytest

from heatwake.errors import InputError
from heatwake.schema.session import Session
from heatwake.schema.validate import validate

GOOD = {"title": "a", "frames": {"source": "frames.tif"}}


def refusal(**tables):
    with pytest.raises(InputError) as caught:
        validate(Session, {**GOOD, **tables}, file="session.toml")
    return str(caught.value)


@pytest.mark.parametrize(
    ("tables", "line"),
    [
        ({"film": {"transmittance": 1.3}}, "session.toml: film.transmittance is 1.3, must lie in (0, 1]"),
        ({"frames": {"source": "a", "unit": "F"}}, "session.toml: frames.unit is 'F', must be 'degC', 'K' or 'counts'"),
        (
            {"film": {"transmitance": 0.9}},
            "session.toml: film.transmitance is an unknown key, did you mean transmittance?",
        ),
        ({"filn": {}}, "session.toml: filn is an unknown key, did you mean film?"),
        (
            {"film": {"bare": "bare.tif"}},
            "session.toml: film.covered is missing, must be given, a pair needs both recordings",
        ),
        (
            {"regions": [{"name": "Q1", "x_mm": 1, "y_mm": 1, "width_mm": -1, "height_mm": 1}]},
            "session.toml: regions[1].width_mm is -1, must be more than 0.0",
        ),
        ({"conditions": {"power_W": "much"}}, "session.toml: conditions.power_W is 'much', must be a number"),
        ({"frames": {}}, "session.toml: frames.source is missing, must be given"),
        (
            {"board": {"corners_px": [[0, 0], [9, 0], [9, 9], [0, 9]]}},
            "session.toml: board.width_mm is missing, must be given with corners_px",
        ),
        (
            {"camera": {"band_um": [14.0, 7.5]}},
            "session.toml: camera.band_um is [14.0, 7.5], must be [shorter, longer]",
        ),
        (
            {"openings": [{"name": "a", "kind": "hole", "from_mm": [0, 0], "to_mm": [0, 1]}]},
            "session.toml: openings[1].kind is 'hole', must be 'fan' or 'vent'",
        ),
    ],
)
def test_the_line_names_file_key_value_and_remedy(tables, line):
    assert refusal(**tables) == line


def test_a_good_file_has_its_defaults():
    session = validate(Session, GOOD, file="session.toml")
    assert (session.camera.band_um, session.surface.emissivity, session.frames.masked) == ((7.5, 14.0), 1.0, 0)


def test_an_unknown_key_far_from_any_other_lists_the_right_ones():
    assert "must be one of degC, log" in refusal(ambient={"zzz": 1, "degC": 20.0})


def test_conditions_are_free():
    session = validate(Session, {**GOOD, "conditions": {"fan": "out", "speed": 3}}, file="session.toml")
    assert session.conditions == {"fan": "out", "speed": 3}


@pytest.mark.parametrize(
    ("tables", "line"),
    [
        (
            {"camera": {"reflected_setting_degC": -300.0}},
            "camera.reflected_setting_degC is -300.0, must be -273.15 or more",
        ),
        (
            {"events": [{"elapsed_s": 1e300, "label": "on"}]},
            "events[1].elapsed_s is 1e+300, must be 0 or of a size from",
        ),
        ({"title": "a\x1b[31mb"}, r"title is 'a\x1b[31mb', must be one printable line of no more than 1000 characters"),
        ({"frames": {"source": "a\0b"}}, r"frames.source is 'a\x00b', must be one printable line"),
        ({"conditions": {"power_W": 10**5000}}, "conditions.power_W is a very long int, must be"),
        ({"b" * 5000: 1}, f"{'b' * 40}…{'b' * 20} is an unknown key"),
    ],
)
def test_what_no_arithmetic_or_terminal_survives_is_refused(tables, line):
    assert f"session.toml: {line}" in refusal(**tables)
