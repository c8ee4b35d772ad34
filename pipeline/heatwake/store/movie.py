"""H.264 in MP4."""

from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt

from heatwake.store.results import whole_file


def write_movie(path: Path, frames: Iterable[npt.NDArray[np.uint8]], *, rate: int) -> None:
    """Encode RGB frames (rows, columns, 3), rows and columns even, at ``rate`` frames a second."""
    with whole_file(path) as partial, av.open(str(partial), "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=Fraction(rate))
        # One thread and bit-exact muxing: the same run gives the same file.
        stream.options = {"crf": "23", "preset": "veryfast", "threads": "1"}
        stream.pix_fmt = "yuv420p"
        for frame in frames:
            if not stream.codec_context.is_open:
                stream.height, stream.width = frame.shape[:2]
            for packet in stream.encode(av.VideoFrame.from_ndarray(frame, format="rgb24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
