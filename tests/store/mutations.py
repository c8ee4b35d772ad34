"""Frame files damaged at random: each is read, or refused in one line, quickly and in bounded memory.

As a script it runs for longer than the tests do::

    PYTHONPATH=tests python -m store.mutations --cases 20000 --kinds tif mkv
"""

import argparse
import resource
import shutil
import signal
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import cv2
import netCDF4
import numpy as np
import tifffile
from PIL import Image
from scipy.io import netcdf_file

from heatwake.errors import HeatwakeError
from heatwake.schema.session import Palette
from heatwake.store.frames import open_recording
from store.videos import BAR, SCENE, coloured, encode, warm_scene

STACK = (12000 + 100 * np.arange(3)[:, None, None] + 10 * np.arange(12)[:, None] + np.arange(14)).astype(np.uint16)
LONGEST_S = 20
ODD = (0, 1, 0x7F, 0x80, 0xFF, 0xFFFF, 0x7FFF, 0x8000, 0xFFFFFFFF, 0x7FFFFFFF, 0x80000000, 2**63 - 1, 2**64 - 1)
PALETTE = Palette(bar_px=BAR, image_px=SCENE, limits=(20.0, 120.0))
ELSEWHERE = Path(__file__).parent / "written_elsewhere"


def samples(folder: Path) -> dict[str, Path]:
    """Write one small sound recording of each kind."""
    tifffile.imwrite(folder / "plain.tif", STACK, photometric="minisblack")
    tifffile.imwrite(folder / "zlib.tif", STACK, photometric="minisblack", compression="zlib", predictor=True)
    tifffile.imwrite(
        folder / "lzw.tif", STACK, photometric="minisblack", compression="lzw", bigtiff=True, tile=(16, 16)
    )
    cv2.imwrite(str(folder / "a.png"), STACK[0])
    np.save(folder / "a.npy", STACK)
    np.savez(folder / "plain.npz", T=STACK, time=np.arange(3.0))
    np.savez_compressed(folder / "packed.npz", T=STACK, time=np.arange(3.0))
    np.savetxt(folder / "a.csv", STACK[0] / 100, delimiter=";", header="one;two", comments="")
    with netcdf_file(folder / "three.nc", "w") as file:
        for name, size in zip("tyx", STACK.shape, strict=True):
            file.createDimension(name, size)
        file.createVariable("T", "f4", ("t", "y", "x"))[:] = STACK
        file.createVariable("t", "f8", ("t",))[:] = np.arange(3.0)
    with netCDF4.Dataset(folder / "four.nc", "w") as file:
        for name, size in zip("tyx", STACK.shape, strict=True):
            file.createDimension(name, size)
        packed = file.createVariable("T", "i2", ("t", "y", "x"), zlib=True, fill_value=-1, chunksizes=(1, 12, 14))
        packed.scale_factor, packed.add_offset = 0.01, 1.0
        packed[:] = STACK / 100
        clock = file.createVariable("t", "f8", ("t",))
        clock.units = "seconds since 2026-03-04"
        clock[:] = np.arange(3.0)
    shutil.copy(ELSEWHERE / "recording.h5", folder / "a.h5")
    for name in ("version2.zarr", "version3.zarr"):
        shutil.copytree(ELSEWHERE / name, folder / name)
    encode(
        folder / "grey.mkv", np.pad(STACK, ((0, 0), (2, 2), (1, 1))), codec="ffv1", pixels="gray16le", kind="gray16le"
    )
    pictures, _ = coloured(warm_scene(3), "inferno")
    for name, codec, pixels in (
        ("a.mp4", "libx264", "yuv420p"),
        ("a.avi", "mjpeg", "yuvj420p"),
        ("a.webm", "libvpx-vp9", "yuv420p"),
        ("a.mov", "png", "rgb24"),
    ):
        encode(folder / name, pictures, codec=codec, pixels=pixels)
    pages = [Image.fromarray(picture).quantize(256, dither=Image.Dither.NONE) for picture in pictures]
    pages[0].save(folder / "a.gif", save_all=True, append_images=pages[1:], duration=100)
    return {path.name: path for path in sorted(folder.iterdir())}


