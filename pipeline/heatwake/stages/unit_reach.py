"""How far a unit's rises may lie from those of known good ones: each part by itself, or beyond the board as a whole."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field, NonNegativeFloat

from heatwake.kernels.common_shift import common_shift, pooled_spread, shift_of_others
from heatwake.kernels.known_good import prediction_factor, tolerance_factor
from heatwake.kernels.repeats import pooled_repeatability
from heatwake.schema.settings import Settings

Array = npt.NDArray[Any]

LEAST_UNITS: Final = 3  # known good ones, whose own spread is then counted with


class KnownGoodSettings(Settings):
    """How a unit is judged."""

    interval: Literal["prediction", "tolerance"] = "prediction"
    false_alarm_rate: float = Field(default=0.05, gt=0, lt=0.5)  # of units of the same kind: any part outside
    confidence: float = Field(default=0.95, gt=0.5, lt=1)  # of a tolerance interval
    local_K: NonNegativeFloat = 0.05  # own to a place in one take: less is not believed; shading, measured on repeats


@dataclass(frozen=True)
class Means:
    """Means over each unit's takes (unit, part) [K], NaN without one, and of how many they are."""

    values: Array
    counts: Array

    @classmethod
    def of(cls, tables: Iterable[Array]) -> "Means":
        tables = list(tables)
        counts = np.stack([np.isfinite(table).sum(axis=0) for table in tables]).astype(float)
        sums = np.stack([np.where(np.isfinite(table), table, 0.0).sum(axis=0) for table in tables])
        return cls(np.where(counts > 0, sums / np.maximum(counts, 1), np.nan), counts)

    def middle(self) -> Array:
        """Mean of the units (part,), of their takes where fewer than three have a part."""
        units = (self.counts > 0).sum(axis=0)
        plain = np.where(self.counts > 0, self.values, 0.0)
        of_takes = (plain * self.counts).sum(axis=0) / self.counts.sum(axis=0)
        return np.asarray(np.where(units >= LEAST_UNITS, plain.sum(axis=0) / units, of_takes))


@dataclass(frozen=True)
class Known:
    """Standard deviation of one take [K] and its degrees of freedom: infinite where it is a budget's."""

    spread: float
    freedom: float


@dataclass(frozen=True)
class Reach:
    """How far a unit's value may lie from the middle of known good ones: half of the interval, and by what."""

    half: float
    known: Known


def by_themselves(
    good: Means, counts: Array, *, setups: Sequence[Array], budget: Array, settings: KnownGoodSettings
) -> list[Reach]:
    """Return how far each part may lie from the good ones' middle."""
    repeats = pooled_repeatability(setups)
    if repeats is None:
        known = [Known(float(own), math.inf) for own in budget]
    else:
        known = [Known(float(repeats.spread(rise)), repeats.freedom) for rise in good.middle()]
    rate = settings.false_alarm_rate / max(len(known), 1)
    apart = Means(good.values - good.middle(), good.counts)
    return _reaches(apart, counts, known, rate=rate, settings=settings)


def beside_the_board(
    good: Means, counts: Array, *, setups: Sequence[Array], budget: Array, settings: KnownGoodSettings
) -> tuple[Reach, list[Reach]]:
    """Return how far the board as a whole may lie from the good ones', and each part beyond what the others do."""
    apart = [takes - _middle(takes) for takes in setups]
    nought = np.zeros(counts.size)
    shifts = [common_shift(takes, nought)[:, None] for takes in apart]
    rate = settings.false_alarm_rate / 2
    whole = common_shift(good.values, good.middle())[:, None]
    boards = Means(whole, np.where(np.isfinite(whole), good.counts.max(axis=1, keepdims=True), 0))
    usual = np.array([np.median(budget[np.isfinite(budget)]) if np.isfinite(budget).any() else np.nan])
    [board] = _reaches(boards, np.array([counts.max()]), _known(shifts, usual), rate=rate, settings=settings)
    beyond = _known([takes - shift_of_others(takes, nought) for takes in apart], budget)
    differences = good.values - good.middle()
    parts = Means(differences - shift_of_others(differences, nought), good.counts)
    return board, _reaches(parts, counts, beyond, rate=rate / counts.size, settings=settings)


def width_with_more(
    more: int, *, takes: int, good: int, of_units: bool, freedom: float, rate: float, settings: KnownGoodSettings
) -> float:
    """Return what share of its width an interval would have with more known good units, or with more takes of them.

    Parameters
    ----------
    more : int
        Units where their own spread counts, else takes.
    takes, good : int
        Of the unit; of known good ones, or the number of these where their own spread counts.
    of_units : bool
    freedom, rate : float
        Of the interval.
    settings : KnownGoodSettings
    """
    first = 1.0 if of_units else 1 / takes
    now, then = (
        _factor(first + 1 / (good + one), freedom=freedom + one, rate=rate, settings=settings) for one in (0, more)
    )
    return then / now


def _middle(takes: Array) -> Array:
    return np.asarray(Means.of([takes]).values[0])


def _known(setups: Sequence[Array], budget: Array) -> list[Known]:
    """Return what single takes scatter by, each column by itself; where no repeats tell, what its budget says.

    Takes are given as they differ from their set-up's middle.
    """
    told = [Known(float(own), math.inf) for own in budget]
    if not setups:
        return told
    spreads = zip(*(values.tolist() for values in pooled_spread(setups)), strict=True)
    return [Known(*one) if one[1] > 0 else own for one, own in zip(spreads, told, strict=True)]


def _reaches(
    good: Means, counts: Array, known: Sequence[Known], *, rate: float, settings: KnownGoodSettings
) -> list[Reach]:
    """Return how far each column of a unit's differences may lie from nought; those of good units are given."""
    made = []
    for number, (count, own) in enumerate(zip(counts.tolist(), known, strict=True)):
        seen = good.counts[:, number] > 0
        means, takes = good.values[seen, number], good.counts[seen, number]
        if means.size >= LEAST_UNITS:
            scatter, shares = _among_units(means, takes, count, own), 1 + 1 / means.size
            least = settings.local_K / math.sqrt(count)
        else:
            scatter, shares, least = own, 1 / count + 1 / float(takes.sum()), settings.local_K
        scatter = Known(max(scatter.spread, least), scatter.freedom)
        factor = _factor(shares, freedom=scatter.freedom, rate=rate, settings=settings)
        made.append(Reach(factor * scatter.spread, scatter))
    return made


def _among_units(means: Array, takes: Array, count: float, own: Known) -> Known:
    """Return what units' means scatter by.

    A unit taken fewer times than the good ones scatters more: by what its takes' mean does more.
    """
    variance = float((means**2).sum()) / (means.size - 1)
    more = 1 / count - float(np.mean(1 / takes))
    if math.isfinite(own.freedom) and more > 0:
        variance += more * own.spread**2
    return Known(math.sqrt(variance), means.size - 1.0)


def _factor(shares: float, *, freedom: float, rate: float, settings: KnownGoodSettings) -> float:
    if settings.interval == "prediction":
        return prediction_factor(shares, freedom=freedom, rate=rate)
    return tolerance_factor(shares, freedom=freedom, content=1 - rate, confidence=settings.confidence)
