"""Colour video: temperatures by the bar in the picture, letters masked, on palettes that the code has never seen."""

import av
import cv2
import numpy as np
import pytest

from heatwake.errors import InputError
from heatwake.schema.session import Palette
from heatwake.store.colour_limits import read_limits
from heatwake.store.frames import open_recording
from heatwake.store.frames.colour_codes import Native, colour_codes, colours_of
from heatwake.store.session import open_session
from store.videos import BAR, SCENE, coloured, encode, warm_scene

LOSSLESS = {"codec": "ffv1", "pixels": "bgr0"}
ORDINARY = {"codec": "libx264", "pixels": "yuv420p", "options": {"crf": "23", "preset": "medium"}}
SHARES = warm_scene()


def palette(**more) -> Palette:
    return Palette(**{"bar_px": BAR, "limits": (20.0, 120.0), "image_px": SCENE} | more)


def read(folder, name, **more):
    recording = open_recording(name, folder=folder, key="frames.source", palette=palette(**more))
    return recording, recording.read(0, recording.shape[0])


def away_from(letters: np.ndarray, *, pixels: int = 4) -> np.ndarray:
    side = 2 * pixels + 1
    return cv2.dilate(letters.astype(np.uint8), np.ones((side, side))) == 0


@pytest.mark.parametrize("name", ["inferno", "viridis", "jet", "turbo", "gray", "afmhot", "coolwarm"])
@pytest.mark.parametrize(("kind", "most"), [("lossless", 0.005), ("ordinary", 0.015)])
def test_readings_and_letters(tmp_path, name, kind, most):
    pictures, letters = coloured(SHARES, name)
    encode(tmp_path / "a.mkv", pictures, **(LOSSLESS if kind == "lossless" else ORDINARY))
    recording, shares = read(tmp_path, "a.mkv")
    errors = (shares - SHARES)[:, away_from(letters)]
    error = float(np.sqrt(np.nanmean(errors**2)))
    assert error <= most  # of the span: what is asked for
    assert error < 2.5 * recording.scale_error  # and what it says of itself is of that size
    assert recording.scale_error < 3 * error  # a whole step of the bar counts, though places between are found
    assert np.isnan(shares[:, letters]).mean() >= 0.95
    # little else is lost: at the sharp edges of the one block, where halved chroma mixes colours of a rainbow
    assert np.isnan(shares[:, :, :-4][:, away_from(letters, pixels=8)[:, :-4]]).mean() < 0.02


@pytest.mark.parametrize(("name", "factor"), [("magma", "28"), ("cividis", "18"), ("gray", "23")])
def test_what_is_stated_of_a_reading_covers_its_error_at_edges_as_well(tmp_path, name, factor):
    pictures, letters = coloured(SHARES, name)
    encode(tmp_path / "a.mkv", pictures, **ORDINARY | {"options": {"crf": factor}})
    recording, shares = read(tmp_path, "a.mkv")
    within = abs(shares - SHARES) / recording.scale_errors
    seen = np.isfinite(within) & away_from(letters)
    steep = seen & (recording.scale_errors > 1.25 * recording.scale_error)
    # of a normal error 95.4 % lie within twice its standard deviation, of 2,000 and more readings not below 94 %
    for places in (seen, steep):
        assert np.count_nonzero(places) > 2000
        assert (within[places] < 2).mean() > 0.94
    assert recording.scale_errors.max() > 2 * recording.scale_error  # where one number would be too small


def test_places_that_are_not_of_the_palette_are_seen_to_be_far_from_it(tmp_path):
    pictures, letters = coloured(SHARES, "viridis")
    encode(tmp_path / "a.mkv", pictures, **LOSSLESS)
    recording, _ = read(tmp_path, "a.mkv")
    # half a step of 100 between colours of the bar; white letters are 20 and more from any colour of this palette
    assert np.median(recording.scale_distance[~letters]) < 1
    assert recording.scale_distance[letters].min() > 15


def test_parts_of_a_video_read_as_the_whole(tmp_path):
    pictures, _ = coloured(SHARES, "turbo")
    encode(tmp_path / "a.mp4", pictures, **ORDINARY)
    recording, shares = read(tmp_path, "a.mp4")
    for start, stop in ((7, 9), (0, 2), (3, 4)):
        assert np.array_equal(recording.read(start, stop), shares[start:stop], equal_nan=True)


def test_the_bar_itself_is_no_part_of_the_scene(tmp_path):
    pictures, _ = coloured(SHARES, "viridis", text="")
    encode(tmp_path / "a.mkv", pictures, **LOSSLESS)
    _, shares = read(tmp_path, "a.mkv", image_px=None)
    assert shares.shape[1:] == (120, 180)
    assert np.isnan(shares[:, BAR[1] : BAR[3], BAR[0] : BAR[2]]).all()


