"""What reading costs beside the library below it: ``PYTHONPATH=tests python tests/benchmarks/readers.py``.

Both sides read all frames in blocks as a run does, in turns; the ratio is of the medians of the turns. Recordings are
of noise over a warm board, 320x240 pixels, and are made anew. For colour video the library's side is decoding to RGB;
what remains is finding places on the palette.
"""

import argparse
import json
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import av
import cv2
import imagecodecs
import netCDF4
import numpy as np
import pandas as pd
import tifffile

from heatwake.schema.session import Palette
from heatwake.store.frames import Recording, open_recording
from store.videos import BAR, SCENE, coloured, encode, warm_scene

SHAPE = (240, 320)
BLOCK = 2**24 // (2 * SHAPE[0] * SHAPE[1])  # frames, as a run reads them


def frames_of(count: int) -> np.ndarray:
    """Return levels of 0.01 K: a warm board with noise of 50 mK."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    warm = 12300 + 2000 * np.exp(-((x - 150) ** 2 + (y - 120) ** 2) / 3000)
    return np.stack([np.round(warm + rng.normal(0, 5, SHAPE)) for _ in range(count)]).astype(np.uint16)


def blocks(count: int) -> list[slice]:
    """Return slices of as many frames."""
    return [slice(start, min(start + BLOCK, count)) for start in range(0, count, BLOCK)]


def of_tiff(path: Path, count: int) -> None:
    """Read pages by tifffile."""
    for block in blocks(count):
        tifffile.imread(path, key=block)


def of_npz(path: Path, count: int) -> None:
    """Read the whole array by NumPy: it has no other way."""
    with np.load(path) as file:
        file["T"][:count]


def of_npy(path: Path, count: int) -> None:
    """Copy blocks of a memory map."""
    mapped = np.load(path, mmap_mode="r")
    for block in blocks(count):
        np.array(mapped[block])


def of_netcdf(path: Path, count: int) -> None:
    """Read blocks of a variable."""
    with netCDF4.Dataset(path) as file:
        variable = file["T"]
        variable.set_auto_maskandscale(False)
        for block in blocks(count):
            variable[block]


def of_hdf5(path: Path, count: int) -> None:
    """Read blocks of a data set by h5py where it is installed, else by netCDF4, which is what ours stands on."""
    try:
        import h5py
    except ImportError:
        of_netcdf(path, count)
        return
    with h5py.File(path) as file:
        for block in blocks(count):
            file["T"][block]


def of_zarr(path: Path, count: int) -> None:
    """Read and unpack pieces of a frame each, and put them where they belong: what any reader has to do."""
    for block in blocks(count):
        frames = np.empty((block.stop - block.start, *SHAPE), dtype="<u2")
        for frame, number in zip(frames, range(block.start, block.stop), strict=True):
            content = imagecodecs.zstd_decode((path / f"T/c/{number}/0/0").read_bytes())
            frame[...] = np.frombuffer(content, dtype="<u2").reshape(SHAPE)


def write_zarr(folder: Path, stack: np.ndarray) -> None:
    """Write a Zarr group (version 3) with one array in pieces of a frame, packed with zstd."""
    codecs = [{"name": "bytes", "configuration": {"endian": "little"}}, {"name": "zstd", "configuration": {"level": 0}}]
    array = {"zarr_format": 3, "node_type": "array", "shape": stack.shape, "data_type": "uint16", "codecs": codecs}
    array |= {"chunk_grid": {"name": "regular", "configuration": {"chunk_shape": [1, *SHAPE]}}, "fill_value": 0}
    array |= {"chunk_key_encoding": {"name": "default", "configuration": {"separator": "/"}}, "attributes": {}}
    for number, frame in enumerate(stack):
        piece = folder / f"T/c/{number}/0/0"
        piece.parent.mkdir(parents=True)
        piece.write_bytes(imagecodecs.zstd_encode(frame.tobytes()))
    (folder / "T/zarr.json").write_text(json.dumps(array))
    (folder / "zarr.json").write_text(json.dumps({"zarr_format": 3, "node_type": "group", "attributes": {}}))


def of_video(kind: str) -> Callable[[Path, int], None]:
    """Return a function that decodes a video to arrays of a kind."""

    def decode(path: Path, count: int) -> None:
        with av.open(str(path)) as container:
            container.streams.video[0].thread_count = 1
            for frame in container.decode(video=0):
                frame.to_ndarray(format=kind)

    return decode


def of_files(read: Callable[[Path], object]) -> Callable[[Path, int], None]:
    """Return a function that reads a series file by file."""

    def each(path: Path, count: int) -> None:
        for one in sorted(path.iterdir())[:count]:
            read(one)

    return each


def make(folder: Path, count: int) -> dict[str, tuple[Path, Callable[[Path, int], None], dict]]:
    """Write a recording of each kind; return it with the library's way to read it and what ours takes beside."""
    stack = frames_of(count)
    tifffile.imwrite(folder / "plain.tif", stack, photometric="minisblack")
    tifffile.imwrite(folder / "zlib.tif", stack, photometric="minisblack", compression="zlib")
    tifffile.imwrite(folder / "big.tif", stack, photometric="minisblack", compression="zlib", bigtiff=True)
    floats = stack[: count // 2].astype(np.float32) / 100 - 100
    tifffile.imwrite(folder / "float.tif", floats, photometric="minisblack", bigtiff=True)
    np.save(folder / "a.npy", stack)
    np.savez_compressed(folder / "a.npz", T=stack)
    with netCDF4.Dataset(folder / "a.nc", "w") as file:
        for name, size in zip("tyx", stack.shape, strict=True):
            file.createDimension(name, size)
        file.createVariable("T", "u2", ("t", "y", "x"), zlib=True, complevel=1, chunksizes=(1, *SHAPE))[:] = stack
    shutil.copy(folder / "a.nc", folder / "a.h5")  # NetCDF 4 is HDF5
    write_zarr(folder / "a.zarr", stack)
    (folder / "png").mkdir()
    (folder / "csv").mkdir()
    for number, frame in enumerate(stack):
        cv2.imwrite(str(folder / f"png/{number:04}.png"), frame)
        if number < count // 4:
            np.savetxt(folder / f"csv/{number:04}.csv", frame / 100 - 100, fmt="%.2f", delimiter=",")
    encode(folder / "grey.mkv", stack, codec="ffv1", pixels="gray16le", kind="gray16le")
    pictures, _ = coloured(warm_scene(count), "inferno")
    encode(folder / "colour.mp4", pictures, codec="libx264", pixels="yuv420p")
    palette = {"palette": Palette(bar_px=BAR, image_px=SCENE, limits=(20.0, 120.0))}
    return {
        "TIFF": (folder / "plain.tif", of_tiff, {}),
        "TIFF, zlib": (folder / "zlib.tif", of_tiff, {}),
        "BigTIFF, zlib": (folder / "big.tif", of_tiff, {}),
        "BigTIFF, float32": (folder / "float.tif", of_tiff, {}),
        "npy": (folder / "a.npy", of_npy, {}),
        "npz, packed": (folder / "a.npz", of_npz, {}),
        "NetCDF, zlib": (folder / "a.nc", of_netcdf, {}),
        "HDF5, zlib": (folder / "a.h5", of_hdf5, {"variable": "T"}),
        "Zarr, zstd": (folder / "a.zarr", of_zarr, {"variable": "T"}),
        "PNG": (folder / "png", of_files(lambda path: imagecodecs.png_decode(path.read_bytes())), {}),
        "CSV": (folder / "csv", of_files(lambda path: pd.read_csv(path, header=None, dtype=np.float32).to_numpy()), {}),
        "FFV1, grey": (folder / "grey.mkv", of_video("gray16le"), {}),
        "H.264, colour": (folder / "colour.mp4", of_video("rgb24"), palette),
    }


def seconds(work: Callable[[], object]) -> float:
    """Return what it takes of this process's time [s]: others may be at work."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def main() -> None:
    """Print a line a kind."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=200)
    parser.add_argument("--turns", type=int, default=5)
    given = parser.parse_args()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as name:
        for kind, (path, library, more) in make(Path(name), given.frames).items():
            sys.stdout.write(compare(kind, path, library, more=more, turns=given.turns) + "\n")
            sys.stdout.flush()


def compare(kind: str, path: Path, library: Callable[[Path, int], None], *, more: dict, turns: int) -> str:
    """Return a line on one kind."""

    def opened() -> Recording:
        return open_recording(path.name, folder=path.parent, key="k", **more)

    recording = opened()
    count = recording.shape[0]

    def ours() -> None:
        for block in blocks(count):
            recording.read(block.start, block.stop)

    taken = [(seconds(ours), seconds(lambda: library(path, count))) for _ in range(turns)]
    mine, theirs = np.median(taken, axis=0)
    line = f"{kind:16} ours {1e3 * mine / count:7.3f} ms a frame, library {1e3 * theirs / count:7.3f}"
    return f"{line}, ratio {mine / theirs:5.2f}; opening {seconds(opened):6.3f} s"


if __name__ == "__main__":
    main()
