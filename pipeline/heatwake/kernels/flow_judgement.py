"""Which flow the evidence allows: hypotheses fitted side by side, and the gates that a claim must pass.

A direction is claimed when the best fit beats both the flow through the openings the other way round and still air, by
more than copper and parts that the board model does not know make of a board in still air. Where the same wind
everywhere, of another direction, explains the board about as well as the openings do, these may not shape the flow
as declared.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from heatwake.kernels.coarse_cells import coarse_flow
from heatwake.kernels.flow_family import AirFamily, opening_flow, still_air, uniform_wind
from heatwake.kernels.joint_flow import JointFit, JointFlow, carried_heat, evidence
from heatwake.kernels.openings import Arc

Array = npt.NDArray[np.float64]
Key = TypeVar("Key", bound=Hashable)

IDENTIFIED, WEAK, NOT_IDENTIFIABLE, NOT_ATTEMPTED = range(4)

WORST_RESIDUAL = 0.25  # of the rise; beyond it the board is not what the model describes
_WORST_PAIR = 0.3  # as above; the mean of a pair is fitted loosely
_ANOTHER_DIRECTION = 45.0  # [degree]
_ASIDE = 25.0  # [degree]
_OTHER_HALF = 90.0  # [degree]
_CLEAR = 2.0  # times what a claim needs: so much evidence on coarse cells need not be confirmed on finer ones
_CLEAR_OF_WIND = 30.0


@dataclass(frozen=True)
class Openings:
    """Declared openings along the board's edge (see `openings.perimeter_arc`); both empty where none are declared.

    Attributes
    ----------
    fans, vents : tuples of (from, to)
        Along the edge [m].
    channel : float
        Height of the air over the board [m]; NaN where not known.
    """

    fans: tuple[Arc, ...]
    vents: tuple[Arc, ...]
    channel: float = float("nan")


@dataclass(frozen=True)
class Gates:
    """Evidence that a claim needs.

    Attributes
    ----------
    still, opposite : float
        Against still air, and against the flow the other way, for a direction that is identified: both are needed.
        Of varied boards in still air none reached 25 against it; with a fan running two of three passed both.
    weak_still, weak_opposite : float
        For a half of the board; a blown board of which the wrong half was told had 16 against the right one. The
        latter is also how far one recording of several may say the opposite.
    steady : float
        Factor on the evidence where there are no maps of the warming-up.
    contradiction : float
        Against a uniform wind of another direction: without it the openings may not shape the flow as declared. A jet
        that cools what it hits read as flow from there with evidence 35, 117 and, against the wind, 15.
    wind : float
        Against a uniform wind that goes somewhat aside, for a direction that is identified. Openings declared a quarter
        of the edge from where they are passed all else in 3 of 14 recordings, 39 to 128 degrees off, with -9 to 8
        against winds 29 to 52 degrees aside.
    """

    still: float = 55.0
    opposite: float = 25.0
    weak_still: float = 35.0
    weak_opposite: float = 20.0
    steady: float = 1.5
    contradiction: float = 25.0
    wind: float = 0.0


@dataclass(frozen=True)
class Verdict:
    """What can be said.

    Attributes
    ----------
    status : int
        0 identified, 1 weak, 2 not identifiable.
    signs : tuple of int
        Net flow through the fans of each recording: 1 out of the item, -1 into it, 0 unknown.
    fit : JointFit
        The best fit.
    against_opposite, against_still, against_wind : float
        Evidence against the others; NaN where not asked.
    wind_apart : float
        Angle between the best fit and the best uniform wind [degree]; NaN where not asked.
    alone : tuple of JointFit or None
        Of several recordings that are identified: each by itself, the air going the way that all together say. Its
        directions are the better ones: what the recordings do not share is not forced into one board. None where the
        fans stand.
    """

    status: int
    signs: tuple[int, ...]
    fit: JointFit
    against_opposite: float
    against_still: float
    against_wind: float = float("nan")
    wind_apart: float = float("nan")
    alone: tuple[JointFit | None, ...] = ()

    @property
    def least_evidence(self) -> float:
        """The weaker of the evidence against the opposite flow and against still air."""
        return min(self.against_opposite, self.against_still)

    @property
    def against_another_half(self) -> float:
        """The weaker of the evidence against the opposite flow and against a wind towards the other half."""
        other = self.against_wind if self.wind_apart > _OTHER_HALF else self.against_opposite
        return min(self.against_opposite, other)


def judge_single(problem: JointFlow, openings: Openings, *, gates: Gates) -> Verdict:
    """Judge one recording.

    Parameters
    ----------
    problem : JointFlow
        With one recording.
    openings : Openings
        Where air may enter and leave; with none declared a uniform wind is tried, and is weak at best.
    gates : Gates
        What a claim needs.
    """
    still = _try(problem, [still_air(problem.grid)])
    if not (openings.fans and openings.vents):
        return _judge_wind(problem, still, openings.channel, gates=gates)
    trials = {sign: _try(problem, [_through(problem, openings, sign)]) for sign in (1, -1)}
    steady = not _transient(problem)
    factor = gates.steady if steady else 1.0
    sign = _best_of(trials, clear=_CLEAR * factor * gates.opposite)
    best = trials[sign]
    towards = board_angle(best.fit, problem)
    winds = _winds(problem, openings.channel, angles=(towards, towards + 180.0), like=best)
    wind = winds[_best_of(winds, clear=_CLEAR_OF_WIND)]
    verdict = Verdict(
        status=NOT_IDENTIFIABLE,
        signs=(sign,),
        fit=best.fit,
        against_opposite=_against(best, trials[-sign], clear=_CLEAR * factor * gates.opposite),
        against_still=_against(best, still, clear=_CLEAR * factor * gates.still),
        against_wind=_against(best, wind, clear=_CLEAR_OF_WIND),
        wind_apart=abs((board_angle(wind.draft, wind.rough) - towards + 180.0) % 360.0 - 180.0),
    )
    return replace(verdict, status=_grade(verdict, steady=steady, gates=gates))


@dataclass(frozen=True)
class _Trial:
    """A hypothesis, fitted on coarse cells, and on the cells only where that is asked for."""

    problem: JointFlow
    families: tuple[AirFamily, ...]
    draft: JointFit

    @property
    def rough(self) -> JointFlow:
        """The fit on coarse cells; that on the cells where they are few."""
        return self.problem.coarse or self.problem

    @cached_property
    def fit(self) -> JointFit:
        """The fit on the cells."""
        if self.problem.coarse is None:
            return self.draft
        return self.problem.fit(self.families, start=self.draft)


def _try(problem: JointFlow, families: Sequence[AirFamily], *, like: _Trial | None = None, steps: int = 20) -> _Trial:
    board, there = None if like is None else like.draft, families
    if problem.coarse is not None:
        there = [coarse_flow(family, problem.grid, problem.coarse.grid) for family in families]
    draft = (problem.coarse or problem).fit(there, like=board, steps=steps)
    return _Trial(problem, tuple(families), draft)


def _best_of(trials: Mapping[Key, _Trial], *, clear: float) -> Key:
    """Return which trial fits best: on coarse cells where that is clear, else on the cells."""
    first = min(trials, key=lambda key: trials[key].draft.misfit)
    close = [key for key, trial in trials.items() if evidence(trials[first].draft, trial.draft) < clear]
    return min(close, key=lambda key: trials[key].fit.misfit) if len(close) > 1 else first


def _against(best: _Trial, other: _Trial, *, clear: float) -> float:
    """Return the evidence against another trial: on coarse cells where it is clear, else on the cells."""
    rough = evidence(best.draft, other.draft)
    return rough if rough >= clear else evidence(best.fit, other.fit)


def _grade(verdict: Verdict, *, steady: bool, gates: Gates) -> int:
    contradicted = verdict.against_wind < gates.contradiction and verdict.wind_apart > _ANOTHER_DIRECTION
    if verdict.fit.residual > WORST_RESIDUAL or contradicted:
        return NOT_IDENTIFIABLE
    factor = gates.steady if steady else 1.0
    borne_out = verdict.against_wind >= gates.wind or verdict.wind_apart <= _ASIDE
    if borne_out and _passes(verdict, still=factor * gates.still, opposite=factor * gates.opposite):
        return IDENTIFIED
    return WEAK if _passes(verdict, still=gates.weak_still, opposite=gates.weak_opposite) else NOT_IDENTIFIABLE


def _passes(verdict: Verdict, *, still: float, opposite: float) -> bool:
    return verdict.against_still >= still and verdict.against_opposite >= opposite


def _transient(problem: JointFlow) -> bool:
    return all(len(recording.times) > 2 for recording in problem.recordings)


def _judge_wind(problem: JointFlow, still: _Trial, channel: float, *, gates: Gates) -> Verdict:
    """Judge with no declared openings."""
    winds = _winds(problem, channel, angles=(0.0, 90.0, 180.0, 270.0), like=still, steps=20)
    clear = _CLEAR * gates.still
    best = winds[_best_of(winds, clear=clear)]
    wind = best.draft.vector[best.draft.parameters.flow(0)]
    opposite = [each for each in winds.values() if each.draft.vector[each.draft.parameters.flow(0)] @ wind < 0.0]
    others = dict(enumerate([*opposite, still]))
    least = _against(best, others[_best_of(others, clear=clear)], clear=clear)
    status = WEAK if least >= gates.still and best.fit.residual <= WORST_RESIDUAL else NOT_IDENTIFIABLE
    return Verdict(status, (0,), best.fit, least, _against(best, still, clear=clear))


def _through(problem: JointFlow, openings: Openings, sign: int) -> AirFamily:
    return opening_flow(openings.fans, openings.vents, grid=problem.grid, sign=sign, channel=openings.channel)


def board_angle(fit: JointFit, problem: JointFlow, *, index: int = 0) -> float:
    """Return where the air carries the board's heat, over all, at the last time [degree]."""
    heat = carried_heat(fit, problem.grid, index=index)[-1]
    return float(np.degrees(np.arctan2(heat[1], heat[0])))


