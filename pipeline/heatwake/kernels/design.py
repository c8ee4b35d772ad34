"""Designs of experiments: which effects the runs can tell apart, and as which sums of a model's coefficients."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Run = Mapping[str, Any]

TOLERANCE: Final = 1e-8
LINE_LEVELS: Final = 4  # numbers with more levels are taken as a straight line
MOST_COMBINATIONS: Final = 1024


@dataclass(frozen=True)
class Factor:
    """What a test changes on purpose.

    Attributes
    ----------
    name : str
    levels : tuple
        The first is what others are compared with; of a straight line the lowest and the highest.
    is_line : bool
        Whether its numbers are taken as a straight line.
    """

    name: str
    levels: tuple[Any, ...]
    is_line: bool = False

    def columns(self, values: Sequence[Any]) -> Array:
        """Return the coding of values (runs, columns), which sums to zero over the levels: -1 and +1 for two."""
        if self.is_line:
            low, high = float(self.levels[0]), float(self.levels[-1])
            return np.array([[2 * (float(value) - low) / (high - low) - 1] for value in values])
        coded = np.zeros((len(values), len(self.levels) - 1))
        for row, value in enumerate(values):
            level = self.levels.index(value)
            if level:
                coded[row, level - 1] = 1.0
            else:
                coded[row] = -1.0
        return coded


@dataclass(frozen=True)
class Alias:
    """An effect that the runs cannot tell from others: names of factors."""

    term: tuple[str, ...]
    others: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Contrast:
    """An effect as a sum of the model's coefficients.

    Attributes
    ----------
    factors : tuple of str
        One for a main effect, more for an interaction.
    levels : tuple
        The level of each that is compared with its first.
    weights : (coefficients,) array
    """

    factors: tuple[str, ...]
    levels: tuple[Any, ...]
    weights: Array


@dataclass(frozen=True)
class Design:
    """Runs as a linear model: mean, blocks, main effects, and the interactions that the runs can tell.

    Attributes
    ----------
    factors : tuple of Factor
    terms : tuple of tuples of str
        Told apart by the runs.
    aliases : tuple of Alias
        Not told apart.
    matrix : (runs, coefficients) array
    blocks : int
        Columns of blocks, after the mean.
    """

    factors: tuple[Factor, ...]
    terms: tuple[tuple[str, ...], ...]
    aliases: tuple[Alias, ...]
    matrix: Array
    blocks: int

    @property
    def freedom(self) -> int:
        """Runs less coefficients."""
        return int(self.matrix.shape[0] - self.matrix.shape[1])

    def combinations(self) -> list[dict[str, Any]]:
        """Return every combination of levels, the first levels first."""
        names = [factor.name for factor in self.factors]
        return [dict(zip(names, chosen, strict=True)) for chosen in product(*(one.levels for one in self.factors))]

    def rows(self, runs: Sequence[Run]) -> Array:
        """Return the model's rows for runs, in the mean of the blocks."""
        columns = [np.ones((len(runs), 1)), np.zeros((len(runs), self.blocks))]
        return np.hstack([*columns, *(term_columns(term, self.factors, runs) for term in self.terms)])

    def contrasts(self) -> list[Contrast]:
        """Return the effects: the mean over all else of a level less the first; half of what that depends on another.

        For two levels as in Box, Hunter and Hunter, Statistics for Experimenters, Wiley 1978, chapter 10.
        """
        grid = self.combinations()
        rows = self.rows(grid)
        by_name = {factor.name: factor for factor in self.factors}
        found = []
        for term in self.terms:
            for levels in product(*(_compared(by_name[name]) for name in term)):
                weights = [_sign(run, term, levels, by_name) for run in grid]
                compared = sum(weight == 1 for weight in weights)
                found.append(Contrast(term, levels, np.array(weights) @ rows / compared))
        return found


def _compared(factor: Factor) -> tuple[Any, ...]:
    return factor.levels[-1:] if factor.is_line else factor.levels[1:]


def _sign(run: Run, term: tuple[str, ...], levels: tuple[Any, ...], by_name: Mapping[str, Factor]) -> float:
    """Return +1 or -1 for runs at the levels compared or at the first ones, 0 for others."""
    sign = 1.0
    for name, level in zip(term, levels, strict=True):
        if run[name] == level:
            continue
        if run[name] != by_name[name].levels[0]:
            return 0.0
        sign = -sign
    return sign


