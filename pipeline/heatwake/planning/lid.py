"""What the planned film will do: to readings, to itself, to the air."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import brentq

from heatwake.kernels.film_lid import (
    FILM_LIMIT,
    LEAST_CLEARANCE,
    MATERIALS,
    bulge,
    film_temperature,
    least_clearance,
    radiosity_excess,
    slab,
    still_exchange,
    time_constant,
)
from heatwake.kernels.planck import BandTable
from heatwake.kernels.radiometry import Film, camera_radiance, leaving_radiance
from heatwake.planning.parts import ExpectedPart
from heatwake.schema.plan import Plan, PlannedFilm

HOT_PART: Final = 90.0  # [degC] above which a part must not be near the film (our own choice)
LEAST_GAP: Final = 0.1  # [mm] of air where a part touches
HOTTEST_K: Final = 2000.0  # over the room, that a part is sought to
BULGE_SHARE: Final = 0.05  # of the air's height from which a bulge is warned of (our own choice)


@dataclass(frozen=True)
class PartLid:
    """The film over a part.

    Attributes
    ----------
    name : str
    reading, drop : float
        What the camera will show of its expected temperature [degC], and by how much that is too low [K].
    clearance, needed : float
        From its top to the film, as planned and at least [mm].
    still : float
        Film over it in still air [degC], at the planned clearance and the temperature that it has with the fan on.
    """

    name: str
    reading: float
    drop: float
    clearance: float
    needed: float
    still: float


@dataclass(frozen=True)
class PlannedLid:
    """The film.

    Attributes
    ----------
    transmittance, reflectance, absorptance : float
    is_measured : bool
        Whether the plan states the transmittance; else it is that of the material.
    moving : float
        Its temperature with the fan on [degC].
    settles : float
        Its time constant [s].
    bulge, bulge_share : float
        Of its middle [mm], and of the air's height [1].
    own_image : float
        What the camera's own image would add to the hottest part's reading [K].
    """

    transmittance: float
    reflectance: float
    absorptance: float
    is_measured: bool
    moving: float
    settles: float
    bulge: float
    bulge_share: float
    own_image: float
    parts: tuple[PartLid, ...]

    @property
    def hottest_still(self) -> float:
        """The film's highest temperature as soon as the air stands still [degC]; NaN where no rise is expected."""
        values = [part.still for part in self.parts if np.isfinite(part.still)]
        return max(values, default=np.nan)


def optics(film: PlannedFilm) -> Film:
    """Return a film's optics: as stated, else those of its material and thickness."""
    transmittance, reflectance = slab(MATERIALS[film.material], thickness=film.thickness_um)
    if film.transmittance is not None:
        transmittance = film.transmittance
        reflectance = min(reflectance, 1 - transmittance)
    return Film(transmittance, film.reflectance if film.reflectance is not None else reflectance)


def planned_lid(plan: Plan, parts: Sequence[ExpectedPart], *, inside_rise: float) -> PlannedLid | None:
    """Return what the film will do; None without one.

    Parameters
    ----------
    plan : Plan
    parts : sequence of ExpectedPart
    inside_rise : float
        Of the air below the film over the room [K].
    """
    film, room, air = plan.film, plan.ambient.degC, plan.air
    if film is None:
        return None
    clear, table = optics(film), BandTable.for_band(*plan.camera.band_um)
    known = [part for part in parts if np.isfinite(part.rise)]
    mean = room + (float(np.mean([part.rise for part in known])) if known else 0.0)
    absorbed = {"absorptance": float(clear.absorptance), "excess": radiosity_excess(mean, room=room)}
    moving = film_temperature(
        inside=room + inside_rise, room=room, inner=air.inner_exchange, outer=air.outer_exchange, **absorbed
    )
    over = tuple(_over(plan, part, clear, table, film_at=moving) for part in parts)
    sides = film.sides_mm or (plan.board.width_mm, plan.board.height_mm)
    moved = bulge(film.pressure_Pa, sides=sides, tension=film.tension_N_m)
    hottest = room + max((part.rise for part in known), default=0.0)
    through = {"table": table, "film": clear, "film_temperature": moving}
    warm, plain = (
        camera_radiance(table.radiance(hottest), camera_side=side, **through)  # type: ignore[arg-type]
        for side in (room + plan.camera.body_warmer_K, room)
    )
    return PlannedLid(
        transmittance=float(clear.transmittance),
        reflectance=float(clear.reflectance),
        absorptance=float(clear.absorptance),
        is_measured=film.transmittance is not None,
        moving=moving,
        settles=time_constant(
            MATERIALS[film.material], thickness=film.thickness_um, exchange=air.inner_exchange + air.outer_exchange
        ),
        bulge=moved,
        bulge_share=moved / film.height_mm,
        own_image=float((warm - plain) / clear.transmittance / table.slope(hottest)),
        parts=over,
    )


def film_over(plan: Plan, part: float, *, clearance: float) -> float:
    """Return the film's temperature over a part of so many degC in still air [degC]; NaN without a film."""
    film, room, outer = plan.film, plan.ambient.degC, plan.air.outer_exchange
    if film is None:
        return math.nan
    absorbed = {"absorptance": float(optics(film).absorptance), "excess": radiosity_excess(part, room=room)}
    inner = still_exchange(max(clearance, LEAST_GAP))
    return film_temperature(inside=part, room=room, inner=inner, outer=outer, **absorbed)


def hottest_under(plan: Plan, *, clearance: float) -> float:
    """Return how hot a part may get before the film over it reaches its limit in still air [degC]."""
    room = plan.ambient.degC
    if room >= FILM_LIMIT:
        return room

    def below(part: float) -> float:
        return film_over(plan, part, clearance=clearance) - FILM_LIMIT

    return float(brentq(below, room, room + HOTTEST_K)) if below(room + HOTTEST_K) > 0 else math.inf


def _over(plan: Plan, part: ExpectedPart, clear: Film, table: BandTable, *, film_at: float) -> PartLid:
    film, room = plan.film, plan.ambient.degC
    if film is None:
        raise ValueError("no film")
    hot, clearance = room + part.rise, film.height_mm - part.tall
    if not np.isfinite(part.rise):
        return PartLid(part.name, np.nan, np.nan, clearance, LEAST_CLEARANCE, np.nan)
    leaving = leaving_radiance(hot, table=table, emissivity=part.emissivity, reflected=room)
    seen = camera_radiance(leaving, table=table, film=clear, film_temperature=film_at, camera_side=room)
    reading, bare = float(table.temperature(seen)), float(table.temperature(leaving))
    absorbed = {"absorptance": float(clear.absorptance), "excess": radiosity_excess(hot, room=room)}
    needed = least_clearance(hot, room=room, outer=plan.air.outer_exchange, limit=FILM_LIMIT, **absorbed)
    still = film_over(plan, hot, clearance=clearance)
    return PartLid(part.name, reading, bare - reading, clearance, max(needed, LEAST_CLEARANCE), still)