def _winds(
    problem: JointFlow, channel: float, *, angles: Sequence[float], like: _Trial, steps: int = 8
) -> dict[float, _Trial]:
    winds = {angle: uniform_wind(problem.grid, angle=angle, channel=channel) for angle in angles}
    return {angle: _try(problem, [wind], like=like, steps=steps) for angle, wind in winds.items()}


def judge_together(
    problem: JointFlow, openings: Sequence[Openings], *, relation: Sequence[int], gates: Gates
) -> Verdict:
    """Judge several recordings of one board together.

    Parameters
    ----------
    problem : JointFlow
        With two recordings or more.
    openings : sequence of Openings
        Of each recording.
    relation : sequence of int
        Net flow through the fans of each recording beside the others': 1 and -1 opposed, 0 the fans stand.
    gates : Gates
        What a claim needs.

    Raises
    ------
    ValueError
        Where the fans stand in all recordings.
    """
    if not any(relation):
        raise ValueError("the fans stand in all recordings: there is no flow to judge")
    still = _try(problem, [still_air(problem.grid) for _ in relation])
    trials = {}
    for sign in (1, -1):
        families = [
            _through(problem, each, sign * one) if one else still_air(problem.grid)
            for each, one in zip(openings, relation, strict=True)
        ]
        trials[sign] = _try(problem, families)
    sign = _best_of(trials, clear=_CLEAR * gates.opposite)
    best = trials[sign]
    verdict = Verdict(
        status=NOT_IDENTIFIABLE,
        signs=tuple(sign * one for one in relation),
        fit=best.fit,
        against_opposite=_against(best, trials[-sign], clear=_CLEAR * gates.opposite),
        against_still=_against(best, still, clear=_CLEAR * gates.still),
    )
    sure = _passes(verdict, still=gates.still, opposite=gates.opposite)
    return _confirm(problem, openings, verdict, gates=gates) if sure and best.fit.residual <= _WORST_PAIR else verdict


def _confirm(problem: JointFlow, openings: Sequence[Openings], verdict: Verdict, *, gates: Gates) -> Verdict:
    """Identify the verdict of several recordings unless one of them, by itself, says the opposite.

    A jet cools what it hits, which beside a recording in still air reads as air that comes from there: with a fan that
    stands, the others must say the same by themselves.
    """
    least = -gates.weak_opposite if all(verdict.signs) else 0.0
    fits: list[JointFit | None] = []
    for index, sign in enumerate(verdict.signs):
        if not sign:
            fits.append(None)
            continue
        single = problem.alone(index)
        claimed, other = (_try(single, [_through(single, openings[index], way)]) for way in (sign, -sign))
        if _against(claimed, other, clear=_CLEAR * gates.opposite) < least:
            return verdict
        fits.append(claimed.fit)
    return replace(verdict, status=IDENTIFIED, alone=tuple(fits))
