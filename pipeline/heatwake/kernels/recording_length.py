"""How long to record, how often, and how much that is."""

import math
from bisect import bisect_left
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]

SAMPLES: Final = 1000  # of a window, for what holds with many readings
LONGEST_WINDOW: Final = 40.0  # [time constants] that a fit is asked for
INSIDE: Final = 5  # frames inside the fastest thing to be seen (common practice, no source)
SLOW_RATIO: Final = 5.0  # of a second time constant to the first, and the shares of the two, where nothing is known
SHARES: Final = (0.7, 0.3)
FAST_THINGS: Final = {"film": 1.0, "shutter": 0.6, "shake": 0.5}
"""[s] How long they last: a film settles within about a second; a shutter shuts for 0.2 to 1 s and a held camera shakes
at 1 to 3 Hz (common practice, no source)."""


def wait_for(rise: float, *, constant: float, remainder: float) -> float:
    """Return how long until no more than a remainder [K] of a rise is to come: ``tau ln(R / eps)`` [s].

    First order (Lienhard, A Heat Transfer Textbook, 1.3: lumped capacity).

    >>> [round(wait_for(50.0, constant=1.0, remainder=left), 1) for left in (0.5, 0.2, 0.1)]
    [4.6, 5.5, 6.2]
    """
    return constant * math.log(max(rise / remainder, 1.0))


def forecast_gain(window: float, *, shares: Sequence[float] = (1.0,), ratios: Sequence[float] = (1.0,)) -> float:
    """Return the standard deviation of a fitted final value over that of a reading's mean: ``sd = sigma g / sqrt N``.

    By the information of N even readings of white noise (Cramer and Rao) on level at the start, amplitudes and time
    constants, all unknown.

    Parameters
    ----------
    window : float
        Recorded since the step, in time constants of the first term.
    shares, ratios : sequences of float
        Amplitude and time constant of each term, relative to the rise and to the first.

    Examples
    --------
    >>> [round(forecast_gain(window), 1) for window in (1.0, 2.0, 5.0)]
    [27.5, 7.4, 2.0]
    """
    time = (np.arange(SAMPLES) + 0.5) / SAMPLES * window
    columns = [np.ones(SAMPLES)]
    for share, ratio in zip(shares, ratios, strict=True):
        gone = np.exp(-time / ratio)
        columns += [1 - gone, -share * time / ratio * gone]
    jacobian = np.stack(columns, axis=1)
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    at_end = np.zeros(jacobian.shape[1])
    at_end[0] = at_end[1::2] = 1.0
    return float(np.sqrt(at_end @ covariance @ at_end * SAMPLES))


def fit_window(*, noise: float, wanted: float, per_constant: float, two_terms: bool = False) -> float:
    """Return the shortest window from which a fit tells the final value as well as wanted, in time constants.

    Parameters
    ----------
    noise : float
        Of a reading [K].
    wanted : float
        Standard deviation of the final value [K].
    per_constant : float
        Readings in a time constant.
    two_terms : bool
        A second, slower term is allowed for: shares and ratio as where nothing is known.
    """
    shares, ratios = (SHARES, (1.0, SLOW_RATIO)) if two_terms else ((1.0,), (1.0,))

    def is_enough(window: float) -> bool:
        gain = forecast_gain(window, shares=shares, ratios=ratios)
        return noise * gain / math.sqrt(per_constant * window) <= wanted

    windows = np.arange(1.0, LONGEST_WINDOW, 0.1)
    found = bisect_left(windows, x=True, key=lambda window: is_enough(float(window)))  # longer is never worse
    return float(windows[found]) if found < len(windows) else math.inf


def two_term_bias(window: float, *, shares: Sequence[float] = SHARES, ratio: float = SLOW_RATIO) -> tuple[float, float]:
    """Return how far a fit of one exponential, and the plain last reading, fall short of a rise of two [1].

    Least squares on even readings, level at the start free, by search over the time constant.

    Parameters
    ----------
    window : float
        Recorded, in fast time constants.
    shares : sequence of float
        Of the fast and the slow term in the rise.
    ratio : float
        Of their time constants.

    Returns
    -------
    tuple of float
        Negative: too low.
    """
    time = np.linspace(0, window, 300)
    rise = 1 - shares[0] * np.exp(-time) - shares[1] * np.exp(-time / ratio)
    constants = np.geomspace(0.2, 4 * ratio, 1500)
    basis = 1 - np.exp(-time[:, None] / constants)
    steps, moved = basis - basis.mean(axis=0), rise - rise.mean()
    level = moved @ steps / (steps**2).sum(axis=0)
    best = ((moved[:, None] - level * steps) ** 2).sum(axis=0).argmin()
    start = rise.mean() - level[best] * basis[:, best].mean()
    return float(start + level[best] - 1), float(rise[-1] - 1)


def lumped_constant(capacity: float, *, rise: float, power: float) -> float:
    """Return a part's time constant [s] from its heat capacity [J/K]: ``C / hA`` with ``hA = P / R``.

    First order (Lienhard, 1.3).

    >>> lumped_constant(90.0, rise=20.0, power=20.0)  # 0.1 kg of aluminium at 1 W/K
    90.0
    """
    return capacity * rise / power


def frame_rate(shortest: float, *, available: float) -> float:
    """Return the rate that puts five frames inside what lasts a while [s], as far as the camera goes [Hz]."""
    return min(available, INSIDE / shortest)


def megabytes(seconds: float, *, columns: int, rows: int, rate: float, bytes_per_pixel: int = 2) -> float:
    """Return the volume of a recording as stored without compression [MB, 10^6 bytes].

    >>> round(megabytes(3600.0, columns=640, rows=512, rate=9.0) / 1e3, 1)
    21.2
    """
    return columns * rows * bytes_per_pixel * rate * seconds / 1e6
