"""Rows and lines of what a run found: for CSV tables and for the terminal."""

from typing import Any

import numpy as np
import xarray as xr

from heatwake.report.answers import comparison_answer
from heatwake.report.flow_reading import Direction, board_direction, pair_direction
from heatwake.report.parts import COVERAGE, PartRow
from heatwake.schema.variables import DIRECTION_CHANGE, FLOW_STATUS, PLACE_STATE


def summary_rows(rows: list[PartRow]) -> list[dict[str, Any]]:
    """Return the rows of ``summary.csv``: units in the headers; uncertainties k = 1 but the expanded, k = 2."""
    return [
        {
            "region": row.name,
            "x_mm": row.x,
            "y_mm": row.y,
            "temperature_degC": row.temperature,
            "temperature_uncertainty_K": row.temperature_uncertainty,
            "temperature_expanded_uncertainty_K": row.temperature_uncertainty * COVERAGE,
            "rise_K": row.rise,
            "rise_uncertainty_K": row.uncertainty,
            "rise_uncertainty_shared_K": row.shared,
            "rise_uncertainty_own_K": row.own,
            "rise_expanded_uncertainty_K": row.expanded_uncertainty,
            "rise_low_95_K": row.low,
            "rise_high_95_K": row.high,
            "first_order_holds": int(row.first_order_holds),
            "mean_rise_K": row.mean_rise,
            "mean_rise_uncertainty_K": row.mean_uncertainty,
            "time_constant_s": row.time_constant,
            "remaining_rise_K": row.remaining,
            "settled": int(row.settled),
            "max_ambient_degC": row.margin_ambient,
            "temperature_at_max_ambient_degC": row.carried_temperature,
            "altitude_factor": row.rise_factor,
            "limit_degC": row.limit,
            "margin_K": row.margin,
            "margin_less_expanded_uncertainty_K": row.margin_less_uncertainty,
            "verdict": row.verdict,
            "emissivity": row.emissivity,
            "emissivity_uncertainty": row.emissivity_uncertainty,
            "pixels_across": row.pixels,
            "expected_bias_K": row.bias,
            "is_measured": int(row.is_measured),
            "remark": row.remark,
        }
        for row in rows
    ]


def comparison_rows(comparison: xr.Dataset) -> list[dict[str, Any]]:
    """Return the rows of ``comparison.csv``: a row a session and region, and one a session for the board."""
    return [row for name in comparison["session"].to_numpy() for row in _session_rows(comparison, str(name))]


def _session_rows(comparison: xr.Dataset, name: str) -> list[dict[str, Any]]:
    chosen = comparison.sel(session=name)
    board = {
        "session": name,
        "reference": comparison.attrs.get("reference", ""),
        "region": "board",
        "steady_rise_difference_K": np.nan,
        "steady_rise_difference_uncertainty_K": np.nan,
        "significant": "",
        **_place(chosen),
        **_turn(chosen, "board"),
    }
    regions = [
        {
            **board,
            "region": str(region),
            "steady_rise_difference_K": float(chosen["steady_rise_difference"].sel(region=region)),
            "steady_rise_difference_uncertainty_K": float(
                chosen["steady_rise_difference_uncertainty"].sel(region=region)
            ),
            "significant": int(chosen["region_significant"].sel(region=region)),
            **_turn(chosen.sel(region=region), "region"),
        }
        for region in chosen["region"].to_numpy()
    ]
    return [board, *regions]


def _place(chosen: xr.Dataset) -> dict[str, Any]:
    """How the session's map lies on the reference's, by their pictures."""
    if "place_state" not in chosen:
        return {"place": "not told", "place_quality": np.nan, "place_shift_x_mm": np.nan, "place_shift_y_mm": np.nan}
    return {
        "place": PLACE_STATE[int(chosen["place_state"])],
        "place_quality": float(chosen["place_quality"]),
        "place_shift_x_mm": float(chosen["place_shift_x"]),
        "place_shift_y_mm": float(chosen["place_shift_y"]),
    }


def _turn(chosen: xr.Dataset, prefix: str) -> dict[str, Any]:
    flag = float(chosen[f"{prefix}_flow_change"])
    return {
        "flow_direction_change_deg": float(chosen[f"{prefix}_flow_direction_change"]),
        "flow_direction_change_uncertainty_deg": float(chosen[f"{prefix}_flow_direction_change_uncertainty"]),
        "flow_change": DIRECTION_CHANGE[int(flag)] if np.isfinite(flag) else "not identifiable",
    }


def flow_sentences(name: str, flow: xr.Dataset, comparison: xr.Dataset | None) -> tuple[str, str]:
    """Return where a session's heat is carried: from its own recording, and from the pair with the reference."""
    joint = pair_direction(comparison, name)
    if comparison is not None and name == comparison.attrs.get("reference"):
        joint = _reference_direction(comparison)
    return board_direction(flow).words, joint.words


def _reference_direction(comparison: xr.Dataset) -> Direction:
    """The reference's direction from the pair that tells it best."""
    status = comparison["reference_flow_status"].to_numpy()
    spread = comparison["reference_flow_direction_uncertainty"].to_numpy()
    best = int(np.lexsort((np.nan_to_num(spread, nan=np.inf), status))[0])
    degrees = float(comparison["reference_flow_direction"][best])
    return Direction(degrees, float(spread[best]), FLOW_STATUS[int(status[best])], 0)


def comparison_lines(comparison: xr.Dataset) -> list[str]:
    """Return the two-sentence answers, a line a session."""
    reference = str(comparison.attrs.get("reference", "the reference"))
    return [comparison_answer(comparison, str(name), reference=reference) for name in comparison["session"].to_numpy()]
