"""Small sessions as they come from the reader, for the film and temperature stages."""

import dask.array as da
import numpy as np
import xarray as xr

from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import Film, camera_radiance, leaving_radiance
from heatwake.schema.variables import label

TABLE = BandTable.for_band(7.5, 14.0)
SCALARS = {
    "band_low": 7.5,
    "band_high": 14.0,
    "emissivity_setting": 1.0,
    "reflected_setting": 20.0,
    "netd": 50.0,
    "accuracy": 2.0,
    "accuracy_percent": 2.0,
    "film_present": 1,
    "film_transmittance_given": np.nan,
    "film_reflectance_given": np.nan,
    "film_temperature_given": np.nan,
    "surface_emissivity": 0.95,
    "surface_reflected": np.nan,
}


def recorded(truth, *, film=None, ambient=24.0, chunk=2, **scalars):
    """Return a session that shows surface temperatures (frame, row, column) through a film, without noise."""
    film = Film() if film is None else film
    values = SCALARS | {"film_present": int(film != Film())} | scalars
    emissivity, reflected = values["surface_emissivity"], values["surface_reflected"]
    reflected = ambient if np.isnan(reflected) else reflected
    leaving = leaving_radiance(truth, table=TABLE, emissivity=emissivity, reflected=reflected)
    received = camera_radiance(leaving, table=TABLE, film=film, film_temperature=ambient, camera_side=ambient)
    assumed = values["emissivity_setting"]
    room = (1 - assumed) * TABLE.radiance(values["reflected_setting"])
    indicated = TABLE.temperature((received - room) / assumed).astype(np.float32)
    session = xr.Dataset({name: ((), value) for name, value in values.items()})
    frames = indicated if chunk is None else da.from_array(indicated, chunks=(chunk, -1, -1))
    session["indicated_temperature"] = (("frame", "row", "column"), frames)
    session["frame_ambient"] = ("frame", np.full(len(truth), ambient))
    return label(session.assign_coords(elapsed=("frame", np.arange(len(truth)) * 0.5)))


def warm_board(frames=5, rows=24, columns=32, hottest=70.0):
    """Return temperatures (frame, row, column) [degC] of a board with one warm part on a gradient."""
    board = 24.0 + np.linspace(0, 8, columns) * np.ones((rows, 1))
    board[8:16, 10:22] = hottest
    return np.repeat(board[None], frames, axis=0)
