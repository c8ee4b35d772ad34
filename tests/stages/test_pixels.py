"""Faulty pixels of whole recordings: found, listed, and mended wherever frames are read."""

import logging

import dask.array as da
import numpy as np
import pytest
import xarray as xr

from heatwake.errors import DataModelError
from heatwake.schema.variables import PIXEL_FAULT, VARIABLES
from heatwake.stages.frame_blocks import frame_blocks, mending_of, reducer_for, some_frames
from heatwake.stages.pixels import STAGE, PixelSettings, check_pixels, pixel_sentences
from heatwake.stages.registration import RegistrationSettings, register
from heatwake.store.session import open_session

SHAPE = (50, 64)
NAMES = ("none", "dead", "outlier", "flickering", "saturated")


def frames_of(*, count=40, seed=1):
    """A board that warms under a smooth hump, 50 mK of noise."""
    rng = np.random.default_rng(seed)
    down, right = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    hump = np.exp(-((down - 18) ** 2 + (right - 22) ** 2) / 60)
    heat = 1 - np.exp(-np.arange(count) / 12)
    return 25 + 20 * heat[:, None, None] * hump + 0.05 * rng.standard_normal((count, *SHAPE))


def session_of(frames, *, levels=False):
    dims = ("frame", "row", "column")
    frames = np.asarray(frames, dtype=np.float32)
    made = xr.Dataset(
        {"indicated_temperature": (dims, frames), "band_low": 7.5, "band_high": 14.0},
        coords={"elapsed": ("frame", np.arange(len(frames)) * 1.0, {"units": "s"})},
    )
    if levels:
        scale = np.arange(2**16) * 0.01 - 100
        scale[0] = np.nan
        stored = np.where(np.isfinite(frames), np.round((frames + 100) / 0.01), 0)
        made["stored_level"] = (dims, stored.astype(np.uint16))
        made["level_temperature"] = ("level", scale.astype(np.float32))
    return made


def faulty(frames):
    frames = frames.copy()
    frames[:, 5, 7] = 31.0
    frames[:, 30, 40] += 4.0
    frames[:, 20, 8] += np.random.default_rng(2).normal(0, 1.5, len(frames))
    frames[:, 33:36, 5:8] = 28.0
    return frames


def read(session):
    return np.concatenate([block.read() for block in frame_blocks(session)])


@pytest.mark.parametrize("levels", [False, True])
def test_faults_are_flagged_counted_told_and_mended(levels, caplog):
    session = session_of(faulty(frames_of()), levels=levels)
    with caplog.at_level(logging.WARNING):
        made = check_pixels(session, PixelSettings())
    flags = made["pixel_fault"].to_numpy()
    assert [NAMES[flags[at]] for at in ((5, 7), (30, 40), (20, 8), (34, 6))] == [
        "dead",
        "outlier",
        "flickering",
        "dead",
    ]
    assert np.count_nonzero(flags) == 3 + 9
    assert (int(made["pixels_repaired"]), int(made["pixels_masked"])) == (3, 9)
    assert caplog.messages == pixel_sentences(made)
    told = "dead (5, 7); outlier (30, 40); flickering (20, 8) (row, column)"
    assert caplog.messages[0] == f"3 faulty pixels repaired from sound neighbours: {told}"
    assert caplog.messages[1].startswith("9 faulty pixels masked, too few neighbours are sound: dead (33, 5), (33, 6)")
    values = read(made)
    celsius = made["level_temperature"].to_numpy()[values] if levels else values
    assert np.isnan(celsius[:, 33:36, 5:8]).all()
    truth = frames_of()
    for at in ((5, 7), (30, 40), (20, 8)):
        # a median of eight of 50 mK strays by about 0.02 K, a curved hump adds as much
        assert np.std(celsius[:, *at] - truth[:, *at]) < 0.09


@pytest.mark.parametrize("levels", [False, True])
def test_a_sound_recording_is_read_as_it_is(levels, caplog):
    session = session_of(frames_of(), levels=levels)
    made = check_pixels(session, PixelSettings())
    assert not made["pixel_fault"].any()
    assert caplog.messages == pixel_sentences(made) == []
    assert mending_of(made) is None
    np.testing.assert_array_equal(read(made), read(session))
    if levels:
        xr.testing.assert_identical(made["level_temperature"].drop_attrs(), session["level_temperature"])


