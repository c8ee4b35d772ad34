"""When a part counts as settled: criteria as published, and what each leaves open."""

from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
CriterionName = Literal[
    "remaining rise",
    "2 K in 1 h",
    "2 K/h over two half hours",
    "2 K/h on the slowest part",
    "2 K in 10 min",
    "3 K in 30 min",
    "3 K in 15 min",
    "1 K in 1 h",
    "1 K in 15 min",
    "1 K in 5 min, three readings",
    "no change in three readings at 10 % of the time",
    "no change in three readings 15 min apart",
]


@dataclass(frozen=True)
class Criterion:
    """No two of ``readings`` readings, ``window`` seconds apart, differ by more than ``limit`` [K].

    Attributes
    ----------
    limit, window, readings, source
        As above, and where it is published.
    share : float
        The window is this share of the time since the start, where that is more than ``window``.
    neighbours : bool
        Only neighbouring readings are compared: the limit is one of a rate, held over successive windows.
    slowest : bool
        It holds for the item, by the part that changes most.
    """

    limit: float
    window: float
    readings: int
    source: str
    share: float = 0.0
    neighbours: bool = False
    slowest: bool = False

    def interval(self, elapsed: float) -> float:
        """Return the time between readings so long after the start [s]."""
        return max(self.window, self.share * elapsed)


UNCHANGED: Final = 0.5  # K: "no change" of a reading; the sources give no resolution, this is ours

CRITERIA: Final[dict[str, Criterion]] = {  # as quoted by secondary sources; the standards themselves were not at hand
    "2 K in 1 h": Criterion(2.0, 3600.0, 2, "IEC 61010-1 by committee decision 335 (2000); IEC 62135-1: 2 K/h"),
    "2 K/h over two half hours": Criterion(
        1.0, 1800.0, 3, "IEC 60034-1: 2 K/h over two successive intervals; half an hour each is ours", neighbours=True
    ),
    "2 K/h on the slowest part": Criterion(2.0, 3600.0, 2, "MIL-STD-810H part 1 (from memory)", slowest=True),
    "2 K in 10 min": Criterion(2.0, 600.0, 2, "MIL-DTL-87104C, without its clause on the chamber"),
    "3 K in 30 min": Criterion(3.0, 1800.0, 2, "IEC 62368-1 (from memory)"),
    "3 K in 15 min": Criterion(3.0, 900.0, 2, "IEC 62282-2"),
    "1 K in 1 h": Criterion(1.0, 3600.0, 2, "IEC 60598, BS 1363-1"),
    "1 K in 15 min": Criterion(1.0, 900.0, 2, "IEC 60335-2-6"),
    "1 K in 5 min, three readings": Criterion(1.0, 300.0, 3, "IEC 61810-7"),
    "no change in three readings at 10 % of the time": Criterion(UNCHANGED, 300.0, 3, "UL 1278", share=0.1),
    "no change in three readings 15 min apart": Criterion(UNCHANGED, 900.0, 3, "UL 1029"),
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
        Readings before it do not count [s]: power-on, or what changed last.
    criterion : Criterion
    average : float
        Each reading is the mean of what was seen within so long up to it [s].

    Returns
    -------
    float
        Largest less least [K], or the largest difference of neighbours; NaN where the record is shorter than the
        criterion, which then cannot be met.
    """
    seen = np.isfinite(values) & (elapsed >= start)
    window = criterion.interval(float(elapsed[-1]) - start)
    readings = []
    for back in range(criterion.readings):
        end = elapsed[-1] - back * window
        chosen = seen & (elapsed <= end) & (elapsed > end - average)
        if end - average < start or not chosen.any():
            return np.nan
        readings.append(float(values[chosen].mean()))
    return float(np.abs(np.diff(readings)).max()) if criterion.neighbours else max(readings) - min(readings)


def left_by_rate(change: float, *, window: float, time_constant: float) -> float:
    """Return what a rise of one time constant still has to come after a change within the last window [K].

    ``change e^(-w/tau) / (1 - e^(-w/tau))``: a limit of the rate is none of the error.
    """
    return float(change / np.expm1(window / time_constant))


def left_by_criterion(name: str, *, elapsed: float, time_constant: float) -> float:
    """Return what a part of one time constant still has to come when it just meets a criterion [K].

    Parameters
    ----------
    name : str
        Of the criterion; NaN for one that is none of a rate.
    elapsed : float
        Since the start [s]: some criteria take their readings by it.
    time_constant : float
        [s].
    """
    criterion = CRITERIA.get(name)
    if criterion is None or not np.isfinite(time_constant):
        return np.nan
    return left_by_rate(criterion.limit, window=criterion.interval(elapsed), time_constant=time_constant)
