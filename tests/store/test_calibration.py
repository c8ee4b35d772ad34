"""Counts through a calibration on blackbodies, and the camera's spectral response from its file."""

import logging

import numpy as np
import pytest
from scipy.integrate import quad

from heatwake.errors import InputError
from heatwake.kernels.planck import spectral_radiance
from heatwake.run.fingerprints import product_marks
from heatwake.stages.band import band_table
from heatwake.stages.table import STAGES
from heatwake.store.session import open_description, open_session

COUNTS = '[frames]\nsource = "frames.tif"\nunit = "counts"\ncalibration = "counts.csv"\ninterval_s = 1.0\n'
POINTS = (0.0, 40.0, 80.0, 120.0)
RESPONSE = "wavelength_um,response\n7,0\n8,40\n9.2,25\n10,50\n13,45\n14.5,0\n"


def count_of(temperature):
    """Return what a detector that follows the power in 7.5 to 14 um counts, by direct integration."""
    power, _ = quad(lambda wavelength: float(spectral_radiance(wavelength, temperature=temperature)), 7.5, 14.0)
    return 4000.0 + 100.0 * power


def counting_session(write_session, temperatures, *, head=COUNTS, text=""):
    """Return the folder of frames (one for each temperature, all pixels alike) in counts, and write its calibration."""
    frames = np.array([np.full((6, 8), round(count_of(one)), np.uint16) for one in temperatures])
    folder = write_session(text, frames=frames, head=head)
    rows = "".join(f"{count_of(one)},{one}\n" for one in POINTS)
    (folder / "counts.csv").write_text("count,blackbody_degC\n" + rows)
    return folder


def test_counts_between_calibrated_ones_follow_radiance(write_session):
    true = [3.0, 20.0, 33.3, 60.0, 101.0]
    made = open_session(counting_session(write_session, true)).dataset["indicated_temperature"].to_numpy()
    # half a count is 5 to 9 mK
    assert made[:, 0, 0] == pytest.approx(true, abs=0.01)
    degrees = np.interp([count_of(one) for one in true], [count_of(one) for one in POINTS], POINTS)
    assert np.abs(degrees - true).max() > 1.5  # what straight lines in degrees would have given


def test_levels_and_frames_tell_the_same(write_session):
    session = open_session(counting_session(write_session, [20.0, 60.0])).dataset
    levels = session["level_temperature"].to_numpy()[session["stored_level"].to_numpy()]
    assert np.array_equal(levels, session["indicated_temperature"].to_numpy())


def test_counts_outside_the_calibration_are_no_reading_and_said(write_session, caplog):
    with caplog.at_level(logging.WARNING):
        session = open_session(counting_session(write_session, [20.0, 60.0, 125.0])).dataset
        assert np.isnan(session["indicated_temperature"].to_numpy()).all(axis=(1, 2)).tolist() == [False, False, True]
    assert "up to 1e+02 % of a frame's pixels lie outside the calibration" in caplog.text


def test_counts_inside_are_not_worth_a_word(write_session, caplog):
    with caplog.at_level(logging.WARNING):
        open_session(counting_session(write_session, [20.0, 60.0]))
    assert not caplog.records


def test_a_calibration_is_of_blackbodies(write_session):
    folder = counting_session(write_session, [20.0], text="[camera]\nemissivity_setting = 0.95\n")
    with pytest.raises(InputError, match=r"camera\.emissivity_setting is 0\.95, must be 1 or left out"):
        open_session(folder)


def test_a_calibration_beyond_the_tables_is_refused(write_session):
    folder = counting_session(write_session, [20.0])
    (folder / "counts.csv").write_text("count,blackbody_degC\n1,0\n2,1500\n")
    with pytest.raises(InputError, match=r"blackbody_degC is 0 to 1500 degC, must lie within -100 to 700"):
        open_session(folder)


def responding_session(write_session, response=RESPONSE, **where):
    folder = write_session('[camera]\nresponse = "response.csv"\nband_um = [3.0, 5.0]\n', **where)
    (folder / "response.csv").write_text(response)
    return folder