@pytest.mark.parametrize("levels", [False, True])
def test_readings_beyond_the_range_are_bounds_and_make_no_frame_unread(levels, caplog):
    session = session_of(np.minimum(frames_of(), 35.0), levels=levels)
    session["indicated_temperature"][25] = 35.0
    if levels:
        session["stored_level"][25] = 13500
    made = check_pixels(session, PixelSettings())
    assert float(made["range_high"]) == pytest.approx(35.0, abs=1e-4)
    assert np.isnan(made["range_low"])
    assert "readings pile up at 35.0 °C, the range ends there: above it they are bounds" in caplog.messages[0]
    reducer, values = reducer_for(made), read(made)
    clipped = session["indicated_temperature"].to_numpy() >= np.float32(34.999)
    if levels:
        clipped = session["stored_level"].to_numpy() >= 13500
    small = np.stack([reducer.small(frame) for frame in values])
    np.testing.assert_array_equal(np.isnan(small), clipped)
    assert clipped[25].all()
    assert reducer.has_reading(values[25])
    total = np.zeros(SHAPE)
    reducer.add(values[30], total)
    np.testing.assert_array_equal(np.isnan(total), clipped[30])
    if levels:
        result = register(made.isel(frame=slice(18, 30)), RegistrationSettings())  # the level frame is not refused
        assert np.isfinite(result["shift_x"]).all()


def test_lazy_equals_eager_whatever_the_blocks():
    frames = faulty(frames_of()).astype(np.float32)
    eager = check_pixels(session_of(frames), PixelSettings())
    lazy = session_of(frames)
    lazy["indicated_temperature"] = (("frame", "row", "column"), da.from_array(frames, chunks=(7, 20, 50)))
    lazy = check_pixels(lazy, PixelSettings())
    for name in STAGE.makes:
        np.testing.assert_array_equal(lazy[name].values, eager[name].values, err_msg=name)
    np.testing.assert_array_equal(read(lazy), read(eager))
    np.testing.assert_array_equal(some_frames(lazy, 9, 11).read(), read(eager)[9:11])


def test_the_input_is_unchanged_and_what_is_made_is_labelled():
    session = session_of(np.minimum(faulty(frames_of()), 35.0), levels=True)
    before = session.copy(deep=True)
    made = check_pixels(session, PixelSettings())
    read(made)
    xr.testing.assert_identical(session, before)
    assert tuple(PIXEL_FAULT) == NAMES
    for name in STAGE.makes:
        assert made[name].dims == VARIABLES[name].dims
        assert made[name].attrs["units"] == VARIABLES[name].units


@pytest.mark.parametrize("count", [0, 1, 3])
def test_few_frames_tell_nothing(count):
    made = check_pixels(session_of(faulty(frames_of(count=40))[:count]), PixelSettings())
    assert not made["pixel_fault"].any()


@pytest.mark.parametrize(
    ("value", "said"),
    [(150.0, ["every reading looked at is 150.0 °C: saturated, or no scene was recorded"]), (np.nan, [])],
)
def test_of_a_level_recording_no_pixel_is_told_but_that_it_is_level(value, said, caplog):
    made = check_pixels(session_of(np.full((12, *SHAPE), value)), PixelSettings())
    assert not made["pixel_fault"].any()
    assert caplog.messages == said


def test_where_much_looks_faulty_nothing_is_repaired(caplog):
    frames = frames_of()
    frames[:, 2::4, 2::4] += 5.0
    made = check_pixels(session_of(frames), PixelSettings())
    assert not made["pixel_fault"].any()
    assert caplog.messages[0].endswith("look faulty, more than 0.5% of all: none was repaired")


def test_frames_that_are_not_there_are_a_programming_error():
    with pytest.raises(DataModelError, match="indicated_temperature is missing"):
        check_pixels(xr.Dataset(), PixelSettings())


def test_a_film_pair_of_the_same_camera_is_mended(write_session):
    from heatwake.stages.film_pair import _frames

    frames = faulty(frames_of())
    session = session_of(frames)
    session["bare_temperature"] = (("bare_frame", "row", "column"), frames[:10].astype(np.float32))
    made = check_pixels(session, PixelSettings())
    bare = np.stack(list(_frames(made, "bare", np.arange(10))))
    np.testing.assert_array_equal(bare, read(made)[:10])
    assert open_session(write_session("[ambient]\ndegC = 23.5\n")).dataset.sizes["frame"] == 12
