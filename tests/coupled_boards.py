"""Rise maps of varied boards, as an analysis has them after the camera's and film's corrections."""

from functools import cache
from typing import Final, Literal

import numpy as np
import xarray as xr
from scipy.ndimage import gaussian_filter

from heatwake.scene import Scene, draw_board, simulate

State = Literal["out", "in", "off"]

TIMES: Final = (10.0, 20.0, 40.0, 80.0, 600.0)  # [s] since power-on
POWER_ON: Final = 10.0
STEPS: Final = np.concatenate(
    [[0.0, POWER_ON], POWER_ON + np.arange(2.0, 80.1, 2.0), POWER_ON + np.arange(100.0, 601.0, 20.0)]
)
BLUR: Final = 0.6  # [px]
NOISE: Final = 0.02  # [K] of a window's mean
PATTERN: Final = 0.03  # [K] left by sensor and shutter, the same in all maps of a recording
EMISSIVITY: Final = 0.01  # of the rise, left by the emissivity map, the same in all recordings of a board
FILM: Final = 0.02  # of the air's rise, left by the film's correction
KINDS: Final = {"fan": 0, "vent": 1}


@cache
def truth_of(number: int, state: State, closed: str = "") -> tuple[Scene, xr.Dataset]:
    """Return a board and its truth at `TIMES`."""
    scene = draw_board(number).with_fan(state)
    if closed:
        scene = scene.without(closed)
    truth = simulate(scene, STEPS)
    places = [int(np.argmin(np.abs(STEPS - POWER_ON - time))) for time in TIMES]
    return scene, truth.isel(time=places)


def rise_session(scene: Scene, truth: xr.Dataset, *, seed: int, thickness: bool = True) -> xr.Dataset:
    """Return the session of a truth: blurred, noisy rise maps, the parts as regions, the openings."""
    rng = np.random.default_rng([scene.board.texture_seed, seed])
    texture = 1.0 + EMISSIVITY * np.random.default_rng(scene.board.texture_seed).standard_normal(scene.board.shape)
    rise = truth["temperature_rise"].values
    air = truth["film_temperature"].values - truth["ambient"].values[:, None, None]
    seen = gaussian_filter(rise * texture + FILM * air, (0.0, BLUR, BLUR))
    seen += rng.normal(0.0, NOISE, seen.shape) + rng.normal(0.0, PATTERN, seen.shape[1:]) + rng.normal(0.0, 0.05)
    cold = np.zeros((1, *scene.board.shape))
    elapsed = np.concatenate([[0.0], POWER_ON + np.array(TIMES)])
    made = xr.Dataset(
        {
            "temperature_rise": (("time", "y", "x"), np.concatenate([cold, seen]).astype(np.float32)),
            "rise_noise": (("time", "y", "x"), np.full((6, *scene.board.shape), NOISE, np.float32)),
            "power_on": POWER_ON,
            "board_width": scene.board.width,
            "board_height": scene.board.height,
        },
        coords={"elapsed": ("time", elapsed), "y": scene.board.y, "x": scene.board.x},
    )
    made["time"] = ("time", np.datetime64("2026-03-04T09:30:00", "ns") + (elapsed * 1e9).astype("timedelta64[ns]"))
    for axis in ("x", "y"):
        made[axis].attrs["units"] = "mm"
    if thickness:
        made["board_thickness"] = scene.board.thickness
    return _with_openings(_with_parts(made, scene), scene)


def _with_parts(made: xr.Dataset, scene: Scene) -> xr.Dataset:
    made = made.assign_coords(region=[part.name for part in scene.parts])
    sizes = {"x": "x", "y": "y", "width": "width", "height": "depth"}
    return made.assign(
        {f"region_{name}": ("region", [getattr(part, key) for part in scene.parts]) for name, key in sizes.items()}
    )


def _with_openings(made: xr.Dataset, scene: Scene) -> xr.Dataset:
    made = made.assign_coords(opening=[one.name for one in scene.openings])
    made["opening_kind"] = ("opening", np.array([KINDS[one.kind] for one in scene.openings], dtype=np.int8))
    for name, end, axis in (("from_x", "start", 0), ("from_y", "start", 1), ("to_x", "end", 0), ("to_y", "end", 1)):
        made[f"opening_{name}"] = ("opening", [getattr(one, end)[axis] for one in scene.openings])
    return made
