"""What the page says of the recording's own quality."""

import numpy as np
import xarray as xr

from heatwake.report.data_quality import data_quality


def results(*, fault=(), steps=(0.0, 0.0, 0.25), spread=(0.0, 0.0, 0.004), drift=0.0, high=np.nan):
    flags = np.zeros((10, 12), dtype=np.int8)
    for row, column, kind in fault:
        flags[row, column] = kind
    made = xr.Dataset({"pixel_fault": (("row", "column"), flags)})
    made = made.assign(range_low=np.nan, range_high=high, clipped_share=0.012)
    frames = {"offset_step": steps, "offset_step_uncertainty": spread, "frame_elapsed": (0.0, 1.0, 21.5)}
    frames |= {"offset_drift": np.array([0.0, 0.5, 1.0]) * drift, "offset_drift_uncertainty": np.full(3, 0.1)}
    return made.assign({name: ("frame", np.array(value)) for name, value in frames.items()})


def test_a_sound_recording_is_said_to_be_sound():
    told = data_quality(results(steps=(0.0, 0.0, 0.0), spread=(0.0, 0.0, 0.0)))
    assert told == [
        "No faulty pixel and no reading beyond the range was found in the frames sampled.",
        "The camera's offset took no step common to all pixels.",
        "Beside the board the reading kept to the logged ambient: it moved by 0.00 ± 0.10 K at most.",
    ]


def test_faults_steps_and_drift_are_told_with_places_and_uncertainties():
    told = data_quality(results(fault=[(3, 4, 1), (7, 8, 3)], drift=1.4, high=150.0))
    assert told[0] == "2 faulty pixels repaired from sound neighbours: dead (3, 4); flickering (7, 8) (row, column)."
    assert told[1].startswith("Readings pile up at 150.0 °C, the range ends there: above it they are bounds")
    assert told[2].startswith(
        "1 step of the camera's offset, common to all pixels, taken off: +0.25 ± 0.004 K at 22 s;"
    )
    assert told[3].startswith("Beside the board the reading moved by +1.4 ± 0.1 K against the logged ambient")


def test_colours_are_told_with_how_near_the_palette_they_lie_and_what_edges_cost():
    distance, error = np.full((10, 12), 1.2), np.full((10, 12), 0.4)
    distance[0], error[:, 0] = 6.3, 1.9
    picture = ("row", "column")
    seen = xr.Dataset({"colour_distance": (picture, distance), "reading_uncertainty": (picture, error)})
    (told,) = data_quality(seen)
    assert "colours lie 1.2 from its palette in the middle place and 6.3 at the worst twentieth" in told
    assert "known to 0.40 K" in told
    assert "steepest twentieth of the picture to 1.90 K" in told


def test_what_is_not_known_is_not_said():
    assert data_quality(xr.Dataset()) == []
    assert "cannot be told" in data_quality(results(drift=np.nan))[-1]
