"""When each frame was taken: at a constant interval, by a file of times, or as the recording itself says."""

from datetime import UTC
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatwake.errors import InputError
from heatwake.schema.session import Frames
from heatwake.store.frames import Recording
from heatwake.store.frames.recording import OwnTimes
from heatwake.store.tables import LONGEST_S, read_times

Times = tuple[npt.NDArray[np.float64], pd.Timestamp | None]


def frame_times(frames: Frames, *, recording: Recording, folder: Path) -> Times:
    """Return seconds since the first frame, and the first frame's clock time (UTC) where it is known.

    What the session file says counts before what the recording itself says.

    Raises
    ------
    InputError
        There are no times, not one a frame, or they do not increase.
    """
    clock = _start(frames)
    count = recording.shape[0]
    if frames.interval_s is not None:
        return _even(frames.interval_s, count=count), clock
    if frames.timestamps is None:
        if recording.times is not None:
            seconds = own_times_of(recording.times)
            return seconds, clock if clock is not None else recording.times.clock
        if count > 1:
            raise InputError("frames.interval_s", "missing", "must be given, or timestamps")
        return np.zeros(count), clock
    seconds, stamped = read_times(folder / frames.timestamps, key="frames.timestamps")
    if len(seconds) != count:
        where = f"frames.timestamps: {folder / frames.timestamps}"
        raise InputError(where, f"{len(seconds)} rows", f"must be {count}, one a frame")
    since_first: npt.NDArray[np.float64] = seconds - seconds[0]
    return since_first, clock if clock is not None else stamped


def _start(frames: Frames) -> pd.Timestamp | None:
    if frames.start is None:
        return None
    clock = pd.Timestamp(frames.start)
    return clock.tz_localize(UTC) if clock.tzinfo is None else clock.tz_convert(UTC)


def _even(interval: float, *, count: int) -> npt.NDArray[np.float64]:
    if interval * count > LONGEST_S:
        raise InputError("frames.interval_s", f"{interval:g}", f"must be less for {count} frames: 30 years in all")
    return np.arange(count, dtype=np.float64) * interval


def own_times_of(times: OwnTimes) -> npt.NDArray[np.float64]:
    """Return a recording's own times since its first frame.

    Raises
    ------
    InputError
        One is missing, repeats, goes backwards, or is years away.
    """
    instead = "give frames.interval_s or frames.timestamps instead"
    seconds = times.seconds - times.seconds[0]
    if not (abs(seconds) <= LONGEST_S).all():  # NaN as well
        raise InputError(times.where, "without a usable time in places", f"must lie within 30 years: {instead}")
    back = np.diff(seconds) <= 0
    if back.any():
        frame = int(np.argmax(back)) + 1
        found = f"{times.seconds[frame]:g} s after {times.seconds[frame - 1]:g} s"
        raise InputError(f"{times.where}: frame {frame}", found, f"must be later than the frame before: {instead}")
    return np.asarray(seconds, dtype=np.float64)
