"""Parts as a plan expects them."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

import pandas as pd

from heatwake.errors import InputError
from heatwake.kernels.recording_length import lumped_constant
from heatwake.schema.plan import Plan, PlannedPart, nearest
from heatwake.schema.surfaces import resolve_emissivity

BOARD_CONSTANT_S: Final = 600.0
"""Of a board with its parts, where nothing is known: 3 to 10 minutes (common practice, no source)."""
Source = Literal["stated", "from heat capacity, rise and power", "assumed"]


@dataclass(frozen=True)
class ExpectedPart:
    """One part, its place, and what is expected of it; NaN where nothing is.

    Attributes
    ----------
    name : str
    x, y, width, height, tall : float
        Centre, size on the board, height over it [mm].
    rise, power, constant : float
        Final rise [K], heat [W], time constant [s].
    constant_source : str
    emissivity, emissivity_uncertainty : float
    limit : float
        [degC]
    """

    name: str
    x: float
    y: float
    width: float
    height: float
    tall: float
    rise: float
    power: float
    constant: float
    constant_source: Source
    emissivity: float
    emissivity_uncertainty: float
    limit: float


def expected_parts(plan: Plan, table: pd.DataFrame) -> tuple[ExpectedPart, ...]:
    """Return the parts of plan and placement file together; what the plan says of one counts before the file.

    Raises
    ------
    InputError
        A part of the plan has no place, a part has no size, or lies off the board.
    """
    records: list[Any] = table.to_dict("records")
    rows: dict[str, Mapping[str, Any]] = {str(row["name"]): row for row in records}
    for part in plan.parts:
        if part.name not in rows and part.x_mm is None:
            found = "in no placement file and without a place"
            hint = nearest(part.name, tuple(rows)) if rows else "must have x_mm, y_mm, width_mm, height_mm"
            raise InputError(f"parts: {part.name}", found, hint)
        rows[part.name] = {**rows.get(part.name, {}), **_stated(part)}
    if not rows:
        raise InputError("parts", "empty", "must be [[parts]] with places, or board.parts must name a placement file")
    return tuple(_expected(plan, name, row) for name, row in rows.items())


def _stated(part: PlannedPart) -> dict[str, Any]:
    return part.model_dump(exclude_none=True)


def _expected(plan: Plan, name: str, row: Mapping[str, Any]) -> ExpectedPart:
    def value(key: str) -> float:
        found = row.get(key)
        return math.nan if found is None else float(found)

    x, y, width, height = (value(key) for key in ("x_mm", "y_mm", "width_mm", "height_mm"))
    if not (width > 0 and height > 0):
        raise InputError(f"parts: {name}", "without a size", "must have width_mm and height_mm")
    if not (0 <= x <= plan.board.width_mm and 0 <= y <= plan.board.height_mm):
        size = f"{plan.board.width_mm:g} x {plan.board.height_mm:g} mm"
        raise InputError(f"parts: {name}", f"at {x:g}, {y:g} mm", f"must lie on the board of {size}")
    emissivity, spread = value("emissivity"), value("emissivity_uncertainty")
    common, common_spread = resolve_emissivity(plan.surface.emissivity)
    if math.isnan(emissivity):
        emissivity, spread = common, plan.surface.emissivity_uncertainty or common_spread
    rise, power = value("rise_K"), value("power_W")
    constant, source = _constant(value("time_constant_s"), value("heat_capacity_J_K"), rise=rise, power=power)
    tall = value("tall_mm")
    return ExpectedPart(
        name=name,
        x=x,
        y=y,
        width=width,
        height=height,
        tall=0.0 if math.isnan(tall) else tall,
        rise=rise,
        power=power,
        constant=constant,
        constant_source=source,
        emissivity=emissivity,
        emissivity_uncertainty=spread,
        limit=value("limit_degC"),
    )


def _constant(stated: float, capacity: float, *, rise: float, power: float) -> tuple[float, Source]:
    if stated > 0:
        return stated, "stated"
    if capacity > 0 and rise > 0 and power > 0:
        return lumped_constant(capacity, rise=rise, power=power), "from heat capacity, rise and power"
    return BOARD_CONSTANT_S, "assumed"
