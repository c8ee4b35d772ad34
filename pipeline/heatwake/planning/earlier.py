"""How far earlier takes of one set-up lie apart, from the laboratory's record, where they tell something of a plan."""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any, Final, Literal

import numpy as np

from heatwake.kernels.repeats import Repeatability, pooled_repeatability
from heatwake.planning.parts import ExpectedPart
from heatwake.schema.plan import Plan
from heatwake.stages.pair import TRUSTED_FREEDOM
from heatwake.stages.set_ups import FILM_FITTING, NOT_FACTORS, PLACE_DECIMALS, UNIT, set_up_key
from heatwake.stages.takes import Take

SAME_MM: Final = 1.5 * 10.0**-PLACE_DECIMALS  # places and sizes that are the same, each rounded
LEAST: Final = 0.005  # [K], and % of the rise, that is told
Pool = Literal["kind", "bench"]
Found = Literal["missing", "empty", "no repeats", "set-ups", "bench", "camera"]
WORDS: Final[Mapping[Found, str]] = {
    "missing": "is not there yet",
    "empty": "holds no takes yet",
    "no repeats": "holds no set-up taken twice with such a camera and film",
    "set-ups": "of these set-ups",
    "bench": "of this board, camera and film, whatever the conditions",
    "camera": "of other boards with such a camera and film",
}


@dataclass(frozen=True)
class EarlierRepeats:
    """What a record tells of how far runs of one set-up lie apart.

    Attributes
    ----------
    file : str
        As the plan names it.
    found : str
        Which takes count, the nearest that suffice: of the planned set-ups; of this board on this bench, whatever the
        conditions; of other boards with such a camera and film. Or why none do.
    takes, set_ups : int
        That count: takes of set-ups that were taken more than once.
    constant, share : float
        Standard deviation of one take: a constant [K] and a share of the rise, adding in squares; NaN without repeats.
    freedom : float
        Degrees of freedom.
    refitted : bool
        Whether the film was laid on anew for each of these takes.
    pool : str
        Takes that the comparison will count, as ``record.pool`` of a workflow has it.
    counted : float
        Degrees of freedom that it will have of them, as long as the sessions describe board, film and camera as those
        do. Takes of other boards do not count in it.
    """

    file: str
    found: Found
    takes: int = 0
    set_ups: int = 0
    constant: float = math.nan
    share: float = math.nan
    freedom: float = 0.0
    refitted: bool = False
    pool: Pool = "kind"
    counted: float = 0.0

    @property
    def is_told(self) -> bool:
        """Whether there are repeats."""
        return self.freedom > 0

    @property
    def is_trusted(self) -> bool:
        """Whether they may tell less than what is otherwise assumed, as in a comparison."""
        return self.freedom >= TRUSTED_FREEDOM

    def spread(self, rise: float, *, refit: float) -> float:
        """Return the standard deviation of one run [K]; with what a film laid on anew brings, where takes lack it."""
        own = float(Repeatability(self.constant, self.share, self.freedom).spread(rise))
        return own if self.refitted else math.hypot(own, refit)

    @property
    def words(self) -> str:
        """Where the repeatability is from, or why there is none."""
        if not self.is_told:
            return f"{self.file} {WORDS[self.found]}"
        takes = f"{self.takes} takes {WORDS[self.found]}, {self.freedom:g} degrees of freedom"
        told = [f"{self.constant:.2f} K"] if self.constant >= LEAST else []
        told += [f"{100 * self.share:.2f} % of the rise"] if self.share >= LEAST / 100 else []
        added = ", added in squares" if len(told) > 1 else ""
        return f"from {self.file}, {takes}: {' and '.join(told) or 'nothing'}{added}"


