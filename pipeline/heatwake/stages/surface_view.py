"""What a map of rises was made from: to lay it elsewhere, and to tell what the camera's level brings to it."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.camera_level import level_left
from heatwake.kernels.interpolation import resample
from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import Film, Lid, camera_radiance, leaving_radiance
from heatwake.stages.band import band_table
from heatwake.stages.uncertainty import Way, film_temperature, reflected_temperature

Array = npt.NDArray[Any]

LEAST_EMISSIVITY: Final = 1e-3


@dataclass(frozen=True, eq=False)
class SurfaceView:
    """What a map of rises was made from.

    Attributes
    ----------
    emissivity : DataArray (y, x)
        What the surface emits of a blackbody, with its mirror image in the film.
    ambient, zero : float
        What rises count from, and of the surface that leaves no more than its surroundings do [degC].
    level : float
        What the camera read above a board at ambient [K]; NaN where the board was not zeroed.
    left : DataArray (y, x)
        What zeroing leaves on the rise of a kelvin that the camera reads too high everywhere.
    table : BandTable
        The camera's band.
    """

    emissivity: xr.DataArray
    ambient: float
    zero: float
    level: float
    left: xr.DataArray
    table: BandTable

    @classmethod
    def of(cls, averaged: xr.Dataset) -> "SurfaceView":
        """Return that of a session's maps, averaged over time."""
        way, table = Way.of(averaged), band_table(averaged)
        film = Film(float(averaged["transmittance"].median()), way.film_reflectance)
        film_degrees = float(film_temperature(averaged).median())
        lid = Lid(film, film_degrees) if way.mirrors_board else None
        emissivity = averaged["emissivity"].clip(min=LEAST_EMISSIVITY)
        effective = emissivity if lid is None else emissivity / lid.kept(emissivity.to_numpy())
        ambient, cold = float(averaged["ambient"]), float(averaged["cold_ambient"])
        reflected = float(reflected_temperature(averaged, averaged["ambient"]))
        degrees = averaged["temperature"].to_numpy()
        leaving = leaving_radiance(degrees, table=table, emissivity=emissivity.to_numpy(), reflected=reflected, lid=lid)
        received = camera_radiance(
            leaving,
            table=table,
            film=film,
            film_temperature=film_degrees,
            camera_side=ambient,
            air_transmittance=way.air_transmittance,
            air_temperature=ambient,
        )
        clear = film.transmittance * way.air_transmittance
        excess = float((averaged["cold_radiance"] - float(table.radiance(cold))).median())
        left = level_left(
            degrees,
            reading=table.temperature(received),
            zero=cold,
            table=table,
            seen=clear * effective.to_numpy(),
        )
        return cls(
            effective,
            ambient,
            cold if np.isfinite(excess) else reflected,
            excess * float(clear) / float(table.slope(cold)),
            effective.copy(data=left),
            table,
        )

    def excess(self, rise: xr.DataArray) -> xr.DataArray:
        """Return what the surface leaves above one at ``zero`` [W m-2 sr-1]: the camera saw that, whatever it is of."""
        emitted = self.table.radiance(self.ambient + rise.to_numpy()) - self.table.radiance(self.zero)
        return rise.copy(data=self.emissivity.to_numpy() * emitted)

    def rise(self, excess: xr.DataArray) -> xr.DataArray:
        """Return the rise [K] of what the surface leaves above one at ``zero``."""
        emitted = excess.to_numpy() / self.emissivity.to_numpy() + self.table.radiance(self.zero)
        return excess.copy(data=self.table.temperature(emitted) - self.ambient)

    def on_grid(self, like: xr.DataArray) -> "SurfaceView":
        """Return it on another grid: what parts are made of does not change gradually."""
        emissivity = self.emissivity.interp(x=like["x"], y=like["y"], method="nearest")
        return replace(self, emissivity=emissivity, left=self.left.interp(x=like["x"], y=like["y"]))


def on_grid_of(values: xr.DataArray, like: xr.DataArray) -> xr.DataArray:
    """Return a map on another's grid; itself where that is its own."""
    if values["x"].size == like["x"].size and np.allclose(values["x"], like["x"]):
        return values
    return values.interp(x=like["x"], y=like["y"])


def moved(values: xr.DataArray, matrix: Array | None) -> xr.DataArray:
    """Return a map with what it shows elsewhere: ``matrix`` is from cells (column, row, 1) to where it shows them."""
    if matrix is None:
        return values
    plain = np.asarray(values.to_numpy(), dtype=np.float32)
    return values.copy(data=resample(plain, matrix, shape=(plain.shape[0], plain.shape[1])))
