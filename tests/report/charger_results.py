"""Results as the stages hand them on, of a fan-cooled battery charger, made from plain closed forms for the pages.

Footprints are Gaussians drawn along the flow and curves are exponentials: not physics, but shapes a report must show.
"""

import json
from typing import Final

import numpy as np
import xarray as xr

from heatwake.schema.variables import label

# name, x, y, width, height [mm], emissivity, limit [degC], final rise of the core [K], time constant [s]
PARTS: Final = (
    ("BR1", 24, 24, 20, 14, 0.93, 110.0, 38.0, 90.0),
    ("L1", 46, 74, 24, 24, 0.92, 105.0, 46.0, 160.0),
    ("Q1", 60, 43, 11, 13, 0.94, 98.0, 54.9, 70.0),
    ("Q2", 80, 43, 11, 13, 0.94, 102.0, 52.0, 70.0),
    ("HS1", 70, 31, 38, 10, 0.9, np.nan, 33.0, 110.0),
    ("T1", 100, 70, 28, 24, 0.92, 110.0, 49.0, 600.0),
    ("D1", 124, 71, 11, 12, 0.94, 120.0, 44.0, 75.0),
    ("D2", 142, 71, 11, 12, 0.94, 120.0, 41.0, 75.0),
    ("HS2", 133, 83, 36, 10, 0.45, np.nan, 24.0, 120.0),
    ("U1", 38, 46, 10, 10, 0.94, 60.0, 16.0, 80.0),
)
OPENINGS: Final = (
    ("right fan", 0, (160, 28), (160, 68)),
    ("left vent", 1, (0, 14), (0, 86)),
    ("top vent", 1, (46, 100), (108, 100)),
)
AMBIENT: Final = 23.5
BUDGET: Final = {  # shares of the variance of a rise
    "camera": 0.25, "emissivity": 0.48, "reflected": 0.03, "transmittance": 0.08, "film_temperature": 0.04,
    "film_reflectance": 0.0, "air_transmittance": 0.0, "spot_size": 0.02, "ambient": 0.04, "drift": 0.03,
    "offset_steps": 0.0, "noise": 0.01, "settling": 0.02,
}  # fmt: skip


def session(
    *, direction: float = 0.0, step: float = 2.0, steps: int = 60, factor: float = 1.0, title: str = "Charger"
) -> xr.Dataset:
    """Return results of one session; heat is carried along ``direction`` [deg]."""
    elapsed = np.linspace(0.0, 360.0, steps)
    x, y = np.arange(step / 2, 160, step), np.arange(step / 2, 100, step)[::-1]
    rise = _rise(x, y, elapsed, direction=direction, factor=factor)
    made = xr.Dataset(
        {
            "temperature_rise": (("time", "y", "x"), rise.astype(np.float32)),
            "temperature": (("time", "y", "x"), (rise + AMBIENT).astype(np.float32)),
            "ambient": ("time", np.full(steps, AMBIENT)),
            "power_on": ((), 10.0),
        },
        coords={
            "time": ("time", np.datetime64("2026-03-04T09:30:00", "ns") + (elapsed * 1e9).astype("timedelta64[ns]")),
            "elapsed": ("time", elapsed),
            "x": ("x", x, {"units": "mm"}),
            "y": ("y", y, {"units": "mm"}),
        },
        attrs={
            "title": title,
            "conditions": json.dumps({"fan": "out", "left_vent": "open", "power_W": 18.0, "max_ambient_degC": 45.0}),
        },
    )
    made = made.assign(_description()).assign(_regions(elapsed, factor=factor))
    return label(made.assign(_spread(direction)).assign(_frames()))


