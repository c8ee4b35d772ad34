"""What the page tells of heating curves."""

import numpy as np
import pytest
import xarray as xr

from heatwake.kernels.steadiness import CRITERIA
from heatwake.report.board_figure import has_settling_map, settling_figure
from heatwake.report.checklist import report_items
from heatwake.report.curves_figure import hottest_first
from heatwake.report.figure_style import house_style, inline_svg
from heatwake.report.heating import (
    common_constants,
    criterion_text,
    has_heating,
    heating_figure,
    heating_rows,
    stretch_table,
)
from heatwake.report.page import session_page
from heatwake.schema.variables import STEADY_STATUS

CONSTANT, SLOWER = 40.0, 110.0


@pytest.fixture(scope="module")
def heated(charger: xr.Dataset) -> xr.Dataset:
    """The charger with heating curves that are known: two exponentials each, but for the first part."""
    count = charger.sizes["region"]
    final = charger["steady_rise"].to_numpy()
    terms = np.full((count, 2), [CONSTANT, SLOWER])
    terms[0, 1] = np.nan
    rises = final[:, None] * np.where(np.isfinite(terms), [0.3, 0.7], [1.0, np.nan])
    since = np.maximum(charger["elapsed"].to_numpy() - float(charger["power_on"]), 0)
    seen = np.nansum(rises[:, :, None] * -np.expm1(-since / terms[:, :, None]), axis=1)
    return charger.assign(
        rise_mean=(("region", "time"), seen),
        exponentials=("region", np.isfinite(terms).sum(axis=1)),
        exponential_rise=(("region", "exponential"), rises),
        exponential_time=(("region", "exponential"), terms),
        exponential_time_uncertainty=(("region", "exponential"), 0.02 * terms),
        heating_delay=("region", np.zeros(count)),
        remaining_rise_uncertainty=("region", np.full(count, 0.2)),
        thermal_resistance=("region", final / 18.0),
        steady_status=("region", np.full(count, STEADY_STATUS.index("forecast"))),
        power=18.0,
    )


def test_rows_say_what_was_fitted_and_why_not(heated):
    status = heated["steady_status"].copy()
    status[1] = STEADY_STATUS.index("window too short")
    lost = heated["steady_rise"].copy()
    lost[1] = np.nan
    rows = heating_rows(heated.assign(steady_status=status, steady_rise=lost))
    assert rows[0].constants == "40 ± 1"
    assert rows[2].constants == "40 ± 1, 110 ± 2"
    assert (rows[1].final, rows[1].basis) == ("–", "none: window too short")
    assert rows[0].basis == "forecast"
    assert common_constants(rows) == ""
    assert common_constants(rows[2:]) == "40 ± 1, 110 ± 2"
    assert float(rows[2].resistance) == pytest.approx(float(heated["steady_rise"][2]) / 18.0, abs=0.005)


def test_the_figure_names_every_curve_in_the_colours_of_the_other(heated):
    with house_style():
        text = inline_svg(heating_figure(heated), name="heating", alt="")
    assert all(f">{name}<" in text for name in hottest_first(heated))
    assert "per W of the item" in text


def test_places_without_a_time_constant_are_grey_and_a_map_without_any_is_not_drawn(charger):
    constants = np.full((charger.sizes["y"], charger.sizes["x"]), 80.0)
    constants[:5] = np.nan
    mapped = charger.assign(rise_time_constant=(("y", "x"), constants))
    with house_style():
        text = inline_svg(settling_figure(mapped), name="settling", alt="")
    assert "time constant, s" in text
    assert has_settling_map(mapped)
    assert not has_settling_map(charger.assign(rise_time_constant=(("y", "x"), np.full_like(constants, np.nan))))
    assert not has_settling_map(charger)


def test_without_a_fit_there_is_no_figure(heated, charger):
    assert has_heating(heated)
    assert not has_heating(charger)
    assert not has_heating(heated.assign(power_on=np.nan))
    assert not has_heating(heated.assign(exponentials=0 * heated["exponentials"]))
    assert heating_rows(charger) == []


def split(heated: xr.Dataset) -> xr.Dataset:
    """The same, the fan turned at 240 s: all fall by 5 K with 20 s, and the fits are of that."""
    shape = (heated.sizes["region"], 2)
    since = heated["elapsed"] - 240.0
    fall = xr.where(since > 0, 5.0 * np.expm1(-since / 20.0), 0.0)
    steps = np.full(shape, [-5.0, np.nan])
    return heated.assign(
        rise_mean=heated["steady_rise"] + fall,
        exponentials=("region", np.ones(shape[0])),
        exponential_rise=(("region", "exponential"), steps),
        exponential_time=(("region", "exponential"), np.where(np.isfinite(steps), 20.0, np.nan)),
        final_stretch=1,
        stretch_start=("stretch", [10.0, 240.0]),
        stretch_end=("stretch", [240.0, 360.0]),
        stretch_rise=(("region", "stretch"), np.full(shape, [40.0, 35.0])),
        stretch_rise_uncertainty=(("region", "stretch"), np.full(shape, 0.8)),
        stretch_steady=(("region", "stretch"), np.full(shape, [0, 1])),
    ).assign_coords(stretch=["power on", "fan turned"])


def test_stretches_stand_side_by_side(heated):
    heads, rows = stretch_table(split(heated))
    assert heads == ["power on, 0:10", "fan turned, 4:00"]
    assert rows[0][1] == ["40.0 ± 0.8, not settled", "35.0 ± 0.8"]
    assert stretch_table(heated) == ([], [])


def test_the_fit_of_a_later_stretch_lies_on_its_readings(heated):
    figure = heating_figure(split(heated))
    axes = figure.axes[0]
    assert axes.get_xlabel() == "time since “fan turned”, min:s"
    dots, line = axes.lines[0], axes.lines[1]
    at = np.interp(dots.get_xdata(), line.get_xdata(), line.get_ydata())
    assert np.abs(at - dots.get_ydata())[2:].max() < 0.2


def test_the_page_states_criterion_source_and_remainder(heated):
    name = "1 K in 15 min"
    shown = heated.drop_dims(["frame", "spread_time", "budget_input"])
    settings = {"regions": {"settling": name}}
    page = session_page(shown, flow=None, title="T", settings=settings, provenance={}, explore=False)
    assert "no more than 1 K in 15 min (IEC 60335-2-6)" in page
    assert "Settled or not" in page
    stated = dict(report_items(heated, criterion=criterion_text(name)))
    (text,) = (value for key, value in stated.items() if key.startswith("Stabilisation"))
    assert f"of {heated.sizes['region']} parts" in text
    assert "± 0.20 K at most" in text


def test_every_criterion_has_its_source():
    assert all(one.source in criterion_text(name) for name, one in CRITERIA.items())