@pytest.mark.parametrize("hot_end", ["top", "bottom", "left", "right"])
def test_either_end_may_be_hot(tmp_path, hot_end):
    pictures, _ = coloured(SHARES[:3], "inferno", text="")
    box = BAR
    if hot_end in {"left", "right"}:  # the same bar, lying
        lying = pictures[:, BAR[1] : BAR[3], BAR[0] : BAR[2]].transpose(0, 2, 1, 3)
        pictures[:, 110:118, 20:120] = lying if hot_end == "left" else lying[:, :, ::-1]
        box = (20, 110, 120, 118)
    elif hot_end == "bottom":
        pictures[:, BAR[1] : BAR[3]] = pictures[:, BAR[1] : BAR[3]][:, ::-1]
        pictures[:, :, : SCENE[2]] = coloured(SHARES[:3], "inferno", text="")[0][:, :, : SCENE[2]]
    encode(tmp_path / "a.mkv", pictures, **LOSSLESS)
    _, shares = read(tmp_path, "a.mkv", bar_px=box, hot_end=hot_end, image_px=(0, 0, 150, 108))
    assert np.nanmax(abs(shares - SHARES[:3, :108])) < 0.02


def test_a_bar_that_changes_and_a_box_beside_the_picture_are_refused(tmp_path):
    one, _ = coloured(SHARES[:4], "inferno")
    two, _ = coloured(SHARES[4:8], "viridis")
    encode(tmp_path / "a.mkv", np.concatenate([one, two]), **LOSSLESS)
    with pytest.raises(InputError, match="split the recording where it changes"):
        read(tmp_path, "a.mkv")
    with pytest.raises(InputError, match=r"palette\.image_px is .*, must be .* within the picture of 180x120"):
        read(tmp_path, "a.mkv", image_px=(0, 0, 200, 100))


def test_a_bar_that_is_none_is_refused_with_its_reason(tmp_path):
    pictures, _ = coloured(SHARES[:3], "twilight")
    encode(tmp_path / "a.mkv", pictures, **LOSSLESS)
    with pytest.raises(InputError, match=r"palette\.bar_px is ambiguous: it has one colour at 0 % and at 100 %"):
        read(tmp_path, "a.mkv")
    with pytest.raises(InputError, match=r"palette\.bar_px is too short"):
        read(tmp_path, "a.mkv", bar_px=(168, 10, 176, 30))


def colour_session(folder, limits: str, *, more: str = "") -> None:
    pictures, _ = coloured(SHARES, "inferno")
    encode(folder / "a.mkv", pictures, **LOSSLESS)
    (folder / "session.toml").write_text(
        f'title = "Colour"\n[frames]\nsource = "a.mkv"\n{more}[palette]\nbar_px = {list(BAR)}\n'
        f"image_px = {list(SCENE)}\nlimits = {limits}\n[ambient]\ndegC = 23.0\n"
    )


def test_a_session_of_colour_video_is_in_degrees_at_the_videos_own_times(tmp_path):
    colour_session(tmp_path, "[20.0, 120.0]")
    session = open_session(tmp_path).dataset
    assert session["elapsed"].to_numpy() == pytest.approx(np.arange(10) / 10)
    read = session["indicated_temperature"].to_numpy()
    assert np.nanmax(abs(read - (20 + 100 * SHARES))) < 1.0
    # colours of a bar of 100 pixels: a hundredth of the span is a step, evenly spread; the scale's ends add as much
    assert 100 / 100 / np.sqrt(12) < float(session["scale_uncertainty"]) < 0.6


def test_limits_that_change_hold_until_the_next_row(tmp_path):
    (tmp_path / "limits.csv").write_text("elapsed_s,low_degC,high_degC\n0,20,120\n0.4,0,50\n")
    colour_session(tmp_path, '"limits.csv"')
    opened = open_session(tmp_path)
    read = opened.dataset["indicated_temperature"].to_numpy()
    assert np.nanmax(abs(read[:4] - (20 + 100 * SHARES[:4]))) < 1.0
    assert np.nanmax(abs(read[4:] - 50 * SHARES[4:])) < 0.5
    assert "palette.limits" in opened.files


@pytest.mark.parametrize(
    ("rows", "line"),
    [
        ("0,20,120\n0,20,100\n", "elapsed_s, row 2 is 0, must be later than the row before"),
        ("5,20,120\n", "elapsed_s, row 1 is 5, must be 0"),
        ("0,120,20\n", "row 1 is 120 to 20, must be a colder and a hotter end"),
        ("0,x,20\n", "low_degC, row 1 is 'x', must be a number"),
    ],
)
def test_limits_that_are_none_are_refused(tmp_path, rows, line):
    (tmp_path / "limits.csv").write_text("elapsed_s,low_degC,high_degC\n" + rows)
    with pytest.raises(InputError, match=line):
        read_limits(tmp_path / "limits.csv")


@pytest.mark.parametrize(
    ("codec", "pixels", "most"),
    [
        ("libx264", "yuv444p", 0),
        ("libx264", "yuv420p", 3),
        ("libx264", "yuv422p", 3),
        ("mjpeg", "yuvj420p", 3),
        ("ffv1", "bgr0", 0),
    ],
)
def test_colours_as_decoded_are_those_that_the_library_makes(tmp_path, codec, pixels, most):
    """Where chroma is halved its own conversion takes short cuts of up to three steps of 255."""
    pictures, _ = coloured(SHARES[:1], "turbo")
    encode(tmp_path / "a.mkv", pictures, codec=codec, pixels=pixels)
    with av.open(str(tmp_path / "a.mkv")) as container:
        frame = next(container.decode(video=0))
        made = colours_of(colour_codes(frame).reshape(-1), Native.of(frame))
        expected = frame.to_ndarray(format="rgb24").reshape(-1, 3)
    assert abs(made.astype(int) - expected).max() <= most
