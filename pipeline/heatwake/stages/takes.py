"""A session as the laboratory's record keeps it."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from heatwake.kernels.camera_level import HALF

LEAST_POWER_SHARE: Final = 0.8  # powers farther apart are not brought to each other: convection is no straight line


@dataclass(frozen=True)
class RegionTake:
    """What a session tells of one region.

    Attributes
    ----------
    name : str
    is_known : bool
        A part or region that was given; else a hot spot, whose name another session may give to another.
    x, y, width, height : float
        [mm]
    rise, own, uncertainty : float
        Final rise of its mean, standard uncertainty of what is the session's own, and in all [K].
    time_constant : float
        [s]
    is_steady : bool
    temperature, limit, margin : float
        Final temperature of its core, its limit [degC] and what is left to it at the maximum ambient [K].
    level_left : float
        What zeroing leaves on its rise of a kelvin that the camera reads too high everywhere.
    """

    name: str
    is_known: bool
    x: float
    y: float
    width: float
    height: float
    rise: float
    own: float
    uncertainty: float
    time_constant: float
    is_steady: bool
    temperature: float = np.nan
    limit: float = np.nan
    margin: float = np.nan
    level_left: float = np.nan


@dataclass(frozen=True)
class Take:
    """One session.

    Attributes
    ----------
    recording : str
        SHA-256 of its frames: the same recording, done again or moved, is the same take.
    fingerprint : str
        Of the result that the values are from.
    session, title : str
    unit : str
        Serial of what was measured; empty where it is not stated.
    is_repeat : bool
        Whether the session says that it is one of several takes; else like conditions may be a slip of its file.
    kind, bench : str
        Mark of the kind of set-up, and of the same whatever the conditions.
    set_up : mapping
        What the marks are of.
    conditions : mapping
        As the session file states them.
    power : float
        [W]; NaN where not given.
    recorded : str
        When, in UTC; empty where the recording has no clock.
    source : str
        What made the result.
    camera_level : float
        What the camera read above the cold board [K]; NaN where the board was not zeroed.
    regions : tuple of RegionTake
    """

    recording: str
    fingerprint: str
    session: str
    title: str
    unit: str
    is_repeat: bool
    kind: str
    bench: str
    set_up: Mapping[str, Any]
    conditions: Mapping[str, Any]
    power: float
    recorded: str
    source: str
    camera_level: float = np.nan
    regions: tuple[RegionTake, ...] = field(default=())

    def rises(self, *, at_power: float = np.nan) -> dict[str, float]:
        """Return the final rises of known regions, at another power where both are given [K]."""
        factor = at_power / self.power if at_power > 0 and self.power > 0 else 1.0
        return {one.name: factor * one.rise for one in self.regions if one.is_known and np.isfinite(one.rise)}

    def is_near_power(self, power: float) -> bool:
        """Tell whether its power may be brought to another; True where either is not given."""
        if not (power > 0 and self.power > 0):
            return True
        return min(power, self.power) >= LEAST_POWER_SHARE * max(power, self.power)

    @property
    def knows_level(self) -> bool:
        """Whether what the camera's level leaves on its known regions can be told."""
        left = [one.level_left for one in self.regions if one.is_known and np.isfinite(one.rise)]
        return all(map(math.isfinite, (self.camera_level, *left)))

    def without_level(self) -> "Take":
        """Return it with half of what the camera's level may leave on each rise taken off."""
        off = HALF * self.camera_level
        return replace(self, regions=tuple(replace(one, rise=one.rise - off * one.level_left) for one in self.regions))


def levelled(takes: Sequence[Take]) -> list[Take]:
    """Return takes without what the camera's level leaves on rises, where that of each is known; else as they are.

    Some with and some without would differ by it.
    """
    return [take.without_level() for take in takes] if all(take.knows_level for take in takes) else list(takes)
