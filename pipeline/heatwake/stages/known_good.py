"""A unit's takes against those of known good units of the same kind of set-up: which parts lie outside."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

from heatwake.kernels.common_shift import common_shift, shift_of_others
from heatwake.stages.set_ups import set_up_key
from heatwake.stages.takes import Take, levelled
from heatwake.stages.unit_reach import LEAST_UNITS, KnownGoodSettings, Means, beside_the_board, by_themselves

Array = npt.NDArray[Any]

LEAST_PARTS: Final = 3  # whose middle tells what the board as a whole does
LEAST_SHARE: Final = 0.25  # of what a part stands out by: its own difference, of the same sign
WHOLE: Final = "board as a whole"
Spread = Literal["units", "takes", "budget"]


@dataclass(frozen=True)
class PartJudgement:
    """A part of a unit, or its board as a whole, among those of known good ones; rises of its mean [K].

    Attributes
    ----------
    name : str
    rise : float
        Mean over the unit's takes; of the board as a whole how much it differs.
    expected : float
        Mean over the known good units.
    low, high : float
        Ends of the interval; of a part that what the board as a whole does explains.
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
    conditions, bench : mapping
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
    board : PartJudgement or None
        The board as a whole; None where it is not told from its parts.
    parts : tuple of PartJudgement
        Those outside first, the farthest on top.
    """

    unit: str
    kind: str
    conditions: Mapping[str, Any]
    bench: Mapping[str, Any]
    takes: int
    good_units: tuple[str, ...]
    good_takes: int
    spread_from: Spread
    freedom: float
    settings: KnownGoodSettings
    left_out: tuple[str, ...]
    versions: tuple[str, ...]
    board: PartJudgement | None
    parts: tuple[PartJudgement, ...]

    @property
    def outside(self) -> tuple[str, ...]:
        """Names of parts outside, the board as a whole first."""
        board = () if self.board is None else (self.board,)
        return tuple(one.name for one in (*board, *self.parts) if one.is_outside)


def judge_unit(
    takes: Sequence[Take], unit: str, good: Iterable[str], *, settings: KnownGoodSettings
) -> list[UnitJudgement]:
    """Return what becomes of a unit in each kind of set-up in which it and a known good unit were taken.

    With three known good units or more the interval is one of units: their means scatter by what units and takes differ
    by. With one or two it is one of takes: outside is then what takes of one unit do not explain, and a healthy unit
    may differ by as much. Rises are brought to the unit's power where powers are given, and half of what the camera's
    level may leave on them is taken off where that of every take is known.

    Takes and units differ most by what all parts of a board share. So where takes or units tell that, and three parts
    or more, the board as a whole is judged by the median of its parts' differences, and each part by what it differs
    beyond the median of the others; either has half of the false alarms. A part that stays while the board changes is
    none that changed: outside is only what differs with the sign, and by a quarter, of what it stands out by.

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
    near = levelled([take for take in alike if take.is_near_power(power)])
    groups = {name: [take for take in near if take.unit == name] for name in (unit, *known_good)}
    good_units = tuple(name for name in known_good if groups[name])
    if not groups[unit] or not good_units:
        return None
    names = _names([take for name in (unit, *good_units) for take in groups[name]])
    tables = {name: _table(groups[name], names, power) for name in (unit, *good_units)}
    used = [take for name in (unit, *good_units) for take in groups[name]]
    setups = [_table(some, names, power) for some in _set_ups(near) if len(some) > 1]
    board, parts, spread_from, freedom = _parts(
        tables, unit, names, setups=setups, budget=_own(used, names), settings=settings
    )
    versions = tuple(sorted({take.source for take in used}))
    return UnitJudgement(
        unit=unit,
        kind=own[0].kind,
        conditions=own[0].set_up.get("conditions", {}),
        bench=own[0].set_up.get("bench", {}),
        takes=len(groups[unit]),
        good_units=good_units,
        good_takes=sum(len(groups[name]) for name in good_units),
        spread_from=spread_from,
        freedom=freedom,
        settings=settings,
        left_out=tuple(t.session for t in alike if t.unit in (unit, *known_good) and not t.is_near_power(power)),
        versions=versions if len(versions) > 1 else (),
        board=board,
        parts=tuple(sorted(parts, key=lambda part: (not part.is_outside, -_far(part)))),
    )


def _far(part: PartJudgement) -> float:
    return abs(part.rise - (part.low + part.high) / 2) / max((part.high - part.low) / 2, 1e-9)


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


def _parts(
    tables: Mapping[str, Array],
    unit: str,
    names: Sequence[str],
    *,
    setups: Sequence[Array],
    budget: Array,
    settings: KnownGoodSettings,
) -> tuple[PartJudgement | None, list[PartJudgement], Spread, float]:
    """Return judgements of the board and the parts that both have, where the spread is from, and its freedom."""
    good, new = Means.of(table for name, table in tables.items() if name != unit), Means.of([tables[unit]])
    both = np.flatnonzero((good.counts.sum(axis=0) > 0) & (new.counts[0] > 0))
    good, new = (Means(one.values[:, both], one.counts[:, both]) for one in (good, new))
    setups, budget = [table[:, both] for table in setups], budget[both]
    spread_from: Spread = "takes" if setups else "budget"
    spread_from = "units" if len(good.values) >= LEAST_UNITS else spread_from
    middle = good.middle()
    apart = new.values[0] - middle
    if both.size >= LEAST_PARTS and spread_from != "budget":
        rise = float(common_shift(new.values, middle)[0])
        whole, reaches = beside_the_board(good, new.counts[0], setups=setups, budget=budget, settings=settings)
        board = PartJudgement(WHOLE, rise, 0.0, -whole.half, whole.half, whole.known.spread, abs(rise) > whole.half)
        shifts = shift_of_others(new.values, middle)[0]
        least = [whole.known.freedom, *(reach.known.freedom for reach in reaches)]
    else:
        shifts, board = np.zeros(both.size), None
        reaches = by_themselves(good, new.counts[0], setups=setups, budget=budget, settings=settings)
        least = [reach.known.freedom for reach in reaches]
    made = []
    columns = (both.tolist(), apart.tolist(), middle.tolist(), shifts.tolist(), reaches)
    for number, difference, centre, shift, reach in zip(*columns, strict=True):
        kept = -shift * LEAST_SHARE / (1 - LEAST_SHARE)  # less than a quarter of what it stands out by
        low, high = min(shift - reach.half, kept), max(shift + reach.half, kept)
        outside = difference < low or difference > high  # neither where nothing tells the spread
        ends = (centre + low, centre + high)
        made.append(PartJudgement(names[number], centre + difference, centre, *ends, reach.known.spread, outside))
    return board, made, spread_from, min(least, default=math.nan)