def flow(results: xr.Dataset, *, direction: float = 0.0, told: bool = True) -> xr.Dataset:
    """Return flow results in three windows; nothing is told in any of them unless ``told``."""
    x, y = results["x"].to_numpy(), results["y"].to_numpy()
    shape = (3, y.size, x.size)
    bend = 14.0 * np.sin(y / 100 * np.pi)[:, None] * np.cos(x / 160 * np.pi)[None, :]
    degrees = np.broadcast_to(direction + bend, shape).copy()
    confidence = np.broadcast_to(0.35 + 0.6 * np.exp(-(((x - 75) / 60) ** 2))[None, None, :], shape).copy()
    hidden = np.broadcast_to((y < 18)[:, None] & (x > 110)[None, :], shape)
    degrees[hidden], confidence[hidden] = np.nan, 0.0
    status = np.where(hidden, 2, np.where(confidence < 0.5, 1, 0)).astype(np.int8)
    board, board_status = np.array([np.nan, direction + 2.0, direction + 1.0]), np.array([2, 0, 0], dtype=np.int8)
    if not told:
        degrees[:], confidence[:], status[:], board[:], board_status[:] = np.nan, 0.0, 2, np.nan, 2
    windows = np.array([5.0, 60.0, 200.0])
    regions = results.sizes["region"]
    by_region = np.repeat(board[None, :], regions, axis=0)
    made = xr.Dataset(
        {
            "flow_direction": (("time", "y", "x"), degrees),
            "flow_confidence": (("time", "y", "x"), confidence),
            "flow_status": (("time", "y", "x"), status),
            "region_flow_direction": (("region", "time"), by_region),
            "region_flow_direction_uncertainty": (("region", "time"), np.where(np.isfinite(by_region), 9.0, np.nan)),
            "region_flow_status": (("region", "time"), np.repeat(board_status[None, :], regions, axis=0)),
            "board_flow_direction": ("time", board),
            "board_flow_direction_uncertainty": ("time", np.where(np.isfinite(board), [np.nan, 8.0, 6.0], np.nan)),
            "board_flow_status": ("time", board_status),
            "opening_rise": ("opening", np.array([6.1, 0.4, 1.9])),
            "opening_role": ("opening", np.array([1, 0, 0] if told else [2, 2, 2], dtype=np.int8)),
        },
        coords={
            "time": results["time"].to_numpy()[:3],
            "elapsed": ("time", windows),
            "x": results["x"],
            "y": results["y"],
            "region": results["region"],
            "opening": results["opening"],
        },
    )
    return label(made)


def compared(reference: xr.Dataset, other: xr.Dataset, *, name: str = "fan_in") -> xr.Dataset:
    """Return a comparison of two sessions, their difference from their maps."""
    difference = (other["temperature_rise"][-1] - reference["temperature_rise"][-1]).to_numpy().astype(float)
    steady = (other["steady_rise"] - reference["steady_rise"]).to_numpy()
    noise = np.full_like(steady, 0.3)
    made = xr.Dataset(
        {
            "rise_difference": (("session", "y", "x"), difference[None]),
            "rise_difference_uncertainty": (("session", "y", "x"), np.full_like(difference, 0.3)[None]),
            "significant": (("session", "y", "x"), (np.abs(difference) > 0.9)[None].astype(np.int8)),
            "steady_rise_difference": (("session", "region"), steady[None]),
            "steady_rise_difference_uncertainty": (("session", "region"), noise[None]),
            "region_significant": (("session", "region"), (np.abs(steady) > 0.9)[None].astype(np.int8)),
            "region_flow_direction_change": (("session", "region"), np.full((1, steady.size), 178.0)),
            "region_flow_direction_change_uncertainty": (("session", "region"), np.full((1, steady.size), 12.0)),
            "region_flow_change": (("session", "region"), np.full((1, steady.size), 2, dtype=np.int8)),
            "board_flow_direction_change": ("session", np.array([178.0])),
            "board_flow_direction_change_uncertainty": ("session", np.array([9.0])),
            "board_flow_change": ("session", np.array([2], dtype=np.int8)),
            "joint_flow_direction": ("session", np.array([179.0])),
            "joint_flow_direction_uncertainty": ("session", np.array([4.0])),
            "joint_flow_status": ("session", np.array([0], dtype=np.int8)),
        },
        coords={"session": [name], "x": reference["x"], "y": reference["y"], "region": reference["region"]},
        attrs={"reference": "fan_out"},
    )
    return label(made)


