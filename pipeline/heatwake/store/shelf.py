"""Pictures put aside in a file without a name: gone with the process, however it ends."""

import os
import tempfile
import weakref
from pathlib import Path

import numpy as np
import numpy.typing as npt

from heatwake.errors import StorageError
from heatwake.store.results import PARTIAL


class FileShelf:
    """Keeps pictures of one shape on disk, so that memory does not grow with their number.

    The disk's room is given back when nobody holds the shelf any more.

    Parameters
    ----------
    folder : Path
        On whose disk.
    shape : (int, int)
        Rows and columns of a picture.
    """

    def __init__(self, folder: Path, shape: tuple[int, int]) -> None:
        self._file, name = tempfile.mkstemp(prefix=".means.", suffix=PARTIAL, dir=folder)
        os.unlink(name)
        weakref.finalize(self, os.close, self._file)
        self._shape = shape
        self._bytes = 4 * shape[0] * shape[1]

    def put(self, number: int, picture: npt.NDArray[np.float32]) -> None:
        """Put a picture aside.

        Raises
        ------
        StorageError
            The disk is full, or refuses.
        """
        content = np.ascontiguousarray(picture, dtype=np.float32).tobytes()
        place = number * self._bytes
        try:
            while content:  # a disk that fills up takes a part of it before it refuses
                written = os.pwrite(self._file, content, place)
                content, place = content[written:], place + written
        except OSError as error:
            raise StorageError(f"means of frames cannot be put aside: {error.strerror}") from error

    def get(self, number: int) -> npt.NDArray[np.float32]:
        """Return a picture that was put aside."""
        content = os.pread(self._file, self._bytes, number * self._bytes)
        return np.frombuffer(content, dtype=np.float32).reshape(self._shape)
