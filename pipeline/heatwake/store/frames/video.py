"""Video: 16-bit grey without loss, or ordinary colour with a colour bar; decoded onwards from a key frame."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import av
import numpy as np
import numpy.typing as npt

from heatwake.errors import InputError, one_line, shorten
from heatwake.schema.session import Palette
from heatwake.schema.settings import LONG
from heatwake.store.frames.bounds import MOST_FRAMES, MOST_PIXELS, require_frame_size
from heatwake.store.frames.colour_codes import Native, colour_codes
from heatwake.store.frames.cursors import Cursors
from heatwake.store.frames.recording import Array, OwnTimes, Recording

# The container by the suffix, never by the content: a text file that passes for a video may name other files.
CONTAINERS: Final = {
    **dict.fromkeys((".mkv", ".webm"), "matroska"),
    **dict.fromkeys((".mp4", ".m4v", ".mov"), "mov"),
    ".avi": "avi",
    ".gif": "gif",
}
CODES: Final = "codes"  # a kind of pixels: colours as they are decoded, see colour_codes
GREY: Final = ("gray16le", "gray16be")
LOSSLESS_GREY: Final = ("ffv1",)
WANTED: Final = "must be a whole video file"

Box = tuple[int, int, int, int]


def open_video(paths: list[Path], *, key: str, palette: Palette | None = None) -> Recording:
    """Open a video; colours are read by its colour bar, see :mod:`heatwake.store.frames.colour`.

    Its times are those that it shows frames at.

    Raises
    ------
    InputError
        It is damaged, or is colour video without a palette, or the palette cannot be read.
    """
    path, where = paths[0], f"{key}: {paths[0]}"
    if len(paths) > 1:
        raise InputError(key, f"{len(paths)} videos", "must be one file that holds all frames")
    try:
        index, seconds, (rows, columns), kind = _index(path)
    except Exception as error:  # a damaged file fails in many ways
        raise unreadable(where, error) from None
    require_frame_size(rows, columns, where=where)
    if not len(index):
        raise InputError(where, "a video without frames", WANTED)
    times = OwnTimes(seconds, None, f"{where}: its own times")
    if kind in GREY:
        if palette is not None:
            raise InputError("palette", "given", f"must be left out: {path} is grey video of 16 bits")
        read = partial(read_video, path, key, "gray16le", (0, 0, columns, rows))
        return Recording((len(index), rows, columns), np.dtype(np.uint16), read, index, (path,), times=times)
    if palette is None:
        found = f"colour video ({kind})"
        raise InputError(where, found, "must come with a table [palette], or be 16-bit grey coded with FFV1")
    from heatwake.store.frames.colour import open_colour

    return open_colour(
        path,
        palette,
        index=index,
        shape=(rows, columns),
        times=times,
        subsampled="420" in kind or "422" in kind,
        key=key,
    )


@dataclass(frozen=True)
class VideoFacts:
    """Frames, rows and columns of a video, its pixel format in words, whether it is of colours, and its times."""

    shape: tuple[int, int, int]
    kind: str
    is_colour: bool
    times: OwnTimes


def video_facts(path: Path, *, key: str) -> VideoFacts:
    """Look at a video without decoding it.

    Raises
    ------
    InputError
        It is damaged.
    """
    where = f"{key}: {path}"
    try:
        index, seconds, (rows, columns), kind = _index(path)
    except Exception as error:  # a damaged file fails in many ways
        raise unreadable(where, error) from None
    times = OwnTimes(seconds, None, f"{where}: its own times")
    colour = kind not in GREY
    return VideoFacts((len(index), rows, columns), f"{'colour' if colour else 'grey'} video ({kind})", colour, times)


def _open(path: Path) -> tuple[Any, Any]:
    """Return container and video stream, with one thread and frames of bounded size."""
    options = {"protocol_whitelist": "file", "max_streams": "16"}
    container = av.open(str(path.absolute()), format=CONTAINERS[path.suffix.lower()], options=options)
    if not container.streams.video:
        container.close()
        raise ValueError("no video in it")
    stream = container.streams.video[0]
    stream.codec_context.options = {"max_pixels": str(MOST_PIXELS), "threads": "1"}
    return container, stream


def _index(path: Path) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64], tuple[int, int], str]:
    """Return each frame's place in the order shown, their times [s], size and pixel format.

    A place is its number, its time stamp, and the number of the key frame that decoding it has to begin at. Nothing is
    decoded: packets tell.
    """
    container, stream = _open(path)
    with container:
        context = stream.codec_context
        size, kind, base = (context.height, context.width), str(context.pix_fmt), float(stream.time_base)
        stamps, keys = [], []
        for packet in container.demux(stream):
            if packet.size and not packet.is_discard:
                stamps.append(packet.pts if packet.pts is not None else packet.dts)
                keys.append(packet.is_keyframe)
            if len(stamps) > MOST_FRAMES:
                raise ValueError(f"more than {MOST_FRAMES} frames")
        if any(stamp is None for stamp in stamps):
            raise ValueError("frames without times")
        # in AVI stamps count pictures as they are stored; where those are reordered only their number in turn counts
        counted = path.suffix.lower() == ".avi" and context.has_b_frames
    order = np.argsort(np.array(stamps, dtype=np.int64), kind="stable")
    shown = np.array(stamps, dtype=np.int64)[order]
    numbers = np.arange(len(shown))
    begins = np.maximum.accumulate(np.where(np.array(keys, dtype=bool)[order], numbers, 0))
    places = [numbers, np.full_like(numbers, -1), np.zeros_like(numbers)] if counted else [numbers, shown, begins]
    seconds = (shown - shown[:1]) * base
    return np.stack(places, axis=1), seconds.astype(np.float64), size, kind


class _Decoder:
    """A video that is being decoded."""

    def __init__(self, path: Path, kind: str, box: Box) -> None:
        self._kind, self._box = kind, box
        self._container, self._stream = _open(path)
        self._frames = self._container.decode(self._stream)
        self._format = ""
        self.position = 0

    def read(self, place: Sequence[int]) -> Array:
        """Return a frame, as ``kind`` and cut to ``box``, by its place."""
        number, stamp, begin = place
        if begin > self.position:
            self._container.seek(stamp, stream=self._stream, backward=True)
            self._frames = self._container.decode(self._stream)
        frame = self._next(stamp) if stamp >= 0 else self._count(number)
        self.position = number + 1
        if frame.is_corrupt:
            raise ValueError(f"frame {number} is damaged")
        self._format = self._format or frame.format.name
        if frame.format.name != self._format:
            raise ValueError(f"frame {number} is of {frame.format.name}, those before of {self._format}")
        left, top, right, bottom = self._box
        if right > frame.width or bottom > frame.height:
            raise ValueError(f"frame {number} is {frame.width}x{frame.height} pixels")
        picture = colour_codes(frame) if self._kind == CODES else frame.to_ndarray(format=self._kind)
        return np.asarray(picture[top:bottom, left:right])

    def _next(self, stamp: int) -> Any:
        """Return the frame of a time stamp."""
        for frame in self._frames:
            if frame.pts is not None and frame.pts >= stamp:
                if frame.pts > stamp:
                    raise ValueError(f"the frame at time stamp {stamp} is missing")
                return frame
        raise ValueError(f"the frame at time stamp {stamp} is missing")

    def _count(self, number: int) -> Any:
        """Return a frame by its number in turn."""
        for frame in self._frames:
            self.position += 1
            if self.position > number:
                return frame
        raise ValueError(f"frame {number} is missing")

    def close(self) -> None:
        """Give its buffers back."""
        with suppress(Exception):
            self._container.close()


CURSORS: Final = Cursors(_Decoder, start=lambda place: place[2])


def read_video(path: Path, key: str, kind: str, box: Box, index: npt.NDArray[np.int64]) -> Array:
    """Return frames as pixels of a kind, cut to a box (left, top, right, bottom)."""
    try:
        return CURSORS.read(path, index, kind, box)
    except Exception as error:  # each decoder has its own
        raise unreadable(f"{key}: {path}", error) from None


def native_colours(path: Path, key: str) -> Native:
    """Return how a video's first frame codes its colours."""
    try:
        container, stream = _open(path)
        with container:
            return Native.of(next(container.decode(stream)))
    except Exception as error:  # each decoder has its own
        raise unreadable(f"{key}: {path}", error) from None


def unreadable(where: str, error: Exception) -> InputError:
    """Return what is told of a video that cannot be decoded."""
    detail = shorten(one_line(str(error) or type(error).__name__), LONG)
    return InputError(where, f"unreadable ({detail})", WANTED)
