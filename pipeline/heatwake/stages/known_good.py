"""A unit's takes against those of known good units of the same kind of set-up: which parts lie outside."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from heatwake.kernels.known_good import Interval, prediction_factor, tolerance_factor
from heatwake.kernels.repeats import Repeatability, pooled_repeatability
from heatwake.schema.settings import Settings
from heatwake.stages.set_ups import set_up_key
from heatwake.stages.takes import Take

Array = npt.NDArray[Any]

LEAST_UNITS: Final = 3  # known good ones, whose own spread is then counted with
Spread = Literal["units", "takes", "budget"]


class KnownGoodSettings(Settings):
    """How a unit is judged."""

    interval: Literal["prediction", "tolerance"] = "prediction"
    false_alarm_rate: float = Field(default=0.05, gt=0, lt=0.5)  # of units of the same kind: any part outside
    confidence: float = Field(default=0.95, gt=0.5, lt=1)  # of a tolerance interval


@dataclass(frozen=True)
class PartJudgement:
    """A part of a unit among those of known good ones; rises of its mean [K].

    Attributes
    ----------
    name : str
    rise : float
        Mean over the unit's takes.
    expected : float
        Mean over the known good units.
    low, high : float
        Ends of the interval.
    spread : float
        Standard deviation of one value, of a unit or of a take.
    is_outside : bool
    """

    name: str
    rise: float
    expected: float
    low: float
    high: float
    spread: float
    is_outside: bool

    @property
    def difference(self) -> float:
        """Unit less known good ones."""
        return self.rise - self.expected


@dataclass(frozen=True)
class UnitJudgement:
    """A unit in one kind of set-up.

    Attributes
    ----------
    unit, kind : str
    conditions : mapping
        Of the kind.
    takes, good_takes : int
    good_units : tuple of str
    spread_from : {"units", "takes", "budget"}
        Whether known good units' own spread is counted with, only that of takes of one unit, or what the sessions'
        budgets reckon with.
    freedom : float
        Degrees of freedom of it.
    settings : KnownGoodSettings
    left_out : tuple of str
        Sessions whose power is too far from the unit's.
    versions : tuple of str
        What made the values, where that is not one version.
    parts : tuple of PartJudgement
        Those outside first, the farthest on top.
    """

    unit: str
    kind: str
    conditions: Mapping[str, Any]
    takes: int
    good_units: tuple[str, ...]
    good_takes: int
    spread_from: Spread
    freedom: float
    settings: KnownGoodSettings
    left_out: tuple[str, ...]
    versions: tuple[str, ...]
    parts: tuple[PartJudgement, ...]

    @property
    def outside(self) -> tuple[str, ...]:
        """Names of parts outside."""
        return tuple(part.name for part in self.parts if part.is_outside)


def judge_unit(
    takes: Sequence[Take], unit: str, good: Iterable[str], *, settings: KnownGoodSettings
) -> list[UnitJudgement]:
    """Return what becomes of a unit in each kind of set-up in which it and a known good unit were taken.

    With three known good units or more the interval is one of units: their means scatter by what units and takes differ
    by. With one or two it is one of takes: outside is then what takes of one unit do not explain, and a healthy unit
    may differ by as much. Rises are brought to the unit's power where powers are given.

    Parameters
    ----------
    takes : sequence of Take
        The record's.
    unit : str
    good : iterable of str
        Known good units; the unit itself is none of them.
    settings : KnownGoodSettings
    """
    known_good = [name for name in dict.fromkeys(good) if name != unit]
    kinds = dict.fromkeys(take.kind for take in takes if take.unit == unit)
    made = []
    for kind in kinds:
        alike = [take for take in takes if take.kind == kind]
        judged = _judge(alike, unit, known_good, settings=settings)
        if judged is not None:
            made.append(judged)
    return made


def _judge(
    alike: Sequence[Take], unit: str, known_good: Sequence[str], *, settings: KnownGoodSettings
) -> UnitJudgement | None:
    own = [take for take in alike if take.unit == unit]
    power = float(np.median([take.power for take in own]))
    near = [take for take in alike if take.is_near_power(power)]
    groups = {name: [take for take in near if take.unit == name] for name in (unit, *known_good)}
    good_units = tuple(name for name in known_good if groups[name])
    if not groups[unit] or not good_units:
        return None
    names = _names([take for name in (unit, *good_units) for take in groups[name]])
    tables = {name: _table(groups[name], names, power) for name in (unit, *good_units)}
    repeats = pooled_repeatability([_table(some, names, power) for some in _set_ups(near) if len(some) > 1])
    used = [take for name in (unit, *good_units) for take in groups[name]]
    parts, spread_from, freedom = _parts(
        tables, unit, names, repeats=repeats, budget=_own(used, names), settings=settings
    )
    versions = tuple(sorted({take.source for take in used}))
    return UnitJudgement(
        unit=unit,
        kind=own[0].kind,
        conditions=own[0].set_up.get("conditions", {}),
        takes=len(groups[unit]),
        good_units=good_units,
        good_takes=sum(len(groups[name]) for name in good_units),
        spread_from=spread_from,
        freedom=freedom,
        settings=settings,
        left_out=tuple(t.session for t in alike if t.unit in (unit, *known_good) and not t.is_near_power(power)),
        versions=versions if len(versions) > 1 else (),
        parts=tuple(sorted(parts, key=lambda part: (not part.is_outside, -_far(part)))),
    )


def _far(part: PartJudgement) -> float:
    return abs(part.difference) / max(part.high - part.expected, 1e-9)


def _set_ups(takes: Iterable[Take]) -> list[list[Take]]:
    found: dict[str, list[Take]] = {}
    for take in takes:
        found.setdefault(set_up_key(take), []).append(take)
    return list(found.values())


def _names(takes: Iterable[Take]) -> list[str]:
    return list(dict.fromkeys(name for take in takes for name in take.rises()))


def _table(takes: Sequence[Take], names: Sequence[str], power: float) -> Array:
    """Return rises (take, part) [K]; NaN where a take has none."""
    rows = [take.rises(at_power=power) for take in takes]
    return np.array([[row.get(name, np.nan) for name in names] for row in rows])


def _own(takes: Sequence[Take], names: Sequence[str]) -> Array:
    """Return the standard uncertainty of what is a take's own, rms over takes (part,) [K]; NaN where none is known."""
    known: dict[str, list[float]] = {name: [] for name in names}
    for one in (region for take in takes for region in take.regions):
        if one.name in known and math.isfinite(one.own):
            known[one.name].append(one.own**2)
    return np.sqrt([sum(some) / len(some) if some else math.nan for some in known.values()])


