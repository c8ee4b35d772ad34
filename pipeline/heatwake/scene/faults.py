"""What spoils a recording: film, reflections, camera. Each changes what the camera gets or writes, at one place of it.

None of this knows how a fault is found. Strengths are physical where there is physics (a mirrored body's temperature, a
crease's extra layers), so that what a fault amounts to in a picture follows from the scene.
"""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import xarray as xr

from heatwake.scene.camera import Camera, project
from heatwake.scene.model import Array

FILM_SETTLES: Final = 1.0  # [s] a thin film follows what it touches in about a second (heat capacity over exchange)


@dataclass(frozen=True)
class Moment:
    """One frame while it is taken: the truth, which time of it, the camera and where it looks."""

    truth: xr.Dataset
    index: int
    camera: Camera
    projection: Array

    @property
    def elapsed(self) -> float:
        """Time since the first frame [s]."""
        return float(self.truth["elapsed"].values[self.index])

    @property
    def room(self) -> float:
        """Room temperature [degC]."""
        return float(self.truth["ambient"].values[self.index])

    @property
    def size(self) -> tuple[float, float]:
        """Width and height of the board [mm]."""
        x, y = self.truth["x"].values, self.truth["y"].values
        return float(x[1] - x[0]) * x.size, float(y[0] - y[1]) * y.size

    def over_room(self, excess: float) -> float:
        """Return by how much a body so much warmer than the room outshines it [W m-2 sr-1]."""
        band = self.camera.band
        return float(band.radiance(self.room + excess) - band.radiance(self.room))

    def pixels(self) -> tuple[Array, Array]:
        """Return column and row of each pixel (rows, columns)."""
        column, row = np.meshgrid(np.arange(self.camera.columns), np.arange(self.camera.rows))
        return np.asarray(column, dtype=np.float64), np.asarray(row, dtype=np.float64)

    def board_places(self) -> tuple[Array, Array]:
        """Return x and y on the board's plane of each pixel (rows, columns) [mm]."""
        return project(np.asarray(np.linalg.inv(self.projection), dtype=np.float64), *self.pixels())


@dataclass(frozen=True)
class Fault:
    """Something wrong; by itself it changes nothing."""

    def over_board(self, radiance: Array, at: Moment) -> Array:
        """Return the radiance that leaves the film over the board (y, x) [W m-2 sr-1]."""
        return radiance

    def at_sensor(self, radiance: Array, at: Moment) -> Array:
        """Return the radiance at the sensor (rows, columns) [W m-2 sr-1]."""
        return radiance

    def written(self, celsius: Array, at: Moment) -> Array:
        """Return the temperature that is written (rows, columns) [degC]."""
        return celsius


@dataclass(frozen=True)
class Crease(Fault):
    """A fold of the film, fixed over the board: more layers along a line, that pass less and mirror the room.

    Parameters
    ----------
    start, end : (float, float)
        [mm].
    loss : float
        Share of the light from below that is lost along its middle.
    width : float
        Standard deviation across [mm].
    bow : float
        How far its middle lies off the straight line [mm].
    """

    start: tuple[float, float] = (0.0, 0.0)
    end: tuple[float, float] = (100.0, 50.0)
    loss: float = 0.08
    width: float = 0.8
    bow: float = 0.0

    def over_board(self, radiance: Array, at: Moment) -> Array:
        """Lose light along the line."""
        lost = self.loss * self._cover(at)
        return (1 - lost) * radiance + lost * float(at.camera.band.radiance(at.room))

    def _cover(self, at: Moment) -> Array:
        x, y = np.meshgrid(at.truth["x"].values, at.truth["y"].values)
        way = np.subtract(self.end, self.start)
        length = float(np.hypot(*way))
        along = ((x - self.start[0]) * way[0] + (y - self.start[1]) * way[1]) / length
        across = ((y - self.start[1]) * way[0] - (x - self.start[0]) * way[1]) / length
        across = across - self.bow * (1 - (2 * along / length - 1) ** 2)
        inside = np.clip((length / 2 - np.abs(along - length / 2)) / (2 * self.width), 0, 1)
        return np.asarray(inside * np.exp(-0.5 * (across / self.width) ** 2))


