"""Emissivities by the name of a surface: the table, its way into a session, and what is refused."""

import numpy as np
import pytest
from typer.testing import CliRunner

from heatwake.cli import app
from heatwake.errors import InputError
from heatwake.schema.session import Session
from heatwake.schema.surfaces import SURFACES, find_surface, resolve_emissivity
from heatwake.schema.validate import validate
from heatwake.store.session import open_description
from heatwake.store.tables import read_parts

HEAD = 'title = "One"\n[frames]\nsource = "frames.tif"\ninterval_s = 1.0\n'


def test_every_surface_has_bounds_and_says_who_gives_them():
    assert len({kind.name for kind in SURFACES}) == len(SURFACES) >= 12
    for kind in SURFACES:
        assert 0 < kind.low < kind.high < 1
        assert len(kind.source) > 5
        assert find_surface(kind.name) is kind


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("matt black paint", 0.95),  # flat black lacquer: handbook table, 300 K
        ("polished copper", 0.03),  # the same table
        ("polished aluminium", 0.04),
        ("anodised aluminium", 0.82),  # textbook, from memory
        ("oxidised copper", 0.75),  # textbook quoted second-hand: .60 to .75
    ],
)
def test_published_values_lie_within_the_bounds(name, value):
    kind = find_surface(name)
    assert kind.low <= value <= kind.high


def test_spread_is_that_of_a_rectangle():
    kind = find_surface("solder mask")
    drawn = np.random.default_rng(1).uniform(kind.low, kind.high, 100_000)
    assert resolve_emissivity("solder mask") == pytest.approx((drawn.mean(), drawn.std()), rel=0.01)


@pytest.mark.parametrize("name", ["Anodized Aluminum", "anodised-aluminium", "  ANODISED_aluminium "])
def test_spelling_does_not_matter(name):
    assert find_surface(name) is find_surface("anodised aluminium")


def test_bare_metal_is_no_temperature():
    metals = ("polished copper", "bare solder", "tin plating", "gold plating", "shiny can", "aluminium sheet")
    assert all(find_surface(name).emissivity < 0.6 for name in metals)


def described(folder, text):
    (folder / "session.toml").write_text(HEAD + text)
    return open_description(folder)[1]


def test_a_session_takes_surfaces_by_name_with_their_spread(tmp_path):
    (tmp_path / "parts.csv").write_text(
        "name,x_mm,y_mm,width_mm,height_mm,emissivity,emissivity_uncertainty\n"
        "Q1,1,2,3,4,anodised aluminium,\nQ2,1,2,3,4,0.9,0.03\nQ3,1,2,3,4,,\nQ4,1,2,3,4,electrical tape,0.005\n"
    )
    text = '[surface]\nemissivity = "solder mask"\n[board]\nwidth_mm = 9\nheight_mm = 9\nparts = "parts.csv"\n'
    text += '[[regions]]\nname = "R"\nx_mm = 1\ny_mm = 1\nwidth_mm = 1\nheight_mm = 1\nemissivity = "white paint"\n'
    made = described(tmp_path, text)
    assert float(made["surface_emissivity"]) == pytest.approx(0.9)
    assert float(made["surface_emissivity_uncertainty"]) == pytest.approx(0.05 / np.sqrt(3))
    assert made["part"].to_numpy().tolist() == ["R", "Q1", "Q2", "Q3", "Q4"]
    emissivity, spread = (made[f"part_emissivity{end}"].to_numpy() for end in ("", "_uncertainty"))
    assert emissivity == pytest.approx([0.925, 0.735, 0.9, np.nan, 0.93], nan_ok=True)
    wanted = [0.025 / np.sqrt(3), 0.185 / np.sqrt(3), 0.03, np.nan, 0.005]
    assert spread == pytest.approx(wanted, nan_ok=True, abs=1e-4)


def test_a_number_has_the_settings_uncertainty(tmp_path):
    assert np.isnan(described(tmp_path, "[surface]\nemissivity = 0.9\n")["surface_emissivity_uncertainty"])


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ('"anodised alumnium"', r"surface.emissivity is 'anodised alumnium', .*did you mean anodised aluminium\?"),
        ('"cheese"', "must be a number in .* or a surface that heatwake surfaces lists"),
        ("1.2", r"must lie in \(0, 1\]"),
        ("0", r"must lie in \(0, 1\]"),
    ],
)
def test_what_is_no_emissivity_is_refused_in_one_line(tmp_path, value, says):
    with pytest.raises(InputError, match=says):
        described(tmp_path, f"[surface]\nemissivity = {value}\n")


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        ("cheese,", "row 1 is 'cheese', must be a number"),
        ("1.5,", r"row 1 is 1.5, must lie in \(0, 1\]"),
        ("0.9,-0.1", r"emissivity_uncertainty, row 1 is -0.1, must lie in \[0, 1\)"),
    ],
)
def test_parts_that_are_wrong_say_where(tmp_path, cells, says):
    (tmp_path / "parts.csv").write_text(f"name,x_mm,y_mm,emissivity,emissivity_uncertainty\nQ1,1,2,{cells}\n")
    with pytest.raises(InputError, match=says):
        read_parts(tmp_path / "parts.csv")


def test_the_command_lists_them_with_their_sources():
    made = CliRunner().invoke(app, ["surfaces"])
    assert made.exit_code == 0
    words = " ".join(made.stdout.split())
    for kind in SURFACES:
        assert kind.name in words
    assert "from memory" in words


def test_a_wrong_kind_of_value_is_refused():
    data = {"title": "One", "frames": {"source": "f", "interval_s": 1.0}, "surface": {"emissivity": [0.9]}}
    with pytest.raises(InputError, match=r"surface\.emissivity"):
        validate(Session, data, file="session.toml")
