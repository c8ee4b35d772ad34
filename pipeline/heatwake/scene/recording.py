"""A recording of a scene: frames as the camera writes them, and the truth about each frame."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import cv2
import numpy as np
import xarray as xr
from numpy.typing import NDArray

from heatwake.scene.camera import Camera, leaving_radiance, project
from heatwake.scene.faults import Fault, Moment
from heatwake.scene.model import Array

HAND_CELSIUS = 33.0
OBSTRUCTED_SHARE = 0.01  # of the picture covered by a hand, from where a frame counts as obstructed


@dataclass(frozen=True)
class Shake:
    """Slow wander of the picture and small jitter [px], slow turning [deg]; amplitudes are standard deviations."""

    wander: float = 0.45
    jitter: float = 0.04
    rotation: float = 0.04


@dataclass(frozen=True)
class Bump:
    """The camera is knocked at a time [s] and stays so: shift [px] and rotation [deg, counter-clockwise]."""

    elapsed: float
    shift_x: float
    shift_y: float
    rotation: float = 0.0


@dataclass(frozen=True)
class Shutter:
    """The camera shuts its shutter at a time [s]: the picture stands for ``frozen`` [s], then all pixels have stepped.

    ``step`` [K] is of the written temperature and stays. A frame taken within ``frozen`` repeats the last one before.
    """

    elapsed: float
    step: float
    frozen: float = 0.5


@dataclass(frozen=True)
class Hand:
    """A hand reaches over the board from below, from a time [s] and for a duration [s]."""

    elapsed: float
    duration: float = 2.5


@dataclass(frozen=True)
class Handling:
    """All that goes wrong while recording; by default nothing."""

    shake: Shake | None = None
    bumps: tuple[Bump, ...] = ()
    shutters: tuple[Shutter, ...] = ()
    hands: tuple[Hand, ...] = ()


@dataclass(frozen=True)
class Recording:
    """Frames on demand and the truth about them.

    Parameters
    ----------
    about : xarray.Dataset
        Per frame: ``shift_x``, ``shift_y`` [px, right and down] and ``rotation`` [deg, counter-clockwise] of the
        picture's content from the first frame; ``corner_column``, ``corner_row`` (frame, corner) [px], top-left,
        top-right, bottom-right, bottom-left; flags ``frozen`` and ``obstructed``; ``offset_step`` [K].
    faults : tuple of Fault
        What spoils it.
    """

    truth: xr.Dataset
    camera: Camera
    handling: Handling
    about: xr.Dataset
    seed: int
    _projections: tuple[Array, ...] = field(repr=False)
    faults: tuple[Fault, ...] = ()

    @property
    def corners(self) -> Array:
        """Board corners in the first frame, (4, 2) of (column, row) [px]."""
        return np.stack([self.about["corner_column"].values[0], self.about["corner_row"].values[0]], axis=1)

    def frames(self) -> Iterator[NDArray[np.uint16]]:
        """Yield each frame (rows, columns) as stored; the same frames at each call, one in memory at a time."""
        rng = np.random.default_rng(self.seed)
        pattern = self.camera.pattern()
        frozen, step = self.about["frozen"].values, self.about["offset_step"].values
        frame: NDArray[np.uint16] = np.zeros((self.camera.rows, self.camera.columns), np.uint16)
        for index in range(frozen.size):
            noise = rng.standard_normal(frame.shape) * self.camera.noise * float(self.camera.band.slope(30.0))
            if not frozen[index]:
                written = self.camera.indicated(self.clean(index) + pattern + noise, step=float(step[index]))
                for fault in self.faults:
                    written = fault.written(written, self._moment(index))
                frame = self.camera.store(written)
            yield frame

    def _moment(self, index: int) -> Moment:
        return Moment(self.truth, index, self.camera, self._projections[index])

    def clean(self, index: int) -> Array:
        """Return the radiance at the sensor of one frame (rows, columns) [W m-2 sr-1], without noise and pattern."""
        seen, bench = leaving_radiance(self.truth, index, self.camera.band)
        for fault in self.faults:
            seen = fault.over_board(seen, self._moment(index))
        cell, height = board_size(self.truth)[2], board_size(self.truth)[1]
        sensed = self.camera.see(seen, self._projections[index], cell=cell, height=height, bench=bench)
        for fault in self.faults:
            sensed = fault.at_sensor(sensed, self._moment(index))
        cover = hand_cover(self.handling, self.camera, float(self.truth["elapsed"].values[index]))
        return (
            sensed if cover is None else (1 - cover) * sensed + cover * float(self.camera.band.radiance(HAND_CELSIUS))
        )


def record(
    truth: xr.Dataset,
    camera: Camera,
    handling: Handling,
    *,
    rng: np.random.Generator,
    faults: tuple[Fault, ...] = (),
) -> Recording:
    """Record a scene's truth, one frame at each of its times.

    Parameters
    ----------
    truth : xarray.Dataset
        From ``simulate`` (``uncovered`` of it for a bare recording).
    camera, handling
        The camera, and what happens to it meanwhile.
    rng : numpy.random.Generator
        Decides shake and noise.
    faults : tuple of Fault
        What spoils the recording.

    Notes
    -----
    Two recordings with equally seeded generators are equal; another seed gives another recording of the same truth.
    A recording cut short is the beginning of the long one.
    """
    elapsed = truth["elapsed"].values
    seed = int(rng.integers(2**63))
    shift_x, shift_y, rotation = _movement(handling, elapsed, rng)
    width, height, _ = board_size(truth)
    still = camera.projection(width, height)
    projections = tuple(
        camera.moved(still, shift_x=right, shift_y=down, rotation=turn)
        for right, down, turn in zip(shift_x, shift_y, rotation, strict=True)
    )
    corner_x, corner_y = np.array([0, width, width, 0.0]), np.array([height, height, 0, 0.0])
    corners = np.array([project(one, corner_x, corner_y) for one in projections])
    about = xr.Dataset(
        {
            "shift_x": ("frame", shift_x, {"units": "pixel"}),
            "shift_y": ("frame", shift_y, {"units": "pixel"}),
            "rotation": ("frame", rotation, {"units": "degree"}),
            "corner_column": (("frame", "corner"), corners[:, 0], {"units": "pixel"}),
            "corner_row": (("frame", "corner"), corners[:, 1], {"units": "pixel"}),
            "frozen": ("frame", _frozen(handling, elapsed)),
            "obstructed": ("frame", _obstructed(handling, camera, elapsed)),
            "offset_step": ("frame", _offset_step(handling, elapsed), {"units": "K"}),
        },
        coords={"elapsed": ("frame", elapsed, {"units": "s"})},
    )
    return Recording(truth, camera, handling, about, seed, projections, faults)


def board_size(truth: xr.Dataset) -> tuple[float, float, float]:
    """Return width, height and cell side of the board [mm]."""
    x = truth["x"].values
    cell = float(x[1] - x[0])
    return cell * x.size, cell * truth["y"].size, cell


def hand_cover(handling: Handling, camera: Camera, elapsed: float) -> Array | None:
    """Return how much of each pixel a hand covers (rows, columns) at a time [s], 0 to 1; None without a hand."""
    for hand in handling.hands:
        if hand.elapsed <= elapsed < hand.elapsed + hand.duration:
            return _draw_hand(camera, (elapsed - hand.elapsed) / hand.duration)
    return None


def _draw_hand(camera: Camera, progress: float) -> Array:
    """Return the cover of a palm and its arm, in and out again as progress runs from 0 to 1."""
    column, row = np.meshgrid(np.arange(camera.columns) / camera.columns, np.arange(camera.rows) / camera.rows)
    reach = np.sin(np.pi * np.clip(progress, 0.12, 0.88))
    middle_x, middle_y = 0.35 + 0.25 * progress, 1.05 - 0.65 * reach
    palm = ((column - middle_x) / 0.11) ** 2 + ((row - middle_y) / 0.15) ** 2 < 1
    arm = (np.abs(column - middle_x - 0.3 * (row - middle_y)) < 0.06) & (row > middle_y)
    return np.asarray(cv2.GaussianBlur((palm | arm).astype(float), (0, 0), 1.0))


def _movement(handling: Handling, elapsed: Array, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Return shift right and down [px] and rotation [deg] of each frame from the first."""
    moves = np.zeros((3, elapsed.size))
    if handling.shake is not None:
        shake = handling.shake
        wander = np.array([shake.wander, shake.wander, shake.rotation])
        moves += wander[:, None] * np.array([_slow(elapsed, rng) for _ in range(3)])
        moves[:2] += shake.jitter * rng.standard_normal((elapsed.size, 2)).T  # drawn frame by frame
        moves -= moves[:, :1].copy()
    for bump in handling.bumps:
        moves += np.where(elapsed >= bump.elapsed, 1.0, 0.0) * np.array(
            [[bump.shift_x], [bump.shift_y], [bump.rotation]]
        )
    return moves[0], moves[1], moves[2]


