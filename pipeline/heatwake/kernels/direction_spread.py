"""How far a direction from the physical fit may be off: the fit's own spread, and air that the openings do not tell.

The fit knows potential flow through the openings; real air has momentum: it swirls, passes dead corners and runs back
there. What is not told has a speed of its own, about the same all over the board, so that it turns slow air more than
fast air. Its size, and a floor, are set so that 95 % intervals (two standard uncertainties) hold on drawn boards with
jets; see `Calibration`.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

UNIFORM = 104.0
"""Standard deviation of a direction of which nothing is known, 180 / sqrt(3) [degree]."""

ROLE_EVIDENCE = 11.0
"""Evidence for a factor of e between the odds of the two ways through the openings.

The likeliest for 29 recordings of drawn boards with jets, in three of which the other way fitted better.
"""


@dataclass(frozen=True)
class Calibration:
    """What is added to the fit's own spread.

    Attributes
    ----------
    board : float
        Least standard uncertainty of the board's direction [degree].
    part : float
        Of a part's, or a place's, where the air is fast [degree].
    stray : float
        Speed of the air that the openings do not tell, over the median speed over the board.
    """

    board: float
    part: float
    stray: float


def place_spread(fitted: Array, speed: Array, calibration: Calibration) -> Array:
    """Return the standard uncertainty of directions at places [degree].

    Parameters
    ----------
    fitted : array
        Spread from the fit alone [degree].
    speed : array
        Speed of the fitted flow there over its median over the board.
    calibration : Calibration
        What is added.

    Examples
    --------
    >>> fast, slow = place_spread(np.zeros(2), np.array([2.0, 0.2]), Calibration(board=10.0, part=10.0, stray=0.2))
    >>> round(float(fast), 1), round(float(slow), 1)
    (11.5, 58.2)
    """
    turned = np.degrees(calibration.stray / np.maximum(speed, 1e-6))
    return np.asarray(np.minimum(np.sqrt(fitted**2 + calibration.part**2 + turned**2), UNIFORM))


def board_spread(fitted: Array, calibration: Calibration) -> Array:
    """Return the standard uncertainty of the board's direction [degree]."""
    return np.asarray(np.minimum(np.hypot(fitted, calibration.board), UNIFORM))


def turn_spread(fitted: Array, turn: Array, *, most: Array, least: float, share: float) -> Array:
    """Return the standard uncertainty of a turn between two recordings whose air goes the same way [degree].

    What the openings do not tell of the air is much the same in both and turns both directions alike; what does not
    cancel grows with the turn.

    Parameters
    ----------
    fitted : array
        Spread of the two directions from the fits alone, added in squares [degree].
    turn : array
        [degree]
    most : array
        Of two directions that have nothing in common [degree].
    least, share : float
        What is left where nothing turned [degree], and the share of the turn.

    Examples
    --------
    >>> fitted, most = np.array([4.0, 4.0]), np.array([12.0, 12.0])
    >>> turn_spread(fitted, np.array([0.0, 30.0]), most=most, least=3, share=0.3).round(1).tolist()
    [5.0, 10.3]
    """
    return np.asarray(np.minimum(np.sqrt(fitted**2 + least**2 + (share * turn) ** 2), most))


def role_probability(against_other: float, against_still: float, *, enough: float) -> float:
    """Return the probability that air goes through the openings the way that the best fit says.

    Parameters
    ----------
    against_other, against_still : float
        Evidence of the best fit, see `joint_flow.evidence`: against air that goes the other way, and against still air.
        Twice a log-likelihood ratio were the model exact; it is not, and counts for less, see `ROLE_EVIDENCE`.
    enough : float
        Evidence against still air at which a flow is as likely as not; below it the way is a guess.

    Examples
    --------
    >>> round(role_probability(60.0, 120.0, enough=30.0), 3), round(role_probability(60.0, 0.0, enough=30.0), 3)
    (0.996, 0.501)
    """
    way = 1.0 / (1.0 + np.exp(-np.clip(against_other / ROLE_EVIDENCE, 0.0, 500.0)))
    moves = 1.0 / (1.0 + np.exp(-np.clip(against_still - enough, -500.0, 500.0) / 5.0))
    return float(0.5 + (way - 0.5) * moves)