def mutated(content: bytes, rng: np.random.Generator) -> bytes:
    """Return a file's bytes with up to six places changed, put in, doubled, dropped, or the end cut off."""
    data = bytearray(content)
    head = min(len(data), 512) if rng.random() < 0.6 else len(data)  # heads decide most
    for _ in range(int(rng.integers(1, 7))):
        place = int(rng.integers(0, max(1, min(head, len(data)))))
        match int(rng.integers(0, 7)):
            case 0:
                data[place : place + 1] = bytes([int(rng.integers(0, 256))])
            case 1 if place < len(data):
                data[place] ^= 1 << int(rng.integers(0, 8))
            case 2:
                size = int(rng.choice([1, 2, 4, 8]))
                odd = ODD[int(rng.integers(0, len(ODD)))] & (2 ** (8 * size) - 1)
                data[place : place + size] = odd.to_bytes(size, "little" if rng.random() < 0.5 else "big")
            case 3:
                data[place:place] = rng.bytes(int(rng.integers(1, 9)))
            case 4:
                length = int(rng.integers(1, 65))
                data[place:place] = data[place : place + length]
            case 5:
                del data[place : place + int(rng.integers(1, 65))]
            case _ if rng.random() < 0.2:
                del data[int(rng.integers(0, max(1, len(data)))) :]
    return bytes(data)


def damaged(sound: Path, target: Path, rng: np.random.Generator) -> None:
    """Write a damaged copy of a recording: one of its files, where it is a folder."""
    if sound.is_file():
        target.write_bytes(mutated(sound.read_bytes(), rng))
        return
    if not target.exists():
        shutil.copytree(sound, target)
    files = _files(sound)
    for name, content in files.items():
        if (target / name).read_bytes() != content:  # damaged by the case before
            (target / name).write_bytes(content)
    described = [name for name in files if name.suffix == ".json" or name.name.startswith(".z")]
    chosen = described if rng.random() < 0.5 else [*files]
    one = chosen[int(rng.integers(0, len(chosen)))]
    (target / one).write_bytes(mutated(files[one], rng))


@cache
def _files(folder: Path) -> dict[Path, bytes]:
    """Return what is in the files of a folder that hold something."""
    found = sorted(path for path in folder.rglob("*") if path.is_file() and path.stat().st_size)
    return {path.relative_to(folder): path.read_bytes() for path in found}


def read(path: Path) -> None:
    """Open a recording and read some of its frames."""
    takes_palette = path.suffix in {".mp4", ".avi", ".webm", ".mov", ".gif"}
    named = "T" if path.suffix in {".zarr", ".npz", ".nc"} else None
    recording = open_recording(
        path.name, folder=path.parent, key="k", variable=named, palette=PALETTE if takes_palette else None
    )
    count = recording.shape[0]
    for start in sorted({0, count // 2, max(count - 2, 0)}):
        recording.read(start, min(start + 2, count))


@contextmanager
def within(seconds: int) -> Iterator[None]:
    """Stop what takes longer."""

    def stop(*_: object) -> None:
        raise TimeoutError(f"longer than {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def is_read_or_refused(path: Path) -> bool:
    """Read it; anything but success or one line, in time, is an error."""
    try:
        with within(LONGEST_S):
            read(path)
    except HeatwakeError as error:
        line = str(error)
        if not line.isprintable() or len(line) > 2000:
            raise AssertionError(f"not one line: {line!r}") from error
        return False
    return True


def run(sound: Path, folder: Path, *, cases: int, seed: int) -> tuple[int, int]:
    """Read damaged copies of a recording; return how many were read and how many refused.

    Raises
    ------
    Exception
        What a reader let through; the file is left in the folder.
    """
    target = folder / f"{sound.stem}-damaged{sound.suffix}"
    counts = [0, 0]
    for case in range(cases):
        rng = np.random.default_rng([seed, case])
        damaged(sound, target, rng)
        counts[is_read_or_refused(target)] += 1
    return counts[1], counts[0]


def peak() -> int:
    """Return the peak of this process's memory [bytes]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def main() -> None:
    """Run for as long as asked, and say what happened."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=2000, help="damaged copies of each recording")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", nargs="*", default=[], help="suffixes, without the dot")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for sample, path in samples(folder).items():
            if given.kinds and path.suffix[1:] not in given.kinds:
                continue
            place = folder / "damaged"
            place.mkdir(exist_ok=True)
            done, refused = run(path, place, cases=given.cases, seed=given.seed)
            sys.stdout.write(f"{sample:16} read {done:6} refused {refused:6} peak {peak() / 2**20:6.0f} MiB\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
