"""When a part counts as settled: criteria as published, and what each leaves open."""

from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
CriterionName = Literal[
    "remaining rise",
    "2 K in 1 h",
    "3 K in 30 min",
    "3 K in 15 min",
    "1 K in 1 h",
    "1 K in 15 min",
    "1 K in 5 min, three readings",
]


@dataclass(frozen=True)
class Criterion:
    """No two of ``readings`` readings, ``window`` seconds apart, differ by more than ``limit`` [K]."""

    limit: float
    window: float
    readings: int
    source: str


CRITERIA: Final[dict[str, Criterion]] = {  # as quoted by secondary sources; the standards themselves were not at hand
    "2 K in 1 h": Criterion(2.0, 3600.0, 2, "IEC 61010-1 by committee decision 335 (2000); IEC 60034-1: 2 K/h"),
    "3 K in 30 min": Criterion(3.0, 1800.0, 2, "IEC 62368-1 (from memory)"),
    "3 K in 15 min": Criterion(3.0, 900.0, 2, "IEC 62282-2"),
    "1 K in 1 h": Criterion(1.0, 3600.0, 2, "IEC 60598, BS 1363-1"),
    "1 K in 15 min": Criterion(1.0, 900.0, 2, "IEC 60335-2-6"),
    "1 K in 5 min, three readings": Criterion(1.0, 300.0, 3, "IEC 61810-7"),
}


def change_at_end(values: Array, *, elapsed: Array, start: float, criterion: Criterion, average: float) -> float:
    """Return by how much the readings at the end of a record differ, those of a criterion.

    Parameters
    ----------
    values : (time,) array
        Rise [K]; NaN ignored.
    elapsed : (time,) array
        [s].
    start : float
        Readings before it do not count [s]: power-on.
    criterion : Criterion
    average : float
        Each reading is the mean of what was seen within so long up to it [s].

    Returns
    -------
    float
        Largest less least [K]; NaN where the record is shorter than the criterion, which then cannot be met.
    """
    seen = np.isfinite(values) & (elapsed >= start)
    readings = []
    for back in range(criterion.readings):
        end = elapsed[-1] - back * criterion.window
        chosen = seen & (elapsed <= end) & (elapsed > end - average)
        if end - average < start or not chosen.any():
            return np.nan
        readings.append(float(values[chosen].mean()))
    return max(readings) - min(readings)


def left_by_rate(change: float, *, window: float, time_constant: float) -> float:
    """Return what a rise of one time constant still has to come after a change within the last window [K].

    ``change e^(-w/tau) / (1 - e^(-w/tau))``: a limit of the rate is none of the error.
    """
    return float(change / np.expm1(window / time_constant))
