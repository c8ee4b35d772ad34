"""Recordings of a heating board whose movement is known, and measures of how well it was found.

The board heats by 1 to 24 K while the camera wanders by 3 px either way and turns by a degree; noise is 50 mK, and a
pattern of 20 mK stays with the sensor. Variants add what happens on a bench. All comes from the scene, so nothing here
is shared with what is judged.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
import xarray as xr

from heatwake.scene import (
    Board,
    Bump,
    Camera,
    Hand,
    Handling,
    Recording,
    Scene,
    Shake,
    Shutter,
    charger,
    record,
    simulate,
)

SIZES: Final = {"160x120": (160, 120), "320x240": (320, 240), "640x512": (640, 512)}
VARIANTS: Final = (
    *("shaken", "hand", "inverted", "inverted hand", "still", "bump", "shutter"),
    *("creased", "sliding film", "tightened film", "sensor reflection", "bench"),
)
SHAKE: Final = Shake(wander=1.06, jitter=0.1, rotation=0.35)  # four sines in step reach 2.83 times as much
BEFORE_HEAT: Final = 0.05  # of the recording passes before power-on
CREASES: Final = 14
CREASE_GAIN: Final = -0.06  # of what the board shows over the room is lost in a crease
CREASE_GLOW: Final = 0.5  # [K] of surroundings mirrored there
FINE: Final = 4  # cells of a crease picture per mm


@dataclass(frozen=True)
class Shaken:
    """Frames and what is true of them.

    Attributes
    ----------
    frames : (n, rows, columns) uint16 array
        Stored numbers; temperature = number / 100 - 100 degC.
    elapsed : (n,) array
        [s].
    poses : (n, 3) array
        Shift right and down [px], then counter-clockwise turn about the picture's centre [deg], from frame 0.
    obstructed, frozen, stepped : (n,) arrays of bool
        A hand covers 1 % or more; repeats of the frame before; the first frame after a step of the camera's offset.
    offset_step : (n,) array
        Steps so far [K].
    """

    frames: np.ndarray
    elapsed: np.ndarray
    poses: np.ndarray
    obstructed: np.ndarray
    frozen: np.ndarray
    stepped: np.ndarray
    offset_step: np.ndarray

    @property
    def degrees(self) -> np.ndarray:
        """Frames [degC], float32."""
        return self.frames * np.float32(0.01) - np.float32(100)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.frames.shape[1:]

    def session(self) -> xr.Dataset:
        """Return the session that the registration takes."""
        return xr.Dataset(
            {
                "indicated_temperature": (("frame", "row", "column"), self.degrees),
                "band_low": 7.5,
                "band_high": 14.0,
            },
            coords={"elapsed": ("frame", self.elapsed, {"units": "s"})},
        )


def shaken_recording(
    variant: str = "shaken",
    *,
    size: str = "320x240",
    seed: int = 1,
    count: int = 120,
    interval: float = 1.0,
    rich: bool = True,
    cell: float = 2.0,
) -> Shaken:
    """Record a heating board.

    Parameters
    ----------
    variant : str
        One of ``VARIANTS``. "hand": over the board in a tenth of the frames. "inverted": surroundings are 1 K warmer
        than the room, so the print's contrast changes its sign as the board warms up. "creased": creases of the film
        that move as the board does; in "sliding film" they also slide by 3 mm over it, in "tightened film" they jump
        by 2 mm half-way. "sensor reflection": a ring as bright as 1 K that stays with the sensor. "bench": hand, bump
        and shutter together.
    size : str
        One of ``SIZES``.
    seed : int
        Of shake and noise.
    count : int
    interval : float
        Between frames [s].
    rich : bool
        Print and pads all over; otherwise the sample charger's.
    cell : float
        Side of the scene's cells [mm].
    """
    if variant not in VARIANTS:
        raise ValueError(f"{variant} is none of {', '.join(VARIANTS)}")
    duration = count * interval
    truth = _truth(count, interval, warm_room=variant.startswith("inverted"), rich=rich, cell=cell)
    camera, handling = _camera(size), _handling(variant, duration, interval)
    recording = record(truth, camera, handling, rng=np.random.default_rng(seed))
    frames = np.stack(list(recording.frames()))
    extra = _film_and_sensor(variant, recording, frames)
    frames = frames if extra is None else np.round(frames + 100 * extra).astype(np.uint16)
    about = recording.about
    step = about["offset_step"].values
    return Shaken(
        frames=frames,
        elapsed=about["elapsed"].values,
        poses=np.stack([about[name].values for name in ("shift_x", "shift_y", "rotation")], axis=1),
        obstructed=about["obstructed"].values,
        frozen=about["frozen"].values,
        stepped=np.diff(step, prepend=0.0) != 0,
        offset_step=step,
    )


def _scene(*, duration: float, warm_room: bool, rich: bool, cell: float) -> Scene:
    load = 0.75 * max(1.0, 120.0 / duration)  # the same heat in whatever time
    scene = charger(cell=cell, load=load)
    board = replace(scene.board, marks=260, texture=0.03) if rich else scene.board
    return replace(scene, board=board, power_on=BEFORE_HEAT * duration, mirrored_offset=1.0 if warm_room else 0.0)


@lru_cache(maxsize=4)
def _truth(count: int, interval: float, *, warm_room: bool, rich: bool, cell: float) -> xr.Dataset:
    scene = _scene(duration=count * interval, warm_room=warm_room, rich=rich, cell=cell)
    return simulate(scene, np.arange(count) * interval)


def _camera(size: str) -> Camera:
    columns, rows = SIZES[size]
    scale = columns / 160
    aim = (0.5 * scale, -0.8 * scale)
    return Camera(
        columns=columns, rows=rows, focal=350.0 * scale, aim=aim, supersampling=2, noise=0.05, fixed_pattern=0.02
    )


def _handling(variant: str, duration: float, interval: float) -> Handling:
    hands = tuple(Hand(share * duration, duration / 30) for share in (0.2, 0.5, 0.75))
    shutters = tuple(
        Shutter(share * duration - interval / 2, step, frozen=2 * interval)
        for share, step in ((0.33, 0.25), (0.62, -0.2), (0.9, 0.3))
    )
    bumps = (Bump(0.43 * duration, 2.1, -1.4, rotation=0.5),)
    bench = variant == "bench"
    return Handling(
        shake=None if variant in ("still", "bump") else SHAKE,
        bumps=bumps if bench or variant == "bump" else (),
        shutters=shutters if bench or variant == "shutter" else (),
        hands=hands if bench or variant.endswith("hand") else (),
    )


def _film_and_sensor(variant: str, recording: Recording, frames: np.ndarray) -> np.ndarray | None:
    """Return what film and sensor add to each frame [K], float32; None for nothing."""
    rows, columns = frames.shape[1:]
    if variant == "sensor reflection":
        down, right = np.mgrid[:rows, :columns] / columns
        away = np.hypot(right - 0.62, down - 0.4)
        ring = np.exp(-(((away - 0.12) / 0.02) ** 2)) + 0.8 * (away < 0.03)
        return np.broadcast_to(cv2.GaussianBlur(ring, (0, 0), 1.0).astype(np.float32), frames.shape)
    slides = {"creased": 0.0, "sliding film": 3.0, "tightened film": 2.0}
    if variant not in slides:
        return None
    share = np.linspace(0, 1, len(frames))
    along = np.where(share >= 0.5, 1.0, 0.0) if variant == "tightened film" else share
    board = Board()
    still = recording.camera.projection(board.width, board.height)
    creases = _creases(board)
    added = np.empty(frames.shape, dtype=np.float32)
    for index, slide in enumerate(slides[variant] * along):
        pose = {name: float(recording.about[name].values[index]) for name in ("shift_x", "shift_y", "rotation")}
        to_board = np.array([[1 / FINE, 0, slide], [0, -1 / FINE, board.height - slide / 2], [0, 0, 1]])
        to_picture = recording.camera.moved(still, **pose) @ to_board
        seen = cv2.warpPerspective(creases, to_picture, (columns, rows), flags=cv2.INTER_AREA)
        over_room = frames[index] * 0.01 - 100 - float(recording.truth["ambient"].values[index])
        added[index] = seen * (CREASE_GLOW + CREASE_GAIN * over_room)
    return added


def _creases(board: Board) -> np.ndarray:
    """Return how much of each place over the board is crease, 0 to 1: long lines a millimetre wide."""
    rng = np.random.default_rng(3)
    lines = np.zeros((round(board.height * FINE), round(board.width * FINE)), dtype=np.float32)
    for _ in range(CREASES):
        ends = (rng.uniform(0, 1, (2, 2)) * lines.shape[::-1]).round().astype(int)
        cv2.line(lines, ends[0].tolist(), ends[1].tolist(), 1.0, thickness=FINE)
    return cv2.GaussianBlur(lines, (0, 0), 0.4 * FINE)


def error_vectors(
    found: np.ndarray, true: np.ndarray, *, shape: tuple[int, int], from_late: bool = False
) -> np.ndarray:
    """Return by how much poses put the four corners and the centre aside, (n, 5, 2) [px].

    Poses are (n, 3), from the first frame. An alignment that is off on the first frame is off by as much on all: with
    ``from_late`` errors are those from the mean error over the last half, so that only what changes is left.
    """
    errors = _places(found, shape) - _places(true, shape)
    return errors - errors[len(errors) // 2 :].mean(axis=0) if from_late else errors


def pose_errors(found: np.ndarray, true: np.ndarray, *, shape: tuple[int, int], from_late: bool = False) -> np.ndarray:
    """Return the error of each pose, rms over the four corners and the centre, (n,) [px]."""
    return _size(error_vectors(found, true, shape=shape, from_late=from_late))


def slow_bias(vectors: np.ndarray) -> np.ndarray:
    """Return the size of the mean error over each tenth of the frames, (10,) [px], of errors (n, 5, 2)."""
    return _size(np.stack([np.nanmean(part, axis=0) for part in np.array_split(vectors, 10)]))


def f1(found: np.ndarray, true: np.ndarray) -> float:
    """Return the harmonic mean of precision and recall of flags; 1 where there is nothing and nothing is found."""
    hits, wrong = int((found & true).sum()), int((found != true).sum())
    return 1.0 if hits == wrong == 0 else 2 * hits / (2 * hits + wrong)


def _places(poses: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Return where the corners and the centre come to lie, (n, 5, 2) of (column, row) from the centre."""
    half_height, half_width = (shape[0] - 1) / 2, (shape[1] - 1) / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [0, 0]]) * (half_width, half_height)
    angle = np.radians(poses[:, 2])[:, None]  # counter-clockwise as seen, rows running down
    x = np.cos(angle) * corners[:, 0] + np.sin(angle) * corners[:, 1] + poses[:, :1]
    y = -np.sin(angle) * corners[:, 0] + np.cos(angle) * corners[:, 1] + poses[:, 1:2]
    return np.stack([x, y], axis=2)


def _size(vectors: np.ndarray) -> np.ndarray:
    return np.sqrt((vectors**2).sum(axis=2).mean(axis=1))
