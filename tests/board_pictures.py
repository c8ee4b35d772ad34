"""Pictures of boards for tests of matching: one print, other heat, another view."""

from dataclasses import replace

import numpy as np
import xarray as xr

from heatwake.scene import Camera, Scene, charger, settle
from heatwake.scene.camera import leaving_radiance, project
from heatwake.scene.recording import board_size

CAMERA = Camera(tilt=4.0, swing=3.0, roll=-1.0, supersampling=2)
MOVED = replace(CAMERA, tilt=11.0, swing=-5.0, roll=14.0, distance=350.0, aim=(-14.0, 9.0))
CORNERS = np.array([[0, 160, 160, 0.0], [100, 100, 0, 0.0]])


def other_board(seed: int) -> Scene:
    """Return a board of the charger's outline with other parts and another print."""
    rng = np.random.default_rng(seed)
    scene = charger()
    parts = tuple(
        replace(part, x=rng.uniform(20, 140), y=rng.uniform(20, 80), width=rng.uniform(8, 34), depth=rng.uniform(8, 26))
        for part in scene.parts
    )
    return replace(scene, parts=parts, board=replace(scene.board, texture_seed=100 + seed))


def hot(scene: Scene) -> xr.Dataset:
    """Return the steady truth of a scene."""
    return settle(scene)


def picture(truth: xr.Dataset, camera: Camera, *, seed: int) -> np.ndarray:
    """Return a board's picture [K about its median] with the sensor's pattern, some noise and a crease of the film."""
    rng = np.random.default_rng(seed)
    seen, bench = leaving_radiance(truth, -1, camera.band)
    width, height, cell = board_size(truth)
    radiance = camera.see(seen, camera.projection(width, height), cell=cell, height=height, bench=bench)
    rows, columns = np.indices(radiance.shape)
    turn, where = rng.uniform(0, np.pi), rng.uniform(30, 90, 2)
    crease = 0.08 * np.exp(-0.5 * ((columns - where[1]) * np.sin(turn) - (rows - where[0]) * np.cos(turn)) ** 2)
    noise = 0.015 * rng.standard_normal(radiance.shape) * float(camera.band.slope(30.0))
    level = camera.band.temperature(radiance * (1 - crease) + crease * bench + 0.6 * camera.pattern() + noise)
    return np.asarray(level - np.median(level), dtype=np.float32)


def corners(camera: Camera) -> np.ndarray:
    """Return the true corners (4, 2) of the charger's board [px]."""
    return np.array(project(camera.projection(160.0, 100.0), *CORNERS)).T
