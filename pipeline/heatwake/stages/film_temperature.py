"""How warm the film is, which its own emission depends on: given, ambient, or midway to what it lies over."""

from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.moving import centred_medians
from heatwake.kernels.radiometry import surface_temperature
from heatwake.schema.variables import FILM_MODEL
from heatwake.stages.band import band_table
from heatwake.stages.frame_blocks import reducer_for, some_frames

Array = npt.NDArray[Any]

SAMPLED_FRAMES: Final = 200  # boards change slowly beside so many of a recording
NEIGHBOURS: Final = 2  # on each side, whose median a hand in one frame does not move


def film_model(session: xr.Dataset) -> str:
    """Return which of ``ambient``, ``given``, ``midway`` the session asks for."""
    if "film_temperature_model" in session:
        return FILM_MODEL[int(session["film_temperature_model"])]
    return "given" if np.isfinite(session["film_temperature_given"]) else "ambient"


def midway_temperature(session: xr.Dataset, *, side: Array, added: Array, transmittance: float) -> tuple[Array, Array]:
    """Return the film's temperature at each frame as midway between room and board, and its standard uncertainty.

    A thin film that exchanges heat alike with the room and with what lies under it takes the mean of the two (the two
    exchange coefficients of free or gently forced air are alike: judgement). What lies under it is the air, which is
    between room and board; so the film is anywhere from room to board, evenly distributed: the half width of that is
    half the difference, its standard uncertainty the half width over the root of three.

    Parameters
    ----------
    session : Dataset
        Frames as the camera wrote them, and how it was set.
    side : (frame,) array
        Room temperature [degC].
    added : (frame,) array
        What a film at room temperature, and the air, add at the camera [W m-2 sr-1].
    transmittance : float
        Of film and air together.

    Returns
    -------
    tuple of (frame,) array
        [degC] and [K].
    """
    board = _board_temperature(session, side=side, added=added, transmittance=transmittance)
    difference = board - side
    return side + difference / 2, np.abs(difference) / (2 * np.sqrt(3))


def _board_temperature(session: xr.Dataset, *, side: Array, added: Array, transmittance: float) -> Array:
    """Return the mean temperature of the board at each frame [degC], from a sample of the frames in between."""
    count = session.sizes["frame"]
    if not count:
        return np.zeros(0)
    chosen = np.unique(np.linspace(0, count - 1, SAMPLED_FRAMES).round().astype(int))
    table, inside = band_table(session), _inside(session)
    levels = np.array([_mean_radiance(session, int(number), inside) for number in chosen])
    emissivity = float(session["emissivity_setting"])
    room = (1 - emissivity) * float(table.radiance(float(session["reflected_setting"])))
    leaving = (emissivity * levels + room - added[chosen]) / transmittance
    mirrored = float(session["surface_reflected"])
    reflected = side[chosen] if np.isnan(mirrored) else np.full(len(chosen), mirrored)
    warm = surface_temperature(
        leaving, table=table, emissivity=float(session["surface_emissivity"]), reflected=reflected
    )
    seen = np.isfinite(warm)
    if not seen.any():
        return np.asarray(side, dtype=np.float64)
    steady = centred_medians(warm[seen], NEIGHBOURS) if np.count_nonzero(seen) > 2 * NEIGHBOURS else warm[seen]
    elapsed = session["elapsed"].to_numpy()
    return np.asarray(np.interp(elapsed, elapsed[chosen][seen], steady))


def _mean_radiance(session: xr.Dataset, number: int, inside: Array) -> float:
    """Return the mean blackbody radiance of one frame's reading over the board; NaN where it has none."""
    picture = np.zeros((session.sizes["row"], session.sizes["column"]))
    reducer_for(session).add(some_frames(session, number, number + 1).read()[0], picture)
    values = picture[inside]
    return float(np.nanmean(values)) if np.isfinite(values).any() else np.nan


def _inside(session: xr.Dataset) -> Array:
    """Return which pixels show the board; all where its corners are not given."""
    shape = (session.sizes["row"], session.sizes["column"])
    if "corner_column" not in session:
        return np.ones(shape, dtype=np.bool_)
    corners = np.stack([session["corner_column"].to_numpy(), session["corner_row"].to_numpy()], axis=1)
    drawn = cv2.fillPoly(np.zeros(shape, dtype=np.uint8), [corners.round().astype(np.int32)], 1)
    return drawn.astype(bool) if drawn.any() else np.ones(shape, dtype=np.bool_)
