"""Thermocouples against the picture, with the errors of both."""

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatwake.kernels.agreement import Agreement, Line, agreement, chi_square, line_with_errors
from heatwake.report.words import count, listed, number

Array = npt.NDArray[Any]

LEAST_CHANCE: Final = 0.05  # of a chi-square: less contradicts the stated uncertainties
COVERAGE: Final = 1.96


@dataclass(frozen=True)
class ProbeRow:
    """One thermocouple over its readings: camera less thermocouple [K].

    Attributes
    ----------
    place : str
    readings : int
    rise, difference : float
        Means.
    uncertainty : float
        Standard uncertainty of the difference, as stated of both; readings of one thermocouple share it.
    normalised_error : float
        Difference over the expanded uncertainties of both; 1 and less agrees (ISO 13528:2022; from memory).
    """

    place: str
    readings: int
    rise: float
    difference: float
    uncertainty: float
    normalised_error: float

    @property
    def agrees(self) -> bool:
        """Whether it does."""
        return abs(self.normalised_error) <= 1


@dataclass(frozen=True)
class ProbeFinding:
    """Thermocouples against the picture.

    Attributes
    ----------
    rows : tuple of ProbeRow
    limits : Agreement
    chi_square, chance : float
        Of the differences against their stated uncertainties.
    line : Line or None
        The camera's rise over the thermocouple's; errors in both.
    points : tuple of arrays
        Rise and difference of every reading, for the figure.
    """

    rows: tuple[ProbeRow, ...]
    limits: Agreement
    chi_square: float
    chance: float
    line: Line | None
    points: tuple[Array, Array]

    @property
    def agrees(self) -> bool:
        """Whether differences are what the stated uncertainties of both let expect."""
        return self.chance >= LEAST_CHANCE

    @property
    def answer(self) -> str:
        """In a sentence or two."""
        limits = self.limits
        said = "agree within" if self.agrees else "differ by more than"
        readings = sum(row.readings for row in self.rows)
        text = f"Camera and {count(len(self.rows), 'thermocouple')} {said} what is stated of both"
        text += f" ({count(readings, 'reading')})."
        if apart := [row.place for row in self.rows if not row.agrees]:
            text += f" By itself {listed(apart)} differ{'s' if len(apart) == 1 else ''} by more than U."
        if math.isfinite(limits.bias_low):
            text += (
                f" The camera reads {number(limits.bias, signed=True)} K on average "
                f"({number(limits.bias_low, signed=True)} to {number(limits.bias_high, signed=True)} K); 95 % of "
                f"differences lie between {number(limits.low, signed=True)} and {number(limits.high, signed=True)} K."
            )
        return text

    @property
    def line_words(self) -> str:
        """What the line says."""
        if self.line is None:
            return "No line: it takes three thermocouples or more at different rises."
        gain, spread = 100 * (self.line.slope - 1), 100 * self.line.slope_uncertainty
        is_clear = abs(gain) > COVERAGE * spread
        cause = (
            "transmittance, emissivity or a thermocouple that leads heat away: look there"
            if is_clear
            else "no more than the readings' own uncertainties"
        )
        return (
            f"With the rise the difference grows by {number(gain, signed=True)} ± {number(spread)} % of it (k = 1; "
            f"errors in both), {cause}."
        )


def probe_finding(pairs: pd.DataFrame) -> ProbeFinding:
    """Return what readings of camera and thermocouples at one place and time say.

    A thermocouple's own error and how it is fixed are the same in all its readings: thermocouples count, not readings.

    Parameters
    ----------
    pairs : DataFrame
        As ``store.validation_tables.read_pairs`` gives it.
    """
    groups = [(str(place), group) for place, group in pairs.groupby("place", sort=False)]
    rows = tuple(_probe(place, group) for place, group in groups)
    away = pairs["camera_degC"].to_numpy() - pairs["thermocouple_degC"].to_numpy()
    each = [(group["camera_degC"] - group["thermocouple_degC"]).to_numpy() for _, group in groups]
    means = pairs.groupby("place", sort=False)[["rise_K", "camera_u", "thermocouple_u"]].mean()
    difference, spread = (np.array([getattr(row, name) for row in rows]) for name in ("difference", "uncertainty"))
    total, chance = chi_square(difference, spread)
    rise = means["rise_K"].to_numpy()
    line = line_with_errors(
        rise,
        rise + difference,
        x_uncertainty=means["thermocouple_u"].to_numpy(),
        y_uncertainty=means["camera_u"].to_numpy(),
    )
    return ProbeFinding(rows, agreement(each), total, chance, line, (pairs["rise_K"].to_numpy(), away))


def _probe(place: str, group: pd.DataFrame) -> ProbeRow:
    difference = float((group["camera_degC"] - group["thermocouple_degC"]).mean())
    spread = float(np.hypot(group["camera_u"].mean(), group["thermocouple_u"].mean()))
    rise = float(group["rise_K"].mean())
    return ProbeRow(place, len(group), rise, difference, spread, difference / (2 * spread))
