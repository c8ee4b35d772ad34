"""Peak memory against the length of a recording: ``python tests/benchmarks/memory.py [--frames 1000 20000]``.

Each run is a process of its own, data only. The long recording is the short one whose end is seen again and again, to
and fro: TIFF lets pages share their strips, so it takes hardly more disk, and each page is decoded anew.
"""

import argparse
import json
import shutil
import struct
import sys
import tempfile
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pandas as pd
import tifffile
from measure import run_once
from recordings import RATE, Wanted, cached, size
from rich.console import Console
from rich.table import Table

AGAIN = 100  # frames at the end that are seen again
TARGET = 1.2  # [GiB]
SHORT, LONG = 3, 4  # types of TIFF fields
FIRST = 4  # where the header says where the first directory is


def to_and_fro(count: int, *, of: int, again: int = AGAIN) -> list[int]:
    """Return the page of each frame: all in order, then the last ones backwards and forwards, none twice on end.

    Examples
    --------
    >>> to_and_fro(12, of=5, again=3)
    [0, 1, 2, 3, 4, 3, 2, 3, 4, 3, 2, 3]
    """
    order = list(range(min(count, of)))
    turn = [*range(of - 2, of - again - 1, -1), *range(of - again + 1, of)]
    while len(order) < count:
        order += turn
    return order[:count]


def write_shared(source: Path, target: Path, order: list[int]) -> None:
    """Write a classic TIFF whose pages are those of another in some order, each one's strips stored once."""
    with tifffile.TiffFile(source) as stack, target.open("wb") as out:
        out.write(struct.pack("<2sHI", b"II", 42, 0))
        places = {number: _copy_strips(stack, stack.pages[number], out) for number in sorted(set(order))}
        base = out.tell()
        length = len(_directory(stack.pages[0], places[order[0]], following=0))
        for position, number in enumerate(order, start=1):
            following = base + position * length if position < len(order) else 0
            out.write(_directory(stack.pages[0], places[number], following=following))
        out.seek(FIRST)
        out.write(struct.pack("<I", base))


def _copy_strips(stack: tifffile.TiffFile, page: tifffile.TiffPage, out: BinaryIO) -> tuple[int, int]:
    """Copy a page's strips; return what its directory says of their offsets and of their byte counts."""
    offsets = []
    for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True):
        stack.filehandle.seek(offset)
        offsets.append(out.tell())
        out.write(stack.filehandle.read(count) + bytes(count % 2))
    if len(offsets) == 1:  # a single number stands in the directory itself
        return offsets[0], page.databytecounts[0]
    here = out.tell()
    out.write(struct.pack(f"<{2 * len(offsets)}I", *offsets, *page.databytecounts))
    return here, here + 4 * len(offsets)


def _directory(like: tifffile.TiffPage, place: tuple[int, int], *, following: int) -> bytes:
    """Return a page's directory, in the tags of baseline TIFF 6.0."""
    strips = len(like.dataoffsets)
    fields = [
        (256, LONG, 1, like.shape[1]),
        (257, LONG, 1, like.shape[0]),
        (258, SHORT, 1, 16),
        (259, SHORT, 1, int(like.compression)),
        (262, SHORT, 1, 1),
        (273, LONG, strips, place[0]),
        (277, SHORT, 1, 1),
        (278, LONG, 1, like.rowsperstrip),
        (279, LONG, strips, place[1]),
    ]
    entries = b"".join(struct.pack("<HHII", *one) for one in fields)
    return struct.pack("<H", len(fields)) + entries + struct.pack("<I", following)


def long_session(cache: Path, wanted: Wanted, frames: int) -> Path:
    """Return the folder of a session of so many frames, made from a short recording if need be."""
    short = cached(cache, wanted)
    if frames == wanted.frames:
        return short
    folder = cache / f"{wanted.name}_as_{frames}"
    if not (folder / "session.toml").is_file():
        folder.mkdir(parents=True, exist_ok=True)
        write_shared(short / "frames.tif", folder / "frames.tif", to_and_fro(frames, of=wanted.frames))
        times = pd.DataFrame({"time": np.arange(frames) / RATE})
        times.to_csv(folder / "times.csv", index=False, float_format="%.4f")
        for name in ("ambient.csv", "parts.csv", "session.toml"):
            shutil.copy(short / name, folder / name)
    return folder


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--frames", type=int, nargs="+", default=[1000, 20000], help="the first is recorded")
    parser.add_argument("--size", type=size, default=(640, 512))
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "heatwake_benchmarks")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    wanted = Wanted(*asked.size, asked.frames[0])
    table = Table("frames", "peak memory", "growth", "target", "seconds", title="One worker, data only")
    peaks: dict[int, float] = {}
    for frames in asked.frames:
        session = long_session(asked.cache, wanted, frames)
        with tempfile.TemporaryDirectory() as scratch:
            run = run_once([session], scratch=Path(scratch) / "run")
        peaks[frames] = run.peak / 2**30
        growth = f"{peaks[frames] - peaks[asked.frames[0]]:+.3f} GiB"
        table.add_row(str(frames), f"{peaks[frames]:.3f} GiB", growth, f"<= {TARGET} GiB", f"{run.inside:.0f}")
    Console(width=None if sys.stdout.isatty() else 100).print(table)
    if asked.json:
        asked.json.write_text(json.dumps({"peak_GiB": peaks}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