@dataclass(frozen=True)
class FilmTouch(Fault):
    """The film lies on a part from a time on: there it is as warm as the part, within a second.

    Parameters
    ----------
    part : str
        Which part it touches.
    centre : (float, float)
        Of the touching patch [mm].
    size : (float, float)
        Half axes of the patch [mm].
    begins, ends : float
        [s].
    absorptance : float
        Of the film where it lies doubled or taut over the part; what it emits there goes with it.
    """

    part: str = ""
    centre: tuple[float, float] = (0.0, 0.0)
    size: tuple[float, float] = (12.0, 12.0)
    begins: float = 60.0
    ends: float = float("inf")
    absorptance: float = 0.06

    def over_board(self, radiance: Array, at: Moment) -> Array:
        """Add what the warm film emits more than the film beside it."""
        if at.elapsed <= self.begins:
            return radiance
        truth, band = at.truth.isel(time=at.index), at.camera.band
        names = at.truth["part"].values.tolist()
        hot = at.room + float(truth["part_rise_mean"].values[names.index(self.part)])
        settled = 1 - np.exp(-(at.elapsed - self.begins) / FILM_SETTLES)
        if at.elapsed > self.ends:
            settled = np.exp(-(at.elapsed - self.ends) / FILM_SETTLES)
        more = band.radiance(hot) - band.radiance(truth["film_temperature"].values)
        return np.asarray(radiance + settled * self.absorptance * self._patch(at) * more)

    def _patch(self, at: Moment) -> Array:
        """Return 1 where the film lies on the part: a rounded patch with a sharp rim."""
        x, y = np.meshgrid(at.truth["x"].values, at.truth["y"].values)
        right, up = np.abs((x - self.centre[0]) / self.size[0]), np.abs((y - self.centre[1]) / self.size[1])
        reach = (right**3 + up**3) ** (1 / 3)
        return np.asarray(np.clip((1.05 - reach) / 0.1, 0, 1))


@dataclass(frozen=True)
class Bulge(Fault):
    """The film bulges when the fan starts: it then mirrors something else, most so where it stands highest.

    Parameters
    ----------
    begins : float
        [s].
    excess : float
        What it then mirrors over what it mirrored before [K].
    centre : (float, float)
        Of the bulge, in shares of the board's width and height.
    settle : float
        How long it takes [s].
    """

    begins: float = 5.0
    excess: float = 8.0
    centre: tuple[float, float] = (0.5, 0.5)
    settle: float = 0.7

    def at_sensor(self, radiance: Array, at: Moment) -> Array:
        """Mirror another part of the room."""
        if at.elapsed <= self.begins:
            return radiance
        x, y = at.board_places()
        width, height = at.size
        right, up = (x / width - self.centre[0]) / 0.65, (y / height - self.centre[1]) / 0.65
        dome = np.clip(1 - right**2, 0, 1) * np.clip(1 - up**2, 0, 1)
        grown = 1 - np.exp(-(at.elapsed - self.begins) / self.settle)
        return np.asarray(radiance + grown * dome * float(at.truth["film_reflectance"]) * at.over_room(self.excess))


