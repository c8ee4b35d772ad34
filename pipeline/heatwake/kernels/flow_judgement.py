"""Which flow the evidence allows: hypotheses fitted side by side, and the gates that a claim must pass.

A direction is claimed when the best fit beats both the flow through the openings the other way round and still air, by
more than copper and parts that the board model does not know make of a board in still air. Where the same wind
everywhere, of another direction, explains the board better than the openings do, these do not shape the flow as
declared.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from heatwake.kernels.flow_family import AirFamily, opening_flow, still_air, uniform_wind
from heatwake.kernels.joint_flow import JointFit, JointFlow, carried_heat, evidence
from heatwake.kernels.openings import Arc

Array = npt.NDArray[np.float64]

IDENTIFIED, WEAK, NOT_IDENTIFIABLE, NOT_ATTEMPTED = range(4)

_WORST_RESIDUAL = 0.25  # of the rise; beyond it the board is not what the model describes
_WORST_PAIR = 0.3  # as above; the mean of a pair is fitted loosely
_ANOTHER_DIRECTION = 60.0  # [degree]


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
        Against still air, and against the flow the other way, for a direction that is identified. Boards in still air
        whose copper varies by nine to one reached 71 and 63; with the fan on, evidence was 60 and more, 41 and more.
    weak_still, weak_opposite : float
        For a half of the board.
    steady : float
        Factor on the evidence where there are no maps of the warming-up.
    contradiction : float
        For uniform wind of another direction: beyond it the openings do not shape the flow as declared.
    """

    still: float = 75.0
    opposite: float = 30.0
    weak_still: float = 35.0
    weak_opposite: float = 15.0
    steady: float = 1.5
    contradiction: float = 3.0


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
    """

    status: int
    signs: tuple[int, ...]
    fit: JointFit
    against_opposite: float
    against_still: float
    against_wind: float = float("nan")
    wind_apart: float = float("nan")

    @property
    def least_evidence(self) -> float:
        """The weaker of the evidence against the opposite flow and against still air."""
        return min(self.against_opposite, self.against_still)


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
    still = problem.fit([still_air(problem.grid)])
    if not (openings.fans and openings.vents):
        return _judge_wind(problem, still, openings.channel, gates=gates)
    fits = {sign: problem.fit([_through(problem, openings, sign)]) for sign in (1, -1)}
    sign = min(fits, key=lambda key: fits[key].misfit)
    best = fits[sign]
    towards = board_angle(best, problem)
    wind = _best_wind(problem, openings.channel, angles=(towards, towards + 180.0), like=best)
    verdict = Verdict(
        status=NOT_IDENTIFIABLE,
        signs=(sign,),
        fit=best,
        against_opposite=evidence(best, fits[-sign]),
        against_still=evidence(best, still),
        against_wind=evidence(best, wind),
        wind_apart=abs((board_angle(wind, problem) - towards + 180.0) % 360.0 - 180.0),
    )
    return replace(verdict, status=_grade(verdict, steady=not _transient(problem), gates=gates))


def _grade(verdict: Verdict, *, steady: bool, gates: Gates) -> int:
    contradicted = verdict.against_wind < -gates.contradiction and verdict.wind_apart > _ANOTHER_DIRECTION
    if verdict.fit.residual > _WORST_RESIDUAL or contradicted:
        return NOT_IDENTIFIABLE
    factor = gates.steady if steady else 1.0
    if _passes(verdict, still=factor * gates.still, opposite=factor * gates.opposite):
        return IDENTIFIED
    return WEAK if _passes(verdict, still=gates.weak_still, opposite=gates.weak_opposite) else NOT_IDENTIFIABLE


def _passes(verdict: Verdict, *, still: float, opposite: float) -> bool:
    return verdict.against_still >= still and verdict.against_opposite >= opposite


def _transient(problem: JointFlow) -> bool:
    return all(len(recording.times) > 2 for recording in problem.recordings)


def _judge_wind(problem: JointFlow, still: JointFit, channel: float, *, gates: Gates) -> Verdict:
    """Judge with no declared openings."""
    winds = [uniform_wind(problem.grid, angle=angle, channel=channel) for angle in (0, 90, 180, 270)]
    fits = [problem.fit([wind], like=still) for wind in winds]
    best = min(fits, key=lambda fit: fit.misfit)
    wind = best.vector[best.parameters.flow(0)]
    opposite = [fit for fit in fits if fit.vector[fit.parameters.flow(0)] @ wind < 0.0]
    other = min([*opposite, still], key=lambda fit: fit.misfit)
    least = evidence(best, other)
    status = WEAK if least >= gates.still and best.residual <= _WORST_RESIDUAL else NOT_IDENTIFIABLE
    return Verdict(status, (0,), best, least, evidence(best, still))


def _through(problem: JointFlow, openings: Openings, sign: int) -> AirFamily:
    return opening_flow(openings.fans, openings.vents, grid=problem.grid, sign=sign, channel=openings.channel)


def board_angle(fit: JointFit, problem: JointFlow, *, index: int = 0) -> float:
    """Return where the air carries the board's heat, over all, at the last time [degree]."""
    heat = carried_heat(fit, problem.grid, index=index)[-1]
    return float(np.degrees(np.arctan2(heat[1], heat[0])))


def _best_wind(problem: JointFlow, channel: float, *, angles: Sequence[float], like: JointFit) -> JointFit:
    winds = [uniform_wind(problem.grid, angle=angle, channel=channel) for angle in angles]
    fits = [problem.fit([wind], like=like, steps=8) for wind in winds]
    return min(fits, key=lambda fit: fit.misfit)


def judge_pair(problem: JointFlow, openings: Sequence[Openings], *, opposed: bool, gates: Gates) -> Verdict:
    """Judge two recordings of one board together.

    Parameters
    ----------
    problem : JointFlow
        With two recordings.
    openings : sequence of two Openings
        Of each recording.
    opposed : bool
        Whether the net flow through the fans differs in sign.
    gates : Gates
        What a claim needs.
    """
    still = problem.fit([still_air(problem.grid)] * 2)
    fits = {}
    for signs in [(1, -1), (-1, 1)] if opposed else [(1, 1), (-1, -1)]:
        families = [_through(problem, each, sign) for each, sign in zip(openings, signs, strict=True)]
        fits[signs] = problem.fit(families)
    signs = min(fits, key=lambda key: fits[key].misfit)
    best = fits[signs]
    other = fits[(-signs[0], -signs[1])]
    verdict = Verdict(NOT_IDENTIFIABLE, signs, best, evidence(best, other), evidence(best, still))
    sure = _passes(verdict, still=gates.still, opposite=gates.opposite)
    return replace(verdict, status=IDENTIFIED if sure and best.residual <= _WORST_PAIR else NOT_IDENTIFIABLE)
