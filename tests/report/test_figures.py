"""Figures: what they show, and their way into a page."""

from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from heatwake import plot
from heatwake.report import figure_style as style
from heatwake.report.board_figure import footprints, rise_figure
from heatwake.report.curves_figure import curves_figure, events, frame_counts, quality_figure, spread_apart
from heatwake.report.difference_figure import difference_figure
from heatwake.report.maps import extent, final_rise, highest
from heatwake.report.page import two_forms
from report import charger_results


def svg(figure: object) -> str:
    return style.inline_svg(figure, name="f", alt='a "quoted" <picture>')  # type: ignore[arg-type]


def test_figure_takes_the_pages_colours_and_styles_nothing_else(charger: xr.Dataset) -> None:
    with style.house_style():
        text = svg(curves_figure(charger))
    assert "var(--ink)" in text or "var(--muted)" in text
    assert not {colour for colour in (style.INK, style.MUTED, style.LINE) if colour in text}
    assert "<style" not in text
    assert 'aria-label="a &quot;quoted&quot; &lt;picture&gt;"' in text


def test_same_results_give_the_same_figure(small: xr.Dataset, told: xr.Dataset) -> None:
    with style.house_style():
        assert svg(rise_figure(small, told)) == svg(rise_figure(small, told))


def test_names_that_look_like_mathematics_are_drawn_as_they_are(small: xr.Dataset) -> None:
    named = small.assign_coords(region=np.array(["$x^2$", "Q1"], dtype=object))
    with style.house_style():
        assert "$x^2$" in svg(curves_figure(named))
        assert "$x^2$" in svg(rise_figure(named, None))


def test_openings_are_marked_with_their_roles(small: xr.Dataset, told: xr.Dataset) -> None:
    with style.house_style():
        text, blind = svg(rise_figure(small, told)), svg(rise_figure(small, None))
    assert ("inlet" in text, "outlet" in text) == (True, True)
    assert ("inlet" in blind, "outlet" in blind, "role undecided" in blind) == (False, False, True)


def test_only_what_is_not_significant_is_hatched(charger: xr.Dataset) -> None:
    compared = charger_results.compared(charger, charger_results.session(direction=180.0))
    everything = compared.assign(significant=xr.ones_like(compared["significant"]))
    with style.house_style():
        some, none = (svg(difference_figure(one, "fan_in", charger.isel(region=[0]))) for one in (compared, everything))
    assert "<pattern" in some
    assert "<pattern" not in none


def test_final_rise_averages_the_last_maps_and_skips_what_was_not_seen(charger: xr.Dataset) -> None:
    last = charger["temperature_rise"].to_numpy()[-3:].astype(float)
    # Three maps of 60 lie in the last 15 of 360 s; float32 maps are good to 4e-6 K here.
    np.testing.assert_allclose(final_rise(charger), last.mean(axis=0), atol=1e-5)
    holes = charger["temperature_rise"].copy()
    holes[-1, 0, 0] = np.nan
    assert final_rise(charger.assign(temperature_rise=holes))[0, 0] == pytest.approx(last[:2, 0, 0].mean(), abs=1e-5)


def test_extent_is_the_outer_edge_of_the_pixels(charger: xr.Dataset) -> None:
    assert extent(charger) == pytest.approx((0.0, 160.0, 0.0, 100.0))


@given(st.floats(0.1, 900.0))
def test_end_of_a_scale_is_round_and_just_over_the_largest_value(top: float) -> None:
    end = highest(np.array([0.0, top, np.nan]))
    assert max(top, 1.0) <= end * (1 + 1e-12)
    assert end <= 1.5 * max(top, 1.0)


@given(st.lists(st.floats(0, 100), min_size=1, max_size=12), st.floats(0.1, 5))
def test_names_of_curves_are_moved_apart_and_stay_in_order(places: list[float], gap: float) -> None:
    wanted = np.array(places)
    moved = spread_apart(wanted, gap=gap)
    order = np.argsort(-wanted, kind="stable")
    assert (-np.diff(moved[order]) >= gap - 1e-9).all()
    assert moved.mean() == pytest.approx(wanted.mean(), abs=1e-9)


def test_frames_are_counted_by_reason(charger: xr.Dataset) -> None:
    counts = {name: (total, used) for name, total, used in frame_counts(charger)}
    assert counts == {
        "as they should be": (222, 222),
        "moved": (4, 4),
        "obstructed": (11, 0),
        "frozen": (1, 0),
        "offset jump": (2, 2),
    }