def _rise(x: np.ndarray, y: np.ndarray, elapsed: np.ndarray, *, direction: float, factor: float) -> np.ndarray:
    angle = np.radians(direction)
    rise = np.zeros((elapsed.size, y.size, x.size))
    for _, px, py, wide, high, _, _, final, constant in PARTS:
        away_x, away_y = x[None, :] - px, y[:, None] - py
        along = away_x * np.cos(angle) + away_y * np.sin(angle)
        across = -away_x * np.sin(angle) + away_y * np.cos(angle)
        reach = np.where(along > 0, 0.62 * max(wide, high) + 12, 0.45 * max(wide, high) + 2)
        tail = 0.45 * final * np.exp(-((along / reach) ** 2) - (across / (0.5 * max(wide, high) + 4)) ** 2)
        body = final * ((np.abs(away_x) <= wide / 2) & (np.abs(away_y) <= high / 2))
        picture = factor * np.maximum(body * (1 - 0.01 * (away_x**2 + away_y**2) / max(wide, high)), tail)
        grown = 1 - np.exp(-np.clip(elapsed - 10, 0, None) / constant)
        rise = np.maximum(rise, grown[:, None, None] * picture[None])
    noise = np.random.default_rng(4).normal(0, 0.05, rise.shape)
    return rise + noise


def _description() -> dict[str, object]:
    names = np.array([row[0] for row in PARTS])
    numbers = np.array([row[1:7] for row in PARTS], dtype=float).T
    keys = ("x", "y", "width", "height", "emissivity", "limit")
    parts = {f"part_{key}": ("part", column) for key, column in zip(keys, numbers, strict=True)}
    scalars = {
        "max_ambient": 45.0, "power": 18.0, "film_present": np.int8(1), "transmittance": 0.873,
        "transmittance_uncertainty": 0.004, "film_reflectance": 0.08, "film_absorptance": 0.047,
        "film_temperature_given": np.nan, "band_low": 7.5, "band_high": 14.0, "emissivity_setting": 1.0,
        "reflected_setting": 20.0, "netd": 50.0, "accuracy": 2.0, "accuracy_percent": 2.0, "surface_emissivity": 0.93,
        "surface_reflected": np.nan, "board_width": 160.0, "board_height": 100.0, "board_thickness": 1.6,
        "board_conductivity": np.nan, "channel_height": 25.0, "board_scale": np.nan, "cold_ambient": 23.4,
        "film_transmittance_given": np.nan, "film_reflectance_given": 0.08,
    }  # fmt: skip
    made: dict[str, object] = {name: ((), value) for name, value in scalars.items()}
    comment = {"comment": "measured from a bare and a covered recording over 5210 pixels"}
    made["transmittance"] = ((), 0.873, comment)
    ends = {"from": 2, "to": 3}
    for end, column in ends.items():
        for number, axis in enumerate("xy"):
            made[f"opening_{end}_{axis}"] = ("opening", np.array([float(row[column][number]) for row in OPENINGS]))
    made["opening_kind"] = ("opening", np.array([row[1] for row in OPENINGS], dtype=np.int8))
    made["opening"] = ("opening", np.array([row[0] for row in OPENINGS]))
    made["event"] = ("event", np.array(["power on", "left vent covered"]))
    made["event_elapsed"] = ("event", np.array([10.0, 240.0]))
    return made | parts | {"part": ("part", names)}


def _regions(elapsed: np.ndarray, *, factor: float) -> dict[str, object]:
    numbers = np.array([row[1:] for row in PARTS], dtype=float).T
    final, constant = factor * numbers[6], numbers[7]
    curve = final[:, None] * (1 - np.exp(-np.clip(elapsed - 10, 0, None)[None, :] / constant[:, None]))
    spread = np.full(len(PARTS), 1.5)
    left = final * np.exp(-(elapsed[-1] - 10) / constant)
    pairs = {
        "region_x": numbers[0], "region_y": numbers[1], "region_width": numbers[2], "region_height": numbers[3],
        "region_emissivity": numbers[4], "region_limit": numbers[5], "steady_rise_max": final,
        "region_pixels": np.full(len(PARTS), 9.0), "steady_rise_max_uncertainty": spread, "steady_rise": 0.94 * final,
        "steady_rise_uncertainty": 0.9 * spread, "steady_rise_own": 0.2 * spread, "time_constant": constant,
        "remaining_rise": left, "is_steady": (left < 1.6).astype(np.int8),
        "region_emissivity_uncertainty": np.full(len(PARTS), 0.02), "region_size": np.ones(len(PARTS), dtype=np.int8),
        "region_emissivity_low": (numbers[4] < 0.6).astype(np.int8), "spot_bias": np.full(len(PARTS), 0.2),
        "region_beyond_range": np.zeros(len(PARTS), dtype=np.int8),
    }  # fmt: skip
    made: dict[str, object] = {name: ("region", values) for name, values in pairs.items()}
    made |= _budget(spread, final)
    made["rise_max"] = (("region", "time"), curve)
    made["rise_mean"] = (("region", "time"), 0.94 * curve)
    made["temperature_max"] = (("region", "time"), curve + AMBIENT)
    return made | {"region": ("region", np.array([row[0] for row in PARTS]))}