def find_factors(runs: Sequence[Run], *, first: Run) -> tuple[Factor, ...]:
    """Return what differs between runs, in the order of its names.

    What only some runs state, and labels that differ from run to run, are no factors.

    Parameters
    ----------
    runs : sequence of mappings
        Conditions by name.
    first : mapping
        The run whose levels others are compared with.
    """
    found = []
    for name in sorted(set.intersection(*(set(run) for run in runs)) if runs else ()):
        levels = list(dict.fromkeys(run[name] for run in runs))
        if len(levels) < 2:
            continue
        numbers = all(isinstance(level, int | float) and not isinstance(level, bool) for level in levels)
        if numbers and len(levels) > LINE_LEVELS:
            found.append(Factor(name, (min(levels), max(levels)), is_line=True))
        elif len(levels) < len(runs):
            rest = [level for level in levels if level != first.get(name)]
            leading = [first[name]] if first.get(name) in levels else []
            found.append(Factor(name, (*leading, *sorted(rest, key=_order))))
    return tuple(found)


def _order(level: Any) -> tuple[int, Any]:
    is_number = isinstance(level, int | float)
    return (0, level) if is_number else (1, str(level))


def term_columns(term: tuple[str, ...], factors: Sequence[Factor], runs: Sequence[Run]) -> Array:
    """Return the columns of a main effect or interaction: products of its factors' codings (runs, columns)."""
    by_name = {factor.name: factor for factor in factors}
    columns = np.ones((len(runs), 1))
    for name in term:
        coded = by_name[name].columns([run[name] for run in runs])
        columns = (columns[:, :, None] * coded[:, None, :]).reshape(len(runs), -1)
    return columns


def make_design(
    runs: Sequence[Run], factors: Sequence[Factor], *, blocks: Sequence[Any] = (), order: int = 2
) -> Design | None:
    """Return the design of runs; None where they do not tell the main effects of every factor, or too many levels.

    Interactions come in by the number of their factors. One whose columns the runs do not tell from those before is
    left out, and named with what it goes together with.

    Parameters
    ----------
    runs : sequence of mappings
    factors : sequence of Factor
    blocks : sequence, optional
        The block of each run: a day, a mounting. Its differences are taken out.
    order : int
        Of how many factors an interaction may be.
    """
    if not factors or np.prod([float(len(one.levels)) for one in factors]) > MOST_COMBINATIONS:
        return None
    block_columns = _block_columns(blocks, len(runs))
    matrix = np.hstack([np.ones((len(runs), 1)), block_columns])
    owners: list[tuple[str, ...]] = [()] * matrix.shape[1]
    terms, aliases = [], []
    for size in range(1, min(order, len(factors)) + 1):
        for term in combinations([factor.name for factor in factors], size):
            columns = term_columns(term, factors, runs)
            joined = np.hstack([matrix, columns])
            if np.linalg.matrix_rank(joined, tol=TOLERANCE * len(runs)) == joined.shape[1]:
                matrix = joined
                owners += [term] * columns.shape[1]
                terms.append(term)
            elif size == 1:
                return None
            else:
                aliases.append(Alias(term, _goes_with(columns, matrix, owners)))
    return Design(tuple(factors), tuple(terms), tuple(aliases), matrix, block_columns.shape[1])


def _block_columns(blocks: Sequence[Any], runs: int) -> Array:
    levels = tuple(dict.fromkeys(blocks))
    if len(levels) < 2:
        return np.zeros((runs, 0))
    return Factor("block", levels).columns(blocks)


def _goes_with(columns: Array, matrix: Array, owners: list[tuple[str, ...]]) -> tuple[tuple[str, ...], ...]:
    """Return the terms whose columns make up some of what these columns are; blocks and mean are left out."""
    parts = np.abs(np.linalg.lstsq(matrix, columns, rcond=None)[0]).max(axis=1)
    return tuple(dict.fromkeys(owner for owner, part in zip(owners, parts, strict=True) if part > 1e-6 and owner))