@dataclass(frozen=True)
class _Means:
    """Means over each unit's takes (unit, part) [K], NaN without one, and of how many they are."""

    values: Array
    counts: Array

    @classmethod
    def of(cls, tables: Iterable[Array]) -> "_Means":
        tables = list(tables)
        counts = np.stack([np.isfinite(table).sum(axis=0) for table in tables]).astype(float)
        sums = np.stack([np.where(np.isfinite(table), table, 0.0).sum(axis=0) for table in tables])
        return cls(np.where(counts > 0, sums / np.maximum(counts, 1), np.nan), counts)


def _parts(
    tables: Mapping[str, Array],
    unit: str,
    names: Sequence[str],
    *,
    repeats: Repeatability | None,
    budget: Array,
    settings: KnownGoodSettings,
) -> tuple[list[PartJudgement], Spread, float]:
    """Return judgements of the parts that both have, where the spread is from, and its degrees of freedom."""
    good, new = _Means.of(table for name, table in tables.items() if name != unit), _Means.of([tables[unit]])
    both = np.flatnonzero((good.counts.sum(axis=0) > 0) & (new.counts[0] > 0))
    rate = settings.false_alarm_rate / max(both.size, 1)
    spread_from: Spread = "takes" if repeats is not None else "budget"
    spread_from = "units" if len(good.values) >= LEAST_UNITS else spread_from
    made, freedoms = [], []
    for number in both:
        value, count = float(new.values[0, number]), float(new.counts[0, number])
        seen = good.counts[:, number] > 0
        means, counts = good.values[seen, number], good.counts[seen, number]
        if means.size >= LEAST_UNITS:
            middle, spread, shares, freedom = _among_units(means, counts, count, repeats)
        else:
            middle, spread, shares, freedom = _among_takes(means, counts, count, repeats, own=float(budget[number]))
        factor = _factor(shares, freedom=freedom, rate=rate, settings=settings)
        held = Interval(middle, factor * spread)
        name = names[int(number)]
        made.append(PartJudgement(name, value, middle, held.low, held.high, spread, not held.holds(value)))
        freedoms.append(freedom)
    return made, spread_from, min(freedoms, default=math.nan)


def _factor(shares: float, *, freedom: float, rate: float, settings: KnownGoodSettings) -> float:
    if settings.interval == "prediction":
        return prediction_factor(shares, freedom=freedom, rate=rate)
    return tolerance_factor(shares, freedom=freedom, content=1 - rate, confidence=settings.confidence)


def _among_units(
    means: Array, counts: Array, count: float, repeats: Repeatability | None
) -> tuple[float, float, float, float]:
    """Return mean, standard deviation of a unit's mean, its shares and degrees of freedom.

    A unit taken fewer times than the good ones scatters more: by what its takes' mean does more.
    """
    middle, variance = float(means.mean()), float(means.var(ddof=1))
    more = 1 / count - float(np.mean(1 / counts))
    if repeats is not None and more > 0:
        variance += more * float(repeats.spread(middle)) ** 2
    return middle, math.sqrt(variance), 1 + 1 / means.size, means.size - 1.0


def _among_takes(
    means: Array, counts: Array, count: float, repeats: Repeatability | None, *, own: float
) -> tuple[float, float, float, float]:
    """Return mean, standard deviation of a take, shares and degrees of freedom, of takes of one unit or two."""
    middle = float((means * counts).sum() / counts.sum())
    shares = 1 / count + 1 / float(counts.sum())
    if repeats is not None:
        return middle, float(repeats.spread(middle)), shares, repeats.freedom
    return middle, own, shares, math.inf