def test_power_on_is_named_once(charger: xr.Dataset) -> None:
    assert [text for _, text in events(charger)] == ["power on", "left vent covered"]
    assert events(charger.drop_dims("event")) == [(10.0, "power on (seen)")]


def test_footprints_are_the_last_that_are_known(charger: xr.Dataset) -> None:
    found = {name: row for name, _, row in footprints(charger)}
    assert found["L1"]["drift_x"] == pytest.approx(0.25 * 24)
    assert found["D2"]["spread_cut"] == 1
    lost = charger.assign(spread_major=charger["spread_major"] * np.nan)
    assert footprints(lost) == []


def test_figures_stand_for_parts_that_were_never_seen(charger: xr.Dataset) -> None:
    blind = charger.assign(
        {name: charger[name] * np.nan for name in ("rise_max", "steady_rise_max", "steady_rise_max_uncertainty")}
    )
    lost = charger.assign({name: charger[name] * np.nan for name in ("quality", "shift_x", "shift_y")})
    with style.house_style():
        assert "<svg" in svg(curves_figure(blind))
        assert "<svg" in svg(quality_figure(lost))


def test_figures_as_files_are_the_same_for_the_same_results(small: xr.Dataset, told: xr.Dataset) -> None:
    twice = [two_forms(lambda width: rise_figure(small, told, width=width), name="rise", alt="a") for _ in range(2)]
    first, again = (dict(forms["still"].files("rise")) for forms in twice)
    assert list(first) == ["rise.svg", "rise.png"]
    assert first == again
    svg_file, png_file = first["rise.svg"], first["rise.png"]
    root = ElementTree.fromstring(svg_file.decode().partition("?>")[2])  # noqa: S314
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert b"var(--" not in svg_file  # its colours are its own, not a page's
    picture = cv2.imdecode(np.frombuffer(png_file, np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape[1] == 1800  # 9 inches
    assert (picture[:3] == 255).all()  # on white
    for word in (b"Software", b"Creation Time", b"matplotlib"):
        assert word not in png_file


@pytest.mark.parametrize("name", ["heating", "budget", "film", "thermocouples", "spread", "settling"])
def test_what_cannot_be_drawn_is_said(charger: xr.Dataset, name: str) -> None:
    bare = charger.drop_dims(["region", "frame", "spread_time"])
    with pytest.raises(ValueError, match="these results hold no"):
        getattr(plot, name)(bare)


def test_settling_is_drawn_in_seconds(small: xr.Dataset) -> None:
    shape = (small.sizes["y"], small.sizes["x"])
    constants = xr.DataArray(np.linspace(20.0, 80.0, shape[0] * shape[1]).reshape(shape), dims=("y", "x"))
    axes = plot.settling(small.assign(rise_time_constant=constants), width=5.0)
    shown = axes.images[0].get_array()
    assert np.allclose(np.asarray(shown), constants)
    assert "time constant, s" in [one.get_xlabel() for one in axes.figure.axes]


def test_changes_stand_on_one_scale_each_with_its_openings(small: xr.Dataset, told: xr.Dataset) -> None:
    other = charger_results.session(direction=180.0, factor=1.12).isel(region=[1, 2])
    one = charger_results.compared(small, other)
    two = xr.concat([one, one.assign_coords(session=["again"])], dim="session")
    sessions = {"fan_out": small, "fan_in": other, "again": other}
    first = plot.changes(two, sessions, flows={"again": told})
    boards = [axes for axes in first.figure.axes if axes.images]
    assert [axes.get_title(loc="left") for axes in boards] == ["fan_in less fan_out", "again less fan_out"]
    assert boards[0].images[0].get_clim() == boards[1].images[0].get_clim()
    texts = [[text.get_text() for text in axes.texts] for axes in boards]
    assert any("role undecided" in text for text in texts[0])  # nothing is told of its flow
    assert any("inlet" in text for text in texts[1])
    with pytest.raises(ValueError, match="these results hold no again among"):
        plot.changes(two, {"fan_out": small, "fan_in": other})


def test_one_call_draws_curves_for_a_notebook(small: xr.Dataset) -> None:
    axes = plot.curves(small, width=5.0)
    assert axes.get_ylabel() == "rise over ambient, K"
    assert axes.figure.get_facecolor() == (1.0, 1.0, 1.0, 1.0)  # not clear, as in pages
    assert len(axes.get_lines()) >= 2
