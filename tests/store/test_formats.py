"""Recordings of every kind: values as stored, whoever wrote them; their own times; what is refused."""

import io
import json
import shutil
import struct
import zipfile
import zlib
from pathlib import Path

import cv2
import netCDF4
import numpy as np
import pandas as pd
import pytest
import tifffile
from PIL import Image
from scipy.io import netcdf_file

from heatwake.errors import InputError
from heatwake.schema.session import Frames
from heatwake.store.frame_times import frame_times
from heatwake.store.frames import open_recording
from store.videos import encode

STACK = (12000 + 100 * np.arange(5)[:, None, None] + 10 * np.arange(6)[:, None] + np.arange(7)).astype(np.uint16)
TIMES = np.array([0, 0.5, 1, 2.0, 2.5])
ELSEWHERE = Path(__file__).parent / "written_elsewhere"


def opened(folder, source, **more):
    return open_recording(source, folder=folder, key="frames.source", **more)


def read_all(folder, source, **more):
    recording = opened(folder, source, **more)
    whole = recording.read(0, recording.shape[0])
    assert whole.dtype == recording.dtype
    assert whole.shape == recording.shape
    part = recording[3:5, 1:4, 2:6]  # and of a part, gone to directly
    assert np.array_equal(part, whole[3:5, 1:4, 2:6], equal_nan=whole.dtype.kind == "f")
    return whole


def elapsed(recording, folder=Path(), **frames):
    return frame_times(Frames(source="x", **frames), recording=recording, folder=folder)


# Files that other libraries wrote: scipy's NetCDF 3; Pillow; by hand from the published layout; and, kept beside this
# file, HDF5 by h5py 3.16 and Zarr by zarr-python 3.1.6.
def test_netcdf_of_another_library(tmp_path):
    with netcdf_file(tmp_path / "a.nc", "w") as file:
        for name, size in (("n", 5), ("row", 6), ("col", 7)):
            file.createDimension(name, size)
        file.createVariable("T", "f4", ("n", "row", "col"))[:] = STACK / 100
    assert np.array_equal(read_all(tmp_path, "a.nc"), (STACK / 100).astype(np.float32))


def test_hdf5_of_another_library():
    assert np.array_equal(read_all(ELSEWHERE, "recording.h5", variable="camera/T"), STACK)
    recording = opened(ELSEWHERE, "recording.h5")  # the only stack in it
    assert recording.dtype == np.uint16
    assert elapsed(recording)[0].tolist() == TIMES.tolist()


@pytest.mark.parametrize("name", ["version2.zarr", "version3.zarr"])
def test_zarr_of_another_library(name):
    assert np.array_equal(read_all(ELSEWHERE, name, variable="T"), STACK)
    assert elapsed(opened(ELSEWHERE, name, variable="T"))[0].tolist() == TIMES.tolist()


def test_zarr_in_column_order_and_big_endian():
    assert np.array_equal(read_all(ELSEWHERE, "version2.zarr", variable="G"), (STACK / 100).astype(np.float32))


def test_a_zarr_array_of_its_own(tmp_path):
    shutil.copytree(ELSEWHERE / "version3.zarr" / "T", tmp_path / "T.zarr")
    assert np.array_equal(read_all(tmp_path, "T.zarr"), STACK)


def test_pieces_that_were_never_written_hold_the_fill_value(tmp_path):
    shutil.copytree(ELSEWHERE / "version3.zarr", tmp_path / "a.zarr")
    shutil.rmtree(tmp_path / "a.zarr" / "T" / "c" / "1")
    frames = read_all(tmp_path, "a.zarr", variable="T")
    assert (frames[2:4] == 0).all()
    assert np.array_equal(frames[:2], STACK[:2])


def test_tiff_and_png_of_another_library(tmp_path):
    pages = [Image.fromarray(frame) for frame in STACK]
    pages[0].save(tmp_path / "a.tif", save_all=True, append_images=pages[1:])
    assert np.array_equal(read_all(tmp_path, "a.tif"), STACK)
    for number, page in enumerate(pages):
        page.save(tmp_path / f"frame{number}.png")
    assert np.array_equal(read_all(tmp_path, "*.png"), STACK)


