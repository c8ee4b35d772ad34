"""H.264 in MP4; a sheet of stills where no encoder is present."""

from collections.abc import Iterable
from fractions import Fraction
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Final

import av
import cv2
import numpy as np
import numpy.typing as npt
from av.codec import Codec
from av.codec.codec import UnknownCodecError

from heatwake.store.results import whole_file, write_bytes

LARGEST: Final = 20_000_000  # [byte]
ENCODER: Final = "libx264"
_STILLS: Final = 8  # of a sheet, two in a row
_ROOM: Final = 0.85  # of the rate, for what a rate control does not hold to


@cache
def has_encoder() -> bool:
    """Tell whether films can be made here."""
    try:
        Codec(ENCODER, "w")
    except UnknownCodecError:
        return False
    return True


def movie_name(name: str) -> str:
    """Return the file's name: MP4, or PNG where no encoder is present."""
    return f"{name}.mp4" if has_encoder() else f"{name}.png"


def write_movie(path: Path, frames: Iterable[npt.NDArray[np.uint8]], *, rate: int, count: int) -> None:
    """Encode RGB frames (rows, columns, 3), rows and columns even, at ``rate`` frames a second.

    A name that ends in ``.png`` gets a sheet of stills.

    Parameters
    ----------
    path : Path
    frames : iterable of arrays
    rate : int
    count : int
        How many frames will come: the file stays below ``LARGEST`` however long it is.
    """
    if path.suffix == ".png":
        write_bytes(path, _sheet(frames, count))
        return
    most = int(LARGEST * 8 * _ROOM * rate / max(count, rate))  # [bit/s]
    with whole_file(path) as partial, av.open(str(partial), "w", format="mp4") as container:
        stream = container.add_stream(ENCODER, rate=Fraction(rate))
        # A fixed number of threads and bit-exact muxing: the same run gives the same file. They work while the next
        # frames are drawn.
        stream.options = {
            **{"crf": "23", "preset": "veryfast", "threads": "2"},
            **{"maxrate": str(most), "bufsize": str(most)},
        }
        stream.pix_fmt = "yuv420p"
        for frame in frames:
            if not stream.codec_context.is_open:
                stream.height, stream.width = frame.shape[:2]
            planes = cv2.cvtColor(frame, cv2.COLOR_RGB2YUV_I420)  # a third of what the library takes for the same
            for packet in stream.encode(av.VideoFrame.from_ndarray(planes, format="yuv420p")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


def _sheet(frames: Iterable[npt.NDArray[np.uint8]], count: int) -> bytes:
    """Return a few of the frames, evenly spread and the last among them, as PNG."""
    chosen = set(np.round(np.linspace(0, count - 1, min(_STILLS, count))).astype(int).tolist())
    taken = [frame for number, frame in enumerate(islice(frames, count)) if number in chosen]
    if len(taken) % 2:
        taken.append(np.zeros_like(taken[-1]))
    rows = [np.concatenate(taken[start : start + 2], axis=1) for start in range(0, len(taken), 2)]
    done, content = cv2.imencode(".png", np.concatenate(rows)[..., ::-1])
    if not done:
        raise RuntimeError("no PNG could be made")
    return content.tobytes()
