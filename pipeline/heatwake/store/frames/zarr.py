"""A Zarr array on disk, of version 2 or 3; every piece is unpacked into the room that its metadata declare.

Not by zarr-python (3.1.6 was tried), though sizes can be checked in the metadata before it reads: what a piece unpacks
to is not held to them. A piece of 33 kB that stands for 16 x 16 pixels and holds a gigabyte of zeros (zstd) took it a
gigabyte of memory, packed with gzip two, before it was refused.
"""

import json
import math
import re
import stat
import zlib
from dataclasses import dataclass
from functools import partial
from itertools import product
from pathlib import Path
from typing import Any, Final

import imagecodecs
import numpy as np
import numpy.typing as npt

from heatwake.errors import InputError, one_line, shorten
from heatwake.schema.settings import LONG
from heatwake.store.frames.bounds import MOST_FRAMES, require_chunk, require_stack
from heatwake.store.frames.choice import TIME_NAMES, Packing, choose, frame_order, own_times, packing, unit_of
from heatwake.store.frames.recording import Array, OwnTimes, Recording

ZARR_MARKS: Final = (".zarray", ".zgroup", "zarr.json")
MOST_BYTES: Final = 2**24  # of metadata
MOST_ARRAYS: Final = 10_000
NUMBER: Final = re.compile(r"([<>|])([uif])([1248])$")
CODECS: Final = ("zlib", "gzip", "zstd", "blosc", "lz4")
SUM_BYTES: Final = 4  # of a CRC32C, which stands behind a piece
WANTED: Final = "must be a whole Zarr array of numbers"


@dataclass(frozen=True)
class Stored:
    """One array as its metadata tell (Zarr specification, versions 2 and 3).

    Attributes
    ----------
    folder : Path
    shape, chunks : tuple of int
    dtype : numpy dtype
    codecs : tuple of str
        In the order in which a piece was made; ``crc32c`` is passed over.
    prefix, separator : str
        Of a piece's name: ``c/0/1/2``, ``0.1.2``.
    fill : float
        Of pieces that are not there.
    order : str
        ``C`` or ``F``, within a piece.
    dims : tuple of str
    attributes : dict
    """

    folder: Path
    shape: tuple[int, ...]
    chunks: tuple[int, ...]
    dtype: np.dtype[Any]
    codecs: tuple[str, ...]
    prefix: str
    separator: str
    fill: float
    order: str
    dims: tuple[str, ...]
    attributes: dict[str, Any]


def open_zarr(paths: list[Path], *, key: str, variable: str | None = None) -> Recording:
    """Open one array of a Zarr folder, itself an array or a group of some.

    Raises
    ------
    InputError
        The metadata are damaged, the array is not there, or is coded in a way that is not read.
    """
    folder, where = paths[0], f"{key}: {paths[0]}"
    try:
        return _describe(folder, variable=variable, where=where, key=key)
    except InputError:
        raise
    except Exception as error:  # metadata may hold anything anywhere
        raise _unreadable(where, error) from None


def stacks_in_zarr(path: Path, *, key: str) -> list[str]:
    """Return the names of the stacks of frames in a folder."""
    where = f"{key}: {path}"
    try:
        return [name for name, one in _arrays(path, where=where).items() if one is not None and len(one.shape) == 3]
    except InputError:
        raise
    except Exception as error:
        raise _unreadable(where, error) from None


def _describe(folder: Path, *, variable: str | None, where: str, key: str) -> Recording:
    arrays = _arrays(folder, where=where)
    if list(arrays) == ["."] and variable is None:
        variable = "."
    stacks = [name for name, one in arrays.items() if one is not None and len(one.shape) == 3]
    name = choose(variable and (variable.strip("/") or "."), found=list(arrays), fit=stacks, where=where)
    chosen = arrays[name]
    if chosen is None:
        raise InputError(f"{where}: {name}", "no array of numbers", WANTED)
    require_chunk(chosen.chunks, chosen.dtype, where=f"{where}: {name}")
    order = frame_order(chosen.dims, {dim: one.attributes for dim in chosen.dims if (one := arrays.get(dim))})
    count, rows, columns = (chosen.shape[place] for place in order)
    require_stack((count, rows, columns), where=f"{where}: {name}")
    packed = packing(chosen.attributes, where=f"{where}: {name}")
    return Recording(
        (count, rows, columns),
        packed.dtype(chosen.dtype.newbyteorder("=")),
        partial(_read, chosen, order, packed, key),
        np.arange(count),
        _files(folder, chosen, arrays),
        times=_times(arrays, chosen.dims[order[0]], count=count, where=where),
        unit=unit_of(chosen.attributes),
    )