def test_npy_and_npz_written_by_hand(tmp_path):
    # numpy/lib/format.py, "Format Version 1.0"
    head = b"{'descr': '<u2', 'fortran_order': False, 'shape': (5, 6, 7), }"
    head += b" " * (63 - (10 + len(head)) % 64) + b"\n"
    content = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head + STACK.tobytes()
    (tmp_path / "a.npy").write_bytes(content)
    with zipfile.ZipFile(tmp_path / "a.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("T.npy", content)
    assert np.array_equal(read_all(tmp_path, "a.npy"), STACK)
    assert np.array_equal(read_all(tmp_path, "a.npz"), STACK)


def test_bigtiff(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", STACK, bigtiff=True, photometric="minisblack")
    assert (tmp_path / "a.tif").read_bytes()[2] == 43  # the version that BigTIFF has
    assert np.array_equal(read_all(tmp_path, "a.tif"), STACK)


@pytest.mark.parametrize("save", [np.savez, np.savez_compressed])
def test_npz_with_times(tmp_path, save):
    save(tmp_path / "a.npz", T=STACK.astype(np.float32), time=TIMES, words=np.array(["a"]))
    assert np.array_equal(read_all(tmp_path, "a.npz"), STACK)
    assert elapsed(opened(tmp_path, "a.npz"))[0].tolist() == TIMES.tolist()


def test_npz_backwards_and_side_by_side(tmp_path):
    np.savez_compressed(tmp_path / "a.npz", T=STACK)
    recording = opened(tmp_path, "a.npz")
    for number in (4, 0, 3, 3, 1):
        assert np.array_equal(recording.read(number, number + 1)[0], STACK[number])


def test_netcdf_dimensions_are_found_by_axis_and_packing_is_undone(tmp_path):
    with netCDF4.Dataset(tmp_path / "a.nc", "w") as file:
        for name, size in (("a", 7), ("b", 5), ("c", 6)):
            file.createDimension(name, size)
        for name, axis in (("a", "X"), ("c", "Y")):
            file.createVariable(name, "f4", (name,)).axis = axis
        clock = file.createVariable("b", "f8", ("b",))
        clock.units = "seconds since 2026-03-04 09:30:00"
        clock[:] = TIMES
        packed = file.createVariable("T", "i2", ("a", "b", "c"), fill_value=-1)
        packed.set_auto_maskandscale(False)
        packed.setncatts({"scale_factor": 0.01, "add_offset": 5.0, "units": "degC"})
        packed[:] = STACK.astype(np.int16).transpose(2, 0, 1)
        packed[0, 0, 0] = -1
    recording = opened(tmp_path, "a.nc", variable="T")
    frames = recording.read(0, 5)
    assert frames.shape == (5, 6, 7)
    assert np.isnan(frames[0, 0, 0])
    assert np.nanmax(abs(frames - (STACK * 0.01 + 5))) < 1e-4  # float32 of 130
    assert recording.unit == "degC"
    seconds, start = elapsed(recording)
    assert seconds.tolist() == TIMES.tolist()
    assert start == pd.Timestamp("2026-03-04T09:30:00Z")


def test_the_session_files_times_count_before_the_recordings_own(tmp_path):
    np.savez(tmp_path / "a.npz", T=STACK, time=TIMES)
    assert elapsed(opened(tmp_path, "a.npz"), interval_s=3.0)[0].tolist() == [0, 3, 6, 9, 12]


@pytest.mark.parametrize(
    ("times", "line"),
    [
        ([0, 1, 1, 2, 3], r"frame 2 is 1 s after 1 s, must be later than the frame before: give frames\.interval_s"),
        ([0, 1, 2, 1, 3], "frame 3 is 1 s after 2 s"),
        ([0, 1, np.nan, 3, 4], "without a usable time in places"),
    ],
)
def test_own_times_that_repeat_go_back_or_are_missing_are_refused(tmp_path, times, line):
    np.savez(tmp_path / "a.npz", T=STACK, time=np.array(times, float))
    with pytest.raises(InputError, match=line):
        elapsed(opened(tmp_path, "a.npz"))


@pytest.mark.parametrize(
    "text",
    [
        "20.5,21.25\nNaN,23\n",
        "20.5;21.25\n;23\n",
        "20,5;21,25\nNaN;23\n",
        "20,5\t21,25\n\t23\n",
        "Board, camera 2\ndegC\n\n20.5,21.25\nnan,23\n",
        "\ufeff20.5,21.25\r\n,23\r\n",
    ],
)
def test_csv_matrices_as_people_write_them(tmp_path, text):
    (tmp_path / "a.csv").write_bytes(text.encode())
    frame = opened(tmp_path, "a.csv").read(0, 1)[0]
    assert np.array_equal(frame, np.array([[20.5, 21.25], [np.nan, 23]], np.float32), equal_nan=True)


def test_csv_in_two_byte_characters(tmp_path):
    (tmp_path / "a.csv").write_bytes("20,5\t21\r\n22\t23\r\n".encode("utf-16"))
    assert opened(tmp_path, "a.csv").read(0, 1)[0].tolist() == [[20.5, 21], [22, 23]]


@pytest.mark.parametrize(
    "text",
    ["time,Q1,Q2\n" + "".join(f"{n},20,21\n" for n in range(9)), "".join(f"{n};20\n" for n in range(99))],
)
def test_a_tall_table_is_refused_with_a_hint(tmp_path, text):
    (tmp_path / "log.csv").write_text(text)
    with pytest.raises(InputError, match=r"tall table|column 'time'") as caught:
        opened(tmp_path, "log.csv")
    assert "one matrix of temperatures a frame and file" in str(caught.value)


# Video.
def test_grey_video_without_loss(tmp_path):
    frames = np.random.default_rng(2).integers(0, 2**16, (130, 32, 48), dtype=np.uint16)
    encode(tmp_path / "a.mkv", frames, codec="ffv1", pixels="gray16le", kind="gray16le", rate=4)
    recording = opened(tmp_path, "a.mkv")
    assert recording.dtype == np.uint16
    for start, stop in ((100, 120), (0, 3), (2, 9), (125, 130), (60, 61)):  # to and fro, by key frames and by going on
        assert np.array_equal(recording.read(start, stop), frames[start:stop])
    assert elapsed(recording)[0].tolist() == (np.arange(130) / 4).tolist()
    assert recording.index.nbytes == 130 * 24  # nothing else grows with the number of frames


@pytest.mark.parametrize(("name", "codec"), [("a.mp4", "libx264"), ("a.avi", "libx264"), ("a.webm", "libvpx-vp9")])
def test_each_frame_of_a_video_is_found_wherever_reading_begins(tmp_path, name, codec):
    from heatwake.store.frames.video import _index, read_video

    pictures = np.repeat(np.arange(20, 230, 3, dtype=np.uint8), 16 * 16 * 3).reshape(-1, 16, 16, 3)
    encode(tmp_path / name, pictures, codec=codec, pixels="yuv420p", options={"g": "12"})
    index, _, _, _ = _index(tmp_path / name)
    assert len(index) == len(pictures)
    for number in (60, 0, 69, 8):
        seen = read_video(tmp_path / name, "k", "rgb24", (0, 0, 16, 16), index[number : number + 1])
        assert abs(float(seen.mean()) - float(pictures[number].mean())) < 1.5  # neighbours are 3 apart


def test_colour_video_without_a_palette_and_a_palette_without_colours_are_refused(tmp_path):
    grey = np.zeros((3, 16, 16), np.uint16)
    encode(tmp_path / "grey.mkv", grey, codec="ffv1", pixels="gray16le", kind="gray16le")
    encode(tmp_path / "a.mp4", np.zeros((3, 16, 16, 3), np.uint8), codec="libx264", pixels="yuv420p")
    with pytest.raises(InputError, match=r"must come with a table \[palette\], or be 16-bit grey coded with FFV1"):
        opened(tmp_path, "a.mp4")
    from heatwake.schema.session import Palette

    with pytest.raises(InputError, match="grey video of 16 bits"):
        opened(tmp_path, "grey.mkv", palette=Palette(bar_px=(0, 0, 1, 1), limits=(0.0, 1.0)))


def test_a_text_that_passes_for_a_video_opens_no_other_file(tmp_path):
    (tmp_path / "secret.mkv").write_bytes(b"x")
    (tmp_path / "a.mp4").write_text("#EXTM3U\n#EXTINF:1,\nsecret.mkv\n")
    with pytest.raises(InputError, match="unreadable"):
        opened(tmp_path, "a.mp4")


# What would eat memory, disk or trust.
def png_of(columns: int, rows: int, *, depth: int = 16, colour: int = 0) -> bytes:
    head = struct.pack(">IIBBBBB", columns, rows, depth, colour, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + b"IHDR" + head + b"\0\0\0\0"


def tiff_of(columns: int, rows: int, strip: bytes) -> bytes:
    """Return a TIFF of one deflated strip (TIFF 6.0, section 2)."""
    tags = (
        (256, columns),
        (257, rows),
        (258, 16),
        (259, 8),
        (262, 1),
        (273, 8),
        (277, 1),
        (278, rows),
        (279, len(strip)),
    )
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    head = b"II*\0" + struct.pack("<I", 8 + len(strip))
    return head + strip + struct.pack("<H", len(tags)) + entries + bytes(4)


def bombs(folder: Path) -> dict[str, Path]:
    """Write small files that declare frames without measure."""
    (folder / "a.png").write_bytes(png_of(100_000, 100_000))
    (folder / "a.tif").write_bytes(tiff_of(60_000, 60_000, zlib.compress(bytes(1000))))
    buffer = io.BytesIO()
    np.lib.format.write_array_header_1_0(buffer, {"descr": "<f8", "fortran_order": False, "shape": (10, 10**5, 10**5)})
    with zipfile.ZipFile(folder / "a.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("T.npy", buffer.getvalue())
    with netCDF4.Dataset(folder / "a.h5", "w") as file:
        for name, size in (("t", 10), ("y", 10**5), ("x", 10**5)):
            file.createDimension(name, size)
        file.createVariable("T", "f8", ("t", "y", "x"), zlib=True, chunksizes=(1, 1000, 1000))
    with netCDF4.Dataset(folder / "chunk.h5", "w") as file:
        for name, size in (("t", 10**5), ("y", 100), ("x", 100)):
            file.createDimension(name, size)
        file.createVariable("T", "f8", ("t", "y", "x"), zlib=True, chunksizes=(10**4, 100, 100))
    shutil.copytree(ELSEWHERE / "version3.zarr", folder / "a.zarr")
    described = json.loads((folder / "a.zarr/T/zarr.json").read_text())
    described["shape"] = [5, 10**6, 10**6]
    (folder / "a.zarr/T/zarr.json").write_text(json.dumps(described))
    return {path.name: path for path in folder.iterdir()}


@pytest.mark.parametrize("name", ["a.png", "a.tif", "a.npz", "a.h5", "chunk.h5", "a.zarr"])
def test_frames_beyond_all_measure_are_refused_before_they_are_unpacked(tmp_path, name):
    bombs(tmp_path)
    with pytest.raises(InputError, match=r"pixels a frame|compressed pieces of"):
        opened(tmp_path, name, **({"variable": "T"} if name == "a.zarr" else {}))


def test_a_piece_that_unpacks_to_more_than_it_declares_takes_no_more_room(tmp_path):
    shutil.copytree(ELSEWHERE / "version3.zarr", tmp_path / "a.zarr")
    described = json.loads((tmp_path / "a.zarr/T/zarr.json").read_text())
    described["codecs"] = [{"name": "bytes", "configuration": {"endian": "little"}}, {"name": "gzip"}]
    (tmp_path / "a.zarr/T/zarr.json").write_text(json.dumps(described))
    packer = zlib.compressobj(9, wbits=31)
    bomb = packer.compress(bytes(2**25)) + packer.flush()
    for piece in (path for path in (tmp_path / "a.zarr/T/c").rglob("*") if path.is_file()):
        piece.write_bytes(bomb)
    with pytest.raises(InputError, match=r"larger than what it holds|bytes instead of"):
        read_all(tmp_path, "a.zarr", variable="T")


def test_zarr_coded_by_what_runs_code_is_refused(tmp_path):
    shutil.copytree(ELSEWHERE / "version2.zarr", tmp_path / "a.zarr")
    described = json.loads((tmp_path / "a.zarr/T/.zarray").read_text())
    for change in ({"filters": [{"id": "pickle"}]}, {"dtype": "|O"}, {"compressor": {"id": "pickle"}}):
        (tmp_path / "a.zarr/T/.zarray").write_text(json.dumps(described | change))
        with pytest.raises(InputError, match="must be a whole Zarr array of numbers"):
            opened(tmp_path, "a.zarr", variable="T")


def test_pickled_arrays_in_npz_are_no_frames(tmp_path):
    np.savez(tmp_path / "a.npz", T=np.array([[[{"a": 1}]]], dtype=object))
    with pytest.raises(InputError, match="without a stack of frames"):
        opened(tmp_path, "a.npz")


@pytest.mark.parametrize(
    ("depth", "colour", "kind"), [(8, 0, "8-bit grey"), (16, 2, "16-bit colour"), (8, 3, "8-bit indexed")]
)
def test_png_of_other_kinds_is_named(tmp_path, depth, colour, kind):
    (tmp_path / "a.png").write_bytes(png_of(4, 4, depth=depth, colour=colour))
    with pytest.raises(InputError, match=f"is {kind}, must be 16-bit grey PNG"):
        opened(tmp_path, "a.png")


@pytest.mark.parametrize("source", ["../../outside.tif", "link.tif", "frames", "/dev/zero", "*.tif"])
def test_paths_and_links_that_lead_out_of_the_session_are_refused(tmp_path, source):
    home = tmp_path / "day" / "one"
    (home / "frames").mkdir(parents=True)
    outside = tmp_path / "outside.tif"
    tifffile.imwrite(outside, STACK, photometric="minisblack")
    (home / "link.tif").symlink_to(outside)
    (home / "frames" / "1.tif").symlink_to(outside)
    with pytest.raises(InputError, match=r"is outside \(.*\), must lie in the session's folder or beside it|missing"):
        opened(home, source)


def test_further_folders_are_allowed_by_who_runs_it(tmp_path, monkeypatch):
    home = tmp_path / "day" / "one"
    home.mkdir(parents=True)
    (tmp_path / "disk").mkdir()
    tifffile.imwrite(tmp_path / "disk" / "a.tif", STACK, photometric="minisblack")
    monkeypatch.setenv("HEATWAKE_INPUTS", f"/nowhere:{tmp_path / 'disk'}")
    assert np.array_equal(read_all(home, str(tmp_path / "disk" / "a.tif")), STACK)
    with pytest.raises(InputError, match="is outside"):
        opened(home, str(Path(__file__).parent / "written_elsewhere" / "recording.h5"))


def test_links_within_and_files_beside_the_session_are_read(tmp_path):
    home = tmp_path / "one"
    home.mkdir()
    tifffile.imwrite(tmp_path / "pair.tif", STACK, photometric="minisblack")
    (home / "link.tif").symlink_to(tmp_path / "pair.tif")
    for source in ("../pair.tif", "link.tif"):
        assert np.array_equal(read_all(home, source), STACK)


@pytest.mark.parametrize(
    ("variable", "line"),
    [("X", r"frames\.variable is 'X', must be one of .*: T"), ("time", "must be numbers with three dimensions")],
)
def test_variables_that_are_not_there_are_named(tmp_path, variable, line):
    np.savez(tmp_path / "a.npz", T=STACK, time=TIMES)
    with pytest.raises(InputError, match=line):
        opened(tmp_path, "a.npz", variable=variable)


def test_a_file_of_several_stacks_needs_a_name_and_one_without_names_takes_none(tmp_path):
    np.savez(tmp_path / "a.npz", A=STACK, B=STACK)
    with pytest.raises(InputError, match=r"frames\.variable is missing, must be one of .*: A, B"):
        opened(tmp_path, "a.npz")
    np.save(tmp_path / "a.npy", STACK)
    with pytest.raises(InputError, match="holds no named variables"):
        opened(tmp_path, "a.npy", variable="T")


def test_videos_of_another_library(tmp_path):
    """OpenCV's writer and Pillow's."""
    from heatwake.store.frames.video import _index

    writer = cv2.VideoWriter(str(tmp_path / "a.avi"), cv2.VideoWriter_fourcc(*"MJPG"), 5.0, (32, 32))
    for level in range(7):
        writer.write(np.full((32, 32, 3), 30 * level, np.uint8))
    writer.release()
    pages = [Image.fromarray(np.full((32, 32), 30 * level, np.uint8)) for level in range(7)]
    pages[0].save(tmp_path / "a.gif", save_all=True, append_images=pages[1:], duration=200)
    for name in ("a.avi", "a.gif"):
        index, seconds, size, _ = _index(tmp_path / name)
        assert (len(index), size) == (7, (32, 32))
        assert np.allclose(seconds, 0.2 * np.arange(7))


def test_a_decoder_is_kept_from_files_of_other_kinds(tmp_path):
    encode(tmp_path / "a.mkv", np.zeros((2, 16, 16, 3), np.uint8), codec="libx264", pixels="yuv420p")
    (tmp_path / "a.mkv").rename(tmp_path / "b.gif")
    with pytest.raises(InputError, match="unreadable"):
        opened(tmp_path, "b.gif")
