"""The main job done twice on one recording, the second time with the usual libraries alone: two ways, one answer.

The other way is scikit-image's ``phase_cross_correlation`` and ``warp``, Planck's law by the trapezoidal rule and
inverted with ``numpy.interp``, averages frame by frame, ``curve_fit``: no code is shared.
"""

import numpy as np
import pytest
import xarray as xr

from benchmarks.notebook_way import analyse
from benchmarks.recordings import KNOCK, Wanted, true_shifts, write_recording
from heatwake.run import Finished, run_workflow

WANTED = Wanted(160, 128, 120, rate=2.0)
KNOCKED = WANTED.handling.bumps[0].elapsed  # [s]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("two_ways")
    write_recording(folder / "charger", WANTED)
    return folder


@pytest.fixture(scope="module")
def notebook(folder):
    analyse(folder / "charger", folder / "notebook")
    return {name: xr.load_dataset(folder / "notebook" / f"{name}.nc") for name in ("shifts", "rise", "regions")}


@pytest.fixture(scope="module")
def ours(folder):
    (folder / "workflow.toml").write_text('title = "Two ways"\nsessions = ["charger"]\nresults = "results"\n')
    *_, last = run_workflow(folder / "workflow.toml", workers=0, pages=False)
    assert isinstance(last, Finished)
    assert last.exit_code == 0, last.outcomes
    files = {"shifts": "registration.nc", "rise": "rise.nc", "regions": "regions.nc"}
    return {name: xr.load_dataset(folder / "results" / "charger" / file) for name, file in files.items()}


def rises(results):
    """Return times and rise maps (time, y, x); the times of both ways are the same."""
    return results["rise"]["elapsed"].to_numpy(), results["rise"]["temperature_rise"].to_numpy()


def test_rises_before_the_knock_are_the_same(notebook, ours):
    (times, theirs), (_, own) = rises(notebook), rises(ours)
    apart = np.abs(own - theirs)[times < KNOCKED - 1]
    # Same frames, same noise: what is left is the interpolation of a picture moved by hundredths of a pixel, and the
    # steps of two tables of Planck's law, some mK; at the parts' edges 1 K a pixel times the registrations' 0.03 px.
    assert np.isfinite(apart).all()
    assert np.median(apart) < 0.005
    assert np.percentile(apart, 99.5) < 0.05


def test_parts_end_at_the_same_rise(notebook, ours):
    own = ours["regions"]["rise_mean"][:, -1]
    theirs = notebook["regions"]["rise_mean"].sel(region=own["region"].to_numpy())[:, -1]
    # A part loses at most 0.4 K over the pixel at its rim: 0.1 K allows the two registrations to part by 0.25 px.
    assert own.to_numpy() == pytest.approx(theirs.to_numpy(), abs=0.1)
    assert len(own) >= 10


def test_areas_and_centroids_are_the_same(notebook, ours):
    own, theirs = ours["regions"], notebook["regions"].sel(region=ours["regions"]["region"].to_numpy())
    # One cell of the grid in area; a hundredth of a part in place, and what the two registrations part by.
    assert own["area"][:, -1].to_numpy() == pytest.approx(theirs["area"][:, -1].to_numpy(), abs=8.0)
    assert own["centroid_x"][:, -1].to_numpy() == pytest.approx(theirs["centroid_x"][:, -1].to_numpy(), abs=0.1)


def test_noise_and_uncertainty_are_the_same(notebook, ours):
    warm = {"time": -1}
    for name, apart in (("rise_noise", 0.05), ("temperature_uncertainty", 0.10)):
        # The notebook's terms are independent and of first order; the cold board's zero is not taken into account.
        ratio = ours["rise"][name].isel(warm).to_numpy() / notebook["rise"][name].isel(warm).to_numpy()
        assert np.nanmedian(ratio) == pytest.approx(1.0, abs=apart), name


def test_hand_and_shutter_are_found_by_both(notebook, ours):
    hand, shutter = WANTED.handling.hands[0], WANTED.handling.shutters[0]
    inside = (WANTED.elapsed > hand.elapsed + 0.5) & (WANTED.elapsed < hand.elapsed + hand.duration - 0.5)
    for shifts, step in ((notebook["shifts"], "offset"), (ours["shifts"], "offset_step")):
        left_out = shifts["usable"].to_numpy() == 0
        if "masked_frame" in shifts:  # of these only what the hand covers
            left_out[shifts["masked_frame"].to_numpy()] = True
        assert left_out[inside].all()
        assert left_out[~inside].mean() < 0.1
        assert float(shifts[step][-1]) == pytest.approx(shutter.step, abs=0.02)  # frames' medians: some mK of noise


def knock(shifts):
    """Return by how much the picture lies elsewhere at the end than at first (2) [px], medians of usable frames."""
    moves = np.stack([shifts["shift_x"], shifts["shift_y"]], axis=1)
    usable = shifts["usable"].to_numpy() == 1
    late, early = WANTED.elapsed > KNOCKED + 1, WANTED.elapsed < KNOCKED - 1
    return np.median(moves[usable & late], axis=0) - np.median(moves[usable & early], axis=0)


def test_the_notebook_sees_the_knock(notebook):
    # Fiftieths of a pixel, and the median of fifty frames' jitter of 0.02 px.
    assert knock(notebook["shifts"]) == pytest.approx(KNOCK, abs=0.05)
    assert true_shifts(WANTED).std(axis=0).min() > 0.3


def test_the_knock_is_seen_as_well_as_the_notebook_sees_it(ours):
    assert knock(ours["shifts"]) == pytest.approx(KNOCK, abs=0.05)