@dataclass(frozen=True)
class MovingReflection(Fault):
    """A lamp, a person or a warm instrument that moves or flickers, mirrored by film and surface.

    Parameters
    ----------
    excess : float
        Over the room [K].
    path : ((float, float), (float, float))
        Ends of its way in shares of the board's width and height; it goes there and back.
    period : float
        [s].
    radius : float
        Standard deviation of its image [mm].
    flicker : float
        Share of the time that it is dark, in stretches of its own; 0 for a steady one.
    seed : int
        Decides when it is dark and when it stands.
    """

    excess: float = 30.0
    path: tuple[tuple[float, float], tuple[float, float]] = ((0.3, 0.3), (0.7, 0.7))
    period: float = 40.0
    radius: float = 12.0
    flicker: float = 0.0
    seed: int = 1

    def over_board(self, radiance: Array, at: Moment) -> Array:
        """Add its image, stronger where the surface emits little."""
        if self._dark(at.elapsed):
            return radiance
        width, height = at.size
        rng = np.random.default_rng(self.seed)
        phase = rng.uniform(0, 2 * np.pi)
        share = 0.5 + 0.5 * np.sin(2 * np.pi * at.elapsed / self.period + phase)
        share = float(np.clip(share + 0.12 * np.sin(2 * np.pi * at.elapsed / (0.37 * self.period)), 0, 1))
        (left, low), (right, high) = self.path
        x0, y0 = (left + share * (right - left)) * width, (low + share * (high - low)) * height
        x, y = np.meshgrid(at.truth["x"].values, at.truth["y"].values)
        image = np.exp(-0.5 * ((x - x0) ** 2 + (y - y0) ** 2) / self.radius**2)
        clear, mirror = float(at.truth["film_transmittance"]), float(at.truth["film_reflectance"])
        by_surface = clear**2 * (1 - at.truth["emissivity"].values)
        return np.asarray(radiance + image * (mirror + by_surface) * at.over_room(self.excess))

    def _dark(self, elapsed: float) -> bool:
        if not self.flicker:
            return False
        slot = int(elapsed // (self.period / 4))
        return bool(np.random.default_rng([self.seed, slot]).random() < self.flicker)


@dataclass(frozen=True)
class OwnReflection(Fault):
    """The warm camera's own image in the film: round, and fixed to the sensor.

    Parameters
    ----------
    excess : float
        Of the camera's body over the room [K].
    centre : (float, float)
        From the picture's centre, in shares of its width and height.
    radius : float
        In shares of its width, to where the image has faded to a half.
    """

    excess: float = 10.0
    centre: tuple[float, float] = (0.0, 0.0)
    radius: float = 0.2

    def at_sensor(self, radiance: Array, at: Moment) -> Array:
        """Add the blurred disc."""
        column, row = at.pixels()
        columns, rows = at.camera.columns, at.camera.rows
        right = (column - (columns - 1) / 2) / columns - self.centre[0]
        down = ((row - (rows - 1) / 2) / rows - self.centre[1]) * rows / columns
        edge = (np.hypot(right, down) - self.radius) / (0.3 * self.radius)
        return np.asarray(
            radiance + float(at.truth["film_reflectance"]) * at.over_room(self.excess) / (1 + np.exp(2 * edge))
        )


@dataclass(frozen=True)
class OffsetDrift(Fault):
    """The written temperature creeps: a camera just switched on, or one that the exhaust warms from a time on.

    Parameters
    ----------
    size : float
        Where it creeps to [K].
    settle : float
        Time constant [s].
    begins : float
        [s].
    shading : float
        Share of it by which the picture's corners creep more than its middle.
    """

    size: float = 1.0
    settle: float = 200.0
    begins: float = 0.0
    shading: float = 0.0

    def written(self, celsius: Array, at: Moment) -> Array:
        """Add what it has come to."""
        grown = 1 - np.exp(-max(at.elapsed - self.begins, 0.0) / self.settle)
        column, row = at.pixels()
        corner = ((2 * column / at.camera.columns - 1) ** 2 + (2 * row / at.camera.rows - 1) ** 2) / 2
        return np.asarray(celsius + self.size * grown * (1 + self.shading * (corner - 0.33)))


@dataclass(frozen=True)
class RangeJump(Fault):
    """From a time on the camera measures in another range: all readings about a level are stretched alike."""

    begins: float = 100.0
    gain: float = 1.04
    about: float = 20.0

    def written(self, celsius: Array, at: Moment) -> Array:
        """Stretch the readings."""
        return self.about + self.gain * (celsius - self.about) if at.elapsed > self.begins else celsius


@dataclass(frozen=True)
class Clipping(Fault):
    """The range ends below the hottest or above the coldest reading [degC]."""

    lowest: float = -np.inf
    highest: float = np.inf

    def written(self, celsius: Array, at: Moment) -> Array:
        """Write the range's end for what lies beyond it."""
        return np.asarray(np.clip(celsius, self.lowest, self.highest))


@dataclass(frozen=True)
class FewLevels(Fault):
    """Readings come in steps [K], as of a colour video or an 8-bit file."""

    step: float = 0.3

    def written(self, celsius: Array, at: Moment) -> Array:
        """Round to the steps."""
        return np.asarray(np.round(celsius / self.step) * self.step)


@dataclass(frozen=True)
class Overlay(Fault):
    """Edges of a visible picture are drawn into the thermal one, as sharp as pixels are.

    Parameters
    ----------
    strength : float
        Of an edge [K].
    shift : (float, float)
        Of the visible picture against the thermal one [px].
    traces : int
        Copper traces and marks that only the visible picture shows.
    seed : int
        Where those run.
    boxes : tuple
        Parts that are outlined: centre, width and height [mm].
    """

    strength: float = 1.0
    shift: tuple[float, float] = (1.0, -1.0)
    traces: int = 25
    seed: int = 1
    boxes: tuple[tuple[float, float, float, float], ...] = ()

    def written(self, celsius: Array, at: Moment) -> Array:
        """Draw the edges."""
        canvas = np.zeros(celsius.shape, np.uint8)
        for places in self._lines(at):
            column, row = project(at.projection, places[:, 0], places[:, 1])
            ends = np.round(np.stack([column + self.shift[0], row + self.shift[1]], axis=1)).astype(np.int32)
            cv2.polylines(canvas, [ends], isClosed=False, color=(1,), thickness=1, lineType=cv2.LINE_8)
        return np.asarray(celsius + self.strength * canvas)

    def _lines(self, at: Moment) -> list[Array]:
        """Return outlines of parts and board, and traces, as corners (n, 2) [mm]."""
        width, height = at.size
        rng = np.random.default_rng(self.seed)
        lines = [_rectangle(width / 2, height / 2, width, height)]
        lines += [_rectangle(*box) for box in self.boxes]
        for _ in range(self.traces):
            start = rng.uniform(0, 1, 2) * (width, height)
            way = rng.uniform(4, 0.3 * width) * np.array([(1, 0), (0, 1), (0.7, 0.7)][int(rng.integers(3))])
            lines.append(np.stack([start, start + way]))
        return lines


def _rectangle(x: float, y: float, width: float, height: float) -> Array:
    """Return the closed outline of a rectangle (5, 2)."""
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]) / 2
    return np.asarray(corners * (width, height) + (x, y))


def exhaust_log(truth: xr.Dataset, *, share: float, lag: float = 30.0) -> Array:
    """Return what a sensor reads (time) [degC] that stands partly in the item's own exhaust.

    Parameters
    ----------
    share : float
        Of the exhaust's rise that reaches it.
    lag : float
        The sensor's own time constant [s].
    """
    elapsed, rise = truth["elapsed"].values, np.nan_to_num(truth["exhaust_rise"].values)
    read = np.zeros(elapsed.size)
    for index in range(1, elapsed.size):
        kept = np.exp(-(elapsed[index] - elapsed[index - 1]) / lag)
        read[index] = kept * read[index - 1] + (1 - kept) * rise[index]
    return np.asarray(truth["ambient"].values + share * read)