def _budget(spread: np.ndarray, final: np.ndarray) -> dict[str, object]:
    """Return budgets whose lines have given shares of the variance; of the temperature the ambient has more."""
    shares = np.array(list(BUDGET.values()))
    contribution = spread[:, None, None] * np.sqrt(np.stack([shares, shares]))[None]
    contribution[:, 0, list(BUDGET).index("ambient")] *= 2
    uncertainty = np.broadcast_to([0.45, 0.02, 3, 0.005, 3, 0.02, 0, 0.1, 0.2, 0.1, 0, 0.01, 0.1], (final.size, 13))
    value = np.broadcast_to([70, 0.94, 23.5, 0.89, 23.5, 0.08, 1, 0, 23.5, 0, 0, 0, 0], (final.size, 13))
    slope = contribution / np.where(uncertainty > 0, uncertainty, 1)[:, None, :]
    by_region = {
        "steady_temperature_uncertainty": np.sqrt((contribution[:, 0] ** 2).sum(axis=-1)),
        "steady_rise_max_shared": spread * np.sqrt(shares[:8].sum()),
        "steady_rise_max_own": spread * np.sqrt(shares[8:].sum()),
        "trials_uncertainty": 1.002 * spread,
        "trials_low": -1.9 * spread,
        "trials_high": 2.0 * spread,
        "first_order_holds": np.ones(final.size, dtype=np.int8),
    }
    return {name: ("region", values) for name, values in by_region.items()} | {
        "budget_input": ("budget_input", np.array(list(BUDGET))),
        "budget_quantity": ("budget_quantity", np.array(["temperature", "rise"])),
        "budget_value": (("region", "budget_input"), value),
        "budget_uncertainty": (("region", "budget_input"), uncertainty),
        "budget_sensitivity": (("region", "budget_quantity", "budget_input"), slope),
        "budget_contribution": (("region", "budget_quantity", "budget_input"), contribution),
    }


def _spread(direction: float) -> dict[str, object]:
    numbers = np.array([row[1:5] for row in PARTS], dtype=float)
    size = numbers[:, 2:].max(axis=1)
    angle = np.radians(direction)
    dims = ("region", "spread_time")
    values = {
        "spread_major": 0.34 * size + 4, "spread_minor": 0.24 * size + 2, "spread_area": 3.0 * size**2,
        "spread_orientation": np.full(len(PARTS), direction), "drift_x": 0.25 * size * np.cos(angle),
        "drift_y": 0.25 * size * np.sin(angle), "spread_cut": (numbers[:, 0] > 140).astype(float),
    }  # fmt: skip
    return {name: (dims, np.stack([np.full(len(PARTS), np.nan), column], axis=1)) for name, column in values.items()}


def _frames(number: int = 240) -> dict[str, object]:
    generator = np.random.default_rng(7)
    reason = np.zeros(number, dtype=np.int8)
    reason[60:64], reason[120:131], reason[180:182], reason[200] = 1, 2, 4, 3
    usable = np.ones(number, dtype=np.int8)
    usable[120:131], usable[200] = 0, 0
    walk = np.cumsum(generator.normal(0, 0.06, (2, number)), axis=1)
    walk[:, 60:] += 1.5
    quality = 0.995 - 0.002 * generator.random(number)
    quality[120:131] = 0.9
    names = ("shift_x", "shift_y", "quality", "usable", "reason")
    return {name: ("frame", values) for name, values in zip(names, (*walk, quality, usable, reason), strict=True)}
