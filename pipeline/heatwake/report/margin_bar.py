"""A small picture in a table's row: a part's temperature, its uncertainty and its limit on one scale."""

from dataclasses import dataclass

import numpy as np

from heatwake.report.parts import PartRow


@dataclass(frozen=True)
class MarginBar:
    """Places on the row's scale, in percent of its width; NaN where there is nothing to draw."""

    value: float
    low: float
    high: float
    limit: float

    @property
    def has_value(self) -> bool:
        """Whether there is a value to draw."""
        return bool(np.isfinite(self.value))

    @property
    def has_limit(self) -> bool:
        """Whether there is a limit to draw."""
        return bool(np.isfinite(self.limit))


def margin_bars(rows: list[PartRow]) -> list[MarginBar]:
    """Return a bar for each row, all on the scale that runs from the ambient to just over the highest number."""
    numbers = [
        value
        for row in rows
        for value in (row.carried_temperature + row.rise_factor * row.expanded_uncertainty, row.limit)
    ]
    known = [value for value in numbers if np.isfinite(value)]
    start = rows[0].margin_ambient if rows else 0.0
    end = max([*known, start + 1.0])

    def place(degrees: float) -> float:
        share = 2.0 + 96.0 * (degrees - start) / (end - start)
        return float(np.clip(share, 0.0, 100.0)) if np.isfinite(share) else float("nan")

    return [
        MarginBar(
            place(row.carried_temperature),
            place(row.carried_temperature - row.rise_factor * row.expanded_uncertainty),
            place(row.carried_temperature + row.rise_factor * row.expanded_uncertainty),
            place(row.limit),
        )
        for row in rows
    ]
