"""What a session's cold board tells of the camera's level, and what of that is left on each region's rise."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.stages.regions import RegionsSettings, measured_windows, region_windows
from heatwake.stages.surface_view import SurfaceView

Array = npt.NDArray[Any]

NEEDED: Final = ("temperature", "cold_radiance", "cold_ambient", "transmittance")


def level_of(session: xr.Dataset) -> tuple[float, Array]:
    """Return what the camera read above the cold board [K], and what zeroing leaves of a kelvin of it (region,) [1].

    The latter at the temperatures of the last map. NaN where the board was not zeroed.
    """
    nothing = np.full(session.sizes.get("region", 0), np.nan)
    if any(name not in session for name in NEEDED) or not np.isfinite(session["cold_ambient"]):
        return np.nan, nothing
    seen = np.flatnonzero(session["frames_used"].to_numpy() > 0)
    if not seen.size or not session["cold_radiance"].notnull().any():
        return np.nan, nothing
    view = SurfaceView.of(session.isel(time=int(seen[-1])))
    windows = region_windows(session, x=session["x"].to_numpy(), y=session["y"].to_numpy())
    left = view.left.to_numpy()
    measured = [left[window] for window in measured_windows(session, session, windows, RegionsSettings())]
    means = [float(one[np.isfinite(one)].mean()) if np.isfinite(one).any() else np.nan for one in measured]
    return view.level, np.array(means)