def test_a_response_counts_instead_of_the_band(write_session):
    folder = responding_session(write_session)
    session = open_session(folder).dataset
    table = band_table(session)
    samples = ([7, 8, 9.2, 10, 13, 14.5], [0, 0.8, 0.5, 1, 0.9, 0])
    power = sum(
        quad(lambda w: float(spectral_radiance(w, temperature=70.0)) * np.interp(w, *samples), *ends)[0]
        for ends in zip(samples[0][:-1], samples[0][1:], strict=True)
    )
    assert float(table.radiance(70.0)) == pytest.approx(power, rel=1e-6)
    assert (float(session["band_low"]), float(session["band_high"])) == (7.0, 14.5)
    assert band_table(open_description(folder)[1]) is table


def test_results_depend_on_what_the_response_says_not_on_its_name(write_session):
    def marks(name, response, file="response.csv"):
        folder = responding_session(write_session, response, name=name)
        (folder / "response.csv").rename(folder / file)
        text = (folder / "session.toml").read_text().replace("response.csv", file)
        (folder / "session.toml").write_text(text)
        return product_marks(open_session(folder), {stage.name: stage.settings() for stage in STAGES})

    first = marks("one", RESPONSE)
    assert marks("two", RESPONSE, "other.csv") == first
    changed = marks("three", RESPONSE.replace("9.2,25", "9.2,26"))
    assert all(changed[name] != mark for name, mark in first.items())


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ("wavelength_um,response\n8,1\n", r"is 1 row, must have two rows or more"),
        ("wavelength_um,response\n8,1\n8,1\n", r"wavelength_um, row 2 is 8, must be more than the row before"),
        ("wavelength_um,response\n9,1\n8,1\n", r"wavelength_um, row 2 is 8, must be more than the row before"),
        (
            "wavelength_um,response\n8000,1\n14000,1\n",
            r"wavelength_um, row 1 is 8000(\.0)?, must lie between 1 and 100",
        ),
        ("wavelength_um,response\n8,1\n14,-0.1\n", r"response, row 2 is -0\.1, must be 0 or more"),
        ("wavelength_um,response\n8,0\n14,0\n", r"response is 0 in every row, must be more than 0 in one"),
        ("wavelength_um,response\n8,1\n14,inf\n", r"response, row 2 is inf, must be a number"),
        ("wavelength_um,response\n8,1\n14,\n", r"response, row 2 is empty, must be a number"),
        ("wavelength_um,gain\n8,1\n14,1\n", r"column response is missing, must be there"),
    ],
)
def test_a_wrong_response_gets_one_line(write_session, table, line):
    folder = responding_session(write_session, table)
    with pytest.raises(InputError, match=r"camera\.response: .*response\.csv.*" + line):
        open_session(folder)


def test_a_response_that_is_not_there_is_named(write_session):
    folder = write_session('[camera]\nresponse = "gone.csv"\n')
    with pytest.raises(InputError, match=r"camera\.response: .*gone\.csv is missing, must be a CSV file"):
        open_session(folder)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[air]\ntransmittance = 1.2\n", r"air\.transmittance is 1\.2, must lie in \(0, 1\]"),
        ("[air]\ntransmittance = 0\n", r"air\.transmittance is 0, must lie in \(0, 1\]"),
        ("[air]\ntemperature_degC = -300\n", r"air\.temperature_degC is -300, must be -273\.15 or more"),
    ],
)
def test_wrong_air_gets_one_line(write_session, text, line):
    with pytest.raises(InputError, match=line):
        open_session(write_session(text))


def test_air_is_as_given_else_clear_and_at_ambient(write_session):
    given = open_session(write_session("[air]\ntransmittance = 0.98\ntemperature_degC = 27\n", name="a")).dataset
    assert (float(given["air_transmittance"]), float(given["air_temperature"])) == (0.98, 27.0)
    default = open_session(write_session(name="b")).dataset
    assert float(default["air_transmittance"]) == 1.0
    assert np.isnan(default["air_temperature"])