def _slow(elapsed: Array, rng: np.random.Generator) -> Array:
    """Return a slow wander of unit standard deviation: four sines with periods of 15 to 300 s."""
    period = np.exp(rng.uniform(np.log(15), np.log(300), 4))
    phase = rng.uniform(0, 2 * np.pi, 4)
    return np.asarray(np.sin(2 * np.pi * elapsed[:, None] / period + phase).sum(axis=1) / np.sqrt(2))


def _frozen(handling: Handling, elapsed: Array) -> NDArray[np.bool_]:
    frozen = np.zeros(elapsed.size, bool)
    for shutter in handling.shutters:
        frozen |= (elapsed > shutter.elapsed) & (elapsed <= shutter.elapsed + shutter.frozen)
    frozen[:1] = False
    return frozen


def _offset_step(handling: Handling, elapsed: Array) -> Array:
    """Return the steps so far [K] in each frame; a frozen frame still has those of the frame it repeats."""
    steps = np.zeros(elapsed.size)
    for shutter in handling.shutters:
        steps += np.where(elapsed > shutter.elapsed + shutter.frozen, shutter.step, 0.0)
    return steps


def _obstructed(handling: Handling, camera: Camera, elapsed: Array) -> NDArray[np.bool_]:
    covers = [hand_cover(handling, camera, float(now)) for now in elapsed]
    return np.array([cover is not None and (cover > 0.5).mean() > OBSTRUCTED_SHARE for cover in covers], dtype=bool)
