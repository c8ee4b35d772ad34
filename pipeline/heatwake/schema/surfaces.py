"""Emissivities of common surfaces in the band of thermal cameras (8 to 14 um), each with its source.

Bounds, not values: the same name covers surfaces that differ. What is used is the middle of the bounds, with the
standard deviation of a rectangular distribution between them as its uncertainty. A surface that matters should be
measured (ASTM E1933) or painted.
"""

import math
import re
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final

from heatwake.schema.settings import LONG, show


@dataclass(frozen=True)
class SurfaceKind:
    """A kind of surface.

    Attributes
    ----------
    name : str
        As it may stand in ``session.toml`` and ``parts.csv`` instead of a number.
    low, high : float
        Bounds of its emissivity.
    source : str
        Who says so; ``from memory`` where that has not been looked up.
    """

    name: str
    low: float
    high: float
    source: str

    @property
    def emissivity(self) -> float:
        """Middle of the bounds."""
        return round((self.low + self.high) / 2, 4)

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of a value anywhere between the bounds: half their distance over root 3."""
        return (self.high - self.low) / (2 * math.sqrt(3))


KUTZ: Final = "Kutz, Mechanical Engineers' Handbook, vol. 4, table 19 (300 K)"
EDE: Final = "Ede, heat-transfer textbook (Pergamon), quoted second-hand"
OXIDE: Final = "Emittance of oxide layers on a metal substrate, J. Heat Transfer 92(2), 1970, 257"
MEMORY: Final = "from memory"

SURFACES: Final = (
    SurfaceKind("matt black paint", 0.93, 0.97, f"{KUTZ}: flat black lacquer .95; spread {MEMORY}"),
    SurfaceKind("black paint", 0.80, 0.95, EDE),
    SurfaceKind("white paint", 0.90, 0.95, KUTZ),
    SurfaceKind("electrical tape", 0.90, 0.96, f"{MEMORY}: about .95; a trade article says about .9"),
    SurfaceKind("solder mask", 0.85, 0.95, f"{MEMORY}; no primary source found"),
    SurfaceKind("moulding compound", 0.85, 0.95, f"{MEMORY}; no primary source found"),
    SurfaceKind("ceramic", 0.85, 0.95, f"{MEMORY}: ceramic chip; no primary source found"),
    SurfaceKind("anodised aluminium", 0.55, 0.92, f".55 to .92 by oxide thickness; {OXIDE}; textbook .82 {MEMORY}"),
    SurfaceKind("thinly anodised aluminium", 0.15, 0.55, f".15 at 1.2 um of oxide; {OXIDE}"),
    SurfaceKind("oxidised aluminium", 0.10, 0.20, EDE),
    SurfaceKind("aluminium sheet", 0.07, 0.11, f"heat-transfer course notes: .09, quoted second-hand; spread {MEMORY}"),
    SurfaceKind("polished aluminium", 0.03, 0.06, f"{KUTZ}: .04; spread {MEMORY}"),
    SurfaceKind("oxidised copper", 0.60, 0.81, f"{EDE}: .60 to .75; {OXIDE}: .81 at 5.6 um of oxide"),
    SurfaceKind("polished copper", 0.02, 0.05, f"{KUTZ}: .03; spread {MEMORY}"),
    SurfaceKind("bare solder", 0.05, 0.20, MEMORY),
    SurfaceKind("tin plating", 0.05, 0.20, MEMORY),
    SurfaceKind("gold plating", 0.05, 0.20, f"{MEMORY}: plated pads"),
    SurfaceKind("shiny can", 0.05, 0.20, f"{MEMORY}: of a capacitor"),
)
_SPELLINGS: Final = (("aluminum", "aluminium"), ("anodized", "anodised"), ("oxidized", "oxidised"))
_MORE_SPELLINGS: Final = (("molding", "moulding"), ("matte", "matt"), ("tinned", "tin plating"))


def find_surface(name: str) -> SurfaceKind | None:
    """Return the surface of a name, whatever its case, hyphens and spelling; None where there is none.

    >>> find_surface("Anodized-Aluminum").name
    'anodised aluminium'
    """
    plain = _plain(name)
    return next((kind for kind in SURFACES if kind.name == plain), None)


def check_emissivity(value: float | str) -> float | str:
    """Return an emissivity as given, when it is a number in (0, 1] or the name of a known surface.

    Raises
    ------
    ValueError
        Says what it must be.
    """
    if isinstance(value, str):
        if find_surface(value) is None:
            raise ValueError(f"must be a number in (0, 1] or a surface that heatwake surfaces lists{_nearest(value)}")
    elif not 0.0 < value <= 1.0:
        raise ValueError("must lie in (0, 1]")
    return value


def resolve_emissivity(value: float | str | None) -> tuple[float, float]:
    """Return emissivity and its standard uncertainty; NaN where they are not given.

    >>> [round(one, 4) for one in resolve_emissivity("matt black paint")]
    [0.95, 0.0115]
    """
    if value is None:
        return math.nan, math.nan
    if isinstance(value, str):
        kind = find_surface(value)
        if kind is None:
            raise ValueError(f"{show(value)} is no surface of the table")
        return kind.emissivity, kind.uncertainty
    return float(value), math.nan


def _plain(name: str) -> str:
    plain = re.sub(r"[\s_-]+", " ", name.strip().lower())
    for other, own in (*_SPELLINGS, *_MORE_SPELLINGS):
        plain = re.sub(rf"\b{other}\b", own, plain)
    return plain


def _nearest(name: str) -> str:
    near = get_close_matches(_plain(name[:LONG]), [kind.name for kind in SURFACES], n=1, cutoff=0.5)
    return f"; did you mean {near[0]}?" if near else ""
