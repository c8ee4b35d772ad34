"""Lid on against film on at equal power: whether the film changes the airflow measurably."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatwake.kernels.equivalence import Equivalence, equivalence
from heatwake.report.words import listed, number

Array = npt.NDArray[Any]

EXHAUST_MEAN: Final = "exhaust, mean"
LEAST_RUNS: Final = 2  # of either state


class TooFewRunsError(ValueError):
    """There is nothing to compare."""


@dataclass(frozen=True)
class PlaceDifference:
    """One place with the film less with the lid.

    Attributes
    ----------
    place, kind : str
    film, lid : float
        Mean rises [K].
    runs : tuple of int
        Of film and of lid.
    test : Equivalence
    """

    place: str
    kind: str
    film: float
    lid: float
    runs: tuple[int, int]
    test: Equivalence


@dataclass(frozen=True)
class FilmLidFinding:
    """Lid on against film on.

    Attributes
    ----------
    places : tuple of PlaceDifference
    bound : float
        [K]
    is_paired : bool
    power_film, power_lid : float
        Mean powers [W].
    power_percent : float
        By how much they may differ.
    fan_change : float
        Of the fan's speed from lid to film [%]; NaN where it was not read.
    """

    places: tuple[PlaceDifference, ...]
    bound: float
    is_paired: bool
    power_film: float
    power_lid: float
    power_percent: float
    fan_change: float

    @property
    def power_difference(self) -> float:
        """Of film's from lid's [%]."""
        return 100 * (self.power_film / self.power_lid - 1)

    @property
    def is_power_equal(self) -> bool:
        """Whether the two states may be compared."""
        return abs(self.power_difference) <= self.power_percent

    @property
    def least_bound(self) -> float:
        """The smallest bound that would be shown [K]."""
        return max(row.test.least_bound for row in self.places)

    @property
    def is_shown(self) -> bool:
        """Whether all places are equivalent, at equal power."""
        return self.is_power_equal and all(row.test.is_shown for row in self.places)

    @property
    def answer(self) -> str:
        """In a sentence."""
        if not self.is_power_equal:
            return (
                f"Not judged: with the film power was {number(self.power_difference, signed=True)} % off that with the "
                f"lid, more than {self.power_percent:g} %."
            )
        if self.is_shown:
            return (
                f"The film does not change the airflow measurably: all {len(self.places)} places are within "
                f"{self.bound:g} K of the lid (95 %); these readings show {number(self.least_bound, digits=2)} K."
            )
        open_ones = [row.place for row in self.places if not row.test.is_shown]
        least = f"; they would show {number(self.least_bound, digits=2)} K" if math.isfinite(self.least_bound) else ""
        return f"Not shown: {listed(open_ones)} may differ by more than {self.bound:g} K by these readings{least}."


def film_lid_finding(runs: pd.DataFrame, *, bound: float, power_percent: float) -> FilmLidFinding:
    """Return what runs with the film and with the lid say.

    Runs are paired by block where each block has one of either; the mean of the exhaust's sensors is a place more.

    Parameters
    ----------
    runs : DataFrame
        As ``store.validation_tables.read_lid_runs`` gives it.
    bound, power_percent : float

    Raises
    ------
    TooFewRunsError
        There are fewer than two runs of a state, or no place that is in two of either.
    """
    about = runs.drop_duplicates("run").set_index("run")
    film, lid = (about[about["state"] == state] for state in ("film", "lid"))
    if min(len(film), len(lid)) < LEAST_RUNS:
        raise TooFewRunsError(f"{len(film)} with the film and {len(lid)} with the lid")
    is_paired = _is_paired(about)
    table = runs.pivot_table(index="run", columns="place", values="rise_K", sort=False)
    kinds = dict(zip(runs["place"], runs["kind"], strict=True))
    exhaust = [place for place in table.columns if kinds[place] == "exhaust"]
    if len(exhaust) > 1:
        table[EXHAUST_MEAN] = table[exhaust].mean(axis=1, skipna=False)
        kinds[EXHAUST_MEAN] = "exhaust"
    order = {run: str(about.loc[run, "block"]) for run in about.index}
    places = [_place(table[name], film.index, lid.index, order if is_paired else {}) for name in table.columns]
    found = tuple(
        PlaceDifference(str(name), kinds[name], float(a.mean()), float(b.mean()), (a.size, b.size), test)
        for name, (a, b) in zip(table.columns, places, strict=True)
        if min(a.size, b.size) >= LEAST_RUNS
        for test in (equivalence(a, b, bound=bound, paired=is_paired),)
    )
    if not found:
        raise TooFewRunsError("no place in two of either")
    speeds = [float(one["fan_rpm"].mean()) if one["fan_rpm"].notna().any() else math.nan for one in (film, lid)]
    fan = 100 * (speeds[0] / speeds[1] - 1) if speeds[1] > 0 else math.nan
    powers = [float(one["power_W"].mean()) for one in (film, lid)]
    return FilmLidFinding(found, bound, is_paired, powers[0], powers[1], power_percent, fan)


def _is_paired(about: pd.DataFrame) -> bool:
    """Tell whether every block has one run of either state."""
    if (about["block"] == "").any():
        return False
    counts = about.groupby(["block", "state"]).size().unstack(fill_value=0)
    return {"film", "lid"} <= set(counts.columns) and bool((counts[["film", "lid"]] == 1).all().all())


def _place(values: "pd.Series[Any]", film: Any, lid: Any, blocks: Mapping[str, str]) -> tuple[Array, Array]:
    """Return a place's rises with the film and with the lid, in the order of blocks where runs are paired."""
    if not blocks:
        return values[film].dropna().to_numpy(), values[lid].dropna().to_numpy()
    sides = [{blocks[run]: float(values[run]) for run in one if pd.notna(values[run])} for one in (film, lid)]
    both = [block for block in sides[0] if block in sides[1]]
    return np.array([sides[0][block] for block in both]), np.array([sides[1][block] for block in both])
