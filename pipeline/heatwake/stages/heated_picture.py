"""One picture of the heated board, as the first usable frame sees it, from a few frames of a recording."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.errors import InputError
from heatwake.kernels.alignment import pose_matrix
from heatwake.kernels.interpolation import resample
from heatwake.stages.block_motion import WANTED
from heatwake.stages.frame_blocks import some_frames
from heatwake.stages.registration import RegistrationSettings, register

Array = npt.NDArray[Any]

FIRST: Final = 6  # frames from the start, to tell which is the first that is usable
SPREAD: Final = 42  # frames over the whole
LEAST_CONTRAST: Final = 0.6  # of the highest spread of temperature that a frame needs to take part


def heated_picture(session: xr.Dataset) -> tuple[Array, int]:
    """Return the mean of heated frames on the first usable frame's pixels, and how many went into it.

    Parameters
    ----------
    session : Dataset
        Frames as the camera wrote them; some fifty of them are read, one by one.

    Returns
    -------
    (rows, columns) float32 array
        [degC] as indicated; NaN where no frame has a reading.
    int

    Raises
    ------
    InputError
        There are no frames, or one has no finite value.
    """
    if not session.sizes["frame"]:
        raise InputError("frame 0", "missing", WANTED)
    some = _sample(session)
    moved = register(some, RegistrationSettings())
    temperatures = some["indicated_temperature"].to_numpy()
    usable = np.flatnonzero(moved["usable"].to_numpy() == 1)
    spread = np.nanstd(temperatures[usable].reshape(len(usable), -1), axis=1)
    warm = usable[spread >= LEAST_CONTRAST * spread.max()]
    shape = (some.sizes["row"], some.sizes["column"])
    total, count = np.zeros(shape), np.zeros(shape)
    for index in warm.tolist():
        pose = [float(moved[name][index]) for name in ("shift_x", "shift_y", "rotation")]
        matrix = pose_matrix(pose[0], pose[1], pose[2], shape=shape)
        frame = resample(temperatures[index], np.vstack([matrix, [0, 0, 1]]), shape=shape)
        known = np.isfinite(frame)
        total[known] += frame[known]
        count += known
    with np.errstate(invalid="ignore"):
        return (total / np.where(count >= len(warm) / 2, count, np.nan)).astype(np.float32), len(warm)


def _sample(session: xr.Dataset) -> xr.Dataset:
    """Return the first frames and an even sample of all, read, as a session of their own."""
    count = session.sizes["frame"]
    even = np.linspace(0, count - 1, SPREAD).round().astype(int)
    chosen = np.unique(np.concatenate([np.arange(min(FIRST, count)), even]))
    frames = np.concatenate([some_frames(session, int(one), int(one) + 1).read() for one in chosen])
    if "stored_level" in session:
        frames = session["level_temperature"].to_numpy()[frames]
    drawn = xr.Dataset(
        {"indicated_temperature": (("frame", "row", "column"), frames.astype(np.float32))},
        coords={name: ("frame", session[name].to_numpy()[chosen]) for name in ("elapsed", "time")},
    )
    band = ("band_low", "band_high", "response_wavelength", "response_value")
    return drawn.assign({name: session[name] for name in band if name in session})
