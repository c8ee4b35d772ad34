"""Sessions of one board as the stages hand them on, made from closed forms with errors of known size.

Parts are plateaus with exponential curves; a run's own errors are drawn: an ambient sensor, the level of the camera, a
film laid on anew, white or smoothed noise.
"""

import json
from functools import cache
from typing import Any

import numpy as np
import xarray as xr
from scipy import ndimage

from heatwake.kernels.planck import BandTable
from heatwake.schema.variables import label

SHAPE = (40, 60)
X, Y = np.arange(0.5, SHAPE[1]), np.arange(SHAPE[0] - 0.5, 0, -1)
# name, x, y, size, final rise [K], time constant [s]; Q4 is 10 pixels
PARTS = (
    ("Q1", 12, 28, 9, 30.0, 60.0),
    ("Q2", 30, 28, 9, 45.0, 90.0),
    ("Q3", 48, 28, 9, 20.0, 50.0),
    ("Q4", 14, 10, 10, 15.0, 70.0),
    ("Q5", 44, 10, 8, 38.0, 80.0),
)
ELAPSED = np.concatenate([np.arange(0, 30, 2.0), np.arange(30, 640, 15.0)])
POWER_ON = 10.0
AMBIENT = 23.5
COLD = float(BandTable.for_band(7.5, 14.0).radiance(AMBIENT))


def session(
    rng: np.random.Generator,
    *,
    rises: dict[str, float] | None = None,
    factor: float = 1.0,
    conditions: dict[str, Any] | None = None,
    ambient_error: float = 0.1,
    film_error: float = 0.0,
    noise: float = 0.01,
    smooth: float = 0.0,
    power: float = 18.0,
    settled: bool = True,
    event: float | None = None,
) -> xr.Dataset:
    """Return one session; ``rises`` are changes of parts [K], ``factor`` is on all rises."""
    names = [row[0] for row in PARTS]
    final = np.array([row[4] + (rises or {}).get(row[0], 0.0) for row in PARTS]) * factor
    final *= 1 + film_error * rng.standard_normal()
    constants = np.array([row[5] for row in PARTS])
    since = np.clip(ELAPSED - POWER_ON, 0, None)
    curves = final[:, None] * (1 - np.exp(-since[None, :] / constants[:, None]))
    shift = ambient_error * rng.standard_normal() * (ELAPSED > POWER_ON)
    maps = np.tensordot(curves.T, _plateaus(), axes=1) + shift[:, None, None]
    white = rng.standard_normal(maps.shape)
    if smooth:
        white = ndimage.gaussian_filter(white, (0, smooth, smooth))
    maps += noise * white / white.std()
    windows = [(np.abs(Y - row[2]) <= row[3] / 2 - 1, np.abs(X - row[1]) <= row[3] / 2 - 1) for row in PARTS]
    series = np.array([maps[:, rows][:, :, columns].mean(axis=(1, 2)) for rows, columns in windows])
    return label(
        xr.Dataset(
            {
                "temperature_rise": (("time", "y", "x"), maps.astype(np.float32)),
                "temperature": (("time", "y", "x"), (maps + AMBIENT).astype(np.float32)),
                "ambient": ("time", np.full(len(ELAPSED), AMBIENT)),
                "frames_used": ("time", np.full(len(ELAPSED), 2)),
                "power_on": ((), POWER_ON),
                "emissivity": (("y", "x"), np.full(SHAPE, 0.94)),
                "emissivity_uncertainty": (("y", "x"), np.full(SHAPE, 0.02)),
                "cold_radiance": (("y", "x"), np.full(SHAPE, COLD), {"frames": 5}),
                "cold_ambient": ((), AMBIENT),
                "rise_mean": (("region", "time"), series),
                "steady_rise": ("region", series[:, -3:].mean(axis=1)),
                "steady_rise_own": ("region", np.full(len(PARTS), np.hypot(0.2, 0.1))),
                "steady_rise_uncertainty": ("region", np.hypot(np.hypot(0.2, 0.1), 0.02 * final)),
                "time_constant": ("region", constants),
                "is_steady": ("region", np.full(len(PARTS), int(settled), dtype=np.int8)),
                "budget_contribution": (
                    ("region", "budget_quantity", "budget_input"),
                    np.tile([0.2, 0.1, 0.0], (len(PARTS), 1, 1)),
                ),
                **_places(),
                **_described(power),
                **({"event_elapsed": ("event", np.array([event]))} if event is not None else {}),
            },
            coords={
                "elapsed": ("time", ELAPSED),
                "x": ("x", X, {"units": "mm"}),
                "y": ("y", Y, {"units": "mm"}),
                "region": np.array(names, dtype=object),
                "budget_quantity": ["rise"],
                "budget_input": ["ambient", "drift", "settling"],
                **({"event": np.array(["vent covered"], dtype=object)} if event is not None else {}),
            },
            attrs={"conditions": json.dumps(conditions or {})},
        )
    )


@cache
def _plateaus() -> np.ndarray:
    """Return each part's share of its rise (part, y, x), blurred as by a camera."""
    inside = [
        (np.abs(X[None, :] - px) <= size / 2) & (np.abs(Y[:, None] - py) <= size / 2) for _, px, py, size, _, _ in PARTS
    ]
    return ndimage.gaussian_filter(np.array(inside, dtype=float), (0, 1.0, 1.0))


def _places() -> dict[str, Any]:
    columns = np.array([row[1:4] for row in PARTS], dtype=float).T
    sizes = {"x": columns[0], "y": columns[1], "width": columns[2], "height": columns[2]}
    return {f"region_{key}": ("region", values) for key, values in sizes.items()}


def _described(power: float) -> dict[str, Any]:
    scalars = {
        "film_present": np.int8(1), "transmittance": 0.89, "transmittance_uncertainty": 0.01, "film_reflectance": 0.08,
        "film_absorptance": 0.03, "film_temperature_given": np.nan, "surface_reflected": np.nan, "netd": 50.0,
        "accuracy": 2.0, "accuracy_percent": 2.0, "band_low": 7.5, "band_high": 14.0, "air_transmittance": 1.0,
        "air_temperature": np.nan, "power": power, "max_ambient": 45.0,
    }  # fmt: skip
    return {name: ((), value) for name, value in scalars.items()}
