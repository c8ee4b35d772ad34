"""How hot a fan-cooled box gets with its fan stopped: a first-order range, by trials over what is not known.

The fan's air no longer leaves: the same heat has to go by radiation through the film, by free convection to film and
walls, by the back, and with what warm air leaves by the vents. That gives the board's mean rise; parts gain about as
much as the mean does, for what the air took away was spread.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.constants import Stefan_Boltzmann, g

from heatwake.kernels.fan_air import AIR_HEAT, KELVIN, air_density
from heatwake.kernels.film_lid import AIR_CONDUCTIVITY

Array = npt.NDArray[Any]

TRIALS: Final = 2000
COVERED: Final = (2.5, 97.5)  # [%] of trials, that a range lies between
FREE: Final = (4.0, 10.0)
"""Between surfaces and air that no fan moves [W/m2/K]: gases 2 to 25 (Incropera and DeWitt, table 1.1, from memory), 5
to 10 for small warm plates, less in a flat channel."""
BACK: Final = (1.0, 10.0)  # by the board's back: a gap of air over a floor, to free air and radiation (our own choice)
WALLS: Final = (0.0, 5.0)  # through the box's sides: insulated, to metal with free air on both sides (our own choice)
SHOWS: Final = (0.5, 1.0)  # share of its surface's radiation that leaves the box: tall parts shade (our own choice)
LEAVES: Final = (0.0, 0.5)  # share of what an opening can exchange: grilles, filters, orientation (our own choice)
EXCHANGE: Final = 0.2
"""Of warm and cold air through one upright opening: ``Q = 0.2 A sqrt(g' H)``, a discharge coefficient of 0.6 over three
(Linden, Annu. Rev. Fluid Mech. 31 (1999) 201, from memory)."""
BOARD_SHARE: Final = (0.4, 0.9)
"""Mean rise of a board over that of its parts, with the fan: 0.48 to 0.83 on 20 simulated boards and the sample."""
UNEVEN: Final = (1.1, 0.35)
"""What a part gains over what the board's mean does: median, and standard deviation of its logarithm. 1.09 and 0.20 on
those boards; taken wider, for they are all of one make."""
STEEPER: Final = 1.2
"""Initial slope of a heating curve over its rise by the time to 63 %: 1.18 where 30 % of it are five times slower."""


@dataclass(frozen=True)
class StillBox:
    """A box whose fan stands.

    Attributes
    ----------
    power : float
        Of all parts [W].
    width, height, gap : float
        Of the board, and of the air over it [mm].
    vents : float
        Length of all vents [mm]; they are as high as the air.
    room : float
        [degC]
    emissivity : float
        Of the board with its parts, mean by area.
    film : float or None
        Its transmittance; None for an open box.
    outer : float
        Heat exchange of the film with the room [W/m2/K].
    """

    power: float
    width: float
    height: float
    gap: float
    vents: float
    room: float
    emissivity: float
    film: float | None
    outer: float


def mean_rises(box: StillBox, *, rng: np.random.Generator, trials: int = TRIALS) -> Array:
    """Return the board's settled mean rise in each trial (trials,) [K], by its heat balance.

    What is not known is drawn evenly between its limits (JCGM 101:2008, 6.4.2). The air that drives itself out of the
    vents is taken half as warm as the board.
    """
    area, gap = box.width * box.height * 1e-6, box.gap * 1e-3
    free, back, walls, shows, leaves = (rng.uniform(*limits, trials) for limits in (FREE, BACK, WALLS, SHOWS, LEAVES))
    inner = rng.uniform(min(AIR_CONDUCTIVITY / gap, FREE[0]), FREE[1], trials)  # still air, to free convection
    top = np.inf if box.film is None else area / (1 / inner + 1 / box.outer)
    sides = walls * 2 * (box.width + box.height) * 1e-3 * gap
    radiating = shows * box.emissivity * (1.0 if box.film is None else box.film) * area * Stefan_Boltzmann
    kelvin, carried = box.room + KELVIN, air_density(box.room) * AIR_HEAT
    vents = leaves * EXCHANGE * box.vents * 1e-3 * gap

    def lost(rise: Array) -> Array:
        out = carried * vents * np.sqrt(g * gap * rise / 2 / kelvin)
        through = 1 / (1 / (free * area) + 1 / (top + sides + out))
        return np.asarray(radiating * ((kelvin + rise) ** 4 - kelvin**4) + (through + back * area) * rise)

    low, high = np.zeros(trials), np.full(trials, 1.0)
    while (lost(high) < box.power).any():
        high = high * 2
    for _ in range(40):
        middle = (low + high) / 2
        is_low = lost(middle) < box.power
        low, high = np.where(is_low, middle, low), np.where(is_low, high, middle)
    return high


def stopped_rises(rises: Array, box: StillBox, *, rng: np.random.Generator) -> Array:
    """Return the range of each part's settled rise with the fan stopped (2, parts) [K]; 95 % of trials lie in it.

    ``R + c (M_off - M_on)``: M is the board's mean rise, with the fan some share of its parts' mean rise; c says how
    unevenly the gain is spread. No part is taken to get cooler.

    Parameters
    ----------
    rises : (parts,) array
        With the fan on [K]; NaN where not known, and then NaN comes back.
    box : StillBox
    rng : numpy.random.Generator
    """
    off = mean_rises(box, rng=rng)
    on = rng.uniform(*BOARD_SHARE, off.size) * float(np.nanmean(rises))
    spread = np.exp(rng.normal(np.log(UNEVEN[0]), UNEVEN[1], off.size))
    low, high = np.percentile(spread * np.maximum(off - on, 0.0), COVERED)
    return np.stack([rises + low, rises + high])


def soonest(rise: float, *, settled: float, constant: float, start: float = 0.0) -> float:
    """Return the time before which a rise is not expected to be reached with the fan stopped [s].

    All heat made in a part is taken to stay in it, at the initial slope of its heating curve, which no fan changes:
    ``tau (R - R_start) / R_settled``, first order, over what a second time constant makes it steeper.

    Parameters
    ----------
    rise, start : float
        Reached, and when the fan stops: 0 for a run that begins cold [K].
    settled : float
        With the fan on [K].
    constant : float
        Time to 63 % of that [s].

    Examples
    --------
    >>> round(soonest(90.0, settled=45.0, constant=60.0)), round(soonest(90.0, settled=45.0, constant=60.0, start=45.0))
    (100, 50)
    """
    return max(rise - start, 0.0) / settled * constant / STEEPER
