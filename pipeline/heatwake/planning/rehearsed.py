"""What a rehearsal found: plain values, for the sheet and for programs. It knows neither truth nor estimate itself."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.float32]


@dataclass(frozen=True)
class RehearsedPart:
    """A part in one rehearsed run: true final rise, estimate and its standard uncertainty [K]."""

    run: str
    part: str
    true: float
    estimate: float
    uncertainty: float

    @property
    def off(self) -> float:
        """By how many standard uncertainties the estimate lies off."""
        return abs(self.estimate - self.true) / self.uncertainty if self.uncertainty > 0 else math.nan


@dataclass(frozen=True)
class RehearsedDifference:
    """A part's true difference and the one found [K], its 95 % interval, and whether it was told from noise.

    Of final rises, or, where runs were judged before they settled, of rises at their end.

    Attributes
    ----------
    of : str
        What less what: a factor's level less its first by all runs, else a run less the reference.
    run : str
        One that shows it.
    """

    of: str
    run: str
    part: str
    true: float
    estimate: float
    low: float
    high: float
    told: bool


@dataclass(frozen=True)
class RehearsedDirection:
    """Where a run's heat is carried: true [deg], as found alone and together with the reference, in words."""

    run: str
    true: float
    alone: str
    together: str
    degrees: float
    uncertainty: float
    told: bool

    @property
    def off(self) -> float:
        """Angle between found and true direction [deg]; NaN where none is told."""
        return abs((self.degrees - self.true + 180.0) % 360.0 - 180.0) if self.told else math.nan


@dataclass(frozen=True)
class Rehearsal:
    """What a rehearsal found.

    Attributes
    ----------
    runs : tuple of str
        Rehearsed, in order.
    reference : str
    columns, rows : int
        Of its pictures: fewer than the camera's.
    frames : int
        Of each run.
    seconds : float
        That it took.
    parts, differences, directions : tuples
    remaining, remaining_part : float and str
        The most that is truly still to come when a run ends [K], and in which part.
    remarks : tuple of str
        What was simplified, and what could not be done.
    failed : tuple of str
        Runs that the pipeline refused, with its reason.
    pictures : mapping of str to (rows, columns) array
        The last frame of a run as the camera writes it [degC].
    """

    runs: tuple[str, ...]
    reference: str
    columns: int
    rows: int
    frames: int
    seconds: float
    parts: tuple[RehearsedPart, ...]
    differences: tuple[RehearsedDifference, ...]
    directions: tuple[RehearsedDirection, ...]
    remaining: float
    remaining_part: str
    remarks: tuple[str, ...]
    failed: tuple[str, ...] = ()
    pictures: dict[str, Picture] = field(default_factory=dict, repr=False)

    @property
    def covered(self) -> tuple[int, int]:
        """How many true rises lie within two standard uncertainties of the estimate, and of how many."""
        known = [one for one in self.parts if math.isfinite(one.off)]
        return sum(one.off <= 2 for one in known), len(known)

    @property
    def typical_error(self) -> float:
        """Median distance of estimate and truth [K]; NaN without an estimate."""
        return _median([abs(one.estimate - one.true) for one in self.parts])

    @property
    def told(self) -> list[RehearsedDifference]:
        """Differences that were told from noise, the largest first."""
        return sorted((one for one in self.differences if one.told), key=lambda one: -abs(one.estimate))

    def as_content(self) -> dict[str, Any]:
        """Return it for programs, without its pictures."""
        names: tuple[str, ...] = (
            "runs",
            "reference",
            "columns",
            "rows",
            "frames",
            "seconds",
            "parts",
            "differences",
            "directions",
        )
        names += ("remaining", "remaining_part", "remarks", "failed")
        return {name: getattr(self, name) for name in names}


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if math.isfinite(value)]
    return float(np.median(known)) if known else math.nan
