"""Colours of a video's pictures as one number a pixel, as they are decoded: what each stands for is told afterwards.

A picture has many pixels and few colours. To make red, green and blue of every pixel costs several times the decoding;
here it is done once a colour.
"""

from dataclasses import dataclass
from typing import Any, Final

import av
import numpy as np
import numpy.typing as npt

Codes = npt.NDArray[np.uint32]

# A plane of luma and two of chroma, of eight bits; J stands for the full range of values.
PLANES: Final = ("yuv420p", "yuv422p", "yuv444p", "yuvj420p", "yuvj422p", "yuvj444p")
WIDE: Final = 1024  # of the pictures in which colours are converted


@dataclass(frozen=True)
class Native:
    """How colours are coded: the pixel format, and which matrix and range of values they were made with.

    Attributes
    ----------
    kind : str
        As FFmpeg names it.
    matrix, values : int
        As FFmpeg numbers them.
    """

    kind: str
    matrix: int
    values: int

    @classmethod
    def of(cls, frame: Any) -> "Native":
        """Return that of a decoded frame."""
        return cls(str(frame.format.name), int(frame.colorspace), int(frame.color_range))


def colour_codes(frame: Any) -> Codes:
    """Return a decoded frame's colours (rows, columns): three bytes in a number."""
    if frame.format.name not in PLANES:
        # four bytes, blue first, are one number but for the last
        return np.asarray(frame.to_ndarray(format="bgra").view("<u4")[..., 0] & np.uint32(0xFFFFFF))
    luma, blue, red = (_plane(plane) for plane in frame.planes[:3])
    chroma = blue.astype(np.uint16)
    chroma |= red.astype(np.uint16) << 8
    rows, columns = luma.shape
    for axis, wanted in ((1, columns), (0, rows)):
        times = -(-wanted // chroma.shape[axis])
        chroma = chroma if times == 1 else np.repeat(chroma, times, axis=axis)
    codes = chroma[:rows, :columns].astype(np.uint32)
    codes <<= 8
    codes |= luma
    return codes


def _plane(plane: Any) -> npt.NDArray[np.uint8]:
    return np.frombuffer(plane, dtype=np.uint8).reshape(plane.height, plane.line_size)[:, : plane.width]


def colours_of(codes: Codes, native: Native) -> npt.NDArray[np.uint8]:
    """Return red, green and blue (n, 3) of codes (n,)."""
    first, second, third = (((codes >> shift) & 255).astype(np.uint8) for shift in (0, 8, 16))
    if native.kind not in PLANES:
        return np.stack([third, second, first], axis=-1)
    rows = -(-len(codes) // WIDE)
    planes = np.zeros((3, rows * WIDE), dtype=np.uint8)
    planes[:, : len(codes)] = first, second, third
    full = "yuvj444p" if native.kind.startswith("yuvj") else "yuv444p"
    frame = av.VideoFrame.from_ndarray(planes.reshape(3, rows, WIDE), format=full)
    frame.colorspace, frame.color_range = native.matrix, native.values
    return np.asarray(frame.to_ndarray(format="rgb24").reshape(-1, 3)[: len(codes)])
