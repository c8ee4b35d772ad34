"""Readers: each format round trip, and each kind of damage in one line."""

import cv2
import numpy as np
import pytest
import tifffile

from heatwake.errors import InputError
from heatwake.store.frames import open_recording

STACK = np.arange(5 * 6 * 7, dtype=np.uint16).reshape(5, 6, 7) + 1


def read_all(source, folder):
    recording = open_recording(source, folder=folder, key="frames.source")
    return recording.read(0, recording.shape[0])


@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
@pytest.mark.parametrize("compression", [None, "zlib"])
def test_tiff_stacks(tmp_path, dtype, compression):
    tifffile.imwrite(tmp_path / "a.tif", STACK.astype(dtype), photometric="minisblack", compression=compression)
    assert np.array_equal(read_all("a.tif", tmp_path), STACK)


def test_a_bigtiff_stack_written_by_another_library(tmp_path):
    cv2.imwritemulti(str(tmp_path / "a.tiff"), list(STACK))
    assert np.array_equal(read_all("a.tiff", tmp_path), STACK)


def test_a_series_is_read_in_the_order_people_count(tmp_path):
    for number in (10, 2, 1):
        tifffile.imwrite(tmp_path / f"frame{number}.tif", np.full((4, 4), number, np.uint16))
    assert read_all("frame*.tif", tmp_path)[:, 0, 0].tolist() == [1, 2, 10]


def test_a_folder_of_png(tmp_path):
    (tmp_path / "frames").mkdir()
    for number, frame in enumerate(STACK):
        cv2.imwrite(str(tmp_path / "frames" / f"{number:03}.png"), frame)
    assert np.array_equal(read_all("frames", tmp_path), STACK)


def test_npy(tmp_path):
    np.save(tmp_path / "a.npy", STACK.astype(np.float32))
    assert np.array_equal(read_all("a.npy", tmp_path), STACK)


def test_csv_matrices_with_nan_and_empty_cells(tmp_path):
    (tmp_path / "a1.csv").write_text("1.5,NaN\n,2.5\n")
    (tmp_path / "a2.csv").write_text("3,4\n5,6\n")
    frames = read_all("a*.csv", tmp_path)
    assert frames.tolist()[1] == [[3, 4], [5, 6]]
    assert np.isnan(frames[0]).tolist() == [[False, True], [True, False]]


def test_a_slice_reads_only_its_frames(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", STACK, photometric="minisblack")
    recording = open_recording("a.tif", folder=tmp_path, key="k")
    assert np.array_equal(recording[1:5:2, 2:4, 0:3], STACK[1:5:2, 2:4, 0:3])


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 0.99])
@pytest.mark.parametrize("compression", [None, "zlib"])
def test_a_truncated_tiff_is_refused_in_one_line(tmp_path, share, compression):
    path = tmp_path / "a.tif"
    noise = np.random.default_rng(1).integers(0, 2**16, (5, 60, 70)).astype(np.uint16)
    tifffile.imwrite(path, noise, photometric="minisblack", compression=compression)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(InputError, match=r"k: .*a\.tif is cut short or damaged") as caught:
        open_recording("a.tif", folder=tmp_path, key="k")
    assert "\n" not in str(caught.value)


def test_frames_of_differing_size_are_refused(tmp_path):
    with tifffile.TiffWriter(tmp_path / "a.tif") as writer:
        for shape in ((4, 5), (4, 6)):
            writer.write(np.zeros(shape, np.uint16), contiguous=False)
    with pytest.raises(InputError, match=r"frame 1 is 6x4 pixels, must be 5x4 like the first frame"):
        open_recording("a.tif", folder=tmp_path, key="k")


def test_a_series_of_differing_size_is_refused(tmp_path):
    for number, shape in enumerate(((4, 5), (4, 6))):
        tifffile.imwrite(tmp_path / f"{number}.tif", np.zeros(shape, np.uint16))
    with pytest.raises(InputError, match=r"1\.tif is 6x4 pixels, must be 5x4"):
        open_recording("*.tif", folder=tmp_path, key="k")


@pytest.mark.parametrize(
    ("name", "content", "line"),
    [
        ("a.tif", b"not a picture", "not a TIFF file"),
        ("a.npy", b"nonsense", "unreadable"),
        ("a.csv", b"a,b\nc,d\n", "not a matrix of numbers"),
        ("a.png", b"nonsense", "not a PNG picture"),
        ("a.xyz", b"", "of an unknown kind"),
    ],
)
def test_nonsense_is_refused(tmp_path, name, content, line):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=line):
        open_recording(name, folder=tmp_path, key="k")


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"frames\.source: .*gone\.tif is missing"):
        open_recording("gone.tif", folder=tmp_path, key="frames.source")


def test_pickled_arrays_are_refused(tmp_path):
    np.save(tmp_path / "a.npy", np.array([{"a": 1}], dtype=object), allow_pickle=True)
    with pytest.raises(InputError, match="unreadable"):
        open_recording("a.npy", folder=tmp_path, key="k")
