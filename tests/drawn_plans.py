"""Simulated boards as plans: what an engineer who knows them well would state, and the truth."""

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from heatwake.planning.sheet import PlannedTest, plan_test
from heatwake.scene import Scene, draw_board, settle, simulate
from heatwake.schema.plan import Plan
from heatwake.schema.validate import validate

STEPS = np.concatenate([np.arange(0.0, 200.0, 4.0), np.arange(200.0, 1001.0, 20.0)])
PARTWAY = 0.3  # from the rise with the fan to that without it, where a made-up limit lies
COARSE_MM = 4.0


def board(number: int) -> Scene:
    """Return a drawn board with power from the first moment on."""
    return replace(draw_board(number, cell=COARSE_MM), power_on=0.0)


def settled(scene: Scene) -> np.ndarray:
    """Return the true final rise of each part [K]."""
    return settle(scene)["part_rise_mean"].to_numpy()[:, -1]


def heating(scene: Scene) -> xr.Dataset:
    """Return the truth from power-on of a cold item."""
    return simulate(scene, STEPS)


def plan_of(scene: Scene, rises: np.ndarray, *, constants: np.ndarray, limits: np.ndarray) -> PlannedTest:
    """Return what a plan of a scene comes to, its rises [K], time constants [s] and limits [K] stated as they are."""
    film, room = scene.film, scene.ambient.start
    content: dict[str, Any] = {
        "title": "Drawn",
        "camera": {"pixels": [320, 240], "pitch_um": 12.0, "focal_mm": 13.0, "distance_mm": 800.0},
        "board": {"width_mm": scene.board.width, "height_mm": scene.board.height},
        "film": {"height_mm": scene.air.channel, "transmittance": film.transmittance},
        "ambient": {"degC": room},
        "runs": {"smallest_difference_K": 2.0},
        "openings": [
            {"name": one.name, "kind": one.kind, "from_mm": list(one.start), "to_mm": list(one.end)}
            for one in scene.openings
        ],
    }
    content["parts"] = [
        {"name": part.name, "power_W": part.power, "rise_K": float(rise), "time_constant_s": float(constant)}
        for part, rise, constant in zip(scene.parts, rises, constants, strict=True)
    ]
    places = [(part.name, part.x, part.y, part.width, part.depth, part.emissivity, part.tall) for part in scene.parts]
    table = pd.DataFrame(places, columns=["name", "x_mm", "y_mm", "width_mm", "height_mm", "emissivity", "tall_mm"])
    table["limit_degC"], table["emissivity_uncertainty"] = room + limits, 0.02
    return plan_test(validate(Plan, content, file="plan.toml"), table)
