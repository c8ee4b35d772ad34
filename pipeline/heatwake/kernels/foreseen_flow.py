"""What another recording of a board would show, as the fitted board and air foresee it.

The fit to one recording is a model that can be asked: the same board with the fan off, turned round, or half of a vent
covered. How much each part would change by is the size of what a comparison would have to find; and a pair made of the
recording and of the one foreseen tells whether its direction could be told.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.fan_air import covered_flow
from heatwake.kernels.flow_family import AirFamily
from heatwake.kernels.flow_judgement import Openings
from heatwake.kernels.joint_flow import JointFit, JointFlow
from heatwake.kernels.openings import Arc, opening_streams
from heatwake.kernels.rise_rows import Recording

Array = npt.NDArray[np.float64]

STILL_EXCHANGE: Final = 6.0
"""Of board and air where no fan moves it [W m-2 K-1]: free convection, 5 to 10 in textbooks (from memory), low in a
flat channel."""
EXCHANGE_POWER: Final = 0.6  # exchange goes with the flow to this power: 0.5 laminar, 0.8 turbulent (textbooks)
VENT_SHARE: Final = 0.5  # of the flow's resistance that lies in the vents (a guess; 0.3 to 0.7 is usual)
COVERED: Final = 0.5  # of a vent, by a card

FAN_OFF: Final = "fan off"
TURNED_ROUND: Final = "fan turned round"


@dataclass(frozen=True)
class Foreseen:
    """A recording that could be made.

    Attributes
    ----------
    name : str
        What is done to the set-up.
    opposed : int
        Net flow through the fans beside that of the recording in hand: 1, -1, or 0 where they stand.
    openings : Openings
        As they are then.
    rise : (times, cells) array
        What the board would show at the times of the recording in hand [K].
    """

    name: str
    opposed: int
    openings: Openings
    rise: Array


def foresee(problem: JointFlow, fit: JointFit, openings: Openings, *, vents: Mapping[int, str]) -> list[Foreseen]:
    """Return the board as fitted with its fan off, turned round, and with half of each vent covered.

    Parameters
    ----------
    problem : JointFlow
        With one recording.
    fit : JointFit
        Its best fit, through declared openings.
    openings : Openings
        Those declared.
    vents : mapping of int to str
        Names of the vents to be half covered, by their number among the openings' vents.
    """
    family = fit.parameters.families[0]
    flux, strength = family.flux(fit.vector[fit.parameters.flow(0)]), _strengths(family, fit)
    made = [
        Foreseen(FAN_OFF, 0, openings, _rises(problem, fit, 0.0 * flux, exchange=_still(fit))),
        Foreseen(TURNED_ROUND, -1, openings, _rises(problem, fit, -flux, exchange=1.0)),
    ]
    for number, name in vents.items():
        covered = _half(openings, number)
        share = abs(strength[number]) / max(np.abs(strength).sum(), 1e-12)
        flow = covered_flow(COVERED * share, vents=VENT_SHARE)
        shares = np.where(np.arange(strength.size) == number, 1 - COVERED, 1.0) * strength
        shares *= flow * strength.sum() / shares.sum()
        through = _through(family, covered, problem, shares)
        rises = _rises(problem, fit, through, exchange=flow**EXCHANGE_POWER)
        made.append(Foreseen(f"half of {name} covered", 1, covered, rises))
    return made


def foreseen_recording(problem: JointFlow, fit: JointFit, foreseen: Foreseen) -> Recording:
    """Return what is foreseen as a recording, with errors like those of the recording in hand.

    What its fit leaves over is turned left to right and scaled to the rise: as large and as grainy as what a model of
    this board gets wrong, and at other places.
    """
    seen = problem.recordings[0]
    left_over = np.nan_to_num(seen.rise - fit.board[0]).reshape(-1, problem.grid.rows, problem.grid.columns)
    scale = np.linalg.norm(foreseen.rise, axis=1) / np.maximum(np.linalg.norm(fit.board[0], axis=1), 1e-9)
    mirrored = left_over[:, :, ::-1].reshape(seen.rise.shape) * scale[:, np.newaxis]
    rise = np.where(np.isfinite(seen.rise), foreseen.rise + mirrored, np.nan)
    return Recording(seen.times, rise, seen.noise)


def _rises(problem: JointFlow, fit: JointFit, flux: Array, *, exchange: float) -> Array:
    known = fit.parameters.coefficients(fit.vector, 0)
    changed = replace(known, flux=flux, exchange=exchange * known.exchange)
    marched = problem.board.march(changed, problem.sources, times=problem.recordings[0].times)
    return np.stack([steps[-1].last[: problem.grid.cells] @ fit.powers for steps in marched])


def _still(fit: JointFit) -> float:
    """Return the exchange of still air over that of the recording in hand, on the bare board."""
    least = float(fit.parameters.coefficients(fit.vector, 0).exchange.min())
    return min(1.0, STILL_EXCHANGE / least)


def _strengths(family: AirFamily, fit: JointFit) -> Array:
    """Return the heat capacity flow of each vent [W/K]."""
    own = fit.vector[fit.parameters.flow(0)]
    return np.asarray(family.scale * np.exp(own[0] + (own[1:] if family.scale.size > 1 else 0.0)))


def _half(openings: Openings, number: int) -> Openings:
    def shorter(arc: Arc) -> Arc:
        return (arc[0], arc[0] + (1 - COVERED) * (arc[1] - arc[0]))

    vents = tuple(shorter(arc) if at == number else arc for at, arc in enumerate(openings.vents))
    return replace(openings, vents=vents)


def _through(family: AirFamily, openings: Openings, problem: JointFlow, strengths: Array) -> Array:
    return np.asarray(strengths @ opening_streams(openings.fans, openings.vents, grid=problem.grid))