def _files(folder: Path, chosen: Stored, arrays: dict[str, Stored | None]) -> tuple[Path, ...]:
    """Return what the recording is made of: its own pieces and metadata, and what may be its times."""
    folders = {chosen.folder, *(one.folder for name, one in arrays.items() if one and len(one.shape) == 1 and name)}
    files = {path for place in folders for path in place.rglob("*") if path.is_file()}
    return tuple(sorted(files | {path for path in folder.iterdir() if path.is_file()}))


def _arrays(folder: Path, *, where: str) -> dict[str, Stored | None]:
    """Return every array by its path; None for one that is not of numbers or coded otherwise than is read."""
    found: dict[str, Stored | None] = {}
    for mark in (".zarray", "zarr.json"):
        for path in sorted(folder.rglob(mark)):
            described = _json(path)
            if mark == "zarr.json" and described.get("node_type") != "array":
                continue
            name = str(path.parent.relative_to(folder))
            read = _version_2 if mark == ".zarray" else _version_3
            try:
                found[name] = read(path.parent, described)
            except _UnreadError as error:
                if len(described.get("shape", ())) == 3:
                    raise InputError(f"{where}: {name}", str(error), WANTED) from None
                found[name] = None
            if len(found) > MOST_ARRAYS:
                raise ValueError(f"more than {MOST_ARRAYS} arrays")
    return found


class _UnreadError(Exception):
    """Coded in a way that is not read; says how."""


def _json(path: Path) -> dict[str, Any]:
    if path.stat().st_size > MOST_BYTES:
        raise ValueError(f"{path.name} of more than {MOST_BYTES // 2**20} MiB")
    content = json.loads(path.read_text(encoding="utf-8"))
    if not isinstance(content, dict):
        raise TypeError(f"{path.name} holds no table")
    return content


def _version_2(folder: Path, described: dict[str, Any]) -> Stored:
    attributes = _json(folder / ".zattrs") if (folder / ".zattrs").is_file() else {}
    matched = NUMBER.match(str(described["dtype"]))
    if matched is None:
        raise _UnreadError(f"of {described['dtype']}")
    if described.get("filters"):
        raise _UnreadError(f"filtered by {shorten(str(described['filters']), LONG)}")
    packer = described.get("compressor")
    dims = attributes.pop("_ARRAY_DIMENSIONS", None)
    fill = described.get("fill_value")
    if fill is not None and "_FillValue" not in attributes and "scale_factor" in attributes:
        attributes["_FillValue"] = fill
    return _stored(
        folder,
        described,
        chunks=described["chunks"],
        dtype=np.dtype(matched.group()),
        codecs=(str(packer["id"]),) if packer else (),
        key=("", str(described.get("dimension_separator", "."))),
        order=str(described.get("order", "C")),
        dims=dims,
        attributes=attributes,
    )


def _version_3(folder: Path, described: dict[str, Any]) -> Stored:
    matched = re.match(r"(u?int|float)(8|16|32|64)$", str(described["data_type"]))
    if matched is None:
        raise _UnreadError(f"of {described['data_type']}")
    if described["chunk_grid"]["name"] != "regular":
        raise _UnreadError("in pieces of several sizes")
    dtype, codecs = np.dtype(matched.group()), []
    for codec in described["codecs"]:
        name = str(codec["name"])
        if name == "bytes":
            endian = codec.get("configuration", {}).get("endian", "little")
            dtype = dtype.newbyteorder(">" if endian == "big" else "<")
        elif name == "transpose" and list(codec["configuration"]["order"]) != sorted(codec["configuration"]["order"]):
            raise _UnreadError("transposed within its pieces")
        elif name != "transpose":
            codecs.append(name)
    naming = described.get("chunk_key_encoding", {})
    is_default = naming.get("name", "default") == "default"
    separator = naming.get("configuration", {}).get("separator", "/" if is_default else ".")
    return _stored(
        folder,
        described,
        chunks=described["chunk_grid"]["configuration"]["chunk_shape"],
        dtype=dtype,
        codecs=tuple(codecs),
        key=("c" if is_default else "", str(separator)),
        order="C",
        dims=described.get("dimension_names"),
        attributes=described.get("attributes", {}),
    )


