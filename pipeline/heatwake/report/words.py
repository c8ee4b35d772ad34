"""Sentences: what a person reads first."""

from collections.abc import Sequence
from typing import Final

import numpy as np

_HEADINGS: Final = (
    "to the right",
    "up and to the right",
    "up",
    "up and to the left",
    "to the left",
    "down and to the left",
    "down",
    "down and to the right",
)


def heading(degrees: float) -> str:
    """Return a direction on the board in words, to the nearest eighth of a turn.

    >>> heading(0.0), heading(100.0), heading(-178.0)
    ('to the right', 'up', 'to the left')
    """
    return _HEADINGS[round(degrees / 45.0) % 8]


def listed(names: Sequence[str]) -> str:
    """Return names as a list in a sentence.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def number(value: float, *, digits: int = 1, unit: str = "", signed: bool = False) -> str:
    """Return a number for a sentence or a table; a dash where there is none.

    >>> number(-3.14159, unit="K"), number(float("nan")), number(2.0, signed=True)
    ('−3.1 K', '–', '+2.0')
    """
    if not np.isfinite(value):
        return "–"
    text = f"{value:+.{digits}f}" if signed else f"{value:.{digits}f}"
    if not text.strip("+-0."):
        text = text.lstrip("+-")
    text = text.replace("-", "−")
    return f"{text} {unit}" if unit else text


def clock(seconds: float) -> str:
    """Return seconds as minutes and seconds, or hours, minutes and seconds.

    >>> clock(75.4), clock(3723.0)
    ('1:15', '1:02:03')
    """
    whole = max(int(seconds), 0)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"


def duration(seconds: float) -> str:
    """Return a length of time in the unit that suits it.

    >>> duration(42.0), duration(200.0), duration(9000.0)
    ('42 s', '3 min', '2.5 h')
    """
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 6000 else f"{seconds / 3600:.1f} h"


def count(amount: int, noun: str) -> str:
    """Return a counted noun.

    >>> count(1, "part"), count(3, "part")
    ('1 part', '3 parts')
    """
    return f"{amount} {noun}" if amount == 1 else f"{amount} {noun}s"
