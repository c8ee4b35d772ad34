"""The uncertainty budget for people: rows of ``budget.csv``, and what the page shows of it."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import xarray as xr

from heatwake.kernels.budget import RECTANGULAR, SHARED_TERMS, distribution
from heatwake.report.parts import COVERAGE, PartRow

UNITS: Final = {
    "emissivity": "1",
    "transmittance": "1",
    "film_reflectance": "1",
    "air_transmittance": "1",
} | dict.fromkeys(("camera", "reflected", "film_temperature", "ambient"), "degC")
"""Units of the inputs' values; of all others K, whose value is 0, for they are not corrected."""
WORDS: Final = {
    "camera": "camera accuracy",
    "emissivity": "emissivity",
    "reflected": "reflected temperature",
    "transmittance": "film transmittance",
    "film_temperature": "film temperature",
    "film_reflectance": "film reflectance",
    "air_transmittance": "air transmittance",
    "spot_size": "spot size against part",
    "ambient": "ambient sensor",
    "drift": "drift of the camera",
    "offset_steps": "steps of the camera's offset",
    "noise": "noise, averaged",
    "settling": "settling, by the fit",
}


@dataclass(frozen=True)
class BudgetLine:
    """One input of one quantity's budget.

    Attributes
    ----------
    name, unit, distribution : str
        The unit is that of the value; a temperature's uncertainty is in K.
    value, uncertainty : float
        Of the input; standard, k = 1.
    sensitivity : float
        K per unit.
    contribution : float
        To the standard uncertainty of the quantity [K].
    shared : bool
        Whether runs with one set-up share its error.
    share : float
        Of the variance, 0 to 1.
    """

    name: str
    unit: str
    distribution: str
    value: float
    uncertainty: float
    sensitivity: float
    contribution: float
    shared: bool
    share: float

    @property
    def words(self) -> str:
        """The input for people."""
        return WORDS.get(self.name, self.name)


def has_budget(results: xr.Dataset) -> bool:
    """Tell whether the regions carry budgets."""
    return "budget_contribution" in results and bool(results.sizes.get("region", 0))


def budget_lines(results: xr.Dataset, region: int, *, quantity: str) -> list[BudgetLine]:
    """Return the lines of a region's budget of its final ``temperature`` or ``rise``, in the data set's order."""
    # four variables out of hundreds: selecting in the whole data set would take a hundred times as long
    chosen = results[["budget_contribution", "budget_value", "budget_uncertainty", "budget_sensitivity"]]
    chosen = chosen.isel(region=region).sel(budget_quantity=quantity)
    contribution, value, uncertainty, sensitivity = (one.to_numpy().astype(float) for one in chosen.values())
    variance = float(np.square(contribution).sum())
    return [
        BudgetLine(
            str(name),
            UNITS.get(str(name), "K"),
            distribution(str(name)),
            float(value[number]),
            float(uncertainty[number]),
            float(sensitivity[number]),
            float(contribution[number]),
            str(name) in SHARED_TERMS,
            float(contribution[number] ** 2 / variance) if variance > 0 else np.nan,
        )
        for number, name in enumerate(results["budget_input"].to_numpy())
    ]


def budget_rows(results: xr.Dataset, rows: list[PartRow]) -> list[dict[str, Any]]:
    """Return the rows of ``budget.csv``: a row an input, then the sums; for each region's temperature and rise."""
    if not has_budget(results):
        return []
    return [
        line
        for number, row in enumerate(rows)
        for quantity in results["budget_quantity"].to_numpy()
        for line in _quantity_rows(results, number, row, quantity=str(quantity))
    ]


def _quantity_rows(results: xr.Dataset, number: int, row: PartRow, *, quantity: str) -> Iterator[dict[str, Any]]:
    value, unit = (row.temperature, "degC") if quantity == "temperature" else (row.rise, "K")
    head = {"region": row.name, "quantity": quantity, "quantity_value": value, "quantity_unit": unit}
    lines = budget_lines(results, number, quantity=quantity)
    for line in lines:
        yield head | {
            "input": line.name,
            "value": line.value,
            "unit": line.unit,
            "distribution": line.distribution,
            "divisor": RECTANGULAR.get(line.name, 1.0),
            "standard_uncertainty": line.uncertainty,
            "sensitivity": line.sensitivity,
            "sensitivity_unit": "K" if line.unit == "1" else "K/K",
            "contribution_K": line.contribution,
            "kind": "shared" if line.shared else "own",
            "share_of_variance": line.share,
        }
    for name, total, kind, share in _sums(lines):
        blank = dict.fromkeys(("value", "divisor", "standard_uncertainty", "sensitivity"), np.nan)
        words = {"unit": "", "distribution": "", "sensitivity_unit": ""}
        yield (
            head | {"input": name} | blank | words | {"contribution_K": total, "kind": kind, "share_of_variance": share}
        )


def _sums(lines: list[BudgetLine]) -> Iterator[tuple[str, float, str, float]]:
    """Yield name, standard uncertainty [K], kind and share of variance of the sums."""
    of = {kind: sum(line.contribution**2 for line in lines if line.shared == (kind == "shared")) for kind in _KINDS}
    whole = sum(of.values())
    for kind in _KINDS:
        yield f"combined {kind}", float(np.sqrt(of[kind])), kind, of[kind] / whole if whole > 0 else np.nan
    yield "combined", float(np.sqrt(whole)), "", 1.0 if whole > 0 else np.nan
    yield f"expanded (k = {COVERAGE:g})", COVERAGE * float(np.sqrt(whole)), "", np.nan


_KINDS: Final = ("shared", "own")
