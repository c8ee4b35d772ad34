"""Pictures put aside in a file without a name: gone with the process, however it ends."""

import os
import tempfile
from pathlib import Path

import numpy as np
import numpy.typing as npt


class FileShelf:
    """Keeps pictures of one shape on disk, so that memory does not grow with their number.

    Parameters
    ----------
    folder : Path
        On whose disk.
    shape : (int, int)
        Rows and columns of a picture.
    """

    def __init__(self, folder: Path, shape: tuple[int, int]) -> None:
        self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115  closed when nobody holds the shelf any more
        self._shape = shape
        self._bytes = 4 * shape[0] * shape[1]

    def put(self, number: int, picture: npt.NDArray[np.float32]) -> None:
        """Put a picture aside."""
        os.pwrite(self._file.fileno(), np.ascontiguousarray(picture, dtype=np.float32).data, number * self._bytes)

    def get(self, number: int) -> npt.NDArray[np.float32]:
        """Return a picture that was put aside."""
        content = os.pread(self._file.fileno(), self._bytes, number * self._bytes)
        return np.frombuffer(content, dtype=np.float32).reshape(self._shape)
