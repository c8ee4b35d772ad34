"""Thermocouples in the report."""

import numpy as np
import pytest
import xarray as xr

from heatwake.report import figure_style
from heatwake.report.page import _environment
from heatwake.report.probes import probe_rows, probe_sentences, probe_table, probes_figure
from report.charger_results import session


def compared(**changes):
    """Results of the charger with two thermocouples: one 0.4 K below the camera, one that came off at the end."""
    results = session()
    elapsed = results["elapsed"].to_numpy()
    camera = np.stack([30 + elapsed / 20, 30 + elapsed / 30])
    probe = camera - [[0.4], [1.0]]
    probe[1, 40:] = np.nan
    values = {
        "probe_temperature": (("probe", "time"), probe),
        "probe_camera": (("probe", "time"), camera),
        "probe_x": ("probe", [24.0, 46.0]),
        "probe_y": ("probe", [24.0, 74.0]),
        "probe_residual_mean": ("probe", [0.4, 1.0]),
        "probe_residual_spread": ("probe", [0.05, 0.02]),
        "probe_residual_final": ("probe", [0.4, np.nan]),
        "probe_residual_uncertainty": ("probe", [0.5, np.nan]),
        "probe_normalised_error": ("probe", [0.4, np.nan]),
        "probe_agreement": ("probe", np.array([1, 2], np.int8)),
        "clock_offset": ((), 7.3, {"comment": "least squares"}),
        "clock_offset_uncertainty": ((), 0.11),
        "clock_offset_found": ((), np.int8(1)),
    }
    return results.assign(values | changes).assign_coords(probe=["BR1", "$L_1$ <i>"])


def test_a_row_tells_readings_difference_and_verdict():
    first, second = probe_rows(compared())
    assert first.camera == pytest.approx(48.0)
    assert (first.thermocouple, first.residual) == pytest.approx((47.6, 0.4))
    assert first.expanded_uncertainty == pytest.approx(1.0)  # k = 2
    assert (first.verdict, second.verdict) == ("agrees", "not compared")
    assert np.isnan([second.camera, second.thermocouple]).all()
    assert probe_table([first])[0]["normalised_error"] == pytest.approx(0.4)


def test_the_clock_is_told_either_way():
    assert probe_sentences(compared()) == ["The log's clock was 7.30 ± 0.11 s behind the camera's."]
    ahead = compared(clock_offset=((), -7.3))
    assert "ahead of the camera's" in probe_sentences(ahead)[0]
    unknown = compared(clock_offset=((), 0.0, {"comment": "not told: too still"}), clock_offset_found=((), 0))
    assert probe_sentences(unknown)[0].endswith("cannot be told: too still.")


def test_what_was_solved_for_is_told_and_that_the_residuals_are_no_proof():
    solved = compared(
        transmittance=((), 0.889, {"comment": "from 5 thermocouples over 57 K"}),
        transmittance_uncertainty=((), 0.023),
        camera_offset=((), -0.4, {"comment": "from 5 thermocouples"}),
        camera_offset_uncertainty=((), 0.2),
    )
    text = " ".join(probe_sentences(solved))
    assert "0.889 ± 0.023, from 5 thermocouples over 57 K." in text
    assert "−0.40 ± 0.20 W m⁻² sr⁻¹ was taken off" in text
    assert "not an independent comparison" in text


def test_the_section_is_there_only_with_thermocouples():
    section = _environment().get_template("probes.html").module.probes_section
    rows, sentences = probe_rows(compared()), probe_sentences(compared())
    page = str(section(rows, sentences, {}, "mm"))
    assert "<h2>Thermocouples</h2>" in page
    assert "$L_1$ &lt;i&gt;" in page
    assert "not compared" in page
    assert "+0.40" in page
    assert str(section([], [], {}, "mm")).strip() == ""


def test_the_figure_draws_each_curve_and_bears_none():
    with figure_style.house_style():
        axes = probes_figure(compared(), width=4.3).axes[0]
        drawn = [line for line in axes.get_lines() if len(line.get_ydata()) == 60]
        assert np.nanmax(drawn[0].get_ydata()) == pytest.approx(0.4)
        nothing = compared(probe_camera=(("probe", "time"), np.full((2, 60), np.nan)))
        assert probes_figure(nothing).axes[0].get_ylim() == (-0.5, 0.5)


def test_without_thermocouples_there_is_nothing():
    assert probe_rows(xr.Dataset()) == probe_sentences(xr.Dataset()) == []