def _stored(
    folder: Path,
    described: dict[str, Any],
    *,
    chunks: Any,
    dtype: np.dtype[Any],
    codecs: tuple[str, ...],
    key: tuple[str, str],
    order: str,
    dims: Any,
    attributes: dict[str, Any],
) -> Stored:
    """Return an array's metadata, checked."""
    shape, chunks = tuple(int(size) for size in described["shape"]), tuple(int(size) for size in chunks)
    if len(shape) != len(chunks) or min(shape, default=0) < 0 or min(chunks, default=1) < 1 or order not in "CF":
        raise ValueError(f"shape {shape} in pieces of {chunks}")
    for codec in codecs:
        if codec not in (*CODECS, "crc32c"):
            raise _UnreadError(f"coded with {shorten(codec, LONG)}")
    if key[1] not in {".", "/"}:
        raise ValueError("a separator that is none")
    fill = described.get("fill_value")
    known = [str(dim) for dim in dims] if isinstance(dims, list) and len(dims) == len(shape) else [""] * len(shape)
    return Stored(
        folder,
        shape,
        chunks,
        dtype,
        codecs,
        *key,
        0.0 if fill is None else float(fill),
        order,
        tuple(known),
        attributes,
    )


def _times(arrays: dict[str, Stored | None], dim: str, *, count: int, where: str) -> OwnTimes | None:
    for name in (dim, *TIME_NAMES):
        one = arrays.get(name)
        if one is None or one.shape != (count,) or count > MOST_FRAMES:
            continue
        require_chunk(one.chunks, one.dtype, where=f"{where}: {name}")
        values = _block(one, (slice(0, count),))
        if (times := own_times(values, one.attributes, where=f"{where}: {name}")) is not None:
            return times
    return None


def _read(
    stored: Stored, order: tuple[int, int, int], packed: Packing, key: str, numbers: npt.NDArray[np.int64]
) -> Array:
    """Return frames; those of one reach are read together, whatever the step."""
    first, last = int(numbers[0]), int(numbers[-1])
    reach = [slice(0, size) for size in stored.shape]
    reach[order[0]] = slice(first, last + 1)
    try:
        if len(numbers) > 1 and last - first + 1 > 2 * len(numbers):
            return np.concatenate([_read(stored, order, packed, key, numbers[n : n + 1]) for n in range(len(numbers))])
        frames = _block(stored, tuple(reach)).transpose(order)
        frames = frames if len(frames) == len(numbers) else frames[numbers - first]
    except InputError:
        raise
    except Exception as error:  # each codec has its own exception
        raise _unreadable(f"{key}: {stored.folder}", error) from None
    return packed.unpack(np.ascontiguousarray(frames))


def _block(stored: Stored, reach: tuple[slice, ...]) -> Array:
    """Return a part of an array, from all pieces that it touches."""
    dtype = stored.dtype.newbyteorder("=")
    block = np.empty([part.stop - part.start for part in reach], dtype=dtype)
    touched = [
        range(part.start // size, -(-part.stop // size)) for part, size in zip(reach, stored.chunks, strict=True)
    ]
    for place in product(*touched):
        into, of = [], []
        for number, size, part in zip(place, stored.chunks, reach, strict=True):
            start, stop = max(part.start, number * size), min(part.stop, (number + 1) * size)
            into.append(slice(start - part.start, stop - part.start))
            of.append(slice(start - number * size, stop - number * size))
        piece = _piece(stored, place)
        block[tuple(into)] = stored.fill if piece is None else piece[tuple(of)]
    return block


def _piece(stored: Stored, place: tuple[int, ...]) -> Array | None:
    """Return one piece; None where it was never written."""
    parts = ([stored.prefix] if stored.prefix else []) + [str(number) for number in place]
    path = stored.folder / stored.separator.join(parts)
    try:
        about = path.lstat()
    except OSError:
        return None
    if not stat.S_ISREG(about.st_mode):
        return None
    size = math.prod(stored.chunks) * stored.dtype.itemsize
    if about.st_size > 2 * size + 2**16:
        raise ValueError(f"piece {path.name} is larger than what it holds")
    content = path.read_bytes()
    for codec in reversed(stored.codecs):
        content = _unpacked(content, codec, size=size)
    if len(content) != size:
        raise ValueError(f"piece {path.name} holds {len(content)} bytes instead of {size}")
    return np.frombuffer(content, dtype=stored.dtype).reshape(stored.chunks, order="F" if stored.order == "F" else "C")


def _unpacked(content: bytes, codec: str, *, size: int) -> bytes:
    """Return what was packed: ``size`` bytes, and never more than a few beyond."""
    if codec == "crc32c":
        return content[:-SUM_BYTES]
    if codec in {"zlib", "gzip"}:
        return zlib.decompressobj(wbits=47).decompress(content, size + SUM_BYTES)
    more = {"header": True} if codec == "lz4" else {}
    return bytes(getattr(imagecodecs, f"{codec}_decode")(content, out=size + SUM_BYTES, **more))


def _unreadable(where: str, error: Exception) -> InputError:
    return InputError(where, f"unreadable ({shorten(one_line(str(error) or type(error).__name__), LONG)})", WANTED)