def earlier_repeats(plan: Plan, parts: Sequence[ExpectedPart], past: Sequence[Take] | None) -> EarlierRepeats | None:
    """Return what the record that a plan names tells of it; None where it names none.

    A session's kind cannot be compared by its mark, for the film's transmittance and how the board is built may yet be
    stated otherwise. So takes are of the same bench whose board and parts have the planned sizes and places, whose
    camera has the planned band, noise and accuracy, and that have a film or none as planned. Each unit's takes are a
    set-up of their own. The nearest takes count that have the degrees of freedom from which comparisons trust repeats,
    else all.

    Parameters
    ----------
    plan : Plan
    parts : sequence of ExpectedPart
    past : sequence of Take
        What the record holds; None where there is no such file yet.
    """
    if plan.runs.record is None:
        return None
    file = str(plan.runs.record)
    if not past:
        return EarlierRepeats(file, "missing" if past is None else "empty")
    camera = [take for take in past if _is_of_camera(plan, take)]
    bench = [take for take in camera if _is_of_board(plan, parts, take)]
    planned = _planned_conditions(plan)
    set_ups = [take for take in bench if _text(take.set_up.get("conditions")) in planned]
    near, wider, widest = (
        _pooled(file, "set-ups", set_ups),
        _pooled(file, "bench", bench),
        _pooled(file, "camera", camera),
    )
    best = next(
        (one for one in (near, wider, widest) if one.is_trusted or 0 < one.freedom == widest.freedom),
        EarlierRepeats(file, "no repeats"),
    )
    if near.is_trusted or near.freedom == wider.freedom:
        return replace(best, pool="kind", counted=near.freedom)
    return replace(best, pool="bench", counted=wider.freedom)


def _pooled(file: str, found: Found, takes: Sequence[Take]) -> EarlierRepeats:
    groups: dict[str, list[Take]] = {}
    for take in takes:
        group = groups.setdefault(set_up_key(take), [])
        if not group or take.is_near_power(group[0].power):
            group.append(take)
    repeated = [group for group in groups.values() if len(group) > 1]
    told = pooled_repeatability([_rises(group) for group in repeated])
    if told is None:
        return EarlierRepeats(file, found)
    count = sum(map(len, repeated))
    refitted = all(map(_is_refitted, repeated))
    return EarlierRepeats(file, found, count, len(repeated), told.constant, told.share, told.freedom, refitted)


def _rises(group: Sequence[Take]) -> Any:
    """Return the rises of takes (takes, parts) at the first one's power."""
    rows = [take.rises(at_power=group[0].power) for take in group]
    names = list(dict.fromkeys(name for row in rows for name in row))
    return np.array([[row.get(name, np.nan) for name in names] for row in rows])


def _is_refitted(group: Sequence[Take]) -> bool:
    fittings = [take.conditions.get(FILM_FITTING) for take in group]
    return None not in fittings and len(set(map(str, fittings))) == len(fittings)


def _planned_conditions(plan: Plan) -> set[str]:
    """Return the conditions of each planned set-up, as a record tells kinds by."""
    common = {key: value for key, value in plan.conditions.items() if key not in NOT_FACTORS | {UNIT}}
    names = [factor.name for factor in plan.factors]
    combinations = product(*(factor.levels for factor in plan.factors))
    return {_text({**dict(zip(names, chosen, strict=True)), **common}) for chosen in combinations}


def _text(conditions: object) -> str:
    return json.dumps(conditions, sort_keys=True)


def _is_of_camera(plan: Plan, take: Take) -> bool:
    camera, (low, high) = plan.camera, plan.camera.band_um
    wanted = {"band_low": low, "band_high": high, "netd": camera.netd_mK}
    wanted |= {"accuracy": camera.accuracy_K, "accuracy_percent": camera.accuracy_percent}
    film = {"film_present": float(plan.film is not None)}
    return _has(take, "camera", wanted) and _has(take, "film", film)


def _is_of_board(plan: Plan, parts: Sequence[ExpectedPart], take: Take) -> bool:
    size = {"board_width": plan.board.width_mm, "board_height": plan.board.height_mm}
    known = _table(take, "parts")
    if not _has(take, "board", size, within=SAME_MM) or known.keys() != {part.name for part in parts}:
        return False
    return all(
        _are_alike(known[part.name], (part.x, part.y, part.width, part.height), within=SAME_MM) for part in parts
    )


def _table(take: Take, name: str) -> dict[str, Any]:
    bench = take.set_up.get("bench")
    table = bench.get(name) if isinstance(bench, dict) else None
    return table if isinstance(table, dict) else {}


def _has(take: Take, table: str, wanted: Mapping[str, float], *, within: float = 1e-6) -> bool:
    told = _table(take, table)
    return _are_alike([told.get(name) for name in wanted], tuple(wanted.values()), within=within)


def _are_alike(told: object, wanted: Sequence[float], *, within: float) -> bool:
    if not isinstance(told, list) or len(told) != len(wanted):
        return False
    return all(
        isinstance(one, int | float) and abs(one - other) <= within for one, other in zip(told, wanted, strict=True)
    )
